"""How many targets, levels and repeats a standard error of measurement needs."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import ClassVar, Literal

import numpy as np

from drift.engine.error_variance import agreement_interval, consistency_interval
from drift.engine.meansquares import Interval
from drift.engine.pivotal import Pivots
from drift.planning.crossed import CrossedQuestion, Sums, draw_sums, lattice_sums
from drift.planning.question import Design, Floats, Tell
from drift.reliability.error_sizes import root


@dataclass(frozen=True, kw_only=True)
class SemQuestion(CrossedQuestion):
    """Half the width of the interval of the SEM, in percent of the true SEM; the same holds of the MDC.

    Parameters
    ----------
    variances : Variances
    error : {"agreement", "consistency"}
    words : tuple of str
        Target and facet.
    """

    kind: ClassVar[str] = "sem"
    scaled_words: ClassVar[str] = "differences between levels"
    error: Literal["agreement", "consistency"] = "agreement"

    @property
    def analysis(self) -> str:
        """The interval of the planned analysis."""
        return f"readings simulated, interval of SEM ({self.error}) as `drift icc` prints it"

    def expected(self, d: Design) -> float:
        """Integral over the sums of squares of complete tables."""
        return float(np.mean(self._scored(lattice_sums(self.variances, d["targets"], d["levels"], d["repeats"]))))

    def _scored(self, s: Sums) -> Floats:
        v = self.variances
        true = math.sqrt(v.noise + (v.facet if self.error == "agreement" else 0.0))
        ends = np.array([root(self._ends(s.pivots(i))) for i in range(len(s.target))])
        return np.asarray(50 * (ends[:, 1] - ends[:, 0]) / true)

    def _ends(self, p: Pivots) -> Interval:
        return (agreement_interval if self.error == "agreement" else consistency_interval)(p, self.level)

    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        """Simulate tables of readings and give each the interval of ``drift icc``."""
        s = draw_sums(self.variances, d["targets"], d["levels"], d["repeats"], rng, studies)
        tell(1.0)
        return self._scored(s)

    def with_errors(self, factor: float) -> SemQuestion:
        """Scale the differences between levels: an error common to all would leave a relative width as it is."""
        return replace(self, variances=self.variances.with_facet(factor))

    def remarks(self, d: Design) -> tuple[tuple[str, str, str], ...]:
        """Say when few levels limit the interval."""
        v = self.variances
        if self.error != "agreement" or d["levels"] > 3 or v.facet < 0.05 * v.noise:
            return ()
        return (("few-levels", f"with {d['levels']} {self.words[1]}s it is they who limit the interval; more "
                 f"{self.words[0]}s hardly help", f"Plan five {self.words[1]}s or more, or SEM (consistency) if a "
                 f"change is always measured with the same {self.words[1]}."),)
