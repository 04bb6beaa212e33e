"""Readings at zero with a curve that saturates: its maximum is found although nothing saturates."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize
from scipy.special import log_ndtr

from drift.engine import curve_censored
from drift.engine.curve_models import gradient, values
from drift.engine.curves import fit_curve

LOAD = np.array([10.0, 50.0, 100.0, 200.0, 300.0, 400.0] * 2)
BENT_UP = np.array([0.0, 8.0, 22.0, 55.0, 80.0, 102.0, 0.0, 9.0, 21.0, 57.0, 83.0, 101.0])
SATURATING = np.array([0.0, 30.0, 52.0, 84.0, 99.0, 110.0, 0.0, 31.0, 50.0, 83.0, 101.0, 109.0])


def log_likelihood(theta: np.ndarray, sigma: float, y: np.ndarray) -> float:
    z = (y - values("saturating", theta, LOAD)) / sigma
    return float(np.where(y == 0, log_ndtr(z), -0.5 * z * z).sum())


@pytest.mark.parametrize("y", [BENT_UP, SATURATING])
def test_the_curve_is_a_maximum_of_the_likelihood(y: np.ndarray) -> None:
    """A direct search (Nelder and Mead) from the answer and from beside it finds nothing better."""
    fit = fit_curve(LOAD, y, model="saturating", left=y == 0)
    best = log_likelihood(fit.coefficients, fit.sigma, y)
    for factor in (1.0, 0.97, 1.05):
        found = minimize(lambda t: -log_likelihood(t, fit.sigma, y), fit.coefficients * factor, method="Nelder-Mead",
                         options={"xatol": 1e-10, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000})
        assert -found.fun <= best + 1e-7


def test_readings_that_do_not_saturate_take_no_endless_steps(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ceiling and bend growing and shrinking together took 240,000 values of the curve."""
    asked = 0

    def counted(at: np.ndarray, x: np.ndarray) -> np.ndarray:
        nonlocal asked
        asked += 1
        return rising(at, x)

    rising = curve_censored._rising
    monkeypatch.setattr(curve_censored, "_rising", counted)
    fit = fit_curve(LOAD, BENT_UP, model="saturating", left=BENT_UP == 0)
    assert np.isfinite(fit.coefficients).all()
    assert 0 < asked < 3000


@pytest.mark.parametrize("bend", [-2e-3, -1e-9, 1e-9, 3e-8, 2e-3])
def test_slope_and_bend_are_the_curve_of_ceiling_and_bend(bend: float) -> None:
    at = np.array([0.25, bend])
    theta = curve_censored._saturating(at, 400.0)
    np.testing.assert_allclose(curve_censored._rising(at, LOAD), values("saturating", theta, LOAD), rtol=1e-6)
    outer = gradient("saturating", theta, LOAD)
    if abs(bend) * 400 > 1e-3:
        turned = outer @ np.array([[1 / bend, -0.25 / bend**2], [0.0, 1.0]])
        np.testing.assert_allclose(curve_censored._rising_gradient(at, LOAD), turned, rtol=1e-8)
    step = np.array([0.0, 1e-7])
    by_bend = (curve_censored._rising(at + step, LOAD) - curve_censored._rising(at - step, LOAD)) / 2e-7
    np.testing.assert_allclose(curve_censored._rising_gradient(at, LOAD)[:, 1], by_bend, rtol=1e-4)
