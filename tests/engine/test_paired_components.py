"""Differences that share targets and sensors: REML against lme4 and the analysis of variance."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from drift.engine.paired_components import fit_paired

FOLDER = Path(__file__).parents[1] / "references"
ROWS = pd.read_csv(FOLDER / "paired_components.csv")
LME4 = pd.read_csv(FOLDER / "paired_components_lme4.csv")
DESIGNS = ["crossed", "one factor", "nested", "boundary"]


def fit(design: str, *, size: bool):
    rows = ROWS[ROWS.design == design]
    codes = [pd.factorize(rows.target)[0]]
    if design != "one factor":
        codes.append(pd.factorize(rows.sensor)[0])
    X = np.column_stack([np.ones(len(rows)), rows["size"]]) if size else None
    return fit_paired(rows.difference.to_numpy(), codes, X=X)


def reference(design: str, model: str) -> dict[str, float]:
    rows = LME4[(LME4.design == design) & (LME4.model == model)]
    return dict(zip(rows.quantity, rows.value.astype(float), strict=True))


@pytest.mark.parametrize("design", DESIGNS)
@pytest.mark.parametrize("size", [False, True])
def test_reml_equals_lme4_and_its_criterion_is_never_worse(design, size):
    # lme4 stops within about 1e-6 of the optimum in the variances; its criterion is a check of ours from above.
    found, other = fit(design, size=size), reference(design, "size" if size else "1")
    assert found.converged
    assert found.criterion <= other["criterion"] + 1e-8
    assert found.criterion == pytest.approx(other["criterion"], abs=1e-6)
    names = ["target", "Residual"] if design == "one factor" else ["target", "sensor", "Residual"]
    for value, name in zip(found.variances, names, strict=True):
        assert value == pytest.approx(other[f"variance {name}"], rel=2e-5, abs=1e-6)
    for j, name in enumerate(["(Intercept)", "size"][: len(found.beta)]):
        assert found.beta[j] == pytest.approx(other[name], rel=1e-5)
        assert np.sqrt(found.cov_beta[j, j]) == pytest.approx(other[f"se {name}"], rel=2e-5)


def test_balanced_crossed_design_equals_the_analysis_of_variance():
    rng = np.random.default_rng(3)
    t, s = np.repeat(np.arange(7), 12), np.tile(np.repeat(np.arange(4), 3), 7)
    d = rng.normal(size=7)[t] + 2 * rng.normal(size=4)[s] + rng.normal(size=84) + 40
    cell = d.reshape(7, 4, 3)
    ms_t = 12 * np.var(cell.mean((1, 2)), ddof=1)
    ms_s = 21 * np.var(cell.mean((0, 2)), ddof=1)
    ss_e = np.sum((d - d.mean()) ** 2) - 6 * ms_t - 3 * ms_s
    ms_e = ss_e / (83 - 9)
    found = fit_paired(d, [t, s])
    np.testing.assert_allclose(found.variances, [(ms_t - ms_e) / 12, (ms_s - ms_e) / 21, ms_e], rtol=1e-8)
    assert found.strata is not None
    np.testing.assert_allclose(found.strata.mean_squares, [ms_t, ms_s, ms_e], rtol=1e-8)
    np.testing.assert_allclose(found.strata.df, [6, 3, 74])
    assert found.strata.mean_variance == pytest.approx((ms_t + ms_s - ms_e) / 84, rel=1e-8)
    assert found.strata.variance == pytest.approx(found.variances.sum(), rel=1e-10)


def test_nested_sensors_have_their_own_mean_square():
    rng = np.random.default_rng(4)
    t = np.repeat(np.arange(24), 4)
    s = t // 3
    d = rng.normal(size=24)[t] + 2 * rng.normal(size=8)[s] + rng.normal(size=96)
    found = fit_paired(d, [t, s])
    means = d.reshape(8, 3, 4)
    ms_s = 12 * np.var(means.mean((1, 2)), ddof=1)
    ms_t = 4 * np.sum((means.mean(2) - means.mean((1, 2))[:, None]) ** 2) / 16
    assert found.strata is not None
    np.testing.assert_allclose(found.strata.df, [16, 7, 72])
    np.testing.assert_allclose(found.strata.mean_squares[:2], [ms_t, ms_s], rtol=1e-7)
    assert found.strata.mean_variance == pytest.approx(ms_s / 96, rel=1e-7)


@pytest.mark.parametrize("design", DESIGNS)
def test_strata_add_up_to_the_variances_and_the_standard_error(design):
    found = fit(design, size=False)
    assert found.strata is not None
    assert found.strata.variance == pytest.approx(found.variances.sum(), rel=1e-9)
    assert found.strata.mean_variance == pytest.approx(found.cov_beta[0, 0], rel=1e-9)
    np.testing.assert_allclose(found.of_component @ found.strata.mean_squares, found.variances, rtol=1e-9, atol=1e-12)


def test_a_variance_at_zero_is_zero_and_named():
    found = fit("boundary", size=False)
    assert found.variances[1] == 0
    assert found.boundary == (False, True)


def test_large_offset_and_small_unit_do_not_change_the_fit():
    rows = ROWS[ROWS.design == "crossed"]
    codes = [pd.factorize(rows.target)[0], pd.factorize(rows.sensor)[0]]
    d = rows.difference.to_numpy()
    plain, moved = fit_paired(d, codes), fit_paired(1e-3 * d + 1e4, codes)
    np.testing.assert_allclose(moved.variances, 1e-6 * plain.variances, rtol=1e-6)
    assert moved.beta[0] == pytest.approx(1e4 + 1e-3 * plain.beta[0], rel=1e-12)


def test_relabelling_and_order_change_nothing():
    rows = ROWS[ROWS.design == "crossed"].sample(frac=1, random_state=1)
    other = fit_paired(rows.difference.to_numpy(), [pd.factorize(rows.target)[0] * 3 + 7, pd.factorize(rows.sensor)[0]])
    plain = fit("crossed", size=False)
    np.testing.assert_allclose(other.variances, plain.variances, rtol=1e-9)
    assert other.criterion == pytest.approx(plain.criterion, rel=1e-12)


def test_known_variances_are_recovered():
    rng = np.random.default_rng(8)
    t, s = np.repeat(np.arange(60), 40), np.tile(np.arange(40), 60)
    totals = np.zeros(3)
    for _ in range(10):
        d = 2 * rng.normal(size=60)[t] + rng.normal(size=40)[s] + 3 * rng.normal(size=2400)
        totals += fit_paired(d, [t, s]).variances
    error = np.sqrt([2 * 16 / 590, 2 * 1.3 / 390, 2 * 81 / 23000])  # of the mean of ten studies
    assert np.all(np.abs(totals / 10 - [4, 1, 9]) < 4 * error)


def test_very_uneven_numbers_of_pairs_give_the_mean_of_target_means():
    """Weighted by an estimated variance of zero, one long target would decide and be taken as known."""
    code = np.repeat(np.arange(10), [1] * 9 + [30])
    d = np.random.default_rng(1).normal(size=39)
    found = fit_paired(d, [code])
    assert found.unweighted
    assert found.boundary == (True,)
    means = np.bincount(code, weights=d) / np.bincount(code)
    assert found.strata.mean == pytest.approx(means.mean(), rel=1e-12)
    assert found.strata.mean_df == pytest.approx(9)
    # With no variance between targets the variance of the mean of means is that of their readings.
    assert found.strata.mean_variance == pytest.approx(found.variances[1] * np.sum(1 / np.bincount(code)) / 100)
    assert found.strata.variance == pytest.approx(found.variances.sum(), rel=1e-9)
    moved = fit_paired(1e-3 * d + 1e4, [code]).strata
    assert moved.mean == pytest.approx(1e4 + 1e-3 * found.strata.mean, rel=1e-12)
    assert moved.mean_variance == pytest.approx(1e-6 * found.strata.mean_variance, rel=1e-6)


def test_even_numbers_keep_the_weighted_mean_and_equal_ones_the_exact_t():
    rng = np.random.default_rng(4)
    near = np.repeat(np.arange(12), [3] * 6 + [2] * 6)
    d = rng.normal(size=12)[near] + rng.normal(size=30)
    assert not fit_paired(d, [near]).unweighted
    assert fit_paired(d, [near]).strata.mean == pytest.approx(fit_paired(d, [near]).beta[0])
    equal = np.repeat(np.arange(12), 3)
    y = 2 * rng.normal(size=12)[equal] + rng.normal(size=36)
    strata, means = fit_paired(y, [equal]).strata, y.reshape(12, 3).mean(1)
    assert strata.mean_df == pytest.approx(11)
    assert strata.mean_variance == pytest.approx(means.var(ddof=1) / 12, rel=1e-6)
