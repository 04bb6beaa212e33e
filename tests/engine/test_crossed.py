"""REML of crossed layouts and pivotal intervals: against closed forms, lme4, a dense twin and known truth."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine import crossed
from drift.engine.crossed import CrossedDesign, fit_crossed, parametric_bootstrap
from drift.engine.meansquares import classical_intervals, icc_points, two_way
from drift.engine.pivotal import (
    agreement_pivotal,
    build_pivots,
    component_intervals,
    consistency_pivotal,
    difference_interval,
    noise_pivotal,
)
from tests.published_examples import agrees, load

REFERENCES = Path("tests/references")
LAYOUTS = ("ten percent missing", "quarter missing", "unequal replicates", "replicates and missing",
           "no facet difference", "more facets than targets")


def design_of(table: np.ndarray) -> CrossedDesign:
    rows, cols = np.nonzero(np.isfinite(table))
    return CrossedDesign.build(table[rows, cols], rows, cols)


def layout(name: str) -> CrossedDesign:
    d = pd.read_csv(REFERENCES / "crossed_layouts.csv")
    d = d[d["layout"] == name]
    return CrossedDesign.build(d["reading"], pd.factorize(d["target"])[0], pd.factorize(d["facet"])[0])


def drawn(seed: int, n: int = 12, k: int = 3, missing: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    y = 2 * rng.normal(size=(n, 1)) + rng.normal(size=(1, k)) + rng.normal(size=(n, k))
    gone = rng.random((n, k)) < missing
    gone[:, 0] = False  # every target keeps a link
    y[gone] = np.nan
    return y


def test_penicillin_as_printed_and_to_the_closed_form() -> None:
    """Bates (2010), lme4 book, penicillin; the table is complete, so REML has a closed form."""
    example = load("lme4-penicillin-crossed")
    d = example.frame()
    fit = fit_crossed(CrossedDesign.build(d["diameter"], pd.factorize(d["plate"])[0], pd.factorize(d["sample"])[0]))
    expected, exact = example.expected["reml"], example.recomputed["reml_closed_form"]
    for found, key in zip(fit.variances[[0, 1, 3]], ("plate", "sample", "residual"), strict=True):
        assert found == pytest.approx(exact[f"var_{key}"], rel=1e-8)
        assert agrees(math.sqrt(found), expected[f"sd_{key}"])
    assert agrees(fit.criterion, expected["criterion"])
    assert agrees(fit.mean, expected["intercept"])
    assert agrees(fit.std_error, expected["se"])
    # lme4's optimiser stopped 6e-5 (relative) from the closed form of the sample variance.
    assert fit.criterion <= example.recomputed["lme4"]["criterion"] + 1e-6


@pytest.mark.parametrize("name", LAYOUTS)
def test_missing_and_repeated_cells_as_lme4_fits_them(name: str) -> None:
    """lme4 1.1-31 with a tight optimiser, tests/references/crossed_reml.R; its variances hold about six digits."""
    stored = pd.read_csv(REFERENCES / "crossed_reml.csv").set_index(["layout", "component"])["value"]
    fit = fit_crossed(layout(name))
    for part, found in zip(crossed.COMPONENTS, fit.variances, strict=True):
        if (name, part) in stored.index:
            assert found == pytest.approx(stored[name, part], rel=3e-5, abs=1e-6)
    assert fit.criterion == pytest.approx(stored[name, "criterion"], rel=1e-9)
    assert fit.criterion <= stored[name, "criterion"] + 1e-7
    assert fit.mean == pytest.approx(stored[name, "mean"], rel=1e-7)
    assert fit.std_error == pytest.approx(stored[name, "std_error"], rel=1e-5)
    assert fit.converged


def test_zero_components_are_named() -> None:
    assert fit_crossed(layout("no facet difference")).boundary == ("facet",)
    assert fit_crossed(layout("replicates and missing")).boundary == ("facet",)
    assert fit_crossed(layout("ten percent missing")).boundary == ()


def test_complete_table_gives_the_mean_square_estimates() -> None:
    y = drawn(4, 15, 4)
    fit, parts = fit_crossed(design_of(y)), two_way(y).components()
    assert fit.variances[[0, 1, 3]] == pytest.approx([parts["target"], parts["facet"], parts["residual"]], rel=1e-9)


def test_complete_replicates_give_the_mean_square_estimates() -> None:
    rng = np.random.default_rng(8)
    y = (2 * rng.normal(size=(9, 1, 1)) + rng.normal(size=(1, 4, 1)) + rng.normal(size=(9, 4, 1))
         + rng.normal(size=(9, 4, 3)))
    i, j, _ = np.indices(y.shape)
    fit = fit_crossed(CrossedDesign.build(y.ravel(), i.ravel(), j.ravel()))
    assert fit.variances == pytest.approx(list(two_way(y).components().values()), rel=1e-8)


def test_criterion_is_the_dense_restricted_likelihood() -> None:
    """Naive twin: the N x N covariance matrix written out."""
    d = layout("replicates and missing")
    fit = fit_crossed(d)
    raw = pd.read_csv(REFERENCES / "crossed_layouts.csv")
    raw = raw[raw["layout"] == "replicates and missing"]
    a, b = pd.factorize(raw["target"])[0], pd.factorize(raw["facet"])[0]
    va, vb, vc, ve = fit.variances
    same_a, same_b = a[:, None] == a, b[:, None] == b
    v = va * same_a + vb * same_b + vc * (same_a & same_b) + ve * np.eye(len(a))
    inverse = np.linalg.inv(v)
    y = raw["reading"].to_numpy()
    info = inverse.sum()
    mean = (inverse @ y).sum() / info
    r = y - mean
    dense = (np.linalg.slogdet(v)[1] + math.log(info) + r @ inverse @ r + (len(y) - 1) * math.log(2 * math.pi))
    assert fit.criterion == pytest.approx(dense, rel=1e-10)
    assert fit.mean == pytest.approx(mean, rel=1e-10)
    assert fit.std_error == pytest.approx(1 / math.sqrt(info), rel=1e-8)


def test_gradient_is_exact() -> None:
    batch, _ = crossed._batch(layout("unequal replicates"), layout("unequal replicates").means[None],
                              np.array([layout("unequal replicates").ss_within]))
    at = np.array([[3.0, 0.7, 0.4]])
    grad = crossed._evaluate(batch, at)[1][0]
    for i in range(3):
        step = np.zeros((1, 3))
        step[0, i] = 1e-5
        slope = (crossed._evaluate(batch, at + step)[0] - crossed._evaluate(batch, at - step)[0])[0] / 2e-5
        assert grad[i] == pytest.approx(slope, rel=1e-6)


def test_dropping_incomplete_targets_loses_what_reml_keeps() -> None:
    """Naive twin: listwise deletion leaves four targets of twelve and another answer."""
    y = drawn(21, 12, 3)
    for i in range(8):
        y[i, 1 + i % 2] = np.nan
    fit = fit_crossed(design_of(y))
    whole = two_way(y[np.isfinite(y).all(axis=1)]).components()
    assert abs(fit.variances[0] - whole["target"]) > 0.2 * fit.variances[0]
    errors = []
    for seed in range(60):
        full = drawn(1000 + seed, 12, 3)
        cut = full.copy()
        for i in range(8):
            cut[i, 1 + i % 2] = np.nan
        kept = cut[np.isfinite(cut).all(axis=1)]
        errors.append((fit_crossed(design_of(cut)).variances[0] - 4, two_way(kept).components()["target"] - 4))
    reml, listwise = np.sqrt(np.mean(np.square(errors), axis=0))
    assert reml < 0.8 * listwise


def test_bootstrap_refits_recover_the_truth() -> None:
    d = layout("ten percent missing")
    truth = np.array([36.0, 4.0, 0.0, 9.0])
    draws = parametric_bootstrap(d, truth, 400, np.random.default_rng(2))
    error = draws.std(axis=0) / 20
    assert abs(draws[:, 0].mean() - 36) < 4 * error[0]
    assert abs(draws[:, 3].mean() - 9) < 4 * error[3]
    assert np.all(draws[:, 2] == 0)
    single = CrossedDesign(counts=d.counts, means=d.means, ss_within=d.ss_within, shift=0.0)
    assert fit_crossed(single).variances == pytest.approx(fit_crossed(d).variances, rel=1e-12)


def test_turned_table_turns_the_answer() -> None:
    d = layout("quarter missing")
    turned = CrossedDesign(counts=d.counts.T, means=d.means.T, ss_within=d.ss_within, shift=d.shift)
    assert fit_crossed(turned).variances[[1, 0, 2, 3]] == pytest.approx(fit_crossed(d).variances, rel=1e-7)


def test_unlinked_parts_are_found_and_refused() -> None:
    table = np.full((5, 4), np.nan)
    table[:3, :2] = [[1, 2], [3, 5], [2, 2.5]]
    table[3:, 2:] = [[4, 1], [2, 7]]
    islands = design_of(table).islands()
    assert [(list(r), list(c)) for r, c in islands] == [([0, 1, 2], [0, 1]), ([3, 4], [2, 3])]
    with pytest.raises(ValueError, match="not connected"):
        fit_crossed(design_of(table))


def test_pivotal_interval_of_a_complete_table_is_the_simulated_one() -> None:
    """Naive twin: 200,000 random pivotal draws from the three mean squares (Krishnamoorthy & Mathew 2009)."""
    y = drawn(5, 20, 3)
    s, rng, b = two_way(y), np.random.default_rng(1), 200_000
    e = s.ms_residual * s.df[2] / rng.chisquare(s.df[2], b)
    t = np.maximum((s.ms_target * s.df[0] / rng.chisquare(s.df[0], b) - e) / s.k, 0)
    f = np.maximum((s.ms_facet * s.df[1] / rng.chisquare(s.df[1], b) - e) / s.n, 0)
    p, tails = build_pivots(design_of(y)), [0.025, 0.975]
    assert agreement_pivotal(p, 0.95) == pytest.approx(np.quantile(t / (t + f + e), tails), abs=0.004)
    parts = component_intervals(p, 0.95)
    assert parts["target"] == pytest.approx(np.quantile(t, tails), rel=0.01)
    assert parts["facet"] == pytest.approx(np.quantile(f, tails), rel=0.03)
    assert noise_pivotal(p, 0.95) == pytest.approx(np.quantile(f + e, tails), rel=0.03)


def test_consistency_interval_is_the_f_interval_on_complete_tables() -> None:
    y = drawn(6, 14, 4)
    assert consistency_pivotal(build_pivots(design_of(y)), 0.95) == pytest.approx(
        classical_intervals(two_way(y), 0.95)["ICC(C,1)"], rel=1e-9)


def test_consistency_interval_with_missing_cells_holds_its_level() -> None:
    """Exact by theory (Harville & Fenech 1985): the true value lies outside in 5 % of studies."""
    hits, rho = 0, 0.8
    for seed in range(400):
        low, high = consistency_pivotal(build_pivots(design_of(drawn(seed, 12, 3, 0.2))), 0.95)
        hits += low <= rho <= high
    assert abs(hits / 400 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 400)


def test_agreement_interval_with_missing_cells_and_two_levels_holds() -> None:
    """Where resampling targets covers 0.73 to 0.78; generalised intervals are meant to be conservative."""
    hits, rho = 0, 4 / 6
    for seed in range(100):
        low, high = agreement_pivotal(build_pivots(design_of(drawn(seed, 20, 2, 0.1))), 0.95)
        hits += low <= rho <= high
    assert hits / 100 > 0.95 - 4 * math.sqrt(0.95 * 0.05 / 100)


def test_difference_interval_holds_zero_when_nothing_is_left() -> None:
    low, high = difference_interval((1.0, 10), (6.0, 100), 1 / 6, 0.95)
    assert low == 0
    assert 0 < high < 3


@settings(deadline=None, max_examples=15, derandomize=True)
@given(st.integers(0, 5000), st.floats(0.01, 100))
def test_order_labels_and_unit_change_nothing(seed: int, factor: float) -> None:
    y = drawn(seed, 9, 3, 0.15)
    rng = np.random.default_rng(seed)
    moved = (factor * y + 17)[rng.permutation(9)][:, rng.permutation(3)]
    a, b = fit_crossed(design_of(y)), fit_crossed(design_of(moved))
    assert b.variances / factor**2 == pytest.approx(a.variances, rel=1e-5, abs=1e-7)
    one, two = build_pivots(design_of(y)), build_pivots(design_of(moved))
    assert agreement_pivotal(two, 0.9) == pytest.approx(agreement_pivotal(one, 0.9), rel=1e-5, abs=1e-7)


@settings(deadline=None, max_examples=15, derandomize=True)
@given(st.integers(0, 5000), st.floats(0.5, 0.97))
def test_higher_level_widens(seed: int, level: float) -> None:
    p = build_pivots(design_of(drawn(seed, 9, 3, 0.15)))
    for interval in (agreement_pivotal, consistency_pivotal, noise_pivotal):
        inner, outer = interval(p, level), interval(p, level + 0.02)
        assert outer[0] <= inner[0] <= inner[1] <= outer[1]


def test_reml_equals_classical_values_on_complete_tables() -> None:
    y = drawn(9, 18, 3)
    v = fit_crossed(design_of(y)).variances
    points = icc_points(two_way(y))
    assert v[0] / v.sum() == pytest.approx(points["ICC(A,1)"], rel=1e-8)


def test_a_target_code_without_readings_is_an_island_of_its_own() -> None:
    """A gap in the codes leaves an empty row: it links to nothing, and the search for links must still end."""
    design = CrossedDesign.build(np.arange(4.0), np.array([0, 0, 2, 2]), np.array([0, 1, 0, 1]))
    assert [rows.tolist() for rows, _ in design.islands()] in ([[0, 2], [1]], [[0, 1]])
