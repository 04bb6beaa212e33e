"""Control charts of a check standard: individuals, precision, EWMA, CUSUM, and the chart of a calibration line.

Arrays only. Limits come from a baseline of occasion means that is never part of what is judged; how often limits that
were estimated from few occasions give a false alarm is computed, not taken from tables of known limits.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.tails import ndtri, t_quantile_above, t_tail

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# Settings of each chart by itself, at about 1 false alarm in 370 occasions; limits of several together are wider.
SHEWHART_TAIL = 0.0015
EWMA_WEIGHT, EWMA_WIDTH = 0.2, 2.86
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 4.77
ANY_RATE = 0.01  # share of good occasions past a limit of any chart
PRECISION_LEVEL = 1 - ANY_RATE / 4  # a quarter of that share is the scatter's inside an occasion
_CELLS = 61
_GRID = 12
_FINE_GRID = 300


@dataclass(frozen=True, kw_only=True)
class Baseline:
    """Centre and spread of the occasion means that limits come from.

    Attributes
    ----------
    centre, sd : float
        Mean and SD (ddof 1) of the occasion means, in their unit.
    n : int
        Occasions.
    autocorrelation : float
        Lag-1 autocorrelation about the mean, with 1/n added for its bias.
    """

    centre: float
    sd: float
    n: int
    autocorrelation: float

    @property
    def correlated(self) -> bool:
        """Whether successive occasions are alike beyond chance (one-sided at 2.5 %)."""
        return bool(self.autocorrelation * np.sqrt(self.n) > 1.96)


class Ewma(NamedTuple):
    """Weighted means and the half-width of their limits, each shape ``(n_occasions,)``."""

    value: Floats
    half_width: Floats


class Cusum(NamedTuple):
    """Sums above and below, each shape ``(n_occasions,)`` in the unit of the values."""

    high: Floats
    low: Floats


class ChartLimits(NamedTuple):
    """Limits in SDs: of one occasion from the centre, of the EWMA in SDs of the average, of the CUSUM."""

    individuals: float
    ewma: float
    cusum: float


class FalseAlarms(NamedTuple):
    """False alarms per occasion: with known limits, and over baselines (mean, 5 % and 95 % of them)."""

    known: float
    mean: float
    low: float
    high: float


def baseline(values: ArrayLike) -> Baseline:
    """Summarise the occasion means of a baseline.

    Raises
    ------
    ValueError
        With fewer than two occasions, or without any scatter.
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    if n < 2:
        raise ValueError("a baseline needs two occasions or more")
    centre = float(x.mean())
    off = x - centre
    ss = float(off @ off)
    if not ss > (1e-12 * max(abs(centre), 1e-300)) ** 2 * n:
        raise ValueError("the occasions of the baseline do not differ")
    return Baseline(centre=centre, sd=float(np.sqrt(ss / (n - 1))), n=n,
                    autocorrelation=float(off[1:] @ off[:-1]) / ss + 1.0 / n)


def individuals_factor(n: int, tail: float = SHEWHART_TAIL) -> float:
    """Multiple of the SD of ``n`` baseline occasions within which one further occasion lies.

    Notes
    -----
    ``t(1 - tail; n - 1) sqrt(1 + 1/n)``: a prediction interval, so that the false-alarm rate averaged over baselines
    is exactly ``2 tail``. It tends to 2.97 for a long baseline.

    References
    ----------
    Hahn & Meeker (1991), Statistical Intervals, section 4.7.
    """
    return float(t_quantile_above(n - 1, tail) * np.sqrt(1 + 1 / n))


def prediction_score(off: float, n: int) -> float:
    """Return the standard normal score of one occasion ``off`` SDs from the mean of the ``n`` before it.

    References
    ----------
    Hawkins (1987), The Statistician 36, 299-315 (self-starting charts).
    """
    tail = max(t_tail(n - 1, abs(off) / np.sqrt(1 + 1 / n)), 1e-300)
    return float(-np.sign(off) * ndtri(tail))


def pooled_sd(sd: ArrayLike, df: ArrayLike) -> tuple[float, float]:
    """Return the SD pooled over occasions by degrees of freedom, and their sum."""
    s, v = np.asarray(sd, dtype=np.float64), np.asarray(df, dtype=np.float64)
    total = float(v.sum())
    return float(np.sqrt((v * s**2).sum() / total)) if total > 0 else float("nan"), total


