"""The tables of an uncertainty budget."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.budget.quantities import Quantity
from drift.engine.uncertainty import numerical_tolerance
from drift.results import ResultTable

if TYPE_CHECKING:
    from drift.budget.analysis import Budget, Ground

STEPS = 24


def all_tables(ground: Ground, made: tuple[Budget, ...]) -> tuple[ResultTable, ...]:
    """Build every table, in the order in which they are read."""
    made = tuple(b for b in made if not b.refused)  # without a pressure there is nothing to take apart
    return (_budget(ground, made), _correlations(made), _left_out(ground, made), _check(ground, made),
            _along_use(ground, made))


def _who(made: list[Budget]) -> dict[str, list[str]]:
    """Columns that tell budgets apart."""
    return {"construction": [b.subject.construction for b in made], "sensor": [b.subject.sensor for b in made]}


def shown_unit(q: Quantity) -> tuple[str, float]:
    """Return the unit in which a quantity is shown, and the factor to it: shares in %."""
    return ("%", 100.0) if q.place in ("relative", "response", "calibration") else (q.unit, 1.0)


def _budget(ground: Ground, made: tuple[Budget, ...]) -> ResultTable:
    rows: list[dict[str, Any]] = []
    of: list[Budget] = []
    for b in made:
        for i, q in enumerate(b.assembly.quantities):
            unit, factor = shown_unit(q)
            rows.append({
                "quantity": q.name, "estimate": q.estimate * factor, "standard uncertainty": q.u * factor, "unit": unit,
                "type": q.kind, "distribution": q.distribution, "degrees of freedom": q.df,
                "sensitivity coefficient": b.gum.sensitivity[i] / factor, "contribution": abs(b.gum.contribution[i]),
                "share": 100 * b.gum.share[i] / b.gum.u**2 if b.gum.u > 0 else np.nan, "source": q.source})
            of.append(b)
    columns = {k: [r[k] for r in rows] for k in rows[0]} if rows else {}
    # Infinite degrees of freedom are left empty: JSON has no infinity.
    if rows:
        columns["degrees of freedom"] = [d if np.isfinite(d) else np.nan for d in columns["degrees of freedom"]]
    unit = ground.pressure_unit
    return ResultTable.build("budget", {**_who(of), **columns}, units={"contribution": unit, "share": "%"},
                             caption=f"Input quantities. The sensitivity coefficient is {unit or 'pressure'} per unit "
                                     "of the quantity; degrees of freedom are left empty where they are infinite; "
                                     "shares of the variance hold half of each covariance and add up to 100 %.")


def _correlations(made: tuple[Budget, ...]) -> ResultTable:
    rows: list[tuple[Budget, str, str, float]] = []
    for b in made:
        by_name = {q.name: q for q in b.assembly.quantities}
        rows += [(b, one, other, c / (by_name[one].u * by_name[other].u))
                 for (one, other), c in b.assembly.covariances.items()
                 if one in by_name and other in by_name and by_name[one].u > 0 and by_name[other].u > 0]
    return ResultTable.build("correlations", {
        **_who([r[0] for r in rows]), "quantity": [r[1] for r in rows], "with": [r[2] for r in rows],
        "correlation": np.array([r[3] for r in rows], dtype=np.float64)},
        caption="Correlations between input quantities; all others are taken as independent.")


def _left_out(ground: Ground, made: tuple[Budget, ...]) -> ResultTable:
    from drift.budget.analysis import not_stated

    rows = [(b, name, how) for b in made for name, how in not_stated(ground, b)]
    return ResultTable.build("left out", {
        **_who([r[0] for r in rows]), "component": [r[1] for r in rows], "what would give it": [r[2] for r in rows]},
        caption="Not stated, and therefore left out: the uncertainty is too small by them.")


def verdict(b: Budget) -> tuple[bool, float, tuple[float, float]]:
    """Return whether simulation confirms the law of propagation, the tolerance, and the distances of the ends."""
    from drift.engine.monte_carlo import confirmed

    tolerance = numerical_tolerance(b.gum.expanded)
    assert b.simulated is not None
    ends = (b.gum.value - b.gum.expanded, b.gum.value + b.gum.expanded)
    other = (b.simulated.low, b.simulated.high)  # the interval that is printed
    return confirmed(ends, other, tolerance), tolerance, (ends[0] - other[0], ends[1] - other[1])


def _check(ground: Ground, made: tuple[Budget, ...]) -> ResultTable:
    rows: list[tuple[Budget, str, float, float, float, float]] = []  # pressure, low, high, standard uncertainty
    for b in made:
        if b.simulated is None:
            continue
        s, g = b.simulated, b.gum
        rows += [(b, "law of propagation", g.value, g.value - g.expanded, g.value + g.expanded, g.u),
                 (b, "Monte Carlo, symmetric", s.median, s.low, s.high, s.u),
                 (b, "Monte Carlo, shortest", s.median, s.shortest_low, s.shortest_high, s.u)]
    unit = ground.pressure_unit
    numbers = {name: np.array([r[j] for r in rows], dtype=np.float64)
               for j, name in enumerate(("pressure", "low", "high", "standard uncertainty"), start=2)}
    return ResultTable.build("Monte Carlo check", {
        **_who([r[0] for r in rows]), "interval": [r[1] for r in rows], **numbers,
        "half-width": (numbers["high"] - numbers["low"]) / 2},
        units=dict.fromkeys((*numbers, "half-width"), unit),
        caption=f"Intervals of {100 * ground.level:g} % by the law of propagation and by propagation of distributions "
                "(pressure: the median of the draws). The symmetric one leaves as many draws below as above; it is the "
                "one stated and compared. A standard uncertainty that does not settle, as with few degrees of freedom, "
                "is left out.")


def _along_use(ground: Ground, made: tuple[Budget, ...]) -> ResultTable:
    """Return the expanded uncertainty over uses since the calibration, at the same pressure."""
    from drift.budget.analysis import budget_from

    rows: list[tuple[Budget, float, float, float, float]] = []
    for b in made:
        if not b.drift_known:
            continue
        reach = max(b.evidence.last_use - b.subject.calibrated_at, b.subject.since)
        for n in np.unique(np.r_[np.linspace(0.0, reach, STEPS + 1), b.subject.since]):
            at = replace(b.subject, use=b.subject.calibrated_at + float(n))
            one = budget_from(ground, at, b.curve, b.evidence, rng=None, pressure=b.gum.value)
            rows.append((b, float(n), one.gum.expanded, one.bias, abs(one.bias) + one.gum.expanded))
    unit = ground.pressure_unit
    names = ("uses since calibration", "expanded uncertainty, corrected", "bias if not corrected",
             "enlarged uncertainty, not corrected")
    return ResultTable.build("along use", {
        **_who([r[0] for r in rows]),
        **{name: np.array([r[j] for r in rows], dtype=np.float64) for j, name in enumerate(names, start=1)}},
        units={names[0]: ground.data.per, **dict.fromkeys(names[1:], unit)},
        caption="Expanded uncertainty over uses since the calibration at the same pressure; not corrected: the size of "
                "the bias is added.")
