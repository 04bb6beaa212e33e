"""Tails without scipy are scipy's to rounding error, in the far tails too."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
from scipy import special, stats

from drift.engine import tails


@pytest.mark.parametrize("df", [1, 2, 4, 7, 19, 48, 300])
def test_t_tails_are_those_of_scipy(df: int) -> None:
    t = np.r_[np.linspace(-6, 6, 41), 0.0, 15.0, 60.0]
    np.testing.assert_allclose([tails.t_tail(df, float(v)) for v in t], stats.t.sf(t, df), rtol=2e-12)
    for tail in (0.4, 0.05, 0.0015, 1e-6):
        assert tails.t_quantile_above(df, tail) == pytest.approx(float(special.stdtrit(df, 1 - tail)), rel=1e-8)
    assert tails.t_tail(df, np.inf) == 0.0
    assert tails.t_tail(df, -np.inf) == 1.0


def test_normal_quantiles_are_those_of_scipy() -> None:
    p = [1e-300, 1e-12, 0.001, 0.5, 0.9, 1 - 1e-12]
    np.testing.assert_allclose([tails.ndtri(v) for v in p], special.ndtri(p), rtol=1e-11, atol=1e-15)
    assert tails.ndtri(0.0) == -np.inf


def test_the_normal_distribution_without_scipy_is_that_of_scipy() -> None:
    x = np.r_[np.linspace(-38, 9, 200), -np.inf, np.inf]
    program = ("import sys, numpy as np; from drift.engine.tails import ndtr; "
               "x = np.r_[np.linspace(-38, 9, 200), -np.inf, np.inf]; v = ndtr(x); "
               "assert 'scipy.special' not in sys.modules; print(','.join(float(u).hex() for u in v))")
    out = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True).stdout
    found = np.array([float.fromhex(v) for v in out.strip().split(",")])
    np.testing.assert_allclose(found, special.ndtr(x), rtol=3e-13, atol=1e-300)
    assert np.all(np.isfinite(tails.ndtr(np.zeros((3, 2)))))