def precision_limit(sd: float, df: float, occasion_df: ArrayLike, level: float = PRECISION_LEVEL) -> Floats:
    """Upper limit of the SD within one occasion: ``s1 sqrt(F(level; J - 1, K (J - 1)))``.

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 2.2.2.1 and 2.6.2.3; C. Croarkin.
    """
    from scipy.special import fdtri

    v = np.asarray(occasion_df, dtype=np.float64)
    return np.where(v > 0, sd * np.sqrt(fdtri(np.maximum(v, 1.0), df, level)), np.nan)


def ewma(values: ArrayLike, centre: float, sd: float, *, weight: float = EWMA_WEIGHT, width: float = EWMA_WIDTH,
         steady: bool = False) -> Ewma:
    """Exponentially weighted moving averages from the centre on, with exact limits.

    Parameters
    ----------
    values : array_like, shape (n_occasions,)
    centre, sd : float
    weight, width : float
        Weight of the newest value; limits in SDs of the average.
    steady : bool
        Limits of an average that has run for long, instead of those of each occasion.

    Notes
    -----
    ``w_t = weight x_t + (1 - weight) w_{t-1}``, ``w_0 = centre``; the SD of ``w_t`` is
    ``sd sqrt(weight/(2 - weight) (1 - (1 - weight)^(2t)))``.

    References
    ----------
    Roberts (1959), Technometrics 1, 239-250; Lucas & Saccucci (1990), Technometrics 32, 1-12, equation 4.
    """
    x = np.asarray(values, dtype=np.float64)
    out = np.empty(len(x))
    last = centre
    for t, v in enumerate(x):
        last = weight * v + (1 - weight) * last
        out[t] = last
    after = np.arange(1, len(x) + 1)
    settled = 1.0 if steady else 1 - (1 - weight) ** (2 * after)
    return Ewma(out, width * sd * np.sqrt(weight / (2 - weight) * settled) * np.ones(len(x)))


def cusum(values: ArrayLike, centre: float, slack: float, *, head_start: float = 0.0) -> Cusum:
    """Tabular cumulative sums above ``centre + slack`` and below ``centre - slack``, never under zero.

    References
    ----------
    Page (1954), Biometrika 41, 100-115; NIST/SEMATECH e-Handbook, section 6.3.2.3.
    """
    x = np.asarray(values, dtype=np.float64)
    high, low = np.empty(len(x)), np.empty(len(x))
    up = down = head_start
    for t, v in enumerate(x):
        up = max(0.0, up + v - centre - slack)
        down = max(0.0, down + centre - slack - v)
        high[t], low[t] = up, down
    return Cusum(high, low)


class LineChart(NamedTuple):
    """Calibrated values less the true ones, their limit, and the multiplier behind it."""

    difference: Floats
    limit: float
    multiplier: float


def calibration_line_chart(measured: ArrayLike, true: ArrayLike, *, intercept: float, slope: float, sd: float,
                           df: float, m: int, level: float = 0.95) -> LineChart:
    """Chart of a straight calibration line checked by ``m`` standards a day.

    Parameters
    ----------
    measured, true : array_like
        Readings of the standards and their values.
    intercept, slope, sd, df : float
        The line in use, its residual SD and the degrees of freedom of that SD.
    m : int
        Standards a day; the limit holds for all of them together.
    level : float

    Notes
    -----
    ``W = (y - intercept)/slope - x`` within ``sd t*/slope``, with t* the t quantile at ``(1 + level^(1/m))/2``.

    References
    ----------
    Croarkin & Varner (1982), NBS Technical Note 1164; NIST/SEMATECH e-Handbook, section 2.3.7.1.
    """
    from scipy.special import stdtrit

    y, x = np.asarray(measured, dtype=np.float64), np.asarray(true, dtype=np.float64)
    star = float(stdtrit(df, (1 + level ** (1 / m)) / 2))
    return LineChart((y - intercept) / slope - x, sd * star / abs(slope), star)


