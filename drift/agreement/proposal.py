"""The variant that fits where a check of the plain limits fails: which, why, and what it would say."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.agreement.checks import ALPHA, Check
from drift.agreement.equivalence import CONFIDENCE, decide
from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.agreement.variant_quantiles import one_sided, quantile_rows
from drift.agreement.variant_regression import Path, constant_rows, regression_path
from drift.agreement.variants import (
    BIAS,
    LOWER,
    NONPARAMETRIC,
    PERCENT,
    PLAIN,
    RATIO,
    REGRESSION,
    UPPER,
    LimitRow,
    Scaled,
    scaled_rows,
)
from drift.engine.difference_checks import breusch_pagan
from drift.engine.limits_of_agreement import MULTIPLIER, lower_limit_bound, upper_limit_bound
from drift.engine.regression_limits import regression_limits

FloatArray = NDArray[np.float64]
SPREAD, TREND = "spread with size", "trend with size"
CLEARLY = 2.0  # by this much regression limits, with more to be estimated, must fit better than one ratio
# Where the SD is free the one-sided 95 % bound holds 0.90 to 0.95 in simulation, the 97.5 % one 0.945 and more.
OUTER = 0.975
# Regression limits are straight lines, which lie farthest out at the smallest or the largest mean: four bounds, of two
# limits at two ends, share the 5 %. Where the SD is free each holds a little less than it says, and is asked for more.
INNER = {"constant": 0.0125, "mixed": 0.0125, "changing": 0.01}
NAMES = {RATIO: "ratio limits", REGRESSION: "regression limits", NONPARAMETRIC: "nonparametric limits"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Variants:
    """Every variant beside the plain limits of one group, and in words why one is missing."""

    structure: Structure
    group: Group
    scaled: Mapping[str, Scaled]
    path: Path | None
    constant: tuple[LimitRow, ...]
    quantiles: tuple[LimitRow, ...]
    missing: Mapping[str, str]

    @property
    def rows(self) -> list[LimitRow]:
        """Rows of the table of limits."""
        return [*(r for s in self.scaled.values() for r in s.rows), *(self.path.rows if self.path else ()),
                *self.constant, *self.quantiles]

    def has(self, variant: str) -> bool:
        """Tell whether a variant was made."""
        return variant not in self.missing


def variants_of(structure: Structure, group: Group, level: float, *, multiplier: float = MULTIPLIER) -> Variants:
    """Make ratio, percent, regression and nonparametric limits, those that the readings allow."""
    scaled = {v: scaled_rows(structure, group, level, v, multiplier=multiplier) for v in (RATIO, PERCENT)}
    missing = {v: s.missing for v, s in scaled.items() if s.missing}
    path = regression_path(structure, group, level, multiplier=multiplier)
    constant = [] if isinstance(path, str) else constant_rows(structure, group, level, multiplier=multiplier)
    quantiles = quantile_rows(structure, group, level, group.unit)
    missing |= {v: x for v, x in ((REGRESSION, path), (NONPARAMETRIC, quantiles)) if isinstance(x, str)}
    return Variants(structure=structure, group=group, scaled=scaled, path=None if isinstance(path, str) else path,
                    constant=tuple(constant), missing=missing,
                    quantiles=() if isinstance(quantiles, str) else tuple(quantiles))


def failed(checks: Sequence[Check], name: str) -> bool:
    """Tell whether a check failed; ``"normality"`` stands for all of its parts."""
    return any(c.name.startswith(name) and c.holds == "no" for c in checks)


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """The fitting variant and the reason in words, such as ``"the spread grows in proportion to the reading"``."""

    variant: str
    why: str

    @property
    def name(self) -> str:
        """The variant in words."""
        return NAMES[self.variant]


def propose(variants: Variants, checks: Sequence[Check]) -> Proposal | None:
    """Choose the variant that fits where a check failed; None where all hold or where no variant mends it.

    Notes
    -----
    A trend or a spread that changes: ratio limits, unless regression limits (one SD, or one that changes) are better by
    2 in the corrected information criterion of Hurvich and Tsai (1989), all as densities of the difference given the
    mean. With repeated pairs, where an SD that changes with the mean is not fitted, ratio limits where the spread
    grows and regression limits where there is a trend alone. Otherwise, where differences are not normal, quantiles.
    """
    spread, trend = failed(checks, SPREAD), failed(checks, TREND)
    if spread or trend:
        return _of_size(variants, checks, spread=spread)
    parts = [c for c in checks if c.name.startswith("normality")]
    # Of several parts one fails by chance too often: all together are tested at the level of one.
    if any(c.p < ALPHA / len(parts) for c in parts) and variants.has(NONPARAMETRIC):
        return Proposal(variant=NONPARAMETRIC, why="the differences are not normal, and quantiles assume no shape")
    return None


def _of_size(variants: Variants, checks: Sequence[Check], *, spread: bool) -> Proposal | None:
    in_proportion = Proposal(variant=RATIO, why=(
        "bias and spread grow in proportion to the reading, so that ratios have one spread" if spread else
        "the difference changes in proportion to the reading, so that one ratio holds for all"))
    if variants.structure.kind == "simple":
        if not variants.has(REGRESSION):
            return in_proportion if variants.has(RATIO) else None
        merit = _criteria(variants.group, ratio=variants.has(RATIO))
        if merit.get(RATIO, math.inf) < min(v for k, v in merit.items() if k != RATIO) + CLEARLY:
            return in_proportion
        return Proposal(variant=REGRESSION, why=(
            "the spread changes with the reading, and not in proportion to it" if spread else
            "the difference changes with the reading along a line"))
    if spread and variants.has(RATIO) and _steady_ratios(variants.group):
        return in_proportion
    if not spread and variants.has(REGRESSION):
        return Proposal(variant=REGRESSION, why="the difference changes with the reading along a line")
    return None


def _steady_ratios(group: Group) -> bool:
    """Tell whether log ratios have less trend of their spread than differences have."""
    if group.readings is not None:
        x, ratio = 0.5 * (np.log(group.a) + np.log(group.b)), np.log(group.a / group.b)
        return breusch_pagan(x, ratio - ratio.mean())[1] >= ALPHA
    x, ratio = group.mean, np.log(group.a / group.b)
    on_ratios, on_differences = (breusch_pagan(np.log(x) if v is ratio else x, v - v.mean())[0]
                                 for v in (ratio, group.difference))
    return bool(on_ratios < on_differences)


def _criteria(group: Group, *, ratio: bool) -> dict[str, float]:
    """Corrected information criterion of each variant, as a density of the difference given the mean."""
    from drift.engine.changing_spread import changing_spread

    x, d, n = group.mean, group.difference, len(group.a)

    def criterion(log_density: float, p: int) -> float:
        return -2 * log_density + 2 * p + 2 * p * (p + 1) / max(n - p - 1, 0.5)

    line = regression_limits(x, d)
    fixed = math.sqrt((n - 2) / n) * line.residual_sd
    found = {REGRESSION: criterion(-n * math.log(fixed), 3)}
    fit = changing_spread(x, d)
    sd, rest = fit.sd_at(x)[0], d - fit.line_at(x)[0]
    size = float(np.mean((rest / sd) ** 2))
    found["changing"] = criterion(-float(np.sum(np.log(sd))) - 0.5 * n * math.log(size), 4)
    if ratio:
        logs = np.log(group.a / group.b)
        found[RATIO] = criterion(-n * math.log(float(np.std(logs)))
                                 + float(np.sum(np.log(x) - np.log(group.a) - np.log(group.b))), 2)
    return found


def as_difference(ratio: float, mean: float) -> float:
    """Return the difference a - b of two readings with that ratio a / b and that mean.

    Examples
    --------
    >>> as_difference(1.5, 100.0)
    40.0
    """
    return 2 * mean * (ratio - 1) / (ratio + 1)


def shown_rows(proposal: Proposal, variants: Variants, plain: Sequence[LimitRow]) -> list[LimitRow]:
    """Return the plain bias and limits with those of the proposed variant, as one short table."""
    rows = list(plain)
    if proposal.variant == REGRESSION and variants.path is not None:
        path = variants.path
        for j in (0, len(path.at) - 1, len(path.at) - 2):
            rows += [LimitRow(variant="regression limits", limit=name, value=float(path.value[name][j]),
                              low=float(path.low[name][j]), high=float(path.high[name][j]), at=float(path.at[j]),
                              unit=path.unit, method=path.method) for name in (BIAS, LOWER, UPPER)]
        return rows
    if proposal.variant == RATIO:
        own = variants.scaled[RATIO].rows
        rows += [_named(r, "ratio limits") for r in own]
        x = variants.group.mean
        for at in (float(x.min()), float(x.max())):
            rows += [LimitRow(variant="ratio limits as differences", limit=r.limit, value=as_difference(r.value, at),
                              low=as_difference(r.low, at), high=as_difference(r.high, at), at=at,
                              unit=variants.group.unit, method=r.method) for r in own]
        return rows
    order = {BIAS: 0, LOWER: 1, UPPER: 2}
    return [*rows, *(_named(r, "nonparametric limits") for r in sorted(variants.quantiles,
                                                                        key=lambda r: order[r.limit]))]


def _named(row: LimitRow, variant: str) -> LimitRow:
    limit = "median" if row.variant == NONPARAMETRIC and row.limit == BIAS else row.limit
    return LimitRow(variant=variant, limit=limit, value=row.value, low=row.low, high=row.high, unit=row.unit,
                    at=row.at, method=row.method)


def verdict_by(proposal: Proposal, variants: Variants, harmless: float) -> str:
    """Return the verdict that the proposed variant would give, by one-sided 95 % bounds as for plain limits.

    Limits that change with the reading must lie inside over the whole range of the means seen. They are called not
    interchangeable when an inner bound lies outside at an end of that range, all bounds there holding at 95 % together:
    the farthest of many pointwise bounds called limits exactly at the harmless difference so in 20 to 30 % of studies.
    """
    if proposal.variant == NONPARAMETRIC:
        below, above = (one_sided(variants.structure, variants.group, name, CONFIDENCE) for name in (LOWER, UPPER))
        return decide((below[0], above[1]), (below[1], above[0]), harmless)
    if proposal.variant == RATIO:
        analysis = variants.scaled[RATIO].analysis
        assert analysis is not None
        at = float(variants.group.mean.max())
        (low, low_inner), (high_inner, high) = (
            [as_difference(math.exp(bound(analysis.strata, p)), at)
             for p in (1 - CONFIDENCE, CONFIDENCE)] for bound in (lower_limit_bound, upper_limit_bound))
        return decide((low, high), (low_inner, high_inner), harmless)
    path = variants.path
    assert path is not None
    far = OUTER if path.kind == "changing" else CONFIDENCE
    outer = float(path.bounds(LOWER, 1 - far).min()), float(path.bounds(UPPER, far).max())
    tail = INNER[path.kind]
    inner = (float(path.bounds_at_ends(LOWER, 1 - tail).min()), float(path.bounds_at_ends(UPPER, tail).max()))
    return decide(outer, inner, harmless)


__all__ = ["PLAIN", "Proposal", "Variants", "as_difference", "propose", "shown_rows", "variants_of", "verdict_by"]
