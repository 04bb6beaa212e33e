"""How many parts, operators and repeats a gauge study needs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np

from drift.engine.mean_square_intervals import linear_interval, share_interval
from drift.planning.crossed import Variances, draw_table, lattice_sums
from drift.planning.question import Design, Floats, Question, Tell

POINTS = 129


@dataclass(frozen=True, kw_only=True)
class GaugeQuestion(Question):
    """Half the width of the interval of GRR in percent of the true one, or the chance to show that %GRR is small.

    Parameters
    ----------
    variances : Variances
        Parts are targets, operators the facet.
    most : float, optional
        Largest %GRR of study variation: the goal is then the chance that the upper end of its interval is below it.
    """

    kind: ClassVar[str] = "gauge"
    scaled_words: ClassVar[str] = "differences between operators"
    variances: Variances
    most: float | None = None

    @property
    def analysis(self) -> str:
        """The interval of the planned analysis."""
        return "readings simulated, GRR and its interval as `drift gauge` prints them"

    def expected(self, d: Design) -> float:
        """Integral over the mean squares of complete tables, the interaction kept in the model."""
        n, k, m = d["parts"], d["operators"], d["repeats"]
        s = lattice_sums(self.variances, n, k, m, POINTS)
        squares = [m * s.target / s.df[0], m * s.facet / s.df[1], m * s.rest / s.df[2]]
        df = [float(x) for x in s.df[:3]]
        # Expected mean squares: e + m i + k m p; e + m i + n m o; e + m i; e.
        part, grr = [1 / (k * m), 0.0, -1 / (k * m)], [0.0, 1 / (n * m), 1 / m - 1 / (n * m)]
        if m > 1:
            squares, df = [*squares, s.within / s.df[3]], [*df, float(s.df[3])]
            part, grr = [*part, 0.0], [*grr, 1 - 1 / m]
        found = []
        for ms in np.column_stack(squares):
            if self.most is None:
                low, high = np.maximum(linear_interval(ms, df, [grr], self.level)[0], 0.0)
                found.append(50 * (math.sqrt(high) - math.sqrt(low)) / math.sqrt(self._grr))
            else:
                high = share_interval(ms, df, np.array([grr]), np.array([part]), self.level)[0, 1]
                found.append(float(100 * math.sqrt(high) <= self.most))
        return float(np.mean(found))

    @property
    def _grr(self) -> float:
        return self.variances.facet + self.variances.noise

    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        """Simulate tables of readings and analyse each as ``drift gauge`` does, with its pooling of the interaction."""
        from drift.reliability.gauge.analysis import Refused, analyse_gauge
        from drift.reliability.gauge.rows import GaugeGroup
        from drift.study import GaugeQuestion as Asked

        asked = Asked(name="planned", part="part", operator="operator")
        n, k, m = d["parts"], d["operators"], d["repeats"]
        out = np.full(studies, np.nan)
        for i in range(studies):
            y, parts, operators = draw_table(self.variances, n, k, m, rng)
            group = GaugeGroup(labels={}, values=y, parts=parts, operators=operators, references=None, unit="",
                               part_names=tuple(map(str, range(n))), operator_names=tuple(map(str, range(k))))
            made = analyse_gauge(group, asked, level=self.level, shares=self.most is not None)
            if not isinstance(made, Refused):
                grr = made.sized["GRR"]
                out[i] = (50 * (math.sqrt(grr.high) - math.sqrt(grr.low)) / math.sqrt(self._grr) if self.most is None
                          else float(100 * math.sqrt(grr.share_high) <= self.most))
            tell((i + 1) / studies)
        return out

    def with_errors(self, factor: float) -> GaugeQuestion:
        """Scale the differences between operators: an error common to all would leave a relative width as it is."""
        return replace(self, variances=self.variances.with_facet(factor))

    def items(self, d: Design) -> dict[str, int]:
        """Parts, operators, and readings."""
        return {"part": d["parts"], "operator": d["operators"],
                "reading": d["parts"] * d["operators"] * d["repeats"]}

    def remarks(self, d: Design) -> tuple[tuple[str, str, str], ...]:
        """Say when few operators limit the interval, or repeats are missing."""
        out = []
        if d["operators"] < 4 and self.variances.facet > 0.05 * self.variances.noise:
            out.append(("few-operators", f"with {d['operators']} operators how much operators differ stays nearly "
                        "unknown, whatever the number of parts", "Plan five operators or more."))
        if d["repeats"] == 1:
            out.append(("no-repeats", "without repeats the interaction of parts and operators cannot be told from "
                        "repeatability", "Plan two repeats."))
        return tuple(out)
