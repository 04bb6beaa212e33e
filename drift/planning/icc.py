"""How many targets, levels and repeats an intraclass correlation needs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from drift.engine.agreement_interval import (
    MOST_LEVELS,
    PRINTED,
    SKETCHED,
    Effort,
    Ratios,
    above,
    agreement_interval,
    intervals,
)
from drift.engine.crossed import CrossedDesign
from drift.engine.meansquares import Interval, f_intervals, one_way, wald_interval
from drift.engine.pivotal import Pivots, agreement_pivotal, build_pivots, consistency_pivotal
from drift.engine.study_size import icc_test_power, targets_for_icc_test, targets_for_icc_width
from drift.planning.crossed import CrossedQuestion, Sums, Variances, draw_sums, draw_table, lattice_sums
from drift.planning.question import Design, Floats, Published, Tell, chi_lattice

FORMS = ("ICC(A,1)", "ICC(C,1)", "ICC(1)")
BLOCK = 100


@dataclass(frozen=True, kw_only=True)
class IccQuestion(CrossedQuestion):
    """Width of the interval of an ICC of one reading, or the chance that it lies above a least value.

    Parameters
    ----------
    variances : Variances
        Planning values; their total is the variance of one reading.
    form : {"ICC(A,1)", "ICC(C,1)", "ICC(1)"}
    least : float, optional
        With it the goal is the chance that the lower bound of confidence ``level`` lies above it.
    missing : float
        Share of cells expected to be missing.
    words : tuple of str
        Target and facet.
    """

    kind: ClassVar[str] = "icc"
    form: str = "ICC(A,1)"
    least: float | None = None
    missing: float = 0.0

    @property
    def icc(self) -> float:
        """The planned coefficient."""
        v = self.variances
        return v.target / (v.target + v.noise + (0.0 if self.form == "ICC(C,1)" else v.facet))

    @property
    def analysis(self) -> str:
        """The interval of the planned analysis."""
        what = f"interval of {self.form}" if self.least is None else f"lower bound of {self.form}"
        return f"readings simulated, {what} as `drift icc` prints it"

    def expected(self, d: Design) -> float:
        """Integral over the sums of squares (rows and columns thinned out alike where cells are missing)."""
        return self._expected(d, PRINTED)

    @property
    def slow(self) -> bool:
        """Whether the ends of intervals are needed that take a calibration of every layout.

        Chances need them with two levels only, where values that are kept may have gaps.
        """
        two = any(f.key == "levels" and 2 in f.values for f in self.factors)
        return self.form == "ICC(A,1)" and (self.least is None or two)

    def sketched(self, d: Design) -> float:
        """Take the same integral over intervals that are worked out a tenth as finely, where that costs seconds."""
        return self._expected(d, SKETCHED)

    def _expected(self, d: Design, effort: Effort) -> float:
        n, k, m = d["targets"], d["levels"], d["repeats"]
        if self.form == "ICC(1)":
            ends = self._one_way(n, k * (1 - self.missing))
        else:
            try:
                sums = lattice_sums(self.variances, n, k, m, missing=self.missing)
            except ValueError:
                return 0.0 if self.goal.larger else math.inf
            ends = self._agreement(sums, effort) if self.form == "ICC(A,1)" else self._consistency(sums)
        return float(np.mean(self._scored(ends)))

    def _scored(self, ends: Floats) -> Floats:
        return (ends[:, 1] - ends[:, 0] if self.least is None
                else np.asarray(ends[:, 0] > self.least, dtype=np.float64))

    def _agreement(self, s: Sums, effort: Effort) -> Floats:
        _, k, m = s.shape
        if k > MOST_LEVELS:
            return np.array([self._pivotal(s.pivots(i, draws=True)) for i in range(len(s.target))])
        v = self.variances
        inner = v.interaction + v.residual / m
        ratios = Ratios(df=s.df[:3], weights=s.weights,
                        noise=min(1 + (1 - 1 / m) * v.residual / inner, float(m)) if inner > 0 else 1.0)
        if self.least is not None and k > 2:  # how far above does not matter: 1 for a lower end above it, else 0
            high = above(s.reduced(), ratios, self.least, level=self.level, effort=effort)
            return high.astype(np.float64)[:, None]
        return intervals(s.reduced(), ratios, level=self.level, effort=effort)

    def _consistency(self, s: Sums) -> Floats:
        f = s.target / s.df[0] / (s.rest / s.df[2])
        # The noise of a single reading over that of a cell mean: known here, estimated in the analysis.
        v, m = self.variances, s.shape[2]
        inner = v.interaction + v.residual / m
        return f_intervals(f, s.df[0], s.df[2], s.weights[0] * v.noise / inner, self._f_level())

    def _one_way(self, n: int, readings: float) -> Floats:
        v = self.variances
        df1, df2 = n - 1, n * (readings - 1)
        chi = chi_lattice((float(df1), float(df2)), 1021)
        error = v.facet + v.noise
        f = (error + readings * v.target) * chi[0] / df1 / (error * chi[1] / df2)
        return f_intervals(f, df1, df2, readings, self._f_level())

    def _f_level(self) -> float:
        return self.level if self.least is None else 2 * self.level - 1

    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        """Simulate tables of readings and give each the interval of ``drift icc``."""
        n, k, m = d["targets"], d["levels"], d["repeats"]
        v = self.variances
        if self.form == "ICC(1)":  # nothing is common to the levels of different targets
            v, k, m = Variances(target=v.target, facet=0.0, interaction=0.0, residual=v.facet + v.noise), k * m, 1
        out = np.empty(studies)
        for start in range(0, studies, BLOCK):
            size = min(BLOCK, studies - start)
            draw = self._incomplete if self.missing else self._complete
            ends = draw(v, (n, k, m), rng, size)
            out[start:start + size] = np.where(np.isfinite(ends[:, 0]), self._scored(ends), np.nan)
            tell((start + size) / studies)
        return out

    def _complete(self, v: Variances, shape: tuple[int, int, int], rng: np.random.Generator, studies: int) -> Floats:
        """Return the ends of many complete tables: the functions of one table, all studies at once."""
        s = draw_sums(v, *shape, rng, studies)
        if self.form == "ICC(1)":
            n, k, _ = shape
            f = s.target / (n - 1) / ((s.facet + s.rest) / (n * (k - 1)))
            return f_intervals(f, n - 1, n * (k - 1), k, self._f_level())
        if shape[2] == 1:
            if self.form == "ICC(C,1)":
                return f_intervals(s.target / s.df[0] / (s.rest / s.df[2]), s.df[0], s.df[2], shape[1], self._f_level())
            if shape[1] <= MOST_LEVELS:
                return intervals(s.reduced(), s.ratios(0), level=self.level)
        if self.form == "ICC(A,1)" and shape[1] <= MOST_LEVELS:
            return self._with_repeats(s)
        return np.array([self._pivotal(s.pivots(i, draws=True)) for i in range(studies)])

    def _with_repeats(self, s: Sums) -> Floats:
        """With repeats a study brings its own ratio of noises, which the interval takes in steps."""
        each = [s.ratios(i) for i in range(len(s.target))]
        out = np.empty((len(each), 2))
        for ratios in dict.fromkeys(each):
            rows = np.array([r == ratios for r in each])
            out[rows] = intervals(s.reduced(rows), ratios, level=self.level)
        return out

    def _incomplete(self, v: Variances, shape: tuple[int, int, int], rng: np.random.Generator, studies: int) -> Floats:
        out = np.full((studies, 2), np.nan)
        for i in range(studies):
            values, targets, levels = draw_table(v, *shape, rng, missing=self.missing)
            if self.form == "ICC(1)":
                flat = one_way(values, targets)
                out[i] = wald_interval(flat, self._f_level())
                continue
            design = CrossedDesign.build(values, targets, levels)
            if len(design.islands()) == 1 and design.df_inner > 0:
                p = build_pivots(design)
                agree = self.form == "ICC(A,1)" and shape[1] <= MOST_LEVELS
                out[i] = agreement_interval(p, self.level) if agree else self._pivotal(p)
        return out

    def _pivotal(self, p: Pivots) -> Interval:
        return (consistency_pivotal(p, self._f_level()) if self.form == "ICC(C,1)" else
                agreement_pivotal(p, self._f_level()))

    def with_errors(self, factor: float) -> IccQuestion:
        """Scale facet, interaction and repeats."""
        return replace(self, variances=self.variances.scaled(factor))

    def published(self, d: Design) -> tuple[Published, ...]:
        """Bonett's width; the test of Walter, Eliasziw and Donner with its exact one-way power."""
        k, rho = d["levels"] * d["repeats"], self.icc
        if self.least is None:
            n = targets_for_icc_width(rho, k, self.goal.target, level=self.level)
            return (Published(formula="width of an ICC interval", what=self.words[0] + "s", value=math.ceil(n),
                              source="Bonett (2002)", remark="one-way model and exact F interval"),)
        alpha, power = 1 - self.level, self.goal.target
        near = targets_for_icc_test(self.least, rho, k, power=power, alpha=alpha)
        sizes = np.arange(2, max(20, 4 * math.ceil(near)))
        enough = sizes[icc_test_power(self.least, rho, sizes, k, alpha=alpha) >= power]
        exact = (Published(formula="exact power of the one-way F test", what=self.words[0] + "s",
                           value=float(enough[0]), source="Donner and Eliasziw (1987)"),) if len(enough) else ()
        return (Published(formula="test of an ICC", what=self.words[0] + "s", value=math.ceil(near),
                          source="Walter, Eliasziw and Donner (1998)", remark="one-way model, normal approximation"),
                *exact)

    def remarks(self, d: Design) -> tuple[tuple[str, str, str], ...]:
        """Say when few levels, not few targets, make the interval wide."""
        v = self.variances
        if self.form == "ICC(1)":
            return (("own-levels", f"ICC(1) is planned for {self.words[0]}s that each have {self.words[1]}s of their "
                     f"own, which no other meets", f"Where every {self.words[0]} meets the same {self.words[1]}s, plan "
                     "ICC(A,1) or ICC(C,1)."),)
        if self.form != "ICC(A,1)" or d["levels"] > 3 or v.facet < 0.02 * (v.target + v.facet + v.noise):
            return ()
        return (("few-levels", f"with {d['levels']} {self.words[1]}s it is they who limit the interval: how much "
                 f"{self.words[1]}s differ is known from {d['levels']} values only, and more {self.words[0]}s hardly "
                 "help", f"Plan five {self.words[1]}s or more, or ask for ICC(C,1) if offsets do not matter."),)
