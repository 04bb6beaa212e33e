"""The charts of one check standard: limits from its baseline, and every later occasion against them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.control.occasions import Occasions
from drift.engine import control_charts as engine
from drift.errors import DriftError, Finding

Floats = NDArray[np.float64]
Direction = Literal["both", "up", "down"]
USUAL_BASELINE, LEAST_BASELINE = 20, 5


@dataclass(frozen=True, kw_only=True)
class ChartSpec:
    """How a check standard is charted.

    Parameters
    ----------
    baseline : int, optional
        Number of first occasions that limits come from; by default 20, or fewer where there are not 21. All of them
        make the chart retrospective.
    direction : {"both", "up", "down"}
        Side on which individuals, EWMA and CUSUM may signal.
    centre, sd : float, optional
        Known values in place of a baseline.
    tail : float
        Probability beyond one limit of individuals.
    multiplier : float, optional
        SDs between centre and limit of individuals, in place of the prediction limit.
    weight, width : float
        Of the EWMA.
    slack, sum_limit : float
        Of the CUSUM, in SDs.
    steady : bool
        EWMA limits of a long run instead of those of each occasion.
    """

    baseline: int | None = None
    direction: Direction = "both"
    centre: float | None = None
    sd: float | None = None
    tail: float = engine.SHEWHART_TAIL
    multiplier: float | None = None
    weight: float = engine.EWMA_WEIGHT
    width: float = engine.EWMA_WIDTH
    slack: float = engine.CUSUM_SLACK
    sum_limit: float = engine.CUSUM_LIMIT
    steady: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Signal:
    """One occasion past one limit; ``side`` is 1 above, -1 below."""

    occasion: int
    chart: str
    side: int
    value: float
    limit: float


@dataclass(frozen=True, kw_only=True, eq=False)
class StandardChart:
    """One check standard charted; arrays of shape ``(n_occasions,)``, NaN over the baseline where nothing is judged.

    Parameters
    ----------
    occasions : Occasions
    baseline : engine.Baseline
        Of the raw occasion means.
    known : bool
        Centre and SD were given, not estimated; ``declared``: so was the multiplier of individuals.
    judged : array of bool
    restarts : tuple of (int, str)
        Occasions at which a new baseline starts, with the cause on record.
    charted : array
        What individuals, EWMA and CUSUM look at: occasion means, or their one-step prediction errors.
    autocorrelated : bool
    centre, sd, within : float
        Of what is charted; pooled SD inside an occasion.
    within_df : float
    signals : tuple of Signal
    """

    occasions: Occasions
    baseline: engine.Baseline
    known: bool
    declared: bool
    retrospective: bool
    judged: NDArray[np.bool_]
    restarts: tuple[tuple[int, str], ...]
    charted: Floats
    autocorrelated: bool
    centre: float
    sd: float
    factor: float
    lower: float
    upper: float
    within: float
    within_df: float
    precision: Floats
    ewma: Floats
    ewma_half: Floats
    cusum_high: Floats
    cusum_low: Floats
    cusum_limit: float
    signals: tuple[Signal, ...]
    odd: tuple[int, ...]

    @property
    def latest(self) -> tuple[Signal, ...]:
        """Signals at the latest occasion."""
        return tuple(s for s in self.signals if s.occasion == len(self.occasions) - 1)

    @property
    def first(self) -> int:
        """First occasion of the present baseline."""
        return self.restarts[-1][0] if self.restarts else 0


def chart_standard(occasions: Occasions, spec: ChartSpec, *, restarts: tuple[tuple[int, str], ...] = ()
                   ) -> StandardChart:
    """Chart one check standard.

    Parameters
    ----------
    occasions : Occasions
    spec : ChartSpec
    restarts : tuple of (int, str)
        Occasions at which a new baseline starts, each with its logged cause; without a cause a baseline stays.

    Raises
    ------
    DriftError
        With fewer than five baseline occasions, or a baseline without scatter.
    """
    first = restarts[-1][0] if restarts else 0
    n = len(occasions)
    x = occasions.mean
    base_n = _baseline_size(n - first, spec, occasions)
    known = spec.sd is not None and spec.centre is not None
    base = _baseline(x[first:first + base_n], spec, occasions) if not known or base_n > 1 else None
    judged = np.arange(n) >= first + (0 if known else base_n)
    retrospective = not known and first + base_n >= n and spec.baseline is not None
    if retrospective:
        judged = np.arange(n) >= first
    centre = float(spec.centre) if spec.centre is not None else base.centre  # type: ignore[union-attr]
    correlated = base is not None and not known and base.correlated
    charted = x.copy()
    sd = float(spec.sd) if spec.sd is not None else base.sd  # type: ignore[union-attr]
    size = 10**6 if spec.sd is not None else base_n
    if correlated:
        assert base is not None
        charted[first:] = engine.prediction_errors(x[first:], centre, min(base.autocorrelation, 0.95))
        errors = charted[first + 1:first + base_n] - centre
        sd = float(np.sqrt((errors @ errors) / max(len(errors) - 2, 1)))
        size = base_n - 2
    factor = spec.multiplier if spec.multiplier is not None else engine.individuals_factor(size, spec.tail)
    sums, smooth = _running(charted, judged, centre, sd, spec)
    within, within_df = engine.pooled_sd(np.nan_to_num(occasions.within_sd[first:first + base_n]),
                                         occasions.within_df[first:first + base_n])
    precision = (engine.precision_limit(within, within_df, occasions.within_df) if within_df > 0
                 else np.full(n, np.nan))
    made = StandardChart(
        occasions=occasions, baseline=base or engine.Baseline(centre=centre, sd=sd, n=0, autocorrelation=float("nan")),
        known=known, declared=spec.multiplier is not None, retrospective=retrospective, judged=judged,
        restarts=restarts, charted=charted,
        autocorrelated=correlated, centre=centre, sd=sd, factor=factor, lower=centre - factor * sd,
        upper=centre + factor * sd, within=within, within_df=within_df, precision=precision, ewma=smooth.value,
        ewma_half=smooth.half_width, cusum_high=sums.high, cusum_low=sums.low, cusum_limit=spec.sum_limit * sd,
        signals=(), odd=_odd(x[first:first + base_n], first) if base is not None and not retrospective else ())
    from dataclasses import replace

    return replace(made, signals=_signals(made, spec))


def _baseline_size(n: int, spec: ChartSpec, occasions: Occasions) -> int:
    """Return the number of baseline occasions: as asked, else the usual one, leaving one occasion to judge."""
    if spec.sd is not None and spec.centre is not None:
        return min(n, spec.baseline or n)
    wanted = spec.baseline if spec.baseline is not None else min(USUAL_BASELINE, n - 1)
    wanted = min(wanted, n)
    if wanted < LEAST_BASELINE:
        name = f" of {occasions.standard}" if occasions.standard else ""
        raise DriftError(Finding(
            severity="warning", code="short-baseline", message=f"{n} occasion{'s make' if n != 1 else ' makes'} no "
            f"baseline{name} for control limits: {LEAST_BASELINE} are the least, {USUAL_BASELINE} or more are advised",
            mend="Read the check standard on every day of use; chart it once there are enough occasions."))
    return wanted


def _baseline(x: Floats, spec: ChartSpec, occasions: Occasions) -> engine.Baseline:
    try:
        return engine.baseline(x)
    except ValueError:
        raise DriftError(Finding(
            severity="warning", code="flat-baseline", message=f"the {len(x)} occasions of the baseline do not differ: "
            "the resolution is coarser than the scatter, so there is nothing limits could come from",
            mend="Record the check standard with more digits, or as the mean of several readings.")) from None


def _running(charted: Floats, judged: NDArray[np.bool_], centre: float, sd: float, spec: ChartSpec
             ) -> tuple[engine.Cusum, engine.Ewma]:
    """EWMA and CUSUM over the judged occasions, from the centre on."""
    n = len(charted)
    smooth = engine.ewma(charted[judged], centre, sd, weight=spec.weight, width=spec.width, steady=spec.steady)
    sums = engine.cusum(charted[judged], centre, spec.slack * sd)
    spread = [np.full(n, np.nan) for _ in range(4)]
    for held, values in zip(spread, (*smooth, *sums), strict=True):
        held[judged] = values
    return engine.Cusum(spread[2], spread[3]), engine.Ewma(spread[0], spread[1])


def _signals(c: StandardChart, spec: ChartSpec) -> tuple[Signal, ...]:
    """Every occasion past a limit, in the order of time."""
    found: list[Signal] = []
    sides = {"both": (1, -1), "up": (1,), "down": (-1,)}[spec.direction]
    with np.errstate(invalid="ignore"):
        for i in np.flatnonzero(c.judged).tolist():
            value = float(c.charted[i])
            for side in sides:
                limit = c.upper if side > 0 else c.lower
                if side * (value - limit) > 0:
                    found.append(Signal(occasion=i, chart="individuals", side=side, value=value, limit=limit))
                edge = c.centre + side * float(c.ewma_half[i])
                if side * (float(c.ewma[i]) - edge) > 0:
                    found.append(Signal(occasion=i, chart="EWMA", side=side, value=float(c.ewma[i]), limit=edge))
                total = float((c.cusum_high if side > 0 else c.cusum_low)[i])
                if total > c.cusum_limit:
                    found.append(Signal(occasion=i, chart="CUSUM", side=side, value=total, limit=c.cusum_limit))
            if float(c.occasions.within_sd[i]) > float(c.precision[i]):
                found.append(Signal(occasion=i, chart="precision", side=1, value=float(c.occasions.within_sd[i]),
                                    limit=float(c.precision[i])))
    return tuple(found)


def _odd(x: Floats, first: int) -> tuple[int, ...]:
    """Baseline occasions that the others would not have predicted at 1 % over all of them.

    References
    ----------
    F. E. Grubbs (1969), Technometrics 11, 1-21 (the largest deviation of a sample).
    """
    from scipy.special import stdtr

    n = len(x)
    if n < LEAST_BASELINE:
        return ()
    g = np.abs(x - x.mean()) / x.std(ddof=1)
    with np.errstate(divide="ignore"):
        t = np.sqrt(n * (n - 2) * g**2 / np.maximum((n - 1) ** 2 - n * g**2, 1e-12))
    return tuple(first + int(i) for i in np.flatnonzero(2 * n * stdtr(n - 2, -t) < 0.01))
