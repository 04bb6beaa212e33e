"""How often intervals of concordance correlations hold the truth: ``python -m tests.coverage concordance``.

Two methods with one pair per target, over CCC, location shift u and scale shift v; linked pairs on targets that repeat,
with a true value that varies within them, crossed with sensors or not; unlinked readings; overall concordance of three
and more methods. Normal data (and, as a warning, targets spread as an exponential distribution), analysed by the
functions that fill the printed estimates. Beside each printed interval stand the published one (Fisher's z with Lin's
corrected variance, or with the delta method), the jackknife, and the naive one (all pairs of repeated targets taken as
independent).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
from numpy.typing import NDArray

from drift.engine.concordance import (
    Concordance,
    concordance,
    correlation_interval,
    lin_interval,
    overall_concordance,
    scale_interval,
)
from drift.engine.concordance_overall import jackknife_z, leave_one_out, overall_bootstrap, overall_interval
from drift.engine.concordance_strata import (
    PairStrata,
    Parts,
    accuracy_interval,
    delta_interval,
    draw,
    precision_interval,
    quantiles,
    repeated_strata,
    simple_strata,
    unlinked_strata,
)
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "concordance.csv", 20260419, 2000
DRAWS = 1500  # fewer than a printed answer draws: what that adds to a row is below its own error
PIVOTAL, LIN, DELTA = "pivotal interval", "Fisher's z (Lin 2000)", "Fisher's z (delta method)"
JACKKNIFE, POOLED = "jackknife on Fisher's z", "Fisher's z (Lin 2000) of pairs pooled as independent"
EXACT, Z, BOOTSTRAP = "exact interval", "Fisher's z", "percentile bootstrap over targets"
FloatArray = NDArray[np.float64]
Found = dict[tuple[str, str], tuple[bool, float]]


@dataclass(frozen=True, kw_only=True)
class Design:
    """A world: sizes, and variances of target, occasion within it, method x target and residual.

    ``shift`` is the difference of the means (of the most distant ones where there are several) and ``scale`` the ratio
    of the SDs of the true parts (largest by smallest).
    """

    kind: str
    sizes: tuple[int, ...]
    variances: tuple[float, float, float, float]
    shift: float = 0.0
    scale: float = 1.0
    methods: int = 2
    sensors: tuple[int, ...] = ()  # sensor of each pair, pairs in the order of their targets
    sensor: tuple[float, float] = (0.0, 0.0)  # variances of the sensor common to both methods, and sensor x method
    readings: tuple[int, int] = (1, 1)
    skewed: bool = False  # exponential targets in place of normal ones

    def moments(self) -> tuple[FloatArray, FloatArray]:
        """Means and covariance of the readings of one pair (or set) on a new target."""
        k = self.methods
        scale = np.linspace(self.scale, 1.0, k)
        t, o, mt, e = self.variances
        common, own = self.sensor
        cov = np.outer(scale, scale) * (t + o + common) + np.diag(scale**2) * mt + (e + own) * np.eye(k)
        return np.linspace(self.shift, 0.0, k), cov

    @property
    def truth(self) -> float:
        """The true coefficient."""
        mean, cov = self.moments()
        k = self.methods
        apart = k * float(np.sum((mean - mean.mean()) ** 2))
        return float((cov.sum() - np.trace(cov)) / ((k - 1) * np.trace(cov) + apart))


def _pair(n: int, r: float, shift: float = 0.0, scale: float = 1.0) -> Design:
    """One pair per target: variances that give unit SD, correlation r (of unscaled readings) and shift u."""
    return Design(kind="simple", sizes=(1,) * n, variances=(r, 0.0, 1 - r, 0.0), shift=shift * math.sqrt(scale),
                  scale=scale)


UNEQUAL = (1, 1, 1, 2, 2, 3, 3, 4, 6, 8, 10, 12)


def _with_sensors() -> list[tuple[str, tuple[int, ...], tuple[int, ...]]]:
    """Return name, pairs of each target and sensor of each pair: crossed, nested, and with cells missing."""
    found = []
    for n, k, m in ((20, 3, 2), (20, 4, 3), (12, 8, 2)):
        found.append((f"{n} targets x {k} sensors x {m}", (k * m,) * n, tuple(np.repeat(range(k), m).tolist()) * n))
    found.append(("24 targets within 8 sensors x 4", (4,) * 24, tuple(np.repeat(range(8), 12).tolist())))
    keep = np.random.default_rng(5).random((15, 12)) < 0.4
    sensor = np.broadcast_to(np.repeat(range(6), 2), keep.shape)[keep]
    found.append(("15 targets x 6 sensors x 2, 60 % missing", tuple(keep.sum(axis=1).tolist()), tuple(sensor.tolist())))
    return found


@cache
def named() -> dict[str, Design]:
    """Return every design by its name, which ends with the true coefficient."""
    found: dict[str, Design] = {}

    def put(words: str, design: Design, setting: str = "") -> None:
        found[f"{words}, CCC {design.truth:.2f}{f', {setting}' if setting else ''}"] = design

    for n in (5, 10, 20, 50, 85):
        for r in (0.3, 0.6, 0.9, 0.99):
            put(f"{n} targets, one pair each", _pair(n, r))
        for r, u, v in ((0.95, 0.5, 1.0), (0.95, 1.0, 1.0), (0.8, 0.0, 2.0), (0.99, 0.1, 1.1)):
            put(f"{n} targets, one pair each", _pair(n, r, u, v), f"location shift {u:g}, scale shift {v:g}")
    worlds = ((1.0, 0.0, 0.0, 0.1), 0.0), ((1.0, 0.3, 0.05, 0.05), 0.5), ((1.0, 0.0, 0.5, 0.5), 0.0)
    words = "exact repeats of a target", "true value varies, location shift", "target x method"
    for name, sizes in (("5 targets x 4", (4,) * 5), ("10 targets x 10", (10,) * 10), ("20 targets x 3", (3,) * 20),
                        ("85 targets x 3", (3,) * 85), ("12 targets, 1 to 12 pairs", UNEQUAL)):
        for (variances, shift), said in zip(worlds, words, strict=True):
            put(name, Design(kind="repeated", sizes=sizes, variances=variances, shift=shift), said)
    for name, sizes, sensors in _with_sensors():
        for own in (0.02, 0.2):
            put(name, Design(kind="crossed", sizes=sizes, variances=(1.0, 0.1, 0.05, 0.05), sensors=sensors,
                             sensor=(0.1, own)), f"sensor x method {own:g}")
    for n, readings in ((10, (5, 5)), (20, (3, 2))):
        for mt in (0.02, 0.3):
            put(f"{n} targets, {readings[0]} and {readings[1]} unlinked readings", Design(
                kind="unlinked", sizes=(1,) * n, variances=(1.0, 0.0, mt, 0.1), readings=readings, shift=0.2),
                f"target x method {mt:g}")
    for k, counts in ((3, (6, 10, 20, 50)), (4, (6, 10, 20, 50)), (6, (10,)), (12, (6,))):
        for n in counts:
            for r, shift in ((0.5, 0.0), (0.95, 0.0), (0.9, 1.0)):
                put(f"{n} targets x {k} methods", Design(kind="overall", sizes=(1,) * n, methods=k, shift=shift,
                                                         variances=(r, 0.0, 1 - r, 0.0)),
                    f"means {shift:g} SD apart" if shift else "")
    for n in (10, 20, 50):
        for r, u in ((0.6, 0.0), (0.9, 0.0), (0.95, 0.7)):
            put(f"{n} targets, one pair each", replace(_pair(n, r, u), skewed=True), "skewed targets")
        put(f"{n} targets x 3", Design(kind="repeated", sizes=(3,) * n, variances=(1.0, 0.0, 0.05, 0.1), skewed=True),
            "skewed targets")
    return found


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its intervals held."""
    d = named()[name]
    return {"overall": _several, "simple": _simple}.get(d.kind, _repeated)(d, rng)


