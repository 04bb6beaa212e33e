"""How often the robust drift and Kendall's p hold: ``python -m tests.coverage robust_trend``.

Sensors with their own start and slope, seven checks; normal errors, errors of three degrees of freedom, one check in
twenty wild, readings rounded so that some are tied, and pressures displayed under two or three calibrations with an
offset each. Beside the interval of the sensors' Theil-Sen slopes stands the t interval of least-squares slopes.
Kendall's p is judged on sensors that do not drift: it "holds" where it is above 0.05, so that its row shows one less
its size; beside the exact one stands the normal approximation without continuity correction, and for displayed
pressures the p of values whose offsets were first taken out with the sensor's own line.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.engine.order_chances import order_chances, rank_inside, together, two_sided
from drift.engine.robust_trend import mann_kendall, pooled_kendall, signed_rank
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

Floats = NDArray[np.float64]

TABLE, SEED = FOLDER / "robust_trend.csv", 20260601
USES = np.array([0, 5, 10, 15, 20, 25, 30], dtype=np.float64)
SLOPE, SLOPE_SD, ERROR_SD, OFFSET_SD = -0.007, 0.0015, 0.012, 0.05
KINDS = ("", ", errors with long tails", ", wild checks", ", readings rounded")
DISPLAYED = {", displayed, one recalibration": (0, 0, 0, 0, 1, 1, 1), ", displayed, two recalibrations": (0, 0, 0, 1, 1,
                                                                                                        2, 2)}
DESIGNS = [f"{n} sensors{kind}" for n in (6, 12, 24) for kind in (*KINDS, *DISPLAYED)]
NAMED, T = "signed-rank interval of Theil-Sen slopes", "t interval of least-squares slopes (shortcut)"
EXACT, NORMAL = "exact", "normal approximation (shortcut)"
ALIGNED = "exact, offsets estimated first (shortcut)"
ONE = "slope of one sensor of 7 checks"


def batch(name: str, drawn: Drawn) -> dict[tuple[str, str], tuple[Floats, Floats]]:
    """Simulate many studies at once and report what their intervals held."""
    n, kind = int(name.split()[0]), name.partition(" sensors")[2]
    parts = [_draw(n, kind, rng, count) for rng, count in drawn]
    true, e = (np.concatenate([p[i] for p in parts]) for i in (0, 1))
    y = true[:, :, None] * USES + e
    if kind == ", readings rounded":
        y, e = np.round(y, 2), np.round(e, 2)
    epoch = np.array(DISPLAYED.get(kind, (0,) * len(USES)))
    first, second = (v for v in np.triu_indices(len(USES), 1))
    same = epoch[first] == epoch[second]
    held: dict[tuple[str, str], tuple[Floats, Floats]] = {}
    held["robust drift per use", NAMED] = _centre(_medians(y, first[same], second[same]))
    held["robust drift per use", T] = _t(y, epoch)
    untied = together([order_chances((1,) * int(c)) for c in np.bincount(epoch)])
    rank = rank_inside(untied, LEVEL)
    if rank >= 1:
        slopes = np.sort((y[:, 0, second[same]] - y[:, 0, first[same]]) / (USES[second] - USES[first])[same], axis=1)
        low, high = slopes[:, rank - 1], slopes[:, -rank]
        held[ONE, "Theil-Sen, exact ranks"] = ((low <= true[:, 0]) & (true[:, 0] <= high), high - low)
    held.update(_kendall(e, epoch, kind))
    return held


def _draw(n: int, kind: str, rng: np.random.Generator, count: int) -> tuple[Floats, Floats]:
    """Draw true slopes (count, n) and errors (count, n, uses)."""
    shape = (count, n, len(USES))
    e = rng.standard_normal(shape)
    if "long tails" in kind:
        e = rng.standard_t(3, shape) / math.sqrt(3)
    elif "wild" in kind:
        e = np.where(rng.random(shape) < 0.05, 8 * e, e)
    e = ERROR_SD * e
    if kind in DISPLAYED:
        epoch = np.array(DISPLAYED[kind])
        e = e + OFFSET_SD * rng.standard_normal((count, n, epoch.max() + 1))[:, :, epoch]
    return SLOPE + SLOPE_SD * rng.standard_normal((count, n)), e


def _medians(y: Floats, first: Floats, second: Floats) -> Floats:
    return np.asarray(np.median((y[..., second] - y[..., first]) / (USES[second] - USES[first]), axis=-1))


def _centre(slopes: Floats) -> tuple[Floats, Floats]:
    """Whether the signed-rank interval of each study holds the mean slope, and its width."""
    n = slopes.shape[1]
    i, j = np.triu_indices(n)
    walsh = np.sort((slopes[:, i] + slopes[:, j]) / 2, axis=1)
    rank = signed_rank(n, LEVEL)
    low, high = walsh[:, rank - 1], walsh[:, -rank]
    return (low <= SLOPE) & (high >= SLOPE), high - low


def _t(y: Floats, epoch: Floats) -> tuple[Floats, Floats]:
    from scipy.special import stdtrit

    dx = USES - np.array([USES[epoch == k].mean() for k in epoch])
    slopes = y @ dx / (dx @ dx)
    n = slopes.shape[1]
    half = float(stdtrit(n - 1, 0.5 + LEVEL / 2)) * slopes.std(axis=1, ddof=1) / math.sqrt(n)
    return np.abs(slopes.mean(axis=1) - SLOPE) <= half, 2 * half


def _s(e: Floats, epoch: Floats) -> NDArray[np.int64]:
    """Kendall's S of values (..., uses) within calibrations."""
    first, second = np.triu_indices(e.shape[-1], 1)
    same = epoch[first] == epoch[second]
    return np.sign(e[..., second[same]] - e[..., first[same]]).sum(axis=-1).astype(np.int64)


