"""Error variance of each of several methods: whole and by stratum, with intervals, and whether they are equal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.agreement.several_found import Found
from drift.engine.equal_variances import equal_own_variances_p, equal_variances_p
from drift.engine.method_variances import (
    MethodVariances,
    connected,
    fit_squares,
    fit_variances,
    profile_intervals,
)

FloatArray = NDArray[np.float64]
SPREAD = "spread of the variances about the mean (Shukla 1972), simulated under equality"
BARTLETT = "Bartlett's statistic, simulated under equality"
PROFILE, RECOVERED, CHI_SQUARE = "profile likelihood, F", "MOVER of profile likelihood", "chi-square"


@dataclass(frozen=True, kw_only=True, eq=False)
class ErrorParts:
    """Error variances, whole ("") and by part, shape (n_parts, k) each; ``n`` units behind them.

    ``at_zero`` are the methods whose whole is estimated at zero, ``intervals`` the name of each part's interval.
    """

    names: tuple[str, ...]
    estimates: FloatArray
    low: FloatArray
    high: FloatArray
    intervals: tuple[str, ...]
    n: int

    @property
    def linked(self) -> tuple[int, ...]:
        """Methods whose part between targets would lie below zero with confidence: unlinked readings cannot do that."""
        return tuple(np.nonzero(self.high[1] <= 0)[0].tolist()) if len(self.names) > 1 else ()

    @property
    def at_zero(self) -> tuple[int, ...]:
        """Methods whose whole error variance is estimated at zero."""
        return tuple(np.nonzero(self.estimates[0] <= 0)[0].tolist())


def error_parts(found: Found, level: float, *, methods: Sequence[int] | None = None) -> ErrorParts | str:
    """Estimate the error variance of every method, or say why it cannot be.

    One reading a cell: REML with a variance a method, all cells used. Repeats: the same fit to each stratum's mean
    squares and products, and the parts that follow from them. Unlinked readings: within targets from each method's own
    readings, and target x method from the target means. With ``methods`` only these get intervals.
    """
    assert found.joint is not None
    which = list(range(len(found.cells.methods)) if methods is None else methods)

    def ends_of(fit: MethodVariances, df: float) -> FloatArray:
        ends = np.full((len(fit.variances), 2), np.nan)
        ends[which] = profile_intervals(fit, df, level, methods=which)
        return ends

    joint, cells, structure = found.joint, found.cells, found.structure
    if any(p.state == "flat" for p in found.pairs):
        return "the differences of two methods have no spread"
    if not connected(cells.table):
        return "some methods never read the same target, nor are they linked by others"
    try:
        if structure.kind == "simple":
            fit = fit_variances(cells.table)
            ends = ends_of(fit, fit.n - 1.0)
            return ErrorParts(names=("",), estimates=fit.variances[None], low=ends[None, :, 0], high=ends[None, :, 1],
                              intervals=(PROFILE,), n=fit.n)
        fits = [fit_squares(g, float(df)) for g, df in zip(joint.matrices, joint.df, strict=True)]
    except ValueError as reason:
        return str(reason)
    values = np.stack([f.variances for f in fits])
    ends = np.stack([ends_of(f, float(df)) for f, df in zip(fits, joint.df, strict=True)])
    if structure.kind == "unpaired":
        return _unlinked(found, values, ends, level)
    return _linked(found, values, ends)


def recovered(weights: FloatArray, values: FloatArray, ends: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Put strata together: value and MOVER ends of ``weights @ values``, none below zero (Zou & Donner 2008).

    Parameters
    ----------
    weights : array, shape (n_parts, n_strata)
    values : array, shape (n_strata, k)
    ends : array, shape (n_strata, k, 2)
    """
    made = weights @ values
    below, above = values - ends[:, :, 0], ends[:, :, 1] - values
    positive = np.maximum(weights, 0.0)[:, :, None]
    negative = np.maximum(-weights, 0.0)[:, :, None]
    down = np.sqrt(np.sum((positive * below) ** 2 + (negative * above) ** 2, axis=1))
    up = np.sqrt(np.sum((positive * above) ** 2 + (negative * below) ** 2, axis=1))
    return np.maximum(made, 0.0), np.maximum(made - down, 0.0), np.maximum(made + up, 0.0)


def _linked(found: Found, values: FloatArray, ends: FloatArray) -> ErrorParts:
    assert found.joint is not None
    analysis = next(p.analysis for p in found.pairs if p.analysis is not None and p.analysis.fit is not None
                    and len(p.analysis.strata.df) == len(found.joint.df))
    assert analysis.fit is not None
    names = ("", *(f"between levels of {f}" for f in found.structure.factors), "within (residual)")
    estimates, low, high = recovered(np.vstack([found.joint.total, analysis.fit.of_component]), values, ends)
    return ErrorParts(names=names, estimates=estimates, low=low, high=high,
                      intervals=(*[RECOVERED] * (len(names) - 1), PROFILE), n=found.structure.n_units)


def _unlinked(found: Found, values: FloatArray, ends: FloatArray, level: float) -> ErrorParts:
    from scipy import special

    joint = found.joint
    assert joint is not None
    assert joint.own is not None
    assert joint.own_df is not None
    assert joint.own_total is not None
    there, tail = joint.own_df > 0, 0.5 - level / 2
    own_ends = np.tile(joint.own[:, None], (1, 2))
    for column, p in ((0, tail), (1, 1 - tail)):
        own_ends[there, column] = joint.own[there] * joint.own_df[there] / special.chdtri(joint.own_df[there], p)
    # Target means hold target x method and what is left of the errors: 1 - own_total is the mean of 1 / m.
    left = np.where(there, 1 - joint.own_total, 0.0)
    k = joint.k
    made = [recovered(np.array([[1.0, w]]), np.stack([values[0], joint.own])[:, [j]],
                      np.stack([ends[0], own_ends])[:, [j]])
            for w_of in (joint.own_total, -left) for j, w in enumerate(w_of)]
    columns = [np.array([float(m[c][0, 0]) for m in made]).reshape(2, k) for c in range(3)]
    own = [joint.own, own_ends[:, 0], own_ends[:, 1]]
    estimates, low, high = (np.vstack([c, o]) for c, o in zip(columns, own, strict=True))
    return ErrorParts(names=("", "between levels of target", "within (residual)"), estimates=estimates, low=low,
                      high=high, intervals=(RECOVERED, RECOVERED, CHI_SQUARE), n=found.structure.n_units)


def equality_of(found: Found, rng: np.random.Generator) -> tuple[tuple[str, float, str], ...]:
    """Test equal error variances, stratum by stratum: name of the part, p-value, statistic."""
    joint, structure = found.joint, found.structure
    assert joint is not None
    if structure.kind == "simple":
        return (("", equal_variances_p(joint.matrices[0], float(joint.df[0]), rng), SPREAD),)
    if structure.kind == "unpaired":
        assert joint.own is not None
        assert joint.own_df is not None
        return (("target means", equal_variances_p(joint.matrices[0], float(joint.df[0]), rng), SPREAD),
                ("within (residual)", equal_own_variances_p(joint.own, joint.own_df, rng), BARTLETT))
    names = (*(f"mean squares between levels of {f}" for f in structure.factors), "within (residual)")
    return tuple((name, equal_variances_p(g, float(df), rng), SPREAD)
                 for name, g, df in zip(names, joint.matrices, joint.df, strict=False))
