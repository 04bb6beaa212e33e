"""What two calibrations make of the same raw readings: differences by pressure, over the mix of pressures, with use."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.agreement.along_use_terms import Term, with_holm
from drift.agreement.equivalence import decide, decisive_outer, limit_bounds
from drift.agreement.harmless import Harmless
from drift.agreement.recalculated_rows import Recalculated
from drift.engine.limits_of_agreement import Strata, one_stratum, pivotal_draws, t_quantile
from drift.engine.shared_readings import line_strata, mix_strata, shown_range
from drift.errors import MINUS

Floats = NDArray[np.float64]
LOW, MIDDLE, HIGH, DECLARED = "low", "middle", "high", "declared"
QUANTILES = {LOW: 0.05, MIDDLE: 0.50, HIGH: 0.95}
MOST_CELLS = 2_000_000
GRID, COARSE = 481, 121  # pressures at which a range is looked for


@dataclass(frozen=True, kw_only=True, eq=False)
class AtPressure:
    """What is found at one pressure (as b shows it).

    Parameters
    ----------
    which : {"low", "middle", "high", "declared"}
    pressure : float
    strata : Strata or None
        Of differences; None with one sensor.
    bias : float
    bias_interval : (low, high)
    error_variance : float
        Mean over sensors of what the errors of both calibrations give the difference; NaN where not known.
    verdict : str
        Empty without a harmless difference.
    outer, inner : (lower, upper)
        One-sided 95 % bounds behind the verdict, as tables show them.
    """

    which: str
    pressure: float
    strata: Strata | None
    bias: float
    bias_interval: tuple[float, float]
    error_variance: float
    verdict: str = ""
    outer: tuple[float, float] = (math.nan, math.nan)
    inner: tuple[float, float] = (math.nan, math.nan)

    @property
    def error_share(self) -> float:
        """Share of the variance between sensors that calibration error explains, at most 1."""
        if self.strata is None or not self.strata.variance > 0:
            return math.nan
        return min(self.error_variance / self.strata.variance, 1.0)


@dataclass(frozen=True, kw_only=True, eq=False)
class RecalculatedFound:
    """Everything computed about one group.

    Parameters
    ----------
    data : Recalculated
    mix : Strata or None
        Over the mix of pressures that were met; None with one sensor.
    levels : tuple of AtPressure
        In the order of their pressures.
    terms : tuple of Term
        Method by level, method by use.
    span : (low, high)
        Pressures met, as b shows them.
    shown : (low, high) or None
        Pressures over which limits are shown to be harmless.
    whole : bool
        Whether that is the whole span.
    against : tuple of (low, high)
        Pressures at each of which, by itself, a limit is shown to lie beyond the harmless difference.
    no_share : str
        Why a share could not be judged; empty otherwise.
    """

    data: Recalculated
    mix: Strata | None
    on_scale: Strata | None
    levels: tuple[AtPressure, ...]
    terms: tuple[Term, ...]
    span: tuple[float, float]
    shown: tuple[float, float] | None
    whole: bool
    against: tuple[tuple[float, float], ...] = ()
    no_share: str = ""

    def at(self, which: str) -> AtPressure:
        """Return what is found at the low, middle or high pressure (the middle one where they are the same)."""
        return next((x for x in self.levels if x.which == which), self.levels[0])


def find(data: Recalculated, harmless: Harmless | None, declared: tuple[float, ...], *, level: float,
         rng: np.random.Generator) -> RecalculatedFound:
    """Look at one group of recalculated readings.

    Parameters
    ----------
    data : Recalculated
    harmless : Harmless, optional
    declared : tuple of float
        Further pressures to give limits at, in the unit of the pressures.
    level : float
    rng : numpy.random.Generator
    """
    span = float(data.b.min()), float(data.b.max())
    one = data.flat
    no_share = ""
    scale = "difference" if harmless is None else harmless.scale
    if scale == "log":
        bad = int(np.sum((data.a <= 0) | (data.b <= 0)))
        no_share = f"{bad} readings stand for no pressure above zero" if bad else ""
    judged = harmless if harmless is not None and not one and not no_share else None
    mix = None if one else mix_strata(_over_mix(data, "difference"), data.line_sensor)
    levels = tuple(_at(data, which, x, judged, level=level, rng=rng) for which, x in pressures(data.b, declared))
    shown, whole = _shown(data, judged, span) if judged is not None else (None, False)
    against = _against(data, judged, span) if judged is not None and not whole else ()
    on_scale = mix if scale == "difference" or one or no_share else mix_strata(_over_mix(data, "log"),
                                                                               data.line_sensor)
    return RecalculatedFound(data=data, mix=mix, on_scale=on_scale, levels=levels, span=span, shown=shown, whole=whole,
                             against=against, no_share=no_share,
                             terms=() if one else tuple(_terms(data, levels, level)))


def _over_mix(data: Recalculated, scale: str) -> Floats:
    """Return every line's difference over the pressures met, thinned to quantiles where there are a great many."""
    x = data.b
    if len(x) * len(data.line_sensor) > MOST_CELLS:
        x = np.quantile(x, (np.arange(2000) + 0.5) / 2000)
    return data.lines.over(x, scale)


