"""The batched parametric bootstrap refits what it draws, as a loop over single fits would."""

from __future__ import annotations

import numpy as np
import pytest

import drift.engine.mixed_bootstrap as module
from drift.engine.mixed import NestedDesign, fit_mixed, fixed_intervals, parametric_bootstrap, variance_intervals
from drift.engine.nested_likelihood import relative_factors
from tests.engine.mixed_designs import NAMES, arrays, design


def drawn_rows(built: NestedDesign, fit, child: np.random.Generator) -> np.ndarray:  # type: ignore[no-untyped-def]
    """The response of one replicate, row by row, from the same random numbers (sorted designs only)."""
    assert built.order is None
    effects = child.standard_normal(sum(level.n_nodes * level.size for level in built.levels))
    rows = fit.sigma * child.standard_normal(built.n_rows)
    at = 0
    for level, factor in zip(built.levels, relative_factors(built.levels, fit.theta[None]), strict=True):
        own = effects[at : at + level.n_nodes * level.size].reshape(level.n_nodes, level.size)
        at += own.size
        node = np.searchsorted(level.starts, np.arange(built.n_rows), side="right") - 1
        columns = np.column_stack([np.ones(built.n_rows) if c is None else c for c in built.columns]) @ level.map
        rows = rows + fit.sigma * np.einsum("nq,nq->n", columns, (own @ factor[0].T)[node])
    return rows


@pytest.mark.parametrize("name", NAMES)
def test_replicates_are_the_single_fits_of_their_rows(name: str) -> None:
    """Refits stop when the criterion would fall by less than 1e-10, so variances agree to about 1e-4 of their error."""
    y, x, levels = arrays(name)
    built = NestedDesign.build(y, x, levels)
    fit = fit_mixed(built)
    found = parametric_bootstrap(built, fit, 12, np.random.default_rng(11))
    assert found.converged.all()
    for k, child in enumerate(np.random.default_rng(11).spawn(12)):
        rows = drawn_rows(built, fit, child)
        single = fit_mixed(NestedDesign.build(rows + x @ fit.beta, x, levels))
        assert found.criterion[k] == pytest.approx(single.criterion, abs=1e-7)
        np.testing.assert_allclose(found.beta[k], single.beta, rtol=1e-4)
        np.testing.assert_allclose(found.sigma2[k], single.sigma2, rtol=1e-4)
        for mine, theirs in zip(found.covariances, single.covariances, strict=True):
            np.testing.assert_allclose(mine[k], theirs, atol=2e-4 * max(single.sigma2, np.abs(theirs).max()))


def test_chunks_and_threads_change_no_number(monkeypatch: pytest.MonkeyPatch) -> None:
    built = design("line occasion")
    fit = fit_mixed(built)
    one = parametric_bootstrap(built, fit, 30, np.random.default_rng(2), workers=1)
    monkeypatch.setattr(module, "CHUNK_VALUES", 400)
    other = parametric_bootstrap(built, fit, 30, np.random.default_rng(2), workers=3)
    np.testing.assert_allclose(other.sigma2, one.sigma2, rtol=1e-9)
    np.testing.assert_allclose(other.beta, one.beta, rtol=1e-9)
    fewer = parametric_bootstrap(built, fit, 10, np.random.default_rng(2))
    np.testing.assert_allclose(fewer.beta, one.beta[:10], rtol=1e-9)


def test_bootstrap_recovers_the_fit_it_draws_from() -> None:
    """REML is unbiased inside the parameter space: means within four Monte-Carlo standard errors."""
    rng = np.random.default_rng(17)
    sensor, use = np.repeat(np.arange(24), 36), np.tile(np.repeat(np.arange(12.0), 3), 24)
    occasion = np.repeat(np.arange(24 * 12), 3)
    one, x = np.ones(len(use)), np.column_stack([np.ones(len(use)), use])
    y = 3 - 0.02 * use + 0.3 * rng.standard_normal(24)[sensor] + (0.02 * rng.standard_normal(24))[sensor] * use
    y += 0.05 * rng.standard_normal(24 * 12)[occasion] + 0.05 * rng.standard_normal(len(use))
    built = NestedDesign.build(y, x, [(x, sensor), (one, occasion)])
    fit = fit_mixed(built)
    found = parametric_bootstrap(built, fit, 600, rng)
    for drawn, true in [(found.sigma2, fit.sigma2), (found.covariances[1][:, 0, 0], fit.covariances[1][0, 0])] + [
        (found.covariances[0][:, i, j], fit.covariances[0][i, j]) for i, j in ((0, 0), (0, 1), (1, 1))
    ]:
        assert abs(drawn.mean() - true) < 4 * drawn.std() / np.sqrt(600)
    np.testing.assert_allclose(found.beta.std(axis=0), fit.std_error, rtol=4 / np.sqrt(2 * 600))
    ends = fixed_intervals(built, fit, level=0.9)
    assert 0.85 < np.mean((found.beta[:, 1] > ends.low[1]) & (found.beta[:, 1] < ends.high[1])) < 0.95


def test_bootstrap_intervals_need_a_generator() -> None:
    built = design("line")
    with pytest.raises(ValueError, match="needs rng"):
        variance_intervals(built, fit_mixed(built), method="bootstrap")


def test_bootstrap_intervals_name_themselves_and_hold_the_estimate() -> None:
    built = design("line occasion")
    fit = fit_mixed(built)
    found = variance_intervals(built, fit, 0.9, np.random.default_rng(4), method="bootstrap", n=200)
    assert found.method == "REML, parametric bootstrap percentile interval (200 refits)"
    assert (found.low <= found.estimate).all()
    assert (found.estimate <= found.high).all()
