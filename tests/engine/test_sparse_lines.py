"""REML of lines of sensors with few checks, and the bootstrap-t bound made from it."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.mixed import fit_mixed
from drift.engine.nested import NestedDesign
from drift.engine.sparse_lines import (
    LineModel,
    SparseBound,
    fit_line_models,
    simulate_checks,
    sparse_bounds,
    summarise_checks,
)

CHECKS = np.arange(0.0, 31.0, 5.0)


def study(seed: int = 1, n: int = 20, short: int = 6, sd: float = 0.004) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.tile(CHECKS, (n, 1))
    x[:short - 1, 2:] = np.nan
    x[short - 1, 1:] = np.nan
    y = rng.normal(0, 0.03, n)[:, None] + rng.normal(0.02, sd, n)[:, None] * x + rng.normal(0, 0.03, x.shape)
    return x, y


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_fit_is_the_reml_fit_of_the_mixed_model_engine(seed: int) -> None:
    x, y = study(seed)
    c = summarise_checks(x, y)
    ours = fit_line_models(c)
    here = np.isfinite(x)
    X = np.column_stack([np.ones(here.sum()), x[here] / c.scale])
    theirs = fit_mixed(NestedDesign.build(y[here], X, [(X, np.repeat(np.arange(len(x)), here.sum(1)))]))
    assert [float(ours.beta0), float(ours.beta1)] == pytest.approx(list(theirs.beta), rel=1e-5, abs=1e-7)
    d = theirs.covariances[0]
    assert [float(v) for v in (ours.d00, ours.d01, ours.d11, ours.sigma2)] == pytest.approx(
        [d[0, 0], d[0, 1], d[1, 1], theirs.sigma2], rel=2e-4, abs=1e-8)


def test_many_data_sets_at_once_are_each_fitted_as_alone() -> None:
    x, _ = study()
    y = np.stack([study(s)[1] for s in range(5)])
    together = fit_line_models(summarise_checks(x, y))
    for i in range(5):
        alone = fit_line_models(summarise_checks(x, y[i]))
        assert float(alone.d11) == pytest.approx(float(together.d11[i]), rel=1e-5)


def test_drawn_sufficient_statistics_are_those_of_drawn_checks() -> None:
    x, y = study()
    c = summarise_checks(x, y)
    fit = fit_line_models(c)
    drawn = simulate_checks(c, fit, 20_000, np.random.default_rng(1))
    rng = np.random.default_rng(2)
    cov = np.array([[float(fit.d00), float(fit.d01)], [float(fit.d01), float(fit.d11)]])
    b = rng.multivariate_normal([float(fit.beta0), float(fit.beta1)], cov, (20_000, len(x)))
    e = rng.normal(0, float(np.sqrt(fit.sigma2)), (20_000, *x.shape))
    plain = summarise_checks(x, b[..., :1] + b[..., 1:] * x / c.scale + e)
    for name in ("d0", "d1", "rss"):
        ours, theirs = getattr(drawn, name), getattr(plain, name)
        error = np.sqrt((ours.var(0) + theirs.var(0)) / 20_000) + 1e-12
        assert (np.abs(ours.mean(0) - theirs.mean(0)) < 5 * error).all()
        assert np.allclose(ours.std(0), theirs.std(0), rtol=0.05, atol=1e-9)


def test_without_spread_between_sensors_most_refits_have_none() -> None:
    x, y = study(sd=0.0)
    y = y - np.nanmean(y, axis=1, keepdims=True) + 0.02 * np.nanmean(x, axis=1, keepdims=True)
    bound = sparse_bounds(summarise_checks(x, y[None]), content=0.9, confidence=0.95, relative=False,
                          rng=np.random.default_rng(1), n_sets=200)[0]
    assert bound.factor(10.0)[1] > 0.02


def one_bound(y: np.ndarray, x: np.ndarray, *, relative: bool = False, seed: int = 1) -> SparseBound:
    return sparse_bounds(summarise_checks(x, y[None]), content=0.9, confidence=0.95, relative=relative,
                         rng=np.random.default_rng(seed), n_sets=400)[0]


def test_the_bound_leaves_the_limit_at_its_crossing() -> None:
    x, y = study()
    bound = one_bound(y, x)
    at = bound.crossing(0.5, 40.0)
    assert bound.bound(at) <= 0.5 < bound.bound(at + 0.01)
    assert bound.crossing(10.0, 40.0) == np.inf
    assert bound.crossing(-1.0, 40.0) == -1.0
    relative = one_bound(y, x, relative=True)
    assert relative.bound(relative.crossing(0.5, 40.0)) == pytest.approx(0.5)


def test_it_asks_for_more_than_the_plug_in_quantile() -> None:
    x, y = study()
    assert one_bound(y, x).factor(20.0)[0] > 1.5 > 1.2816


@given(factor=st.floats(0.01, 100), shift=st.floats(-3, 3))
@settings(max_examples=10, deadline=None)
def test_units_of_exposure_and_of_the_value_do_not_matter(factor: float, shift: float) -> None:
    x, y = study(4)
    one, two = one_bound(y, x), one_bound(factor * y + shift, 7 * x)
    assert two.crossing(factor * 0.5 + shift, 280.0) == pytest.approx(7 * one.crossing(0.5, 40.0), rel=1e-3)


def test_a_part_of_a_model_is_a_model() -> None:
    many = LineModel(*(np.arange(3.0) for _ in range(6)), 1.0)
    assert float(many.part(2).beta1) == 2.0
