"""The recursion on sufficient statistics equals dense matrix algebra, and its gradient equals differences."""

from __future__ import annotations

import numpy as np
import pytest

import drift.engine.mixed_derivatives as module
from drift.engine.mixed import NestedDesign, blups, fit_mixed, variance_intervals
from drift.engine.mixed_derivatives import covariance_jets
from drift.engine.nested_likelihood import evaluate
from tests.engine.dense import dense
from tests.engine.mixed_designs import NAMES, arrays, design

FINE = {"method": "Nelder-Mead", "options": {"xatol": 1e-7, "fatol": 1e-10}}


@pytest.mark.parametrize("method", ["REML", "ML"])
@pytest.mark.parametrize("name", NAMES)
def test_criterion_and_coefficients_are_the_dense_ones(name: str, method: str) -> None:
    y, x, levels = arrays(name)
    fit = fit_mixed(NestedDesign.build(y, x, levels), method)  # type: ignore[arg-type]
    slow = dense(y, x, levels, fit.covariances, fit.sigma2, method)
    assert fit.criterion == pytest.approx(slow.criterion, abs=1e-8)
    np.testing.assert_allclose(fit.beta, slow.beta, rtol=1e-9)
    np.testing.assert_allclose(fit.cov_beta, slow.cov_beta, rtol=1e-8, atol=1e-12)


@pytest.mark.parametrize("name", NAMES)
def test_gradient_is_that_of_the_criterion(name: str) -> None:
    built = design(name)
    theta = np.random.default_rng(5).uniform(0.3, 1.2, built.n_parameters)
    h = 1e-5
    steps = h * np.eye(len(theta))
    up, down = evaluate(built, theta + steps).value, evaluate(built, theta - steps).value
    np.testing.assert_allclose(evaluate(built, theta[None]).gradient[0], (up - down) / (2 * h), rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("response", [True, False])
@pytest.mark.parametrize("name", ["line", "line uncorrelated", "no slope spread"])
def test_written_out_derivatives_are_those_of_the_general_recursion(
    name: str, response: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """One level alone takes a shorter way to the same Kenward-Roger and Satterthwaite pieces."""
    built = design(name)
    fit = fit_mixed(built)
    short = covariance_jets(built, fit, response=response)
    monkeypatch.setattr(module, "FEW_NODES", 0)
    long = covariance_jets(built, fit, response=response)
    np.testing.assert_allclose(short.log_det, long.log_det, rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(short.cross, long.cross, rtol=1e-8, atol=1e-9 * np.abs(long.cross).max())


NESTED = ["line occasion", "batch sensor occasion", "batch line sensor line", "no occasion effect"]


@pytest.mark.parametrize("name", NESTED)
def test_predictions_and_their_errors_are_those_of_the_mixed_model_equations(name: str) -> None:
    """Henderson (1975): prediction errors include those of the fixed effects."""
    y, x, levels = arrays(name)
    built = NestedDesign.build(y, x, levels)
    fit = fit_mixed(built)
    slow = dense(y, x, levels, fit.covariances, fit.sigma2, "REML")
    inverse = np.linalg.inv(slow.v)
    projector = inverse - inverse @ x @ slow.cov_beta @ x.T @ inverse
    known, full = blups(built, fit, fixed_known=True), blups(built, fit)
    for k, (z, covariance) in enumerate(zip(slow.z, fit.covariances, strict=True)):
        q = len(covariance)
        g = np.kron(np.eye(z.shape[1] // q), covariance)
        effect = g @ z.T @ inverse @ (y - x @ slow.beta)
        np.testing.assert_allclose(full.effects[k].ravel(), effect, atol=1e-9)
        for found, kernel in ((full, projector), (known, inverse)):
            error = g - g @ z.T @ kernel @ z @ g
            blocks = np.array([error[i : i + q, i : i + q] for i in range(0, len(error), q)])
            np.testing.assert_allclose(found.covariances[k], blocks, atol=1e-9)


def test_profile_limits_of_a_correlation_solve_the_likelihood_equation() -> None:
    """Minimised over the other parameters by a general-purpose optimiser on the dense criterion."""
    from scipy.optimize import minimize

    y, x, levels = arrays("line")
    built = NestedDesign.build(y, x, levels)
    fit = fit_mixed(built)
    found = variance_intervals(built, fit)
    k = found.kinds.index("correlation")
    assert found.high[k] == 1.0, "the boundary +1 is not excluded"

    def criterion(p: np.ndarray, r: float) -> float:
        a, b, s = np.exp(p)
        return dense(y, x, levels, [np.array([[a * a, r * a * b], [r * a * b, b * b]])], s * s, "REML").criterion

    start = np.log([*fit.sd(0), fit.sigma])
    best = minimize(criterion, start, args=(found.low[k],), **FINE)
    assert best.fun - fit.criterion == pytest.approx(3.841458820694124, abs=1e-6)
    at_end = minimize(criterion, start, args=(1.0,), **FINE)
    assert at_end.fun - fit.criterion < 3.841458820694124


def test_profile_limits_of_a_slope_spread_solve_the_likelihood_equation() -> None:
    from scipy.optimize import minimize

    y, x, levels = arrays("line")
    built = NestedDesign.build(y, x, levels)
    fit = fit_mixed(built)
    found = variance_intervals(built, fit)
    k = found.names.index("slope SD of level 1")

    def criterion(p: np.ndarray, b: float) -> float:
        a, r, s = np.exp(p[0]), np.tanh(p[1]), np.exp(p[2])
        return dense(y, x, levels, [np.array([[a * a, r * a * b], [r * a * b, b * b]])], s * s, "REML").criterion

    start = np.array([np.log(fit.sd(0)[0]), np.arctanh(fit.correlation(0)[0, 1]), np.log(fit.sigma)])
    for limit in (found.low[k], found.high[k]):
        best = minimize(criterion, start, args=(limit,), **FINE)
        assert best.fun - fit.criterion == pytest.approx(3.841458820694124, abs=1e-6)


def test_higher_levels_give_wider_intervals() -> None:
    built = design("line occasion")
    fit = fit_mixed(built)
    narrow, wide = variance_intervals(built, fit, 0.8), variance_intervals(built, fit, 0.95)
    assert (wide.low <= narrow.low).all()
    assert (wide.high >= narrow.high).all()
    assert (narrow.low < narrow.estimate).all()
    assert (narrow.estimate < narrow.high).all()