def _put(held: Found, quantity: str, method: str, ends: tuple[float, float], truth: float) -> None:
    low, high = ends
    if math.isfinite(low) and math.isfinite(high):
        held[quantity, method] = (low - 1e-12 <= truth <= high + 1e-12, high - low)


def _printed(held: Found, d: Design, strata: PairStrata, drawn: Parts, rng: np.random.Generator) -> None:
    """Judge the intervals that come from draws."""
    mean, cov = d.moments()
    a, b = math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])
    u, v, r = (mean[0] - mean[1]) / math.sqrt(a * b), a / b, cov[0, 1] / (a * b)
    _put(held, "CCC", PIVOTAL, quantiles(drawn.value, LEVEL), d.truth)
    _put(held, "precision", PIVOTAL, precision_interval(strata, drawn, LEVEL, rng=rng), r)
    _put(held, "accuracy", PIVOTAL, accuracy_interval(drawn, LEVEL), 2 / (v + 1 / v + u**2))
    _put(held, "location shift", PIVOTAL, quantiles(drawn.location, LEVEL), u)
    _put(held, "scale shift", PIVOTAL, quantiles(drawn.scale, LEVEL), v)


def _simple(d: Design, rng: np.random.Generator) -> Held:
    n = len(d.sizes)
    mean, cov = d.moments()
    if d.skewed:
        t, _, mt, _ = (math.sqrt(v) for v in d.variances)
        y = mean + t * (rng.exponential(size=(n, 1)) - 1) + mt * rng.standard_normal((n, 2))
    else:
        y = mean + rng.standard_normal((n, 2)) @ np.linalg.cholesky(cov).T
    a, b = y[:, 0], y[:, 1]
    held: Found = {}
    strata, c = simple_strata(a, b), concordance(a, b)
    _printed(held, d, strata, draw(strata, rng, DRAWS), rng)
    _put(held, "CCC", LIN, lin_interval(c, LEVEL), d.truth)
    _put(held, "CCC", JACKKNIFE, jackknife_z(c.value, leave_one_out(y, ddof=0), LEVEL), d.truth)
    sa, sb = math.sqrt(cov[0, 0]), math.sqrt(cov[1, 1])
    _put(held, "precision", Z, correlation_interval(c.precision, n, LEVEL), cov[0, 1] / (sa * sb))
    _put(held, "scale shift", EXACT, scale_interval(c, LEVEL), sa / sb)
    return held


