"""The charts of one check standard: limits from its baseline, and every later occasion against them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.control.edges import edges_of
from drift.control.growing import LEAST_BASELINE, Grown, grow, limits_of
from drift.control.occasions import Occasions
from drift.engine import control_charts as engine
from drift.engine.baseline_step import Step, largest_step, step_rather_than_alike
from drift.engine.tails import t_tail
from drift.errors import DriftError, Finding

Floats = NDArray[np.float64]
Direction = Literal["both", "up", "down"]
USUAL_BASELINE = 20
FULL_BASELINE = 50
BASELINE_SIZE = 0.01  # of the test for a step and that for an odd occasion together


@dataclass(frozen=True, kw_only=True)
class ChartSpec:
    """How a check standard is charted.

    Parameters
    ----------
    baseline : int, optional
        Number of first occasions that limits come from, declared good; all of them make the chart retrospective. By
        default the baseline grows: the first five are taken as good, every later one is judged by those before it and
        joins them if it is past no limit, until there are ``most`` or one signals.
    most : int
        Occasions at which a baseline that grows is full.
    direction : {"both", "up", "down"}
        Side on which individuals, EWMA and CUSUM may signal.
    centre, sd : float, optional
        Known values in place of a baseline.
    multiplier : float, optional
        SDs between centre and limit of individuals.
    weight, width : float
        Of the EWMA; its limit in SDs of the average.
    slack, sum_limit : float
        Of the CUSUM, in SDs.
    precision : float
        Level of the limit of the SD within an occasion.
    steady : bool
        EWMA limits of a long run instead of those of each occasion.

    Notes
    -----
    ``multiplier``, ``width`` and ``sum_limit`` that are not given are such that a good rig is past a limit of any chart
    on 1 % of occasions (:func:`drift.engine.joint_limits.joint_limits`).
    """

    baseline: int | None = None
    most: int = FULL_BASELINE
    direction: Direction = "both"
    centre: float | None = None
    sd: float | None = None
    multiplier: float | None = None
    weight: float = engine.EWMA_WEIGHT
    width: float | None = None
    slack: float = engine.CUSUM_SLACK
    sum_limit: float | None = None
    precision: float = engine.PRECISION_LEVEL
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
    growing : bool
        The baseline is not full and no occasion has signalled; ``stopped`` is the occasion at which it stopped to grow.
    signals : tuple of Signal
    odd : tuple of int
        Occasions of the baseline far from the others.
    step : Step or None
        Where the baseline itself changed, counted from the first occasion of all.
    edges : engine.ChartLimits
        Of individuals, EWMA and CUSUM, in SDs.
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
    edges: engine.ChartLimits
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
    growing: bool
    stopped: int | None
    signals: tuple[Signal, ...]
    odd: tuple[int, ...]
    step: Step | None

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
    base_n, grown = _baseline_size(n - first, first, spec, occasions)
    known = spec.sd is not None and spec.centre is not None
    try:
        found = limits_of(x[first:], occasions.within_sd[first:], occasions.within_df[first:], base_n, spec)
    except ValueError:
        raise _flat(base_n) from None
    judged = np.arange(n) >= first + (0 if known else base_n)
    retrospective = not known and first + base_n >= n and spec.baseline is not None
    if retrospective:
        judged = np.arange(n) >= first
    charted = x.copy()
    charted[first:] = found.charted(x[first:])
    centre, sd = found.centre, found.sd
    within_charted = found.within_df > 0
    tight = grown is not None and (grown.growing or grown.stopped)
    # While a baseline grows, and after an alarm without a logged cause, occasions are judged by predictions: the limits
    # of a known process hold for their scores. A baseline that stays makes limits of its own size.
    edges = edges_of(None if known or retrospective or tight else found.size, spec, within=within_charted)
    if tight:
        edges = edges._replace(individuals=found.factor)
    sums, smooth = _running((charted - centre) / sd, judged, grown, first, spec, edges)
    precision = (engine.precision_limit(found.within, found.within_df, occasions.within_df, spec.precision)
                 if found.within_df > 0 else np.full(n, np.nan))
    made = StandardChart(
        occasions=occasions, known=known, declared=spec.multiplier is not None, retrospective=retrospective,
        baseline=found.base or engine.Baseline(centre=centre, sd=sd, n=0, autocorrelation=float("nan")), judged=judged,
        restarts=restarts, charted=charted, autocorrelated=found.correlated, centre=centre, sd=sd, edges=edges,
        lower=centre - edges.individuals * sd, upper=centre + edges.individuals * sd, within=found.within,
        within_df=found.within_df, precision=precision, ewma=centre + sd * smooth.value,
        ewma_half=sd * smooth.half_width, cusum_high=sd * sums.high, cusum_low=sd * sums.low,
        cusum_limit=edges.cusum * sd, signals=(), growing=grown is not None and grown.growing,
        stopped=first + base_n if grown is not None and grown.stopped else None,
        odd=_odd(x[first:first + base_n], first) if found.base is not None else (),
        step=_step(x[first:first + base_n], first) if found.base is not None and not known else None)
    return replace(made, signals=_signals(made, spec))


def stopped_finding(chart: StandardChart) -> Finding | None:
    """Say that an alarm keeps the baseline from growing, and what would let a new one start."""
    if chart.stopped is None:
        return None
    name = f" of {chart.occasions.standard}" if chart.occasions.standard else ""
    which = ", ".join(dict.fromkeys(s.chart for s in chart.signals if s.occasion == chart.stopped))
    return Finding(severity="warning", code="baseline-stopped", message=f"the baseline{name} stays at its first "
                   f"{chart.baseline.n} occasions, since occasion {chart.occasions.label[chart.stopped]} signalled "
                   f"({which})", mend="Find the cause; log it as the event 'new baseline', with the day of "
                   "the change as its time: from that day on a new one starts. In a table of its own, --baseline N "
                   "declares the first N occasions good.")


def _baseline_size(n: int, first: int, spec: ChartSpec, occasions: Occasions) -> tuple[int, Grown | None]:
    """Return the number of baseline occasions: as asked, else as many as joined; one is left to judge."""
    if spec.sd is not None and spec.centre is not None:
        return min(n, spec.baseline or n), None
    wanted = min(spec.baseline if spec.baseline is not None else n - 1, n)
    if wanted < LEAST_BASELINE:
        name = f" of {occasions.standard}" if occasions.standard else ""
        raise DriftError(Finding(
            severity="warning", code="short-baseline", message=f"{n} occasion{'s make' if n != 1 else ' makes'} no "
            f"baseline{name} for control limits: {LEAST_BASELINE} are the least, {USUAL_BASELINE} or more are advised",
            mend="Read the check standard on every day of use; chart it once there are enough occasions."))
    if spec.baseline is not None:
        return wanted, None
    grown = grow(occasions, first, spec)
    return grown.m, grown


def _flat(n: int) -> DriftError:
    return DriftError(Finding(
        severity="warning", code="flat-baseline", message=f"the {n} occasions of the baseline do not differ: "
        "the resolution is coarser than the scatter, so there is nothing limits could come from",
        mend="Record the check standard with more digits, or as the mean of several readings."))


def _running(score: Floats, judged: NDArray[np.bool_], grown: Grown | None, first: int, spec: ChartSpec,
             edges: engine.ChartLimits) -> tuple[engine.Cusum, engine.Ewma]:
    """EWMA and CUSUM in SDs from the first occasion that was ever judged on; shown over the judged ones."""
    n = len(score)
    run = judged.copy()
    if grown is not None:
        start = first + LEAST_BASELINE
        run[start:] = True
        score = score.copy()
        score[start:start + len(grown.score)] = grown.score
    smooth = engine.ewma(score[run], 0.0, 1.0, weight=spec.weight, width=edges.ewma, steady=spec.steady)
    sums = engine.cusum(score[run], 0.0, spec.slack)
    spread = [np.full(n, np.nan) for _ in range(4)]
    for held, values in zip(spread, (*smooth, *sums), strict=True):
        held[run] = values
        held[~judged] = np.nan
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
    """Baseline occasions that the others would not have predicted, at half of the size of both tests.

    References
    ----------
    F. E. Grubbs (1969), Technometrics 11, 1-21 (the largest deviation of a sample).
    """
    n = len(x)
    if n < LEAST_BASELINE:
        return ()
    g = np.abs(x - x.mean()) / x.std(ddof=1)
    with np.errstate(divide="ignore"):
        t = np.sqrt(n * (n - 2) * g**2 / np.maximum((n - 1) ** 2 - n * g**2, 1e-12))
    p = np.array([2 * n * t_tail(n - 2, float(v)) for v in t])
    return tuple(first + int(i) for i in np.flatnonzero(p < BASELINE_SIZE / 2))


def _step(x: Floats, first: int) -> Step | None:
    """Return the step that a baseline holds, at half of the size of both tests; not where it is alike instead."""
    if len(x) < LEAST_BASELINE:
        return None
    found = largest_step(x)
    if found.p >= BASELINE_SIZE / 2:
        return None
    if engine.baseline(x).correlated and not step_rather_than_alike(x, found.at):
        return None
    return found._replace(at=first + found.at)
