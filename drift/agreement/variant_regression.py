"""Limits that change with the size of the reading: bias, limits and their bands over the whole range of means."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.agreement.variants import BIAS, CONSTANT_SD, LOWER, REGRESSION, UPPER, LimitRow
from drift.engine.changing_spread import ChangingSpread, changing_spread
from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    lower_limit_bound,
    t_quantile,
    upper_limit_bound,
)
from drift.engine.paired_regression import PairedLine, paired_line
from drift.engine.regression_limits import RegressionLimits, regression_limits
from drift.results import ResultTable

FloatArray = NDArray[np.float64]
N_AT = 25
FEWEST, FEWEST_CHANGING = 5, 8
LINES = {BIAS: 0.0, LOWER: -1.0, UPPER: 1.0}
HOW = {"constant": "regression on the mean, constant SD; exact noncentral t",
       "changing": "regression on the mean, SD in a straight line with the mean (REML); averaged noncentral t",
       "mixed": "slope on the mean in the mixed model (REML), constant SD; MOVER"}


class Model(Protocol):
    """Bias and limits at any mean, and one-sided confidence bounds of them."""

    def values(self, at: FloatArray, k: float) -> FloatArray:
        """Return line + k SD at means ``at``."""

    def bounds(self, at: FloatArray, k: float, probability: float) -> FloatArray:
        """Return one-sided upper confidence bounds of line + k SD (lower ones if probability < 0.5)."""


@dataclass(frozen=True, eq=False)
class Constant:
    """One line with one SD: exact."""

    line: RegressionLimits

    def values(self, at: FloatArray, k: float) -> FloatArray:
        """Return line + k SD at means ``at``."""
        return np.asarray(self.line.intercept + self.line.slope * at + k * self.line.residual_sd, float)

    def bounds(self, at: FloatArray, k: float, probability: float) -> FloatArray:
        """Return one-sided confidence bounds of line + k SD, from the noncentral t."""
        return np.array([self.line.bound_at(float(x), probability, multiplier=k) for x in at])


@dataclass(frozen=True, eq=False)
class Changing:
    """A line with an SD that changes with the mean."""

    fit: ChangingSpread

    def values(self, at: FloatArray, k: float) -> FloatArray:
        """Return line + k SD at means ``at``."""
        return np.asarray((self.fit.line_at(at) + k * self.fit.sd_at(at))[0], float)

    def bounds(self, at: FloatArray, k: float, probability: float) -> FloatArray:
        """Return one-sided confidence bounds of line + k SD, averaged over the change of the SD."""
        return np.asarray(self.fit.bounds(at, probability, multiplier=k)[0, 0], float)


@dataclass(frozen=True, eq=False)
class Mixed:
    """A slope in the mixed model of repeated pairs."""

    line: PairedLine

    def values(self, at: FloatArray, k: float) -> FloatArray:
        """Return line + k SD at means ``at``."""
        strata = [self.line.strata_at(float(x)) for x in at]
        return np.array([s.mean + k * s.sd for s in strata])

    def bounds(self, at: FloatArray, k: float, probability: float) -> FloatArray:
        """Return one-sided confidence bounds of line + k SD, by MOVER from the mean squares of this model."""
        out = []
        for strata in (self.line.strata_at(float(x)) for x in at):
            if k == 0:
                out.append(strata.mean + t_quantile(probability, strata.mean_df) * np.sqrt(strata.mean_variance))
            else:
                bound = upper_limit_bound if k > 0 else lower_limit_bound
                out.append(bound(strata, probability, multiplier=abs(k)))
        return np.array(out)


@dataclass(frozen=True, kw_only=True, eq=False)
class Path:
    """Bias and limits along the mean.

    Parameters
    ----------
    at : array, shape (n_at,)
        From the smallest to the largest mean; the last one is the median again, which need not lie on the grid.
    value, low, high : dict of arrays, by "bias", "lower limit", "upper limit"
    kind : {"constant", "changing", "mixed"}
    """

    at: FloatArray
    value: dict[str, FloatArray]
    low: dict[str, FloatArray]
    high: dict[str, FloatArray]
    kind: str
    unit: str
    model: Model

    @property
    def method(self) -> str:
        """How the limits and their intervals were obtained."""
        return HOW[self.kind]

    @property
    def rows(self) -> list[LimitRow]:
        """Limits at the smallest, the median and the largest mean."""
        return self.rows_of(REGRESSION)

    def rows_of(self, variant: str) -> list[LimitRow]:
        """Limits at three means under the name of a variant."""
        three = [0, len(self.at) - 1, len(self.at) - 2]
        return [LimitRow(variant=variant, limit=name, value=float(self.value[name][j]),
                         low=float(self.low[name][j]), high=float(self.high[name][j]), unit=self.unit,
                         at=float(self.at[j]), method=self.method)
                for j in three for name in (LOWER, UPPER)]

    @property
    def table(self) -> ResultTable:
        """The table "regression limits": bias line and limits over the range of the means, each with its band."""
        columns: dict[str, FloatArray] = {"mean": self.at[:-1]}
        for name in LINES:
            columns |= {name: self.value[name][:-1], f"{name} low": self.low[name][:-1],
                        f"{name} high": self.high[name][:-1]}
        return ResultTable.build("regression limits", columns, units=dict.fromkeys(columns, self.unit), caption=(
            f"Bias and limits along the mean reading: {self.method}, pointwise intervals"))

    def bounds(self, limit: str, probability: float) -> FloatArray:
        """Return one-sided confidence bounds of a limit at 1.96 SD over the range."""
        return self.model.bounds(self.at[:-1], LINES[limit] * MULTIPLIER, probability)

    def bounds_at_ends(self, limit: str, probability: float) -> FloatArray:
        """Return them at the smallest and the largest mean, between which every limit is a straight line."""
        return self.model.bounds(self.at[[0, -2]], LINES[limit] * MULTIPLIER, probability)


def regression_path(structure: Structure, group: Group, level: float, *,
                    multiplier: float = MULTIPLIER) -> Path | str:
    """Fit limits that follow the reading (Bland & Altman 1999, section 3.2); a string says why there are none.

    With one pair per target the SD may always change along the means. To let it do so only where a test finds a
    change is too short an interval wherever the test misses one: with an SD three times as large at the other end, 20
    pairs held a limit in 0.6 to 0.8 of simulated studies so, and in 0.95 with the SD free.
    """
    x, d = group.mean, group.difference
    if structure.kind == "unpaired":
        return "unlinked readings have no mean of a pair"
    if len(d) < FEWEST:
        return f"a line with its SD needs {FEWEST} pairs or more"
    if not np.ptp(x) > 1e-9 * max(float(np.max(np.abs(x))), 1e-300):
        return "the means do not vary"
    line = regression_limits(x, d)
    if not line.residual_sd > 1e-9 * max(float(np.std(d)), 1e-300):
        return "the differences lie on a line"
    model: Model = Constant(line)
    kind = "constant"
    if structure.kind == "repeated":
        model, kind = Mixed(paired_line(
            x, d, structure.codes, occasion=structure.occasion.code if structure.occasion else None)), "mixed"
    elif len(d) >= FEWEST_CHANGING:
        model, kind = Changing(changing_spread(x, d)), "changing"
    return _path(model, kind, group, level, multiplier)


def constant_rows(structure: Structure, group: Group, level: float, *,
                  multiplier: float = MULTIPLIER) -> list[LimitRow]:
    """Return regression limits with one SD, as papers print them, beside those whose SD may change."""
    if structure.kind != "simple" or len(group.a) < FEWEST_CHANGING:
        return []
    model = Constant(regression_limits(group.mean, group.difference))
    return _path(model, "constant", group, level, multiplier).rows_of(CONSTANT_SD)


def _path(model: Model, kind: str, group: Group, level: float, multiplier: float) -> Path:
    x = group.mean
    at = np.append(np.linspace(float(x.min()), float(x.max()), N_AT), float(np.median(x)))
    tail = 0.5 - level / 2
    value = {name: model.values(at, sign * multiplier) for name, sign in LINES.items()}
    ends = _ends(model, at, multiplier, tail)
    return Path(at=at, value=value, low=ends[0], high=ends[1], kind=kind, unit=group.unit, model=model)


def _ends(model: Model, at: FloatArray, multiplier: float, tail: float
          ) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
    """Lower and upper ends of all three lines; with a changing SD in one go, which is several times as fast."""
    if isinstance(model, Changing):
        k = np.array([s * multiplier for s in LINES.values()])
        found = model.fit.bounds(at, np.repeat([tail, 1 - tail], len(k)), multiplier=np.tile(k, 2))[:, 0]
        return (dict(zip(LINES, found[:len(k)], strict=True)), dict(zip(LINES, found[len(k):], strict=True)))
    low, high = ({name: model.bounds(at, s * multiplier, p) for name, s in LINES.items()} for p in (tail, 1 - tail))
    return low, high
