"""How many sensors, checks and mountings a drift per use needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import ClassVar

import numpy as np

from drift.engine.study_size import slope_variance, units_for_slope_difference
from drift.planning.question import Design, Floats, Published, Tell
from drift.planning.wearing import WearQuestion, first_loss, t_shrink


@dataclass(frozen=True, kw_only=True)
class SlopeQuestion(WearQuestion):
    """Half the width of the interval of the mean drift per use, or the chance to detect a drift or a difference.

    Parameters
    ----------
    wear : Wear
    groups : int
        2 compares two constructions of ``sensors`` each.
    detect : float, optional
        Drift per use (difference, with two groups) on the log scale that must be found; the goal is then the power.
    """

    kind: ClassVar[str] = "slope"
    detect: float | None = None

    @property
    def analysis(self) -> str:
        """The interval of the planned analysis."""
        what = "difference of drift per use" if self.groups == 2 else "drift per use"
        return f"checks simulated, {what} by REML with Kenward-Roger t as `drift wear` prints it"

    def _spread(self, d: Design) -> tuple[float, float]:
        """Return the standard error of the estimate and its degrees of freedom."""
        w, n = self.wear, d["sensors"]
        at = w.times(d["checks"])
        parts = [(1 - w.drop_out, len(at))]
        left = range(first_loss(len(at)), len(at))
        parts += [(w.drop_out / len(left), k) for k in left] if w.drop_out else []
        information = sum(share / slope_variance(at[:k], slope_sd=w.slope_sd, occasion_sd=w.occasion_sd,
                                                 mounting_sd=w.mounting_sd, mountings=d["mountings"], sensors=1)
                          for share, k in parts)
        return math.sqrt(self.groups / (n * information)), self.groups * (n - 1.0)

    def expected(self, d: Design) -> float:
        """Mean half-width, or power by the noncentral t distribution with sensors as the units."""
        from scipy.special import nctdtr, stdtrit

        se, df = self._spread(d)
        t = float(stdtrit(df, 0.5 + self.level / 2))
        if self.detect is None:
            return 100 * t * se * t_shrink(df)
        shift = abs(self.detect) / se
        power = float(1 - nctdtr(df, shift, t) + nctdtr(df, shift, -t))
        return 1.0 if math.isnan(power) else power  # the noncentral t gives up only far beyond the critical value

    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        """Simulate checks and fit each study by REML as ``drift wear`` does."""
        out = np.full(studies, np.nan)
        for i in range(studies):
            found = self._one(d, rng)
            if found is not None:
                value, half = found
                out[i] = 100 * half if self.detect is None else float(abs(value) > half)
            tell((i + 1) / studies)
        return out

    def _one(self, d: Design, rng: np.random.Generator) -> tuple[float, float] | None:
        from scipy.special import stdtrit

        from drift.sensitivity.engine_calls import contrast_errors, fit_rows

        w, n, m = self.wear, self.groups * d["sensors"], d["mountings"]
        group = np.repeat(np.arange(self.groups), d["sensors"])
        gap = self.detect or 0.0
        slope = (gap * group if self.groups == 2 else w.slope if self.detect is None else gap) + (
            w.slope_sd * rng.normal(size=n))
        at = w.times(d["checks"])
        z = (w.start_sd * rng.normal(size=(n, 1)) + slope[:, None] * at
             + w.occasion_sd * rng.normal(size=(n, len(at))))[..., None] + w.mounting_sd * rng.normal(
                 size=(n, len(at), m))
        here = w.checked(d["checks"], (n,), rng)
        i, j, _ = np.nonzero(np.broadcast_to(here[..., None], z.shape))
        x, own = at[j], np.ones(int(here.sum()) * m)
        columns = np.column_stack([own, x])
        within = [(columns, i)]
        if m > 1:
            within.append((own, j))
        fixed = columns if self.groups == 1 else np.column_stack([columns, group[i], group[i] * x])
        asked = np.zeros((1, fixed.shape[1]))
        asked[0, -1] = 1.0
        try:
            design, fit = fit_rows(z[here].ravel(), fixed, within)
            se, df = contrast_errors(design, fit, asked)
        except ValueError:
            return None
        return float(asked[0] @ fit.beta), float(stdtrit(df[0], 0.5 + self.level / 2) * se[0])

    def published(self, d: Design) -> tuple[Published, ...]:
        """Diggle, Liang and Zeger for two groups whose units share one slope."""
        if self.groups != 2 or self.detect is None:
            return ()
        w = self.wear
        error = w.occasion_sd**2 + w.mounting_sd**2 / d["mountings"]
        total = error + w.start_sd**2
        n = units_for_slope_difference(self.detect, w.times(d["checks"]), variance=total,
                                       correlation=w.start_sd**2 / total, power=self.goal.target,
                                       alpha=(1 - self.level) / 2)
        return (Published(formula="difference of two slopes", what="sensors in each group", value=math.ceil(n),
                          source="Diggle, Liang and Zeger (1994)",
                          remark="takes all sensors to wear alike: too few where they do not"),)

    def remarks(self, d: Design) -> tuple[tuple[str, str, str], ...]:
        """Say when only more sensors help."""
        w = self.wear
        at = w.times(d["checks"])
        error = slope_variance(at, slope_sd=0.0, occasion_sd=w.occasion_sd, mounting_sd=w.mounting_sd,
                               mountings=d["mountings"], sensors=1)
        share = w.slope_sd**2 / (w.slope_sd**2 + error) if w.slope_sd or error else 0.0
        if share < 0.8:
            return ()
        return (("sensors-differ", f"{100 * share:.0f} % of the variance is how much sensors wear at rates of their "
                 "own: more checks and mountings of the same sensors hardly help", "Plan more sensors."),)
