"""How many sensors, checks and mountings a retire-after count needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from drift.engine.crossing import fit_lines
from drift.planning.question import Design, Floats, Tell
from drift.planning.wearing import WearQuestion
from drift.retirement.bound import early_change, retire_arrays
from drift.retirement.eligibility import MINIMUM_SENSORS, short_or_late
from drift.retirement.groups import EXTRAPOLATION

STUDIES, BLOCK = 8000, 500
SEED = 20261126  # of the search alone: the check draws from the seed of the run


@dataclass(frozen=True, kw_only=True)
class RetireQuestion(WearQuestion):
    """Uses thrown away for lack of data: what the count lies below the count that knowing every sensor would give.

    Parameters
    ----------
    wear : Wear
    limit : float
        Largest fall of log sensitivity from the sensor's own fresh value.
    content, confidence : float
        P and C of the count.
    """

    kind: ClassVar[str] = "retire"
    expected_by: ClassVar[str] = f"{STUDIES:,} simulated studies each (Monte-Carlo error: hundredths of a use)"
    limit: float
    content: float = 0.90
    confidence: float = 0.95

    @property
    def analysis(self) -> str:
        """The rule of the planned analysis."""
        return (f"checks simulated, count by the rule of `drift retire` (content {self.content:g}, confidence "
                f"{self.confidence:g}, companion, rounding, extrapolation cap); a refusal counts as no use")

    @property
    def true_count(self) -> float:
        """Uses at which exactly the share ``content`` of all sensors is still within the limit."""
        from scipy.special import ndtri

        worst = self.wear.slope + float(ndtri(self.content)) * self.wear.slope_sd
        return self.limit / worst

    def expected(self, d: Design) -> float:
        """Mean loss over simulated studies, the same each time."""
        return float(np.mean(self._losses(d, np.random.default_rng([SEED, d["sensors"], d["checks"], d["mountings"]]),
                                          STUDIES, lambda _: None)))

    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        """Simulate checks and give each study its printed count."""
        return self._losses(d, rng, studies, tell)

    def _losses(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        out = np.empty(studies)
        for start in range(0, studies, BLOCK):
            size = min(BLOCK, studies - start)
            out[start:start + size] = self.true_count - self.counts(d, rng, size)
            tell((start + size) / studies)
        return out

    def counts(self, d: Design, rng: np.random.Generator, studies: int) -> Floats:
        """Return printed counts of simulated studies; 0 where the rule refuses."""
        w, shape = self.wear, (studies, d["sensors"])
        at = w.times(d["checks"])
        slope = w.slope + w.slope_sd * rng.normal(size=shape)
        error = math.hypot(w.occasion_sd, w.mounting_sd / math.sqrt(d["mountings"]))
        value = (w.start_sd * rng.normal(size=(*shape, 1)) + slope[..., None] * at
                 + error * rng.normal(size=(*shape, len(at))))
        value = np.where(w.checked(d["checks"], shape, rng), value, np.nan)
        lines = fit_lines(np.where(np.isfinite(value), at, np.nan), value)
        short, late = short_or_late(lines, relative=True)
        use = ~(short | late)
        found = np.zeros(studies)
        number = use.sum(-1)
        for n in np.unique(number[number >= MINIMUM_SENSORS]):
            mine = np.flatnonzero(number == n)
            pick = np.argsort(~use[mine], axis=-1, kind="stable")[:, :n]
            a, b, last = (np.take_along_axis(v[mine], pick, -1) for v in (lines.intercept, lines.slope, lines.last))
            jump = a - np.take_along_axis(value[mine][..., 0], pick, -1)
            start = np.broadcast_to(early_change(jump)[..., None], a.shape)
            c = retire_arrays(start, b, self.limit, content=self.content, confidence=self.confidence,
                              cap=EXTRAPOLATION * np.median(last, axis=-1))
            found[mine] = np.maximum(np.nan_to_num(c.count, nan=0.0), 0.0)
        return found

    def remarks(self, d: Design) -> tuple[tuple[str, str, str], ...]:
        """Say when the plan would have to extrapolate."""
        w, out = self.wear, []
        middle = self.limit / w.slope
        if w.until < middle:
            out.append(("ends-too-early", f"the last check after {w.until:g} uses comes before the average sensor "
                        f"reaches the limit, at {middle:.0f}: the count would rest on a line drawn on",
                        f"Plan the last check after {math.ceil(middle)} uses or later."))
        if EXTRAPOLATION * w.until < self.true_count:
            out.append(("capped", f"no count above {EXTRAPOLATION * w.until:g} can be stated with the last check after "
                        f"{w.until:g} uses, though {self.true_count:.1f} would be true",
                        f"Plan the last check after {math.ceil(self.true_count / EXTRAPOLATION)} uses or later."))
        return tuple(out)