def prediction_errors(values: ArrayLike, centre: float, autocorrelation: float) -> Floats:
    """One-step prediction errors of a first-order autoregression, put back about the centre.

    The first value has no predecessor; its deviation is scaled by ``sqrt(1 - r^2)`` to have the same SD.

    References
    ----------
    Alwan & Roberts (1988), Journal of Business & Economic Statistics 6, 87-95.
    """
    off = np.asarray(values, dtype=np.float64) - centre
    out = off.copy()
    out[1:] = off[1:] - autocorrelation * off[:-1]
    out[:1] *= np.sqrt(max(1 - autocorrelation**2, 0.0))
    return np.asarray(centre + out, dtype=np.float64)


def cusum_run_length(shift: ArrayLike, *, slack: ArrayLike = CUSUM_SLACK, limit: ArrayLike = CUSUM_LIMIT,
                     two_sided: bool = False, cells: int = _CELLS) -> Floats:
    """Average number of occasions to a signal of a CUSUM of independent normal values with SD 1.

    Parameters
    ----------
    shift, slack, limit : array_like, broadcast together
        Mean of the values, slack and limit, in SDs.

    References
    ----------
    Brook & Evans (1972), Biometrika 59, 539-549 (Markov chain); 1/ARL adds up over the two sides (Kemp 1961).
    """
    d, k, h = np.broadcast_arrays(*(np.asarray(v, dtype=np.float64) for v in (shift, slack, limit)))
    up = _cusum_side(d, k, h, cells)
    return 1 / (1 / up + 1 / _cusum_side(-d, k, h, cells)) if two_sided else up


def _cusum_side(shift: Floats, slack: Floats, limit: Floats, cells: int) -> Floats:
    from scipy.special import ndtr

    width = (2 * limit / (2 * cells - 1))[..., None, None]
    i, j = np.arange(cells)[:, None], np.arange(cells)[None, :]
    drift = (shift - slack)[..., None, None]
    upper = ndtr((j - i + 0.5) * width - drift)
    lower = np.where(j == 0, 0.0, ndtr((j - i - 0.5) * width - drift))
    ones = np.ones((*shift.shape, cells, 1))
    return np.asarray(np.linalg.solve(np.eye(cells) - (upper - lower), ones)[..., 0, 0])


