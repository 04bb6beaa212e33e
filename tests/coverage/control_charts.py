"""Control charts with limits from few occasions: false alarms on a good rig, and how soon a shift is seen.

``coverage`` of a good rig is the share of laboratories for which one occasion, picked among the 50 after the baseline
or while it grows, is rightly let pass by every chart; of a good baseline, the share not called changed. Of a shift it
is the share with a signal within 10 occasions, with the mean delay (at most 100) as its width. ``Each by itself`` are
limits that take estimates for known, at about 1 false alarm in 370 occasions a chart.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.control.charts import BASELINE_SIZE
from drift.engine.baseline_step import RUNS, _shares, drawn_shares
from drift.engine.baseline_step import SEED as STEP_SEED
from drift.engine.control_charts import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    EWMA_WEIGHT,
    EWMA_WIDTH,
    individuals_factor,
)
from drift.engine.joint_limits import joint_limits, prediction_tail
from tests.coverage.family import FOLDER, Drawn, Family, Held, Row, tabulate

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
TABLE = FOLDER / "control_charts.csv"
SEED = 20261127
STUDIES = 20_000
FIXED = {f"baseline of {n} occasions": n for n in (10, 20, 50)}
GROWING = "baseline that grows to 50"
DESIGNS = [*FIXED, GROWING]
LONG, SOON, AFTER, LEAST, FULL = 100, 10, 50, 5, 50
SHIFTS = (0.5, 1.0, 2.0, 3.0)
TOGETHER, ALONE = "any chart, limits of all together", "any chart, limits of each by itself"
Made = dict[tuple[str, str], tuple[Any, Any]]


def batch(design: str, drawn: Drawn) -> Made:
    """Simulate laboratories, many at a time."""
    return _fixed(FIXED[design], drawn) if design in FIXED else _growing(drawn)


def _draw(drawn: Drawn, columns: int) -> tuple[Floats, NDArray[np.int64]]:
    """Draw occasions, and one picked occasion of ``AFTER``."""
    made = [(rng.standard_normal((n, columns)), rng.integers(0, AFTER, n)) for rng, n in drawn]
    return np.concatenate([m[0] for m in made]), np.concatenate([m[1] for m in made])


def _base(x: Floats) -> tuple[Floats, Floats, Floats, Floats, Bools]:
    """Centre, SD, autocorrelation, and size of baselines, and whether their occasions are alike, as limits see them."""
    n = x.shape[1]
    centre = x.mean(axis=1)
    off = x - centre[:, None]
    ss = (off**2).sum(axis=1)
    r = (off[:, 1:] * off[:, :-1]).sum(axis=1) / ss + 1 / n
    alike = r * np.sqrt(n) > 1.96
    r = np.where(alike, np.minimum(r, 0.95), 0.0)
    errors = off[:, 1:] - r[:, None] * off[:, :-1]
    sd = np.where(alike, np.sqrt((errors**2).sum(axis=1) / max(n - 3, 1)), np.sqrt(ss / (n - 1)))
    return centre, sd, r, np.where(alike, n - 2, n), alike


def _past(z: Floats, limits: Sequence[Floats | float]) -> dict[str, Bools]:
    """Return which occasions are past the limits of each chart, shape (studies, occasions)."""
    n, t = z.shape
    smooth, up, down = np.zeros(n), np.zeros(n), np.zeros(n)
    out = {k: np.zeros((n, t), dtype=np.bool_) for k in ("individuals", "EWMA", "CUSUM")}
    out["individuals"] = np.abs(z) > np.asarray(limits[0]).reshape(-1, 1)
    for i in range(t):
        smooth = EWMA_WEIGHT * z[:, i] + (1 - EWMA_WEIGHT) * smooth
        up, down = np.maximum(0, up + z[:, i] - CUSUM_SLACK), np.maximum(0, down - z[:, i] - CUSUM_SLACK)
        spread = np.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT) * (1 - (1 - EWMA_WEIGHT) ** (2 * (i + 1))))
        out["EWMA"][:, i] = np.abs(smooth) > np.asarray(limits[1]) * spread
        out["CUSUM"][:, i] = np.maximum(up, down) > np.asarray(limits[2])
    return out


def _any(out: dict[str, Bools]) -> Bools:
    return np.asarray(out["individuals"] | out["EWMA"] | out["CUSUM"])


def _delay(out: Bools) -> tuple[Bools, Floats]:
    first = np.where(out.any(axis=1), out.argmax(axis=1) + 1, LONG).astype(np.float64)
    return first <= SOON, first


def _fixed(n: int, drawn: Drawn) -> Made:
    """Charts after a baseline that was declared good."""
    x, pick = _draw(drawn, n + LONG)
    base, fresh = x[:, :n], x[:, n:]
    centre, sd, r, size, _ = _base(base)
    joint = {m: joint_limits(m) for m in (n, n - 2)}
    together = [np.array([joint[int(m)][k] for m in size]) for k in range(3)]
    alone: list[Any] = [np.where(size == n, individuals_factor(n), individuals_factor(n - 2)), EWMA_WIDTH, CUSUM_LIMIT]
    one = np.arange(len(x)), pick
    zero = np.zeros(len(x))
    made: Made = {}
    z = _charted(fresh, base[:, -1], centre, r) / sd[:, None]
    for name, limits in ((TOGETHER, together), (ALONE, alone)):
        made["good rig, one of the 50 occasions after", name] = (~_any(_past(z[:, :AFTER], limits))[one], zero)
    made["good baseline, not called changed", "largest step and oddest occasion"] = (~_changed(base), zero)
    half = np.arange(n) >= n // 2
    made["step of 3 SD half-way in the baseline, called changed", "largest step and oddest occasion"] = (
        _changed(base + 3.0 * half), zero)
    for shift in SHIFTS:
        out = _past(_charted(fresh + shift, base[:, -1], centre, r) / sd[:, None], together)
        for name, past in ((TOGETHER, _any(out)), *out.items()):
            made[f"shift of {shift:g} SD, signal within {SOON} occasions", name] = _delay(past)
    return made


def _charted(fresh: Floats, last: Floats, centre: Floats, r: Floats) -> Floats:
    """Deviations from the centre, or errors of predicting each occasion from the one before where they are alike."""
    off = np.column_stack([last, fresh]) - centre[:, None]
    return np.asarray(off[:, 1:] - r[:, None] * off[:, :-1])


def _changed(x: Floats) -> Bools:
    """Whether the tests of a baseline call it changed: its largest step (not where it is alike) or an odd occasion."""
    from scipy.special import stdtr

    from drift.engine.baseline_step import step_rather_than_alike

    n = x.shape[1]
    off = x - x.mean(axis=1, keepdims=True)
    null = np.sort(drawn_shares(np.random.default_rng(STEP_SEED), RUNS, n))
    shares = _shares(off)
    p = (1 + RUNS - np.searchsorted(null, shares.max(axis=1))) / (1 + RUNS)
    step = p < BASELINE_SIZE / 2
    for i in np.flatnonzero(step & _base(x)[4]):
        step[i] = step_rather_than_alike(x[i], int(shares[i].argmax()) + 2)
    g = np.abs(off).max(axis=1) / np.sqrt((off**2).sum(axis=1) / (n - 1))
    t = np.sqrt(n * (n - 2) * g**2 / np.maximum((n - 1) ** 2 - n * g**2, 1e-12))
    return np.asarray(step | (2 * n * stdtr(n - 2, -t) < BASELINE_SIZE / 2))


def grown(x: Floats) -> tuple[NDArray[np.int64], Bools]:
    """Grow the baselines of many laboratories.

    Returns
    -------
    m : array of int
        Occasions of each baseline when it stopped to grow, ``FULL`` where it never did.
    out : array of bool
        Which occasion is past a limit when it comes; after a stop by the limits that were not widened.
    """
    from scipy.special import ndtri, stdtr

    limits, studies = joint_limits(None), len(x)
    m = np.full(studies, FULL)
    out = np.zeros((studies, FULL), dtype=np.bool_)
    smooth, up, down = np.zeros(studies), np.zeros(studies), np.zeros(studies)
    held = [np.zeros(studies) for _ in range(4)]  # centre, SD, autocorrelation and size of the baseline so far
    for i in range(LEAST, FULL):
        going = m == FULL
        now = _base(x[going, :i])
        for k in range(4):
            held[k][going] = now[k]
        centre, sd, r, size = held
        off = (x[:, i] - centre - r * (x[:, i - 1] - centre)) / sd
        tail = np.maximum(stdtr(size - 1, -np.abs(off) / np.sqrt(1 + 1 / size)), 1e-300)
        score = -np.sign(off) * ndtri(tail)
        z = np.where(going, score, off)
        smooth = EWMA_WEIGHT * z + (1 - EWMA_WEIGHT) * smooth
        up, down = np.maximum(0, up + z - CUSUM_SLACK), np.maximum(0, down - z - CUSUM_SLACK)
        spread = np.sqrt(EWMA_WEIGHT / (2 - EWMA_WEIGHT) * (1 - (1 - EWMA_WEIGHT) ** (2 * (i - LEAST + 1))))
        out[:, i] = ((tail < prediction_tail(limits)) | (np.abs(smooth) > limits.ewma * spread)
                     | (np.maximum(up, down) > limits.cusum))
        m[going & out[:, i]] = i
    return m, out


def _growing(drawn: Drawn) -> Made:
    """Charts while the baseline grows by every occasion that does not signal."""
    x, pick = _draw(drawn, FULL)
    m, out = grown(x)
    one = LEAST + pick % (FULL - LEAST)
    rows, zero, none = np.arange(len(x)), np.zeros(len(x)), np.full(len(x), np.nan)
    made: Made = {
        ("good rig, one of the occasions while it grows", TOGETHER): (~out[rows, one], np.where(one <= m, zero, none)),
        ("good rig, one of the occasions after an alarm without a logged cause", TOGETHER): (
            ~out[rows, one], np.where(one > m, zero, none)),
        ("good rig, baseline full without an alarm", TOGETHER): (m == FULL, zero)}
    for shift in SHIFTS:
        moved = x.copy()
        moved[:, 20:] += shift
        stop, found = grown(moved)
        first = np.where(found[:, 20:].any(axis=1), found[:, 20:].argmax(axis=1) + 1, LONG).astype(np.float64)
        quiet = stop >= 20  # the shift meets a baseline of 20 that no false alarm has stopped
        made[f"shift of {shift:g} SD, signal within {SOON} occasions", TOGETHER] = (
            first <= SOON, np.where(quiet, first, np.nan))
    return made


def rows(design: str, held: Sequence[Held]) -> list[Row]:
    """Return the rows of one design; only a good rig has a nominal share."""
    made = tabulate(design, held)
    for row in made:
        said = str(row["quantity"])
        row["nominal"] = 0.99 if said.startswith("good") and "without" not in said else 1.0
    return made


FAMILY = Family("control_charts", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=STUDIES, batch=batch,
                tabulate=rows, cheap="baseline of 10 occasions")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["control_charts"]))