def pressures(x: Floats, declared: tuple[float, ...] = ()) -> list[tuple[str, float]]:
    """Return the pressures at which limits are given: 5 %, half and 95 % of the readings lie below, and those declared.

    They are rounded to two digits where that keeps them apart.
    """
    exact = [float(np.quantile(x, q)) for q in QUANTILES.values()]
    values = exact
    for digits in (2, 3, 4):
        values = [float(f"{v:.{digits}g}") for v in exact]
        if values[0] < values[1] < values[2]:
            break
    named = list(zip(QUANTILES, values, strict=True)) if values[0] < values[1] < values[2] else [(MIDDLE, values[1])]
    named += [(DECLARED, d) for d in dict.fromkeys(declared) if d not in [v for _, v in named]]
    return sorted(named, key=lambda n: n[1])


def _at(data: Recalculated, which: str, x: float, harmless: Harmless | None, *, level: float,
        rng: np.random.Generator) -> AtPressure:
    errors = data.lines.error_variance(x)
    means = np.bincount(data.line_sensor, weights=errors) / np.bincount(data.line_sensor)
    error = float(np.mean(means)) if np.isfinite(means).all() else math.nan
    d = data.lines.at(x)
    if data.flat:
        bias, half = float(np.mean(d)), math.nan
        if np.isfinite(error) and data.k < 2 and not data.identical:
            # One sensor: nothing repeats but the calibrations, whose own errors are all there is.
            half = 1.959964 if abs(level - 0.95) < 1e-9 else float(_normal(level))
            half *= math.sqrt(float(np.sum(errors)) / len(errors) ** 2)
        return AtPressure(which=which, pressure=x, strata=None, bias=bias, bias_interval=(bias - half, bias + half),
                          error_variance=error)
    strata = line_strata(d, data.line_sensor)
    half = t_quantile(0.5 + level / 2, strata.mean_df) * math.sqrt(strata.mean_variance)
    found = AtPressure(which=which, pressure=x, strata=strata, bias=strata.mean, error_variance=error,
                       bias_interval=(strata.mean - half, strata.mean + half))
    return found if harmless is None else _judged(found, data, x, harmless, rng)


def _normal(level: float) -> float:
    from drift.engine.limits_of_agreement import normal_quantile

    return normal_quantile(0.5 + level / 2)


def _judged(found: AtPressure, data: Recalculated, x: float, harmless: Harmless,
            rng: np.random.Generator) -> AtPressure:
    """Judge the limits at one pressure."""
    from dataclasses import replace

    assert found.strata is not None
    if harmless.share and not (x > 0 and np.all(x + data.lines.at(x) > 0)):
        return found
    strata = found.strata if not harmless.share else line_strata(data.lines.over([x], "log")[:, 0], data.line_sensor)
    outer, inner = limit_bounds(strata)
    if not strata.exact:
        outer = decisive_outer(strata, outer, *pivotal_draws(strata, rng))
    show = harmless.show
    return replace(found, verdict=decide(outer, inner, harmless.on_scale), outer=(show(outer[0]), show(outer[1])),
                   inner=(show(inner[0]), show(inner[1])))


def _shown(data: Recalculated, harmless: Harmless,
           span: tuple[float, float]) -> tuple[tuple[float, float] | None, bool]:
    """Return the pressures over which limits are shown to be harmless, and whether these are all that were met.

    All of them at one-sided 95 % bounds (both ends must hold, so that the pair errs in no more than 5 %); a part of
    them at 97.5 %, since either of its ends may err.
    """
    grid = np.linspace(*span, GRID) if span[1] > span[0] else np.array([span[0]])
    values = data.lines.over(grid, harmless.scale)
    if not np.isfinite(values).all():
        return None, False
    every = shown_range(values, data.line_sensor, grid, harmless.on_scale, probability=0.95)
    if every is not None and every == (float(grid[0]), float(grid[-1])):
        return every, True
    return shown_range(values, data.line_sensor, grid, harmless.on_scale), False


def _against(data: Recalculated, harmless: Harmless, span: tuple[float, float]) -> tuple[tuple[float, float], ...]:
    """Return the pressures at which the inner one-sided 95 % bound of a limit lies beyond the harmless difference."""
    grid = np.linspace(*span, GRID if len(data.line_sensor) == data.k else COARSE) if span[1] > span[0] else np.array(
        [span[0]])
    values = data.lines.over(grid, harmless.scale)
    if not np.isfinite(values).all():
        return ()
    inner = [limit_bounds(line_strata(column, data.line_sensor))[1] for column in values.T]
    return stretches(grid, np.array([decide((-math.inf, math.inf), x, harmless.on_scale) == "not interchangeable"
                                     for x in inner]))


