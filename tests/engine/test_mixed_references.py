"""Ten unbalanced designs agree with stored lme4, lmerTest and pbkrtest results to 1e-8.

Their optimiser was refined on its own criterion first (tests/references/mixed_designs.R); the Satterthwaite values
rest on numerical derivatives there, so they agree to 3e-8.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from drift.engine.mixed import (
    MixedFit,
    NestedDesign,
    blups,
    fit_mixed,
    kenward_roger,
    kenward_roger_covariance,
    kenward_roger_test,
    satterthwaite,
    satterthwaite_test,
)
from tests.engine.mixed_designs import LEVELS, NAMES, arrays, design, reference


@cache
def fitted(name: str) -> tuple[NestedDesign, MixedFit]:
    built = design(name)
    return built, fit_mixed(built)


def in_order(name: str, variances: dict[str, list[list[float]]]) -> list[np.ndarray]:
    """Covariance matrices in the order of the levels; uncorrelated effects come as one matrix each."""
    out = []
    for text in LEVELS[name]:
        group = text.split()[0]
        parts = [np.array(v) for key, v in variances.items() if key.split(".")[0] == group]
        out.append(parts[0] if len(parts) == 1 else np.diag([part[0, 0] for part in parts]))
    return out


@pytest.mark.parametrize("name", NAMES)
def test_fit_is_that_of_lme4(name: str) -> None:
    _, fit = fitted(name)
    theirs = reference()[name]
    assert fit.converged
    assert fit.criterion == pytest.approx(theirs["criterion"], abs=1e-9)
    np.testing.assert_allclose(fit.beta, theirs["beta"], rtol=1e-8)
    np.testing.assert_allclose(fit.std_error, theirs["se"], rtol=1e-8)
    np.testing.assert_allclose(fit.sigma, theirs["sigma"], rtol=1e-8)
    for mine, other in zip(fit.covariances, in_order(name, theirs["variances"]), strict=True):
        size = np.sqrt(np.outer(np.diag(other), np.diag(other)))
        assert (np.abs(mine - other) <= 1e-7 * size).all()


@pytest.mark.parametrize("name", NAMES)
def test_default_optimiser_of_lme4_is_never_better(name: str) -> None:
    """By at most 2e-8 of the criterion on these designs."""
    _, fit = fitted(name)
    assert -1e-9 < reference()[name]["lme4_default_criterion"] - fit.criterion < 1e-7


@pytest.mark.parametrize("name", NAMES)
def test_kenward_roger_is_that_of_pbkrtest(name: str) -> None:
    se, df = kenward_roger(*fitted(name))
    np.testing.assert_allclose(se, reference()[name]["kr_se"], rtol=1e-8)
    np.testing.assert_allclose(df, reference()[name]["kr_df"], rtol=1e-8)


@pytest.mark.parametrize("name", NAMES)
def test_kenward_roger_f_test_is_that_of_pbkrtest(name: str) -> None:
    built, fit = fitted(name)
    theirs = reference()[name]["kr_f"]
    p = len(fit.beta)
    test = kenward_roger_test(built, fit, np.eye(p) if p == 2 else np.eye(p)[1:])
    assert test.df1 == theirs["ndf"]
    np.testing.assert_allclose(
        [test.statistic, test.df2, test.scale], [theirs["statistic"], theirs["ddf"], theirs["scale"]], rtol=1e-8
    )
    assert test.p_value == pytest.approx(theirs["p"], rel=1e-7)


@pytest.mark.parametrize("name", NAMES)
def test_satterthwaite_is_that_of_lmertest(name: str) -> None:
    built, fit = fitted(name)
    np.testing.assert_allclose(satterthwaite(built, fit).df, reference()[name]["satterthwaite_df"], rtol=3e-8)
    p = len(fit.beta)
    test = satterthwaite_test(built, fit, np.eye(p) if p == 2 else np.eye(p)[1:])
    theirs = reference()[name]["satterthwaite_f"]
    np.testing.assert_allclose([test.statistic, test.df2], [theirs["statistic"], theirs["ddf"]], rtol=3e-8)


@pytest.mark.parametrize("name", NAMES)
def test_predictions_are_those_of_lme4(name: str) -> None:
    level = next(k for k, text in enumerate(LEVELS[name]) if text.startswith("sensor"))
    np.testing.assert_allclose(blups(*fitted(name)).effects[level], reference()[name]["ranef_sensor"], atol=2e-8)


def test_boundaries_are_named() -> None:
    assert fitted("no occasion effect")[1].boundary == ("intercept variance of level 2 is zero",)
    assert fitted("no slope spread")[1].boundary == ("intercept-slope correlation of level 1 is +1",)
    assert all(fitted(name)[1].boundary == () for name in NAMES if not name.startswith("no "))


@pytest.mark.parametrize("name", NAMES)
def test_naive_degrees_of_freedom_and_errors_differ(name: str) -> None:
    """Replacing Kenward-Roger by z, residual degrees of freedom or unadjusted errors cannot pass for it.

    The comparison above allows 1e-8; the twins are off by 15 percent (Satterthwaite 1e-3) and 5e-4 of the error.
    """
    built, fit = fitted(name)
    se, df = kenward_roger(built, fit)
    residual = fit.n_rows - len(fit.beta)
    assert (df < 0.85 * residual).all(), "residual degrees of freedom; z has infinitely many"
    assert np.abs(se / fit.std_error - 1.0).max() > 5e-4, "the unadjusted error"
    assert np.abs(df / satterthwaite(built, fit).df - 1.0).max() > 1e-3, "Satterthwaite's degrees of freedom"
    np.testing.assert_allclose(np.sqrt(np.diag(kenward_roger_covariance(built, fit))), se, rtol=1e-12)


@pytest.mark.parametrize("name", ["intercept occasion", "batch sensor occasion"])
def test_leaving_the_occasion_effect_out_claims_too_much(name: str) -> None:
    """Replicates taken as independent rows: the slope's standard error falls, the criterion rises."""
    built, fit = fitted(name)
    y, x, levels = arrays(name)
    naive = fit_mixed(NestedDesign.build(y, x, levels[:-1]))
    slope = kenward_roger(built, fit).std_error[1]
    assert slope > 1.25 * naive.std_error[1]
    assert naive.criterion > fit.criterion + 5
    assert slope == pytest.approx(reference()[name]["kr_se"][1], rel=1e-8)
