"""What differences depend on besides use: the level of the reading, both together, a bend, sensors' own slopes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from drift.agreement.along_use_model import Along, FloatArray
from drift.engine.agreement_along import AlongDesign, NoFitError, fit_along
from drift.engine.agreement_along_bounds import mean_interval, p_value, spread_interval
from drift.engine.agreement_along_path import Path

ALPHA = 0.05


@dataclass(frozen=True, kw_only=True)
class Term:
    """One thing differences may depend on.

    Parameters
    ----------
    name, unit, method, words : str
    value, low, high, p : float
        ``p`` by itself; ``p_holm`` beside the other terms of the table (Holm 1979).
    """

    name: str
    unit: str
    method: str = ""
    words: str = ""
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    p: float = math.nan
    p_holm: float = math.nan

    @property
    def seen(self) -> bool:
        """Whether it stands out by itself."""
        return self.p < ALPHA


def _interval(path: Path, level: float) -> dict[str, float]:
    low, high = mean_interval(path, level)
    return {"value": float(path.mean[0]), "low": float(low[0]), "high": float(high[0]), "p": float(p_value(path)[0])}


def how(along: Along, k: int | None = None) -> str:
    """Name the model as a paper would; ``k`` is the number of levels with lines, where it is not that of the fit."""
    r = along.roles
    if r.lines is not None:
        return (f"random lines of {along.fit.design.k if k is None else k} levels of {r.unit}"
                f"{', random targets' if along.fit.design.df_target >= 1 else ''}, t interval")
    if along.fit.design.df_target >= 1:
        return f"one line, random {'sensors' if r.sensor_as_target else 'targets'}, t interval"
    return "least squares line, t interval"


def slope_term(along: Along, level: float, unit: str, per: str) -> Term:
    """Slope of the difference along use: method by use."""
    found = _interval(along.slope, level)
    words = f"the difference changes with {per}" if found["p"] < ALPHA else f"no change with {per} seen"
    return Term(name="method x use", unit=f"{unit} per {per}".strip(), method=how(along), words=words, **found)


def spread_term(along: Along, level: float, unit: str, per: str) -> Term | None:
    """SD of the sensors' slopes, with the F test that they are one; None without sensors' lines."""
    if along.roles.lines is None:
        return None
    path = along.slope
    _, p = along.fit.equality((0.0, 1.0))
    low, high = spread_interval(path, level)
    words = (f"slopes differ between levels of {along.roles.unit}" if p < ALPHA else
             f"one slope serves all levels of {along.roles.unit}, as far as can be seen")
    return Term(name="SD of slopes", unit=f"{unit} per {per}".strip(), value=float(np.sqrt(path.spread[0])),
                low=float(low[0]), high=float(high[0]), p=p, words=words,
                method=f"between {along.fit.design.k} levels of {along.roles.unit}, MOVER interval; F test of equal "
                       "slopes")


def _further(along: Along, columns: FloatArray, directions: Sequence[Sequence[float]]) -> tuple[Path, int] | str:
    """Fit more columns; levels of the unit that cannot carry them are left out, all of them where fewer than two do."""
    lines, targets = along.roles.lines, along.roles.targets
    keep = np.ones(len(columns), dtype=bool)
    if lines is not None:
        for s in range(int(lines.max()) + 1):
            mine = lines == s
            part = columns[mine] / np.maximum(np.abs(columns).max(0), 1e-300)
            if mine.sum() <= columns.shape[1] or np.linalg.svd(part, compute_uv=False)[-1] < 1e-3 * np.sqrt(mine.sum()):
                keep[mine] = False
        if len(np.unique(lines[keep])) < 2:
            return f"fewer than two levels of {along.roles.unit} have the pairs for it"
        lines = lines[keep]
    if targets is not None:
        targets = targets[keep]
        if len(np.unique(targets)) in (1, len(targets)):
            targets = None
    try:
        fit = fit_along(AlongDesign.build(columns[keep], lines, targets), along.difference[keep])
    except NoFitError as reason:
        return str(reason)
    return fit.at(directions), fit.design.k


def bend_term(along: Along, level: float, unit: str, per: str) -> Term:
    """How far the middle of the uses lies off the straight line between their ends."""
    name, half = "bend along use", 0.5 * (along.last - along.use.min())
    centred = along.use - (along.use.min() + half)
    found = _further(along, np.column_stack([np.ones_like(centred), centred, centred**2]), [[0.0, 0.0, -half**2]])
    if isinstance(found, str):
        return Term(name=name, unit=unit, words=f"not judged: {found}")
    numbers = _interval(found[0], level)
    words = ("the differences bend along use, so a straight line is only roughly right" if numbers["p"] < ALPHA else
             "no bend seen")
    return Term(name=name, unit=unit, words=words, method="middle of the uses less the chord between their ends, "
                f"square of {per} in the model; {how(along, found[1])}", **numbers)


def level_terms(along: Along, level: float, unit: str, per: str) -> list[Term]:
    """Differences on the level of the reading, at the median use, and how that changes with use.

    The level is the mean reading of the target where targets repeat: the mean of one pair shares the errors of its
    difference, and a slope on it is found wherever the two methods' errors differ in size. Where targets do not repeat
    the words say so.
    """
    named = ("method x level", "method x level x use")
    units = ("", f"per {per}")
    of_target = along.roles.targets
    value = along.level
    if of_target is not None:
        value = (np.bincount(of_target, weights=value) / np.bincount(of_target))[of_target]
    if not np.ptp(value) > 1e-9 * max(float(np.max(np.abs(value))), 1e-300):
        return [Term(name=n, unit=u, words="not judged: the readings do not vary")
                for n, u in zip(named, units, strict=True)]
    u, x = along.use - along.median, value - value.mean()
    found = _further(along, np.column_stack([np.ones_like(u), u, x, u * x]), [[0, 0, 1.0, 0], [0, 0, 0, 1.0]])
    if isinstance(found, str):
        return [Term(name=n, unit=v, words=f"not judged: {found}") for n, v in zip(named, units, strict=True)]
    on = "the mean of the target" if of_target is not None else "mean"
    path, k = found
    method = f"slope of difference on {on}, with use and their product in the model; {how(along, k)}"
    low, high = mean_interval(path, level)
    p = p_value(path)
    seen = ("the difference depends on the level of the reading", "what the level does changes with use")
    if of_target is None:
        seen = (f"{seen[0]}, or the errors of the two methods differ in size", f"{seen[1]}, or the errors do")
    unseen = ("no dependence on the level seen", "no change of that with use seen")
    return [Term(name=named[i], unit=units[i], method=method, value=float(path.mean[i]), low=float(low[i]),
                 high=float(high[i]), p=float(p[i]), words=seen[i] if p[i] < ALPHA else unseen[i]) for i in (0, 1)]


def with_holm(terms: Sequence[Term]) -> list[Term]:
    """Adjust the p-values of all terms for each other (Holm 1979)."""
    asked = [i for i, t in enumerate(terms) if math.isfinite(t.p)]
    out, before = list(terms), 0.0
    for rank, i in enumerate(sorted(asked, key=lambda i: terms[i].p)):
        before = max(before, min(1.0, terms[i].p * (len(asked) - rank)))
        out[i] = replace(terms[i], p_holm=before)
    return out