def _p(s: NDArray[np.int64], chances: Floats) -> Floats:
    at = {v: two_sided(chances, int(v)) for v in np.unique(np.abs(s))}
    return np.vectorize(at.get, otypes=[float])(np.abs(s))


def _kendall(e: Floats, epoch: Floats, kind: str) -> dict[tuple[str, str], tuple[Floats, Floats]]:
    """Tell where p of sensors that do not drift stays above 0.05."""
    held: dict[tuple[str, str], tuple[Floats, Floats]] = {}
    zero = np.zeros(len(e))
    if kind == ", readings rounded":
        single = [[mann_kendall(USES, row) for row in study] for study in e]
        held["p of one sensor of 7 checks above 0.05", EXACT] = (np.array([k[0].p for k in single]) > 0.05, zero)
        rough = [math.erfc(abs(k[0].s) / math.sqrt(2 * k[0].variance)) if k[0].variance else 1.0 for k in single]
        held["p of one sensor of 7 checks above 0.05", NORMAL] = (np.array(rough) > 0.05, zero)
        held["p of all sensors above 0.05", EXACT] = (np.array([pooled_kendall(k).p for k in single]) > 0.05, zero)
        return held
    sizes = [int(c) for c in np.bincount(epoch)]
    for checks in (4, 7) if len(sizes) == 1 else ():
        s = _s(e[:, 0, :checks], epoch[:checks])
        quantity = f"p of one sensor of {checks} checks above 0.05"
        held[quantity, EXACT] = (_p(s, order_chances((1,) * checks)) > 0.05, zero)
        variance = checks * (checks - 1) * (2 * checks + 5) / 18
        held[quantity, NORMAL] = (np.vectorize(math.erfc)(np.abs(s) / math.sqrt(2 * variance)) > 0.05, zero)
    one = together([order_chances((1,) * c) for c in sizes])
    s = _s(e, epoch)
    if len(sizes) > 1:
        held["p of one sensor of 7 checks above 0.05", EXACT] = (_p(s[:, 0], one) > 0.05, zero)
    held["p of all sensors above 0.05", EXACT] = (_p(s.sum(axis=1), together([one] * e.shape[1])) > 0.05, zero)
    if len(sizes) > 1:
        whole = order_chances((1,) * len(USES))
        s = _s(aligned(e, epoch), np.zeros(len(USES), dtype=int))
        held["p of one sensor of 7 checks above 0.05", ALIGNED] = (_p(s[:, 0], whole) > 0.05, zero)
        held["p of all sensors above 0.05", ALIGNED] = (_p(s.sum(axis=1), together([whole] * e.shape[1])) > 0.05, zero)
    return held


def aligned(e: Floats, epoch: Floats) -> Floats:
    """Take the offsets out with one slope a sensor, as a line over several calibrations estimates them."""
    columns = np.column_stack([USES, *(epoch == k for k in np.unique(epoch))]).astype(float)
    beta = e @ np.linalg.pinv(columns).T
    return np.asarray(e - beta[..., 1:] @ columns[:, 1:].T)


FAMILY = Family("robust_trend", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=4000, batch=batch, cheap="6 sensors")
