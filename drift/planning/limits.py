"""How many targets and repeats limits of agreement need."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    linked_strata,
    lower_limit_bound,
    one_stratum,
    upper_limit_bound,
)
from drift.engine.study_size import limits_inside_power
from drift.planning.question import Design, Floats, Published, Question, Tell, chi_lattice, lattice

POINTS = 509


@dataclass(frozen=True, kw_only=True)
class LimitsQuestion(Question):
    """Width of the interval of a limit of agreement, or the chance of the verdict *interchangeable*.

    Parameters
    ----------
    bias, between_sd, within_sd : float
        Mean difference; SD of the targets' own mean differences, and of repeated pairs of one target about it, in the
        reading's unit.
    harmless : float, optional
        With it the goal is the chance that both limits, by their outer one-sided bounds, lie within it.
    """

    kind: ClassVar[str] = "limits"
    bias: float = 0.0
    between_sd: float
    within_sd: float = 0.0
    harmless: float | None = None

    @property
    def analysis(self) -> str:
        """The interval of the planned analysis."""
        how = "exact intervals of the limits" if self._single else "limits and intervals of repeated pairs (MOVER)"
        verdict = ", verdict by the outer one-sided 95 % bounds" if self.harmless is not None else ""
        return f"differences simulated, {how} as `drift agree` prints them{verdict}"

    @property
    def _single(self) -> bool:
        return self.factors[1].values == (1,)

    @property
    def sd(self) -> float:
        """SD of one difference."""
        return math.hypot(self.between_sd, self.within_sd)

    def expected(self, d: Design) -> float:
        """Integral over mean and mean squares."""
        from scipy.special import ndtri

        n, m = d["targets"], d["repeats"]
        df = (float(n - 1), float(n * (m - 1)))[:1 if m == 1 else 2]
        of_means = self.between_sd**2 + self.within_sd**2 / m
        chi = [c / v for c, v in zip(chi_lattice(df, POINTS), df, strict=True)]
        z = ndtri(lattice(len(df) + 1, POINTS)[-1])
        found = []
        for i in range(POINTS):
            mean = self.bias + float(z[i]) * math.sqrt(of_means / n)
            if m == 1:
                s = Strata(mean, of_means * chi[0][i:i + 1], np.array(df), np.ones(1), np.array([1 / n]))
            else:
                s = Strata(mean, np.array([of_means * chi[0][i], self.within_sd**2 * chi[1][i]]), np.array(df),
                           np.array([1.0, 1 - 1 / m]), np.array([1 / n, 0.0]))
            found.append(self._score(s))
        return float(np.mean(found))

    def _score(self, s: Strata) -> float:
        if self.harmless is None:
            tail = (1 - self.level) / 2
            return upper_limit_bound(s, 1 - tail) - upper_limit_bound(s, tail)
        return float(upper_limit_bound(s, self.level) <= self.harmless
                     and lower_limit_bound(s, 1 - self.level) >= -self.harmless)

    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        """Simulate the differences and give each study its limits."""
        n, m = d["targets"], d["repeats"]
        target = np.repeat(np.arange(n), m)
        out = np.empty(studies)
        for i in range(studies):
            y = (self.bias + self.between_sd * rng.normal(size=n)[target] + self.within_sd * rng.normal(size=n * m))
            out[i] = self._score(one_stratum(y) if m == 1 else linked_strata(y, target))
            tell((i + 1) / studies)
        return out

    def with_errors(self, factor: float) -> LimitsQuestion:
        """Scale both SDs of differences."""
        return replace(self, between_sd=factor * self.between_sd, within_sd=factor * self.within_sd)

    def items(self, d: Design) -> dict[str, int]:
        """Targets, pairs, and readings (two a pair)."""
        pairs = d["targets"] * d["repeats"]
        return {"target": d["targets"], "pair": pairs, "reading": 2 * pairs}

    def published(self, d: Design) -> tuple[Published, ...]:
        """Lu and colleagues for one pair a target; the root of 3 / n for a width."""
        if d["repeats"] > 1:
            return ()
        if self.harmless is None:
            n = 3 * (2 * MULTIPLIER * self.sd / self.goal.target) ** 2
            return (Published(formula="SE of a limit, SD sqrt(3 / n)", what="targets", value=math.ceil(n),
                              source="Bland and Altman (1986)", remark="approximate, symmetric"),)
        sizes = np.arange(3, 20_000)
        power = limits_inside_power(sizes, self.bias, self.sd, self.harmless, level=self.level)
        enough = sizes[power >= self.goal.target]
        remark = f"two-sided {100 * self.level:g} % intervals, approximate standard error"
        return (Published(formula="power of limits of agreement", what="targets", value=float(enough[0]),
                          source="Lu et al. (2016)", remark=remark),) if len(enough) else ()

    def remarks(self, d: Design) -> tuple[tuple[str, str, str], ...]:
        """Say when no study can reach the verdict."""
        if self.harmless is None or abs(self.bias) + MULTIPLIER * self.sd < self.harmless:
            return ()
        return (("limits-outside", f"the planned limits, {self.bias - MULTIPLIER * self.sd:.4g} to "
                 f"{self.bias + MULTIPLIER * self.sd:.4g}, are themselves not inside the harmless difference: no "
                 "number of targets makes the methods interchangeable", "A study can then only show that they "
                 "are not; plan a width instead (--width)."),)
