"""How often the intervals of recalculated calibrations hold the truth: ``python -m tests.coverage recalculated``.

Sensors get two calibration lines each; the difference of pressures is an exact line in the pressure by b, with normal
offset and tilt over sensors. Sixty readings are spread unevenly over the sensors, at pressures that are the same in
every study. What is drawn: offsets and tilts without errors; calibrations with errors of their own besides; lines
fitted through bench checks with scatter; and sensors calibrated three times. Differences are in kPa.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drift.agreement.equivalence import decide, decisive_outer, limit_bounds
from drift.agreement.recalculated_found import GRID, RecalculatedFound, find, pressures
from drift.agreement.recalculated_rows import Recalculated
from drift.agreement.recalculated_tables import LEVEL as CHANGE
from drift.agreement.recalculated_tables import USE, limit_method
from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    lower_limit_bound,
    mean_interval,
    one_stratum,
    pivotal_draws,
    sd_interval,
    upper_limit_bound,
)
from drift.engine.lines import fit_lines
from drift.engine.shared_readings import CalibrationLines, difference_lines, line_strata, shown_range
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "recalculated.csv", 20260625, 2000
Floats = NDArray[np.float64]
READINGS, SLOPE, INTERCEPT = 60, 0.9, 14.0
CHECKED = np.repeat([50.0, 150.0, 250.0, 350.0, 450.0], 2)  # kPa, two mountings
DRAWS = 400_000
PART = 300.0  # kPa: where a true limit leaves the harmless difference, for the range


@dataclass(frozen=True)
class World:
    """Moments of offset [kPa] and tilt over sensors, within a sensor from calibration to calibration, and errors."""

    k: int
    offset: float = 0.0
    offset_sd: float = 0.0
    tilt: float = 0.0
    tilt_sd: float = 0.0
    error: tuple[float, float] = (0.0, 0.0)  # SD of an intercept [kPa] and of a slope [share] of each calibration
    scatter: float = 0.0  # SD of a check about its line [kPa]
    again: int = 1  # calibrations of each sensor
    again_sd: float = 0.0  # SD of the tilt between them
    drift: float = 0.0  # of the tilt per use


KINDS = {"tilts differ": {"tilt_sd": 0.03}, "tilts differ, one sided": {"tilt": -0.05, "tilt_sd": 0.02},
         "offsets and tilts differ": {"offset": 3.0, "offset_sd": 5.0, "tilt": -0.02, "tilt_sd": 0.02},
         "calibration errors alone": {"error": (3.0, 0.012)}, "differences and calibration errors":
             {"offset_sd": 3.0, "tilt": -0.03, "tilt_sd": 0.015, "error": (2.0, 0.008)},
         "lines through checks": {"offset_sd": 3.0, "tilt": -0.03, "tilt_sd": 0.015, "scatter": 8.0}}


def designs() -> dict[str, World]:
    """Return every design by its words."""
    found = {f"{k} sensors, {kind}": World(k=k, **p) for k in (4, 6, 10, 20)  # type: ignore[arg-type]
             for kind, p in KINDS.items()}
    for k in (4, 6, 10, 20):
        found[f"{k} sensors x 3, calibrated again, tilts differ"] = World(
            k=k, offset_sd=3.0, tilt=-0.03, tilt_sd=0.015, again=3, again_sd=0.015, drift=0.001)
    return found


@cache
def met() -> Floats:
    """Pressures as b shows them, of all readings together."""
    from drift.engine.limits_of_agreement import normal_quantile

    return np.array([260.0 + 85.0 * normal_quantile((i + 0.5) / READINGS) for i in range(READINGS)])


def lines_of(w: World, n: int, rng: np.random.Generator) -> tuple[CalibrationLines, CalibrationLines]:
    """Draw the calibration lines of n sensors (of all their calibrations, in turn), a and b."""
    m = n * w.again
    offset = np.repeat(w.offset + w.offset_sd * rng.standard_normal(n), w.again)
    tilt = np.repeat(w.tilt + w.tilt_sd * rng.standard_normal(n), w.again)
    if w.again > 1:
        use = np.tile(10.0 * np.arange(w.again), n)
        tilt = tilt + w.again_sd * rng.standard_normal(m) + w.drift * (use - use.mean())
    slope_b, at_b = np.full(m, SLOPE), np.full(m, INTERCEPT)
    slope_a = slope_b / (1 + tilt)
    at_a = at_b - offset * slope_a
    known = [np.zeros(m)] * 3
    if w.scatter:
        a, b = (_fitted(i, s, w.scatter * SLOPE, rng) for i, s in ((at_a, slope_a), (at_b, slope_b)))
        return a, b
    e, s = w.error
    if e or s:
        at_a, at_b = (i + e * SLOPE * rng.standard_normal(m) for i in (at_a, at_b))
        slope_a, slope_b = (v * (1 + s * rng.standard_normal(m)) for v in (slope_a, slope_b))
        known = [np.full(m, (e * SLOPE) ** 2), np.full(m, (s * SLOPE) ** 2), np.zeros(m)]
    return (CalibrationLines(intercept=at_a, slope=slope_a, var_intercept=known[0], var_slope=known[1],
                             covariance=known[2]),
            CalibrationLines(intercept=at_b, slope=slope_b, var_intercept=known[0], var_slope=known[1],
                             covariance=known[2]))


def _fitted(intercept: Floats, slope: Floats, sd: float, rng: np.random.Generator) -> CalibrationLines:
    """Fit lines through simulated checks."""
    m, x = len(slope), np.tile(CHECKED, len(slope))
    group = np.repeat(np.arange(m), len(CHECKED))
    fit = fit_lines(intercept[group] + slope[group] * x + sd * rng.standard_normal(len(x)), x, group=group, n_groups=m)
    s2, sxx, mean = fit.pooled_sd**2, float(np.sum((CHECKED - CHECKED.mean()) ** 2)), float(CHECKED.mean())
    return CalibrationLines(intercept=fit.intercept, slope=fit.slope, var_slope=np.full(m, s2 / sxx),
                            var_intercept=np.full(m, s2 * (1 / len(CHECKED) + mean**2 / sxx)),
                            covariance=np.full(m, -s2 * mean / sxx))


@dataclass(frozen=True, eq=False)
class Truth:
    """Bias and SD of a new sensor at each of some pressures and over their mix; mean tilt."""

    levels: dict[str, tuple[float, float, float]]  # pressure, bias, SD
    mix: tuple[float, float]
    tilt: float
    moments: tuple[Floats, Floats]  # mean and covariance of offset and tilt, errors included

    @property
    def most(self) -> float:
        """Harmless difference that a limit reaches at PART."""
        return reach(PART, self)


@cache
def truth(name: str) -> Truth:
    """Return what holds for a new sensor, calibrated once by each, from a great many drawn ones."""
    w = named[name]
    a, b = lines_of(w, DRAWS // w.again, np.random.default_rng(1))
    lines = difference_lines(a, b)
    levels = {}
    for which, x in pressures(met()):
        d = lines.at(x)
        levels[which] = (x, float(d.mean()), float(d.std()))
    x = met()
    c, e = float(lines.constant.mean()), float(lines.tilt.mean())
    total = float(np.mean([lines.at(float(v)).var() + (c + e * float(v)) ** 2 for v in x])) - (c + e * x.mean()) ** 2
    moments = np.array([c, e]), np.cov(np.stack([lines.constant, lines.tilt]))
    return Truth(levels, (c + e * float(x.mean()), math.sqrt(total)), e, moments)


def simulated(w: World, rng: np.random.Generator) -> Recalculated:
    """Simulate the readings of one study: sensors have from few to many of them."""
    a, b = lines_of(w, w.k, rng)
    sensor = np.repeat(np.arange(w.k), w.again)
    weight = np.repeat(np.arange(1, w.k + 1), w.again).astype(float)
    line = np.sort(np.r_[np.arange(len(sensor)), rng.choice(len(sensor), READINGS - len(sensor),
                                                           p=weight / weight.sum())])
    x = rng.permutation(met())
    raw = b.take(line).reading(x)
    none, text = np.full(len(sensor), np.nan), np.full(len(sensor), "", dtype=object)
    use = np.tile(10.0 * np.arange(w.again), w.k)
    labels = np.array([f"S{s}" for s in sensor[line]], dtype=object)
    return Recalculated(of=(), unit="kPa", row=np.arange(READINGS), key=labels, sensor=labels, use=use[line], raw=raw,
                        a=a.take(line).pressure(raw), b=x, code=sensor[line],
                        sensors=tuple(f"S{s}" for s in range(w.k)), lines=difference_lines(a, b), line_sensor=sensor,
                        line_use=use, line_of=line, made_a=use if w.again > 1 else none,
                        made_b=use if w.again > 1 else none, source_a=text, source_b=text, made_from=none, made_to=none,
                        flags=np.full(READINGS, "", dtype=object))


def study(name: str, rng: np.random.Generator) -> Held:
    """Run one study: what held the truth, and how wide it was."""
    w, true, held = named[name], truth(name), {}
    data = simulated(w, rng)
    found = find(data, None, (), level=LEVEL, rng=rng)

    def put(quantity: str, method: str, ends: tuple[float, float], value: float) -> None:
        held[quantity, method] = (bool(ends[0] <= value <= ends[1]), float(ends[1] - ends[0]))

    def both(strata: Strata, end: str, how: str, bias: float, sd: float, of_bias: str = "t") -> None:
        put(f"bias{end}", of_bias, mean_interval(strata, LEVEL), bias)
        for which, bound, sign in (("lower", lower_limit_bound, -1), ("upper", upper_limit_bound, 1)):
            put(f"{which} limit{end}", how, (bound(strata, 0.025), bound(strata, 0.975)),
                bias + sign * MULTIPLIER * sd)

    for x in found.levels:
        assert x.strata is not None
        both(x.strata, f" at {x.which} pressure", limit_method(x.strata).removesuffix(" interval"),
             *true.levels[x.which][1:])
    assert found.mix is not None
    both(found.mix, "", "noncentral t", *true.mix)
    put("SD of differences", "chi-square", sd_interval(found.mix, LEVEL), true.mix[1])
    pooled = "readings pooled as independent"
    both(one_stratum(data.a - data.b), "", pooled, *true.mix, of_bias=pooled)
    for term, quantity, value in zip(found.terms, (CHANGE, USE), (100 * true.tilt, w.drift * true.levels["middle"][0]),
                                     strict=False):
        put(quantity, "t", (term.low, term.high), value)
    _claims(held, data, found, true, rng)
    return held


def _claims(held: dict[tuple[str, str], tuple[bool, float]], data: Recalculated, found: RecalculatedFound,
            true: Truth, rng: np.random.Generator) -> None:
    """Enter whether a false claim was made with a limit exactly at the harmless difference."""
    def claim(quantity: str, strata: Strata, bias: float, sd: float) -> None:
        most = abs(bias) + MULTIPLIER * sd
        outer, inner = limit_bounds(strata)
        if not strata.exact:
            outer = decisive_outer(strata, outer, *pivotal_draws(strata, rng, 2000))
        held[f"no false interchangeable, {quantity}", "as the verdict takes it"] = (
            decide(outer, inner, most) != "interchangeable", 0.0)

    assert found.mix is not None
    claim("over the pressures met", found.mix, *true.mix)
    _, bias, sd = true.levels["high"]
    claim("at high pressure", line_strata(data.lines.at(true.levels["high"][0]), data.line_sensor), bias, sd)
    grid = np.linspace(float(met().min()), float(met().max()), GRID)
    values = data.lines.over(grid)
    shown = shown_range(values, data.line_sensor, grid, true.most, probability=0.95)
    if shown is None or shown != (float(grid[0]), float(grid[-1])):
        shown = shown_range(values, data.line_sensor, grid, true.most)
    false = shown is not None and not _truly(shown, true)
    held["no false range of pressures", "as the range is told"] = (not false, 0.0)


def _truly(shown: tuple[float, float], true: Truth) -> bool:
    """Tell whether limits are truly harmless at both ends of a range (and so between them)."""
    return all(reach(x, true) <= true.most for x in shown)


def reach(x: float, true: Truth) -> float:
    """Return how far from zero the further true limit lies at a pressure: of a line, from its moments."""
    at = np.array([1.0, x])
    return abs(float(true.moments[0] @ at)) + MULTIPLIER * math.sqrt(float(at @ true.moments[1] @ at))


named = designs()
FAMILY = Family("recalculated", __doc__ or "", list(named), study, TABLE, SEED, studies=STUDIES,
                cheap="6 sensors, tilts differ")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["recalculated"]))
