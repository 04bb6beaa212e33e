"""How often a break is found where there is none, and held where it lies: ``python -m tests.coverage breaks``.

Sensors with their own start and slope, checked at nine uses; drift that is straight or breaks at use 20 (plainly, or
hardly), sensors that also bend there each in its own way, about nothing on average. "Held" means of the test that p was
above 0.05, of the break that the printed set holds it, and once more where p was below 0.05 alone, as a reader looks
who turns to the set only then. Beside them stand what takes all sensors to bend alike: the largest F against the
scatter of checks, a plain F test of the best kink, and the profile likelihood interval. Drift on either side is that of
the studies in which it is told at all.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import NDArray

from drift.engine.break_set import Hinges, Reference, reference
from drift.sensitivity.shapes import BREAK_METHOD, SLOPES_METHOD
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

Floats = NDArray[np.float64]
Made = dict[tuple[str, str], tuple[Floats, Floats]]

TABLE, SEED = FOLDER / "breaks.csv", 20260606
USES = np.array([0, 2, 5, 10, 15, 20, 25, 30, 40], dtype=np.float64)
SLOPE, SLOPE_SD, START_SD, ERROR_SD, BREAK, OWN_SD = -0.004, 0.0008, 0.03, 0.011, 20.0, 0.002
BENDS = {"": 0.0, ", true break": -0.004, ", small break": -0.0015}
OWN = ("", ", own bends")
DESIGNS = [f"{n} sensors{bend}{own}" for n in (6, 12, 24) for bend in BENDS for own in OWN]
TEST, ALIKE = "largest T over sensors", "largest F, sensors taken to bend alike (shortcut)"
PLAIN, PROFILE = "plain F test of the best kink (shortcut)", (
    "profile likelihood, sensors taken to bend alike (shortcut)")
DRAWS = 9999


@cache
def prepared(n: int) -> tuple[Hinges, Reference, Floats]:
    """Return hinges of n sensors, the reference of their test, and the largest F of normal errors."""
    x, sensor = np.tile(USES / USES.max(), n), np.repeat(np.arange(n), len(USES))
    hinges = Hinges.over(x, sensor, (USES[1] / USES.max(), USES[-2] / USES.max()))
    rng = np.random.default_rng([SEED, n])
    return hinges, reference(hinges, rng, level=LEVEL, draws=DRAWS), np.sort(
        _explained(rng.standard_normal((DRAWS, n, len(USES))), hinges)[0].max(axis=1))


def _explained(y: Floats, hinges: Hinges) -> tuple[Floats, Floats]:
    """Share of the residual sum of squares that one common hinge explains, (n_sets, n_breaks), and that sum."""
    base, _ = np.linalg.qr(np.column_stack([np.ones_like(USES), USES]))
    r = y - (y @ base) @ base.T
    h = hinges.left(None)[0]
    total = (r**2).sum(axis=(1, 2))
    return (r.sum(axis=1) @ h) ** 2 / (y.shape[1] * (h**2).sum(axis=0)) / total[:, None], total


def batch(name: str, drawn: Drawn) -> Made:
    """Simulate many studies at once and report what was found and held."""
    n, kind = int(name.split()[0]), name.partition(" sensors")[2]
    own, bend = kind.endswith(OWN[1]), BENDS[kind.removesuffix(OWN[1])]
    y = np.concatenate([_draw(n, bend, own, rng, count) for rng, count in drawn])
    hinges, told, common = prepared(n)
    flat = y.reshape(len(y), -1)
    zero = np.zeros(len(y))
    seen = hinges.largest(flat, hinges.left(None))
    p = (1 + DRAWS - np.searchsorted(told.no_break, seen * (1 - 1e-12))) / (DRAWS + 1)
    share, _ = _explained(y, hinges)
    held: Made = {}
    if not bend:
        held["p of no break above 0.05", TEST] = p > 0.05, zero
        largest = share.max(axis=1)
        rough = (1 + DRAWS - np.searchsorted(common, largest)) / (DRAWS + 1)
        held["p of no break above 0.05", ALIKE] = rough > 0.05, zero
        held["p of no break above 0.05", PLAIN] = _f(largest, n) <= _reach(n), zero
        return held
    largest = np.array([hinges.largest(flat, hinges.left(float(g))) for g in hinges.at])
    ratio = largest / told.critical[:, None]
    _located(held, (ratio <= 1).T, ratio.T, hinges, p)
    _profiled(held, share, n, hinges, p)
    _slopes(held, y, (ratio <= 1).any(axis=0), (largest <= told.wider[:, None]).T, hinges, bend)
    return held


def _draw(n: int, bend: float, own: bool, rng: np.random.Generator, count: int) -> Floats:
    kink = np.maximum(USES - BREAK, 0)
    slope = (bend + OWN_SD * own * rng.standard_normal((count, n, 1))) * kink
    line = (SLOPE + SLOPE_SD * rng.standard_normal((count, n, 1))) * USES
    return START_SD * rng.standard_normal((count, n, 1)) + line + slope + ERROR_SD * rng.standard_normal(
        (count, n, len(USES)))


def _f(share: Floats, n: int) -> Floats:
    df = n * (len(USES) - 2) - 1
    return share / (1 - share) * df


def _reach(n: int) -> float:
    from scipy.special import stdtrit

    return float(stdtrit(n * (len(USES) - 2) - 1, 0.5 + LEVEL / 2)) ** 2


def _shown(held: Made, method: str, ok: Floats, width: Floats, p: Floats) -> None:
    held["break at use", method] = ok, width
    held["break at use, where p is below 0.05", method] = ok | (p > 0.05), np.where(p <= 0.05, width, np.nan)


def _located(held: Made, inside: Floats, ratio: Floats, hinges: Hinges, p: Floats) -> None:
    """Tell whether the set holds the true break, with its ends as printed."""
    at = hinges.at * USES.max()
    low, high = np.full(len(inside), np.nan), np.full(len(inside), np.nan)
    there = inside.any(axis=1)
    rows = np.flatnonzero(there)
    for ends, first, step in ((low, inside.argmax(axis=1), -1), (high, inside.shape[1] - 1
                                                               - inside[:, ::-1].argmax(axis=1), 1)):
        i = first[rows]
        j = np.clip(i + step, 0, len(at) - 1)
        a, b = ratio[rows, i], ratio[rows, j]
        with np.errstate(divide="ignore", invalid="ignore"):
            ends[rows] = np.where(i == j, step * np.inf, at[i] + (at[j] - at[i]) * (1 - a) / (b - a))
    ok = there & (low <= BREAK) & (high >= BREAK)
    width = np.where(there, np.minimum(high, at[-1]) - np.maximum(low, at[0]), 0.0)
    _shown(held, BREAK_METHOD, ok, width, p)


def _profiled(held: Made, share: Floats, n: int, hinges: Hinges, p: Floats) -> None:
    """Tell whether the profile likelihood interval with one common bend holds the break."""
    df = n * (len(USES) - 2) - 1
    rest = np.log1p(-share)
    inside = rest - rest.min(axis=1, keepdims=True) <= np.log1p(_reach(n) / df)
    grid = hinges.grid * USES.max()
    low, high = grid[inside.argmax(axis=1)], grid[::-1][inside[:, ::-1].argmax(axis=1)]
    k = int(np.searchsorted(grid, BREAK))
    there = rest[:, k - 1] + (rest[:, k] - rest[:, k - 1]) * (BREAK - grid[k - 1]) / (grid[k] - grid[k - 1])
    ok = (low <= BREAK) & (high >= BREAK) | (there - rest.min(axis=1) <= np.log1p(_reach(n) / df))
    _shown(held, PROFILE, ok, high - low, p)


def _slopes(held: Made, y: Floats, fits: Floats, inside: Floats, hinges: Hinges, bend: float) -> None:
    """Tell whether the drift on both sides is held by the hull of t intervals over the wider set, where bounded."""
    from scipy.special import stdtrit

    n = y.shape[1]
    t = float(stdtrit(n - 1, 1 - (1 - LEVEL) / 4)) / np.sqrt(n)
    ends = np.full((2, 2, len(y)), np.nan)
    for k, at in enumerate(hinges.at * USES.max()):
        beta = y @ np.linalg.pinv(np.column_stack([np.ones_like(USES), USES, np.maximum(USES - at, 0)])).T
        for side, v in enumerate((beta[..., 1], beta[..., 1] + beta[..., 2])):
            half = t * v.std(axis=1, ddof=1)
            low, high = (np.where(inside[:, k], v.mean(axis=1) + s * half, np.nan) for s in (-1, 1))
            ends[side, 0], ends[side, 1] = np.fmin(ends[side, 0], low), np.fmax(ends[side, 1], high)
    bounded = fits & ~inside[:, 0] & ~inside[:, -1]
    for side, (quantity, true) in enumerate((("drift per use before the break", SLOPE),
                                             ("drift per use after the break", SLOPE + bend))):
        low, high = ends[side]
        held[quantity, SLOPES_METHOD] = (low <= true) & (high >= true), np.where(bounded, high - low, np.nan)


FAMILY = Family("breaks", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=4000, batch=batch, cheap="6 sensors")