def stretches(x: Floats, held: NDArray[np.bool_]) -> tuple[tuple[float, float], ...]:
    """Return the ranges of rising ``x`` over which something holds."""
    edges = np.flatnonzero(np.diff(np.r_[False, held, False].astype(int)))
    return tuple((float(x[i]), float(x[j - 1])) for i, j in zip(edges[::2], edges[1::2], strict=True))


def _terms(data: Recalculated, levels: tuple[AtPressure, ...], level: float) -> list[Term]:
    """Return method by level and, where calibrations follow each other, method by use."""
    terms = [_mean_term("pressure (method by level)", data.lines.tilt, data.line_sensor, level, scale=100.0,
                        unit="% of the pressure", seen="changes with the pressure", unseen="no change with the "
                        "pressure seen", what="mean over sensors of the lines' slopes")]
    middle = next((x.pressure for x in levels if x.which == MIDDLE), levels[0].pressure)
    slopes = _use_slopes(data, middle)
    if slopes is not None:
        terms.append(_mean_term("use (method by use)", slopes, np.arange(len(slopes)), level,
                                unit=f"{data.unit} per use", seen="changes with use", unseen="no change with use seen",
                                what=f"mean over sensors of least squares slopes at {middle:g} {data.unit}"))
    return list(with_holm(terms))


def left_open(found: RecalculatedFound) -> list[tuple[float, float]]:
    """Return the pressures met for which neither is shown: that both limits are harmless, or that one is not."""
    taken = sorted([*((found.shown,) if found.shown else ()), *found.against])
    least = (found.span[1] - found.span[0]) / COARSE  # less than that is the step between two pressures looked at
    ends = [found.span[0], *(v for pair in taken for v in pair), found.span[1]]
    return [(a, b) for a, b in zip(ends[::2], ends[1::2], strict=True) if b - a > least]


def use_gap(data: Recalculated) -> tuple[float, float] | None:
    """Return the fewest and most uses that lie between the two calibrations of a line; None where not told."""
    gap = data.made_a - data.made_b
    return None if not np.isfinite(gap).all() else (float(gap.min()), float(gap.max()))


def _use_slopes(data: Recalculated, x: float) -> Floats | None:
    """Return each sensor's slope of the difference at a pressure on use, over its successive calibrations.

    The use of a line is that of the later of its two calibrations, where told, else the mean use of its readings.
    """
    made = np.fmax(data.made_a, data.made_b)
    use = made if np.isfinite(made).all() else data.line_use
    d, slopes = data.lines.at(x), []
    for s in range(data.k):
        mine = (data.line_sensor == s) & np.isfinite(use)
        spread = use[mine] - np.mean(use[mine]) if mine.any() else np.zeros(0)
        if np.sum(spread**2) > 0:
            slopes.append(float(spread @ d[mine] / (spread @ spread)))
    return np.array(slopes) if len(slopes) >= 2 else None


def _mean_term(name: str, values: Floats, sensor: NDArray[np.int64], level: float, *, unit: str, seen: str,
               unseen: str, what: str, scale: float = 1.0) -> Term:
    from scipy import special

    means = scale * np.bincount(sensor, weights=values) / np.bincount(sensor)
    strata = one_stratum(means)
    se, df = math.sqrt(strata.mean_variance), float(strata.df[0])
    if not se > 0:
        p = 1.0 if strata.mean == 0 else 0.0
        return Term(name=name, unit=unit, value=strata.mean, low=strata.mean, high=strata.mean, p=p,
                    words=seen if p < 0.05 else unseen, method=f"{what}, the same for all {len(means)} sensors")
    half = t_quantile(0.5 + level / 2, df) * se
    p = 2 * float(special.stdtr(df, -abs(strata.mean) / se))
    return Term(name=name, unit=unit, value=strata.mean, low=strata.mean - half, high=strata.mean + half, p=p,
                words=seen if p < 0.05 else unseen, method=f"{what}, t interval on {len(means)} sensors")


def same_lines(data: Recalculated) -> list[str]:
    """Return the sensors whose two calibrations are the same numbers."""
    same = (data.lines.constant == 0) & (data.lines.tilt == 0)
    return [s for i, s in enumerate(data.sensors) if np.all(same[data.line_sensor == i])]


def flag_counts(data: Recalculated) -> dict[str, int]:
    """Return how many readings carry each mark."""
    counts: dict[str, int] = {}
    for text in data.flags:
        for flag in filter(None, str(text).split("; ")):
            counts[flag] = counts.get(flag, 0) + 1
    return counts


def span_words(low: float, high: float, unit: str) -> str:
    """Word a range of pressures."""
    a, b = (f"{v:.3g}".replace("-", MINUS) for v in (low, high))
    return f"{a} to {b} {unit}" if a != b else f"{a} {unit}"
