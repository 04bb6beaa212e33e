"""``[budget]``: what a study states about the uncertainty of a pressure at a use, as frozen models."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from drift.units import UnitError, is_pressure, parse_quantity

if TYPE_CHECKING:
    from drift.study.models import Study

Distribution = Literal["normal", "t", "rectangular", "triangular", "arcsine", "trapezoidal", "curvilinear"]
STATED = ("reference", "hysteresis", "creep", "non_linearity", "temperature", "zero", "resolution", "cell_gain")
# A short value of these is the half-width of limits; of the others a standard uncertainty, of resolution the step.
LIMITS = ("hysteresis", "creep", "non_linearity", "temperature", "zero")


class Stated(BaseModel):
    """One stated uncertainty.

    ``value`` is a quantity with its unit: %, a pressure, or the unit of the raw reading. With ``coverage`` or ``level``
    it is an expanded uncertainty; with a distribution between limits it is their half-width; with ``step`` it is the
    step of a display; else a standard uncertainty. ``estimate`` is the known mean of the effect, which is corrected
    for. ``shape`` is that of trapezoidal and curvilinear distributions.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    value: str
    coverage: float | None = Field(default=None, gt=0)
    level: float | None = Field(default=None, gt=0.5, lt=1)
    distribution: Distribution | None = None
    df: float | None = Field(default=None, gt=0)
    shape: float = Field(default=0.0, ge=0, le=1)
    step: bool = False
    estimate: str | None = None
    source: str = ""
    per_cell: bool = False


def _short(value: Any) -> Any:
    """Let a quantity alone stand for the table that holds it."""
    return {"value": str(value)} if isinstance(value, (str, int, float)) and not isinstance(value, bool) else value


Component = Annotated[Stated | None, BeforeValidator(_short)]


class BudgetSpec(BaseModel):
    """``[budget]``: the pressure whose uncertainty is asked, and what the study's own data cannot tell.

    ``reading`` is raw output, ``pressure`` the pressure at which the budget is made; ``use`` the uses completed,
    ``since_calibration`` how many of them since the last calibration. ``mean_of`` is the number of mountings whose mean
    is used, ``cells`` the number of cells whose forces are added. ``reading_of`` says whether the reading is one of a
    cell, whose own gain is in it, or of the whole sheet. ``drift`` is a stated drift per use in %, for studies
    that cannot estimate one; ``others`` are further effects by name.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)

    reading: float | None = None
    pressure: str | None = None
    use: float | None = None
    since_calibration: float | None = None
    sensor: str | None = None
    construction: str | None = None
    corrected: bool = True
    mean_of: int = Field(default=1, ge=1)
    cells: int | None = Field(default=None, ge=2)
    reading_of: Literal["cell", "sheet"] | None = None
    reference: Component = None
    hysteresis: Component = None
    creep: Component = None
    non_linearity: Component = None
    temperature: Component = None
    zero: Component = None
    resolution: Component = None
    cell_gain: Component = None
    drift: Component = None
    others: dict[str, Annotated[Stated, BeforeValidator(_short)]] = Field(default_factory=dict)

    def stated(self) -> dict[str, Stated]:
        """Return what is stated, by name: components first, then the others."""
        named = {k: v for k in STATED if (v := getattr(self, k)) is not None}
        return {**named, **self.others}


def about_budget(study: Study, say: Callable[..., None]) -> None:
    """Check ``[budget]``: quantities that can be read and are not negative, one subject, one starting point."""
    spec: BudgetSpec | None = study.budget
    if spec is None:
        return
    at: tuple[str | int, ...] = ("budget",)
    if spec.reading is not None and spec.pressure is not None:
        say("contradiction", (*at, "reading"), "a budget is made at a reading or at a pressure, and both are given",
            mend="Keep one of reading and pressure")
    if spec.sensor is not None and spec.construction is not None:
        say("contradiction", (*at, "sensor"), "a budget is of one sensor or of any sensor of a construction, and both "
            "are named", mend="Keep one of sensor and construction")
    if spec.use is not None and spec.use < 0:
        say("out-of-range", (*at, "use"), "a use count is not negative", value=f"{spec.use:g}", mend="Give 0 or more")
    if spec.since_calibration is not None and spec.since_calibration < 0:
        say("out-of-range", (*at, "since_calibration"), "the use lies before the calibration",
            value=f"{spec.since_calibration:g}", mend="Give the uses since the last calibration, 0 or more")
    if spec.use is not None and spec.since_calibration is not None and spec.since_calibration > spec.use >= 0:
        say("contradiction", (*at, "since_calibration"), f"the calibration would lie before the first use: use "
            f"{spec.use:g} less {spec.since_calibration:g}", value=f"{spec.since_calibration:g}",
            mend="Give no more uses since calibration than uses")
    if spec.reading_of == "sheet" and spec.cell_gain is not None:
        say("contradiction", (*at, "cell_gain"), "the reading of a whole sheet has no gain of a cell in it, and one is "
            "stated", mend="Keep one of reading_of = \"sheet\" and cell_gain")
    if spec.pressure is not None:
        _pressure(spec.pressure, (*at, "pressure"), say)
    for name, stated in {**spec.stated(), **({"drift": spec.drift} if spec.drift is not None else {})}.items():
        path = (*at, name) if name not in spec.others else (*at, "others", name)
        _component(name, stated, path, say)


def _pressure(text: str, path: tuple[str | int, ...], say: Callable[..., None]) -> None:
    try:
        found = parse_quantity(text)
    except UnitError as error:
        say("unknown-unit", path, str(error), value=text, mend="Write it as \"400 kPa\"")
        return
    if not is_pressure(found.unit):
        say("not-a-pressure", path, "this needs a unit of pressure", value=text, mend="Write it as \"400 kPa\"")
    elif not found.value > 0:
        say("out-of-range", path, "a pressure to make a budget at is above zero", value=text,
            mend="Write it as \"400 kPa\"")


def _component(name: str, stated: Stated, path: tuple[str | int, ...], say: Callable[..., None]) -> None:
    """Check one stated uncertainty."""
    for key in ("value", "estimate"):
        text = getattr(stated, key)
        if text is None:
            continue
        try:
            found = parse_quantity(text)
        except UnitError as error:
            say("unknown-unit", path, str(error), value=text, mend="Write it as \"0.3 %\", \"1 kPa\" or \"1 count\"")
            continue
        if not found.unit:
            say("no-unit", path, "a stated uncertainty needs its unit: % of the pressure, a pressure, or the unit of "
                "the reading", value=text, mend=f"Write it as \"{found.value:g} %\" or \"{found.value:g} kPa\"")
        if key == "value" and found.value < 0:
            say("out-of-range", path, "an uncertainty is not negative", value=text, mend="Give its size")
        if name == "drift" and found.unit and found.unit != "%":
            say("out-of-range", path, "a stated drift is in % per use", value=text, mend="Write it as \"-0.5 %\"")
    if name == "drift" and stated.estimate is None:
        say("missing-key", path, "a stated drift needs its estimate, in % per use", mend="Write it as drift = { "
            "estimate = \"-0.5 %\", value = \"0.1 %\" }")
    if stated.coverage is not None and stated.level is not None:
        say("contradiction", path, "an expanded uncertainty has a coverage factor or a level, and both are given",
            mend="Keep one of coverage and level")
    if stated.distribution not in (None, "normal", "t") and (stated.coverage or stated.level or stated.step):
        say("contradiction", path, f"a {stated.distribution} distribution is given by its half-width, not by an "
            "expanded uncertainty or a step", value=stated.distribution, mend="Take coverage, level and step out")