def ewma_run_length(shift: ArrayLike, *, width: ArrayLike = EWMA_WIDTH, weight: float = EWMA_WEIGHT,
                    cells: int = _CELLS) -> Floats:
    """Average number of occasions to a signal of an EWMA with steady limits, for independent normal values with SD 1.

    References
    ----------
    Lucas & Saccucci (1990), Technometrics 32, 1-12, appendix (Markov chain).
    """
    from scipy.special import ndtr

    d, w = np.broadcast_arrays(np.asarray(shift, dtype=np.float64), np.asarray(width, dtype=np.float64))
    h = (w * np.sqrt(weight / (2 - weight)))[..., None, None]
    step = 2 * h / cells
    mid = -h + (np.arange(cells) + 0.5) * step
    i, j = mid.swapaxes(-1, -2), mid
    upper = ndtr((j + step / 2 - (1 - weight) * i) / weight - d[..., None, None])
    lower = ndtr((j - step / 2 - (1 - weight) * i) / weight - d[..., None, None])
    ones = np.ones((*d.shape, cells, 1))
    length = np.linalg.solve(np.eye(cells) - (upper - lower), ones)[..., 0]
    return np.asarray(length[..., cells // 2])


def _baselines(n: int, grid: int) -> tuple[Floats, Floats]:
    """Mean and SD of equally likely baselines of ``n`` standard normal occasions, a grid of their quantiles."""
    from scipy.special import chdtri, ndtri

    p = (np.arange(grid) + 0.5) / grid
    z, s = np.meshgrid(ndtri(p) / np.sqrt(n), np.sqrt(chdtri(n - 1, 1 - p) / (n - 1)), indexing="ij")
    return z.ravel(), s.ravel()


def false_alarms(n: int, limits: ChartLimits, *, two_sided: bool = True) -> dict[str, FalseAlarms]:
    """Share of occasions in control that each chart calls out of control, with limits from ``n`` occasions.

    Parameters
    ----------
    n : int
        Occasions of the baseline.
    limits : ChartLimits
        Of individuals, EWMA and CUSUM, in SDs.
    two_sided : bool

    Returns
    -------
    dict of str to FalseAlarms
        For ``"individuals"``, ``"EWMA"`` and ``"CUSUM"``: at a process known exactly; and with estimated limits the
        mean over baselines and the rates that 5 % and 95 % of baselines stay below. Rates of EWMA and CUSUM are one
        over the average run length.

    Notes
    -----
    Computed over a grid of equally likely means and SDs of a normal baseline, not simulated. The rate one laboratory
    lives with is conditional on its own baseline and does not average out.

    References
    ----------
    Jensen, Jones-Farmer, Champ & Woodall (2006), Journal of Quality Technology 38, 349-364 (estimated limits).
    """
    from scipy.special import ndtr

    z, s = _baselines(n, _FINE_GRID)  # single values live in the tails of the SD: they need the finer grid
    factor = limits.individuals
    single = ndtr(z - factor * s) + (ndtr(-z - factor * s) if two_sided else 0.0)
    z, s = _baselines(n, _GRID)
    # In units of the estimated SD the values have mean -z/s and SD 1/s: scale limits to an SD of one.
    smooth = 1 / ewma_run_length(-z, width=limits.ewma * s)
    sums = 1 / cusum_run_length(-z, slack=CUSUM_SLACK * s, limit=limits.cusum * s, two_sided=two_sided)
    known = {"individuals": float(ndtr(-factor)) * (2 if two_sided else 1),
             "EWMA": 1 / float(ewma_run_length(0.0, width=limits.ewma)),
             "CUSUM": 1 / float(cusum_run_length(0.0, limit=limits.cusum, two_sided=two_sided))}
    return {name: FalseAlarms(known[name], float(rate.mean()), float(np.quantile(rate, 0.05)),
                              float(np.quantile(rate, 0.95)))
            for name, rate in (("individuals", single), ("EWMA", smooth), ("CUSUM", sums))}


class AnyAlarm(NamedTuple):
    """Share of occasions at which any chart is past a limit, and share of runs in which that happens at all."""

    occasions: float
    runs: float


def any_alarm(n: int | None, limits: ChartLimits, *, two_sided: bool = True, precision: float | None = None,
              occasions: int = 50, runs: int = 20_000, seed: int = 20261127, weight: float = EWMA_WEIGHT,
              slack: float = CUSUM_SLACK) -> AnyAlarm:
    """Share of occasions in control that individuals, EWMA, CUSUM or precision chart call out of control.

    Parameters
    ----------
    n : int or None
        Occasions of the baseline; None where the charts run on scores of occasions predicted by those before them.
    limits : ChartLimits
        Of individuals, EWMA and CUSUM, in SDs.
    two_sided : bool
    precision : float, optional
        Level of the precision chart, independent of the others; without it there is none.
    occasions, runs, seed : int
        Length of a run after its baseline, and how many are drawn. Nothing starts anew at a signal.
    weight, slack : float
        Of EWMA and CUSUM.

    Notes
    -----
    The charts look at the same occasions, so their rates do not add up: normal runs are drawn, each with a baseline.
    """
    rng = np.random.default_rng(seed)
    centre, sd = np.zeros(runs), np.ones(runs)
    if n is not None:
        centre, sd = rng.standard_normal(runs) / np.sqrt(n), np.sqrt(rng.chisquare(n - 1, runs) / (n - 1))
    smooth, up, down, ever = np.zeros(runs), np.zeros(runs), np.zeros(runs), np.zeros(runs, dtype=np.bool_)
    share = 0.0
    for t in range(1, occasions + 1):
        z = (rng.standard_normal(runs) - centre) / sd
        smooth = weight * z + (1 - weight) * smooth
        up, down = np.maximum(0.0, up + z - slack), np.maximum(0.0, down - z - slack)
        edge = limits.ewma * np.sqrt(weight / (2 - weight) * (1 - (1 - weight) ** (2 * t)))
        out = (z > limits.individuals) | (smooth > edge) | (up > limits.cusum)
        if two_sided:
            out |= (z < -limits.individuals) | (smooth < -edge) | (down > limits.cusum)
        share += float(out.mean()) / occasions
        ever |= out
    kept = 1.0 if precision is None else precision
    return AnyAlarm(1 - (1 - share) * kept, 1 - (1 - float(ever.mean())) * kept**occasions)
