"""What ``study.toml`` may hold, as frozen models."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field, PrivateAttr

from drift.records import (
    CALIBRATION_COLUMNS,
    CHECK_COLUMNS,
    EVENT_COLUMNS,
    EXPOSURE_COLUMNS,
    SENSOR_COLUMNS,
    TRIAL_COLUMNS,
)
from drift.study.budgets import BudgetSpec
from drift.study.calibrations import CalibrationQuestion, CellsQuestion
from drift.study.parts import Part, Share
from drift.study.protocol import ProtocolSpec
from drift.study.reporting import ReportingSpec


class StudyInfo(Part):
    """``[study]``: what the study is, and how uses are counted."""

    title: str
    lab: str | None = None
    contact: str | None = None
    protocol_id: str | None = None
    invented: bool = False
    use_is: str | None = None
    count_uses: Literal["column", "session log", "dates"] = "column"
    duplicates: Literal["refuse", "keep", "drop"] = "refuse"
    checks_are_uses: bool = False


class Files(Part):
    """``[files]``: table files relative to the study folder."""

    checks: str | None = None
    trials: str | None = None
    sensors: str | None = None
    events: str | None = None
    calibrations: str | None = None
    exposures: str | None = None
    session_log: str | None = None
    ledger: str | None = None
    ledger_is: Literal["local", "network"] | None = None

    def may_hold(self, kind: str) -> bool:
        """Tell whether a table that is logged (checks, events, session_log) has a home: a file or a ledger."""
        return bool(getattr(self, kind) or self.ledger)


class TextFormat(Part):
    """``[format.TABLE]``: how a text table is written, where it cannot be told from the file."""

    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    thousands: Literal[",", ".", " ", "'"] | None = None
    encoding: str | None = None
    sheet: str | None = None
    dates: Literal["iso", "day first", "month first", "serial"] | None = None


class SensitivitySpec(Part):
    """``[sensitivity]``: drift per use.

    Rows whose exposure is below ``start`` leave the slope, not the count. ``also`` names other clocks of wear to be
    compared (columns of the checks, or "days"), ``load`` a column with the mean load of the uses since the previous
    check. ``reference_u`` and ``gauge_u`` are relative standard uncertainties of the reference: of each level by
    itself, and of the gauge that all share.
    """

    exposure: str = "use"
    exposure_unit: str | None = None
    scale: Literal["log", "linear"] = "log"
    full_scale: float | str | None = None
    covariates: tuple[str, ...] = ()
    start: float | None = Field(default=None, ge=0)
    also: tuple[str, ...] = ()
    load: str | None = None
    reference_u: float | None = Field(default=None, ge=0, lt=0.5)
    gauge_u: float | None = Field(default=None, ge=0, lt=0.5)
    where: dict[str, Any] = Field(default_factory=dict)


class ReliabilityQuestion(Part):
    """``[[reliability]]``: one reliability question.

    ``facet`` with several names makes it a generalizability study; ``nested`` says which facet lies inside which
    other (or inside the target), ``plan`` for how many levels of each facet its precision is projected.
    ``fixed`` names the facets whose levels are the only ones of interest.
    ``compare`` names a column whose values are compared in reliability. ``ordered`` says that the facet's levels
    follow each other in time or wear (default: when the facet is the use count); ``window`` is the number of levels
    looked at together along them. ``grades`` names the published word bands to read from the interval;
    ``bound`` asks for a one-sided bound of the coefficient as well.
    """

    name: str
    target: str
    facet: str | tuple[str, ...]
    nested: dict[str, str] = Field(default_factory=dict)
    fixed: tuple[str, ...] = ()
    plan: dict[str, tuple[int, ...]] = Field(default_factory=dict)
    compare: str | None = None
    ordered: bool | None = None
    window: int | None = Field(default=None, ge=2)
    grades: Literal["Koo & Li 2016", "Cicchetti 1994"] | None = None
    where: dict[str, Any] = Field(default_factory=dict)
    by: tuple[str, ...] = ()
    replicate: str | None = "replicate"
    facets_are: Literal["sample", "fixed"] = "sample"
    agree: Literal["value", "order"] = "value"
    use: Literal["single", "mean"] = "single"
    bound: Literal["lower", "upper"] | None = None
    average_replicates: bool = False


class GaugeQuestion(Part):
    """``[[gauge]]``: one gauge study; ``operator`` is whatever reproduces the reading (person, sensor, rig).

    ``tolerance`` is the width of the tolerance in the reading's unit; ``lower`` and ``upper`` are its ends, one of
    them for a one-sided tolerance. ``study_variation`` is the number of standard deviations called the variation.
    """

    name: str
    part: str
    operator: str | None = None
    replicate: str | None = "replicate"
    reference: str | None = None
    nested: bool | None = None
    tolerance: float | None = Field(default=None, gt=0)
    lower: float | None = None
    upper: float | None = None
    study_variation: float = Field(default=6.0, gt=0)
    pool_above: float | None = Field(default=0.25, gt=0, lt=1)
    where: dict[str, Any] = Field(default_factory=dict)
    by: tuple[str, ...] = ()


class InterlaboratoryQuestion(Part):
    """``[[interlaboratory]]``: precision of a method over laboratories, rigs or benches (ISO 5725-2)."""

    name: str
    laboratory: str
    material: str | None = None
    replicate: str | None = "replicate"
    where: dict[str, Any] = Field(default_factory=dict)


class Recalculate(Part):
    """``[agreement.recalculate]``: the same raw trials expressed through two calibrations.

    ``from`` says where the calibrations come from: the table ``[files] calibrations``, or straight lines through the
    bench checks, made on the fly: of one ``cal_id``, or "first", "latest", "use 30". ``readings`` says what the trials
    hold: raw output, or values that were already expressed through the calibration named in the column ``shown_by``.
    ``levels`` are pressures at which limits are given besides the low, middle and high one of the trials.
    """

    source: Literal["calibrations", "checks"] = Field(default="calibrations", alias="from")
    readings: Literal["raw", "calibrated"] = "raw"
    shown_by: str | None = None
    levels: tuple[float, ...] = ()

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True, defer_build=True)


class AgreementQuestion(Part):
    """``[[agreement]]``: one agreement question; differences are a - b.

    Either ``a`` and ``b`` are named, or three or more ``methods`` (``"all"``: every value of the compared column).
    ``harmless`` is a number in the reading's unit, a quantity such as ``"25 kPa"``, or a share such as ``"10 %"``.
    ``error_ratio`` is the variance of the measurement errors of a divided by that of b. ``multiplier`` is how many SDs
    lie between bias and limit: 1.96, or 2 as papers of 1986 have it.
    """

    name: str
    compare: str
    a: str = ""
    b: str = ""
    methods: tuple[str, ...] | Literal["all"] = ()
    target: str | None = None
    sensor: str | None = None
    pair_by: tuple[str, ...] = ()
    truth: Literal["varying", "constant"] | None = None
    harmless: float | str | None = None
    lines: tuple[Literal["deming", "weighted deming", "passing-bablok", "york"], ...] = ()
    error_ratio: float | Literal["replicates"] | None = None
    recalculate: Recalculate | None = None
    where: dict[str, Any] = Field(default_factory=dict)
    by: tuple[str, ...] = ()
    rows_are_independent: bool = False
    multiplier: float = Field(default=1.96, gt=0, le=10)


class ReadingLimit(Part):
    """A limit on the reading itself."""

    value: float
    direction: Literal["above", "below"] = "above"


class Limits(Part):
    """``[limits]``: a sensor is fit for use while all of these hold. Nothing is built in."""

    sensitivity_change: Annotated[Share | None, Field(gt=0, lt=1)] = None
    saturation_pressure: str | None = None
    dead_fraction: Annotated[Share | None, Field(ge=0, lt=1)] = None
    dead_lines: int | None = Field(default=None, ge=0)
    reading: ReadingLimit | None = None


class RetirementSpec(Part):
    """``[retirement]``: content and confidence of the retire-after statement."""

    content: float = Field(default=0.90, gt=0.5, lt=1)
    confidence: float = Field(default=0.95, gt=0.5, lt=1)
    pool: bool = False
    equal_slopes_within: float = Field(default=0.20, gt=0, lt=1)


class RecalibrationSpec(Part):
    """``[recalibration]``: how far readings may drift from the last calibration before the next is due.

    Within a tolerance of 5 % neither the true value over the shown one nor the shown over the true one exceeds 1.05.
    Content and confidence are those of ``[retirement]`` unless given. ``calibration_error`` says whether the tolerance
    is for drift alone ("apart") or for drift and the calibration's own error together ("inside").
    """

    tolerance: Annotated[Share, Field(gt=0, lt=1)]
    content: float | None = Field(default=None, gt=0.5, lt=1)
    confidence: float | None = Field(default=None, gt=0.5, lt=1)
    calibration_error: Literal["apart", "inside"] = "apart"


class PolicySpec(Part):
    """``[policy]``: what is compared when policies are; each list may be left out.

    ``retire_after``, ``check_every`` and ``recalibrate_every`` are counts to try. ``guard`` is the share of the
    declared limit at which a checked sensor is retired; without it the guard band is worked out.
    ``noticed_after`` is the number of spoilt sessions after which a failure is noticed without a check.
    """

    retire_after: tuple[Annotated[int, Field(ge=1)], ...] = ()
    check_every: tuple[Annotated[int, Field(ge=1)], ...] = ()
    recalibrate_every: tuple[Annotated[int, Field(ge=1)], ...] = ()
    guard: Annotated[Share | None, Field(gt=0, le=1)] = None
    guard_confidence: float = Field(default=0.95, gt=0.5, lt=1)
    noticed_after: int = Field(default=1, ge=1)
    lives: int = Field(default=20_000, ge=1000, le=2_000_000)


class ScreeningSpec(Part):
    """``[screening]``: which screening rules remove rows, and their limits where changed."""

    drop: tuple[str, ...] = ()
    saturated_fraction: float = Field(default=0.0, ge=0, le=1)
    dead_fraction: float = Field(default=0.02, ge=0, le=1)
    force_fraction: float = Field(default=0.90, gt=0, le=1)


class TodaySpec(Part):
    """``[today]``: what ``drift today`` asks of a sensor and of the rig before it is used.

    ``chance`` is the largest probability of being past a limit at the next use; ``off_path`` the probability with which
    a good check is called off its path; ``baseline`` the number of occasions of a check standard at which
    the baseline of its control limits is full. ``retire_by`` is what retires sensors here: each one's own "forecast",
    the retire-after "count" of its construction, or "checks" past a guard band.
    """

    chance: Annotated[Share, Field(gt=0, lt=0.5)] = 0.05
    off_path: Annotated[Share, Field(gt=0, lt=0.5)] = 0.01
    baseline: int | None = Field(default=None, ge=5)
    retire_by: Literal["forecast", "count", "checks"] = "forecast"


class Costs(Part):
    """``[costs]``: carried for the policy questions, printed with the study."""

    sensor: float | None = Field(default=None, ge=0, le=1e12)
    recalibration: float | None = Field(default=None, ge=0, le=1e12)
    spoilt_session: float | None = Field(default=None, ge=0, le=1e12)
    check: float | None = Field(default=None, ge=0, le=1e12)
    currency: str | None = None


class Study(Part):
    """A whole study file."""

    study: StudyInfo
    files: Files = Files()
    format: dict[str, TextFormat] = Field(default_factory=dict)
    columns: dict[str, dict[str, str]] = Field(default_factory=dict)
    units: dict[str, dict[str, str | dict[str, str]]] = Field(default_factory=dict)
    sensitivity: SensitivitySpec | None = None
    reliability: tuple[ReliabilityQuestion, ...] = ()
    gauge: tuple[GaugeQuestion, ...] = ()
    interlaboratory: tuple[InterlaboratoryQuestion, ...] = ()
    agreement: tuple[AgreementQuestion, ...] = ()
    calibration: tuple[CalibrationQuestion, ...] = ()
    cells: CellsQuestion | None = None
    limits: Limits = Limits()
    retirement: RetirementSpec | None = None
    recalibration: RecalibrationSpec | None = None
    policy: PolicySpec | None = None
    screening: ScreeningSpec = ScreeningSpec()
    costs: Costs = Costs()
    budget: BudgetSpec | None = None
    today: TodaySpec | None = None
    protocol: ProtocolSpec | None = None
    reporting: ReportingSpec | None = None
    folder: Path | None = Field(default=None, exclude=True)
    _file_name: str = PrivateAttr(default="study.toml")

    @property
    def file_name(self) -> str:
        """Name of the file it was read from: a folder may hold several studies."""
        return self._file_name

    def from_file(self, name: str | None) -> Study:
        """Return the study as one read from a file of that name."""
        made = self.model_copy()
        made._file_name = name or "study.toml"
        return made


COLUMNS_OF: dict[str, tuple[str, ...]] = {"checks": CHECK_COLUMNS, "trials": TRIAL_COLUMNS, "sensors": SENSOR_COLUMNS,
                                         "events": EVENT_COLUMNS, "calibrations": CALIBRATION_COLUMNS,
                                         "exposures": EXPOSURE_COLUMNS,
                                         "session_log": ("sensor", "time")}
TABLE_NAMES = ("checks", "trials", "sensors", "events", "calibrations", "exposures", "session_log")
