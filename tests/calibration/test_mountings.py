"""Curves over mountings: offsets do not hide a bend, and the scatter of readings counts once."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest

from drift.engine.curve_choice import brought_together, lack_of_fit_of
from drift.engine.curves import fit_curve, over_mountings
from drift.engine.inverse_prediction import reading_variance
from tests.calibration.helpers import calibrated, levels

X = np.linspace(100.0, 800.0, 8)


def _mounted(offsets: tuple[float, ...], factors: tuple[float, ...], *, bend: float = -1e-4, sd: float = 2.0,
             seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return pd.concat([levels(o + f * (20 + 1.2 * X + bend * X**2) + rng.normal(0, sd, len(X)), X, replicate=i)
                      for i, (o, f) in enumerate(zip(offsets, factors, strict=True), 1)])


def _arrays(frame: pd.DataFrame) -> tuple[Any, ...]:
    mounting = frame["replicate"].to_numpy(dtype=np.int64) - 1
    x, y = (frame[c].to_numpy(dtype=float) for c in ("reference", "reading"))
    return x, y, np.unique(x, return_inverse=True)[1], mounting


def test_offsets_of_mountings_do_not_hide_a_bend() -> None:
    frame = _mounted((-60.0, 0.0, 60.0), (1.0, 1.0, 1.0))
    result = calibrated(frame, model="line")
    assert "lack-of-fit" in {f.code for f in result.findings}
    # Naive: factors alone leave the offsets in the pure error.
    x, y, codes, mounting = _arrays(frame)
    factor = np.array([float(x[mounting == m] @ y[mounting == m]) for m in range(3)])
    y = y / (factor / np.exp(np.log(factor).mean()))[mounting]
    assert lack_of_fit_of(fit_curve(x, y), x, y, codes).p > 0.2


def test_straight_mountings_that_differ_show_no_lack_of_fit() -> None:
    p = []
    for seed in range(60):
        frame = _mounted((-60.0, 0.0, 60.0), (0.95, 1.0, 1.05), bend=0.0, seed=seed)
        x, y, codes, mounting = _arrays(frame)
        away, taken = brought_together(x, y, codes, mounting)
        y = y - away[mounting, 0] - away[mounting, 1] * x
        p.append(lack_of_fit_of(fit_curve(x, y), x, y, codes, taken=taken).p)
    assert taken == 4
    assert 0.3 < np.mean(p) < 0.7
    assert np.mean(np.array(p) < 0.05) < 0.15


def test_bringing_mountings_together_keeps_the_level_means() -> None:
    x, y, codes, mounting = _arrays(_mounted((-60.0, 0.0, 60.0), (0.95, 1.0, 1.05)))
    away, _ = brought_together(x, y, codes, mounting)
    moved = away[mounting, 0] + away[mounting, 1] * x
    assert np.bincount(codes, weights=moved) == pytest.approx(np.zeros(8), abs=1e-8)
    assert away.sum(axis=0) == pytest.approx([0, 0], abs=1e-9)


def test_mountings_read_once_a_level_are_not_told_two_things() -> None:
    result = calibrated(_mounted((0.0, 1.0, -1.0), (0.99, 1.0, 1.01)))
    said = next(f.message for f in result.findings if f.code == "no-replicates")
    why = next(f.message for f in result.findings if f.code == "why-this-curve")
    assert "lack of fit F" in why
    assert "judged by how mountings differ" in said
    alone = calibrated(levels(20 + 1.2 * X, X))
    assert "repeatability and lack of fit are unknown" in next(f.message for f in alone.findings
                                                               if f.code == "no-replicates")


def test_no_reason_holds_a_figure_that_is_none() -> None:
    frame = levels([50.0, 52, 300, 303, 401, 400], [100, 100, 400, 400, 800, 800])
    for model in ("auto", "quadratic", "line"):
        assert all("nan" not in f.message for f in calibrated(frame, model=model).findings)
    why = next(f.message for f in calibrated(frame, model="quadratic").findings if f.code == "why-this-curve")
    assert "as many coefficients as there are loads" in why
    alike = levels([50.0, 50, 170, 170, 430, 430, 800, 800], [100, 100, 200, 200, 400, 400, 700, 700])
    why = next(f.message for f in calibrated(alike, model="line").findings if f.code == "why-this-curve")
    assert "exactly alike" in why


def _joined(each: list[np.ndarray], unit: float = 1.0) -> Any:
    x = unit * X
    fits = [fit_curve(x, y) for y in each]
    return over_mountings(fits, fit_curve(np.tile(x, len(each)), np.concatenate(each)))


def test_the_scatter_of_readings_counts_once() -> None:
    # Mountings that do not differ: a new reading errs by sigma and the curve, and no mounting comes on top.
    true, new, naive = 64.0 * (1 + 1 / 40), [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        fit = _joined([20 + X + rng.normal(0, 8, len(X)) for _ in range(5)])
        at = np.array([790.0])
        new.append(float(reading_variance(fit, at)[0]))
        spread = 6 / 5 * 5 * fit.covariance
        naive.append(float(fit.own_variance(at)[0] + np.array([1.0, 790.0]) @ spread @ np.array([1.0, 790.0])))
        assert np.linalg.eigvalsh(fit.between).min() >= -1e-9
    assert np.mean(new) < 1.3 * true + 64 * 0.4 / 5
    assert np.mean(naive) > 1.3 * true
    assert np.mean(new) < 0.95 * np.mean(naive)


def test_what_mountings_add_does_not_depend_on_units() -> None:
    rng = np.random.default_rng(4)
    each = [f * (20 + X) + rng.normal(0, 8, len(X)) for f in (0.95, 1.0, 1.05, 1.1)]
    base, other = _joined(each), _joined(each, unit=1000.0)
    scale = np.array([1.0, 1000.0])
    assert other.between * np.outer(scale, scale) == pytest.approx(base.between, rel=1e-6)
    exact = _joined([f * (20 + X) for f in (0.95, 1.0, 1.05)])
    assert exact.between == pytest.approx(3 * exact.covariance, rel=1e-6)