def _repeated(d: Design, rng: np.random.Generator) -> Held:
    held: Found = {}
    try:
        strata, pooled = _unlinked(d, rng) if d.kind == "unlinked" else _linked(d, rng)
    except (ValueError, ArithmeticError, np.linalg.LinAlgError):
        return held
    _printed(held, d, strata, draw(strata, rng, DRAWS), rng)
    _put(held, "CCC", DELTA, delta_interval(strata, LEVEL), d.truth)
    if pooled is not None:
        _put(held, "CCC", POOLED, lin_interval(pooled, LEVEL), d.truth)
    return held


def _linked(d: Design, rng: np.random.Generator) -> tuple[PairStrata, Concordance]:
    """Simulate linked pairs and return their strata, and the concordance of all pairs as if independent."""
    t, o, mt, e = (math.sqrt(v) for v in d.variances)
    n, code = len(d.sizes), np.repeat(np.arange(len(d.sizes)), d.sizes)
    people = rng.exponential(size=n) - 1 if d.skewed else rng.standard_normal(n)
    true = t * people[code] + o * rng.standard_normal(len(code))
    own = mt * rng.standard_normal((2, n))[:, code] + e * rng.standard_normal((2, len(code)))
    codes = [code]
    if d.sensors:
        sensor = np.array(d.sensors)
        k = int(sensor.max()) + 1
        true += math.sqrt(d.sensor[0]) * rng.standard_normal(k)[sensor]
        own += math.sqrt(d.sensor[1]) * rng.standard_normal((2, k))[:, sensor]
        codes.append(sensor)
    a, b = true + own[0] + d.shift, true + own[1]
    return repeated_strata(a, b, codes), concordance(a, b)


def _unlinked(d: Design, rng: np.random.Generator) -> tuple[PairStrata, None]:
    t, _, mt, e = (math.sqrt(v) for v in d.variances)
    n, true = len(d.sizes), t * rng.standard_normal(len(d.sizes))
    sides: list[FloatArray | NDArray[np.intp]] = []
    for m, shift in zip(d.readings, (d.shift, 0.0), strict=True):
        code = np.repeat(np.arange(n), m)
        sides += [shift + (true + mt * rng.standard_normal(n))[code] + e * rng.standard_normal(len(code)), code]
    return unlinked_strata(*sides), None


def _several(d: Design, rng: np.random.Generator) -> Held:
    mean, cov = d.moments()
    y = mean + rng.standard_normal((len(d.sizes), d.methods)) @ np.linalg.cholesky(cov).T
    held: Found = {}
    _put(held, "overall CCC", PIVOTAL, overall_interval(y, LEVEL, rng=rng, n_draws=DRAWS), d.truth)
    _put(held, "overall CCC", JACKKNIFE, jackknife_z(overall_concordance(y).value, leave_one_out(y), LEVEL), d.truth)
    _put(held, "overall CCC", BOOTSTRAP, overall_bootstrap(y, LEVEL, rng=rng, n=DRAWS), d.truth)
    return held


DESIGNS = list(named())
FAMILY = Family("concordance", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES,
                cheap="10 targets, one pair each, CCC 0.90")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["concordance"]))
