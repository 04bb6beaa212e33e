"""Errors that are alike the closer they lie: published fits, an independent mixed model, and a naive standard error."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from drift.engine.correlated import Correlated, ar1_line
from drift.engine.mixed import NestedDesign, fit_mixed
from tests.published_examples import agrees, load


def test_follicles_of_mares_are_printed_alike() -> None:
    # Pinheiro & Bates (2000), section 5.3; AR(1) on the row order, diagonal covariance of the random effects.
    example = load("nlme-ovary-ar1")
    frame = example.frame()
    a = 2 * np.pi * frame["Time"].to_numpy()
    columns = np.column_stack([np.ones(len(a)), np.sin(a), np.cos(a)])
    order = frame.groupby("Mare").cumcount().to_numpy()
    rows = Correlated(frame["follicles"], columns, columns[:, :2], frame["Mare"], order, diagonal=True)
    fit, plain = rows.fit(nugget=False), rows.fit(correlated=False)
    found = {"loglik_ar1": fit.loglik, "aic_ar1": fit.aic, "bic_ar1": fit.bic, "phi": fit.phi}
    assert sorted(found) == sorted(example.expected)
    for key, printed in example.expected.items():
        assert agrees(found[key], printed), key
    # Not printed in the source: the same by another library.
    assert plain.loglik == pytest.approx(float(example.unprinted["loglik_iid"]), abs=1e-5)
    for j, key in enumerate(("1", "2", "3")):
        assert fit.beta[j] == pytest.approx(float(example.unprinted[f"o2_beta{key}"]), rel=1e-5)
        assert fit.std_errors[j] == pytest.approx(float(example.unprinted[f"o2_se{key}"]), rel=1e-4)


def test_five_years_of_a_resistor_are_printed_alike_and_the_printed_error_is_too_small() -> None:
    # NIST/SEMATECH e-Handbook 1.4.2.7.
    example = load("nist-standard-resistor-drift")
    frame = example.frame()
    y = frame["resistance"].to_numpy()
    fit = ar1_line(frame["order"].to_numpy(), y)
    found = {"n": len(y), "mean": y.mean(), "sd": y.std(ddof=1), "lag1_autocorrelation": fit.autocorrelation,
             "intercept": fit.intercept, "slope": fit.slope, "se_intercept": fit.intercept_se,
             "se_slope_naive_ols": fit.slope_se, "residual_sd": fit.residual_sd, "r_squared": fit.r_squared}
    assert sorted(found) == sorted(example.expected)
    for key, printed in example.expected.items():
        assert agrees(float(found[key]), printed), key
    assert fit.residual_autocorrelation == pytest.approx(
        float(example.unprinted["lag1_autocorrelation_of_residuals"]), rel=1e-8)
    assert fit.inflation == pytest.approx(float(example.unprinted["approx_se_inflation"]), rel=1e-8)
    # The whole-likelihood answer is near the approximation: about two and a half times the naive one.
    assert fit.slope_se_ar1 / fit.slope_se == pytest.approx(fit.inflation, rel=0.05)
    assert fit.slope_ar1 == pytest.approx(fit.slope, rel=0.01)


def world(seed: int, phi: float = 0.8, share: float = 0.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Sensors checked at unequal uses, errors that decay by phi a use."""
    rng = np.random.default_rng(seed)
    uses = np.array([0, 1, 2, 4, 7, 8, 12, 15, 20, 21.0])
    x, code = np.tile(uses, 12), np.repeat(np.arange(12), 10)
    v = (1 - share) * phi ** np.abs(uses[:, None] - uses[None, :]) + share * np.eye(10)
    e = rng.standard_normal((12, 10)) @ np.linalg.cholesky(v).T
    return x, 0.02 * e.ravel() - 0.01 * x + rng.normal(0, 0.05, 12)[code], code


def test_independent_errors_are_those_of_the_mixed_model_engine() -> None:
    x, y, code = world(1)
    columns = np.column_stack([np.ones_like(x), x])
    fit = Correlated(y, columns, columns, code, x).fit(correlated=False)
    peer = fit_mixed(NestedDesign.build(y, columns, [(columns, code)]), method="REML")
    assert fit.beta == pytest.approx(peer.beta, rel=1e-6)
    assert fit.std_errors == pytest.approx(np.sqrt(np.diag(peer.cov_beta)), rel=1e-3)
    assert fit.loglik == pytest.approx(peer.loglik, abs=1e-4)


def test_unequal_spacing_recovers_the_decay_and_row_order_does_not() -> None:
    found, naive = [], []
    for seed in range(6):
        x, y, code = world(seed)
        columns = np.column_stack([np.ones_like(x), x])
        found.append(Correlated(y, columns, columns[:, :1], code, x).fit(nugget=False).phi)
        order = np.tile(np.arange(10.0), 12)
        naive.append(Correlated(y, columns, columns[:, :1], code, order).fit(nugget=False).phi)
    assert np.median(found) == pytest.approx(0.8, abs=0.06)
    assert np.median(naive) < 0.72  # the gap of five uses counts as one step


def test_the_profile_is_zero_at_the_fit_and_scale_changes_nothing() -> None:
    x, y, code = world(3, share=0.3)
    columns = np.column_stack([np.ones_like(x), x])
    rows = Correlated(y, columns, columns, code, x)
    fit = rows.fit()
    rise = rows.near_profile(fit, np.array([0.02, fit.near, 0.95]))
    assert rise[1] == pytest.approx(0, abs=1e-3)
    assert min(rise[0], rise[2]) > 0
    hours = np.column_stack([np.ones_like(x), 10 * x])
    other = Correlated(7 * y + 1, hours, hours, code, 10 * x).fit()
    assert other.phi**10 == pytest.approx(fit.phi, rel=1e-3)
    assert other.beta[1] == pytest.approx(0.7 * fit.beta[1], rel=1e-4)
    assert other.std_errors[1] == pytest.approx(0.7 * fit.std_errors[1], rel=1e-3)


def test_decay_with_a_nugget_is_that_of_an_independent_program() -> None:
    # tests/references/correlated_errors.R: nlme with corExp and nugget, unequal spacing.
    folder = Path(__file__).parents[1] / "references"
    told = json.loads((folder / "correlated_errors.json").read_text(encoding="utf-8"))
    d = np.genfromtxt(folder / "correlated_errors.csv", delimiter=",", names=True)
    columns = np.column_stack([np.ones(len(d)), d["use"]])
    fit = Correlated(d["response"], columns, columns[:, :1], d["sensor"], d["use"]).fit()
    assert fit.loglik == pytest.approx(told["loglik"], abs=1e-6)
    assert fit.beta[1] == pytest.approx(told["slope"], rel=1e-6)
    assert fit.std_errors[1] == pytest.approx(told["slope_se"], rel=1e-4)
    assert fit.phi == pytest.approx(told["phi"], abs=1e-4)
    assert fit.nugget == pytest.approx(told["nugget"], abs=1e-4)
