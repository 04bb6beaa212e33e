"""Stated uncertainties as input quantities: units, coverage and distributions resolved."""

from __future__ import annotations

from drift.budget.quantities import Place, Quantity
from drift.engine.monte_carlo import half_width
from drift.engine.uncertainty import resolution_u
from drift.errors import DriftError, Finding
from drift.study.budgets import LIMITS, STATED, BudgetSpec, Stated
from drift.units import UnitError, convert, parse_quantity

NAMES = {"reference": "reference load", "hysteresis": "hysteresis", "creep": "creep", "non_linearity": "non-linearity",
         "temperature": "temperature", "zero": "zero", "resolution": "resolution", "cell_gain": "gain of the cell"}
PER_CELL = ("resolution", "cell_gain")
# What would give a component that nothing states.
GIVES = {
    "reference": "the certificate of the reference gauge, with its coverage factor: reference = { value = \"0.3 %\", "
                 "coverage = 2 }",
    "hysteresis": "checks read up and down, or half the width of the loop: hysteresis = \"1.5 %\"",
    "creep": "readings held for seconds and minutes, or limits of the change over the duration of a trial: "
             "creep = \"1 %\"",
    "non_linearity": "five or more levels, or the largest deviation from the line: non_linearity = \"1 %\"",
    "temperature": "checks at two temperatures, or limits over those of the laboratory: temperature = \"0.5 %\"",
    "zero": "readings without load before and after, or limits of the offset: zero = \"1 kPa\"",
    "resolution": "the step of the display: resolution = \"1 count\"",
    "cell_gain": "exposures of the whole sheet to one pressure, or the SD of the cells' gains: cell_gain = \"1 %\"",
}


def stated_quantities(spec: BudgetSpec, *, reading_unit: str, pressure_unit: str) -> tuple[Quantity, ...]:
    """Return what ``[budget]`` states as input quantities.

    Raises
    ------
    DriftError
        For every unit that is neither %, a pressure, nor the unit of the reading.
    """
    made: list[Quantity] = []
    problems: list[Finding] = []
    for key, stated in spec.stated().items():
        try:
            made.append(_quantity(key, stated, reading_unit=reading_unit, pressure_unit=pressure_unit))
        except UnitError as error:
            problems.append(Finding(
                severity="error", code="cannot-convert", file="study.toml", column=f"[budget] {key}",
                value=stated.value, message=f"{error}",
                mend=f"Give it in %, in {pressure_unit or 'the unit of the reference'}, or in "
                     f"{reading_unit or 'the unit of the reading'}"))
    if problems:
        raise DriftError(problems)
    return tuple(made)


def left_out(spec: BudgetSpec, have: tuple[str, ...] = ()) -> tuple[tuple[str, str], ...]:
    """Return components that neither ``[budget]`` nor the data (``have``) state, with what would give them."""
    stated = spec.stated()
    return tuple((NAMES[k], GIVES[k]) for k in STATED if k not in stated and NAMES[k] not in have)


def _quantity(key: str, stated: Stated, *, reading_unit: str, pressure_unit: str) -> Quantity:
    given = parse_quantity(stated.value)
    place, unit, factor = _place(given.unit, reading_unit, pressure_unit)
    size, distribution, how = standard(key, stated, given.value * factor)
    estimate = 0.0
    if stated.estimate is not None:
        known = parse_quantity(stated.estimate)
        there, _, by = _place(known.unit, reading_unit, pressure_unit)
        if there != place:
            raise UnitError(f"the estimate {stated.estimate!r} and the uncertainty {stated.value!r} are not in one "
                            "kind of unit")
        estimate = known.value * by
    df = float("inf") if stated.df is None else stated.df
    if distribution == "normal" and stated.df is not None:
        distribution = "t"
    return Quantity(name=NAMES.get(key, key), estimate=estimate, u=size, unit=unit, kind="B", distribution=distribution,
                    df=df, place=place, source=stated.source or f"stated: {how}", shape=stated.shape,
                    per_cell=stated.per_cell or key in PER_CELL)


def _place(unit: str, reading_unit: str, pressure_unit: str) -> tuple[Place, str, float]:
    """Return where a quantity of that unit enters, its unit there, and the factor to it."""
    if unit == "%":
        return "relative", "", 0.01
    if unit == reading_unit and unit != pressure_unit:
        return "reading", reading_unit, 1.0
    return "absolute", pressure_unit, float(convert(1.0, unit, pressure_unit))


def standard(key: str, stated: Stated, size: float) -> tuple[float, str, str]:
    """Return standard uncertainty, distribution, and how the one came from the other.

    References
    ----------
    JCGM 100:2008, 4.3.3 (multiple of an SD), 4.3.4 (level), 4.3.7 (limits), F.2.2.1 (resolution).
    """
    from scipy.special import stdtrit

    text = stated.value
    if stated.step or (key == "resolution" and stated.distribution is None and not (stated.coverage or stated.level)):
        return resolution_u(size), "rectangular", f"step {text}, divided by \N{SQUARE ROOT}12"
    if stated.coverage is not None:
        return size / stated.coverage, stated.distribution or "normal", f"U = {text} with k = {stated.coverage:g}"
    if stated.level is not None:
        factor = float(stdtrit(min(stated.df or 1e12, 1e12), 0.5 + stated.level / 2))
        return (size / factor, stated.distribution or "normal",
                f"U = {text} at {100 * stated.level:g} %, divided by {factor:.3g}")
    distribution = stated.distribution or ("rectangular" if key in LIMITS else "normal")
    if distribution in ("normal", "t"):
        return size, distribution, f"standard uncertainty {text}"
    return size / half_width(distribution, 1.0, stated.shape), distribution, f"limits \N{PLUS-MINUS SIGN}{text}"
