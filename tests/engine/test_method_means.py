"""Limits with the mean, joint strata and simultaneous tails: published values, R, naive twins, properties."""

from __future__ import annotations

import csv
import math
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.limits_of_agreement import MULTIPLIER, one_stratum, upper_limit_bound
from drift.engine.mean_limits import mean_limit, published_limit
from drift.engine.method_means import (
    JointStrata,
    bonferroni_tails,
    complete_strata,
    consistent_means,
    from_variogram,
    gapped_contrast,
    mean_contrast,
    method_pairs,
    orthonormal,
    pair_contrast,
    sampled_squares,
    simultaneous_tails,
)
from drift.engine.method_variances import variogram
from tests.published_examples import agrees, load

REFERENCE = Path(__file__).parents[1] / "references" / "several_methods.csv"


@cache
def reference() -> dict[tuple[str, str], float]:
    with REFERENCE.open(encoding="utf-8", newline="") as handle:
        rows = [r for r in csv.DictReader(handle) if r["data"] != "versions"]
    return {(r["data"], r["quantity"]): float(r["value"]) for r in rows}


def blood_pressure(data: str) -> np.ndarray:
    """Return the tables that the R script fits: three first readings or four columns of 40 people, with gaps or not."""
    rows = load("bland-altman-1999-sbp").frame()
    wide = rows.pivot_table(index="subject", columns=["method", "replicate"], values="sbp")
    columns = [("J", 1), ("R", 1), ("S", 1), ("S", 2)][: 3 if data.startswith("three") else 4]
    table = wide[columns].to_numpy(float)
    if data.startswith("four"):
        table = table[:40]
    if data.endswith("gaps"):
        subject, place = np.arange(1, len(table) + 1)[:, None], np.arange(1, table.shape[1] + 1)
        table = np.where((subject * 7 + place * 3) % 5 == 0, np.nan, table)
        table = table[np.isfinite(table).sum(axis=1) > 1]
    return table


def simulated(n: int, k: int, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 5 * rng.standard_normal((n, 1)) + np.linspace(0, 1, k) + np.linspace(0.5, 2, k) * rng.standard_normal((n, k))


def test_limits_with_the_mean_of_five_readers_are_the_published_ones() -> None:
    # Christensen et al. (2020) on the tumour sizes of Jones et al. (2011)
    example = load("jones-2011-tumour-size")
    rows = example.frame()
    table = rows.pivot_table(index="lesion", columns="reader", values="size").to_numpy()
    found = published_limit(table, 0.95)
    assert agrees(found.limit, example.expected["limit"])
    assert agrees(found.low, example.expected["asymmetric"][0])
    assert agrees(found.high, example.expected["asymmetric"][1])
    strata = complete_strata(table)
    between = 40 * np.var(table.mean(axis=0), ddof=1)
    residual = np.trace(strata.matrices[0]) / 4
    assert agrees(math.sqrt((between - residual) / 40), example.expected["sigma_B"])
    assert agrees(math.sqrt(residual), example.expected["sigma_E"])


def test_the_published_limit_is_the_root_mean_square_deviation_from_the_mean() -> None:
    table = simulated(12, 4)
    d = table - table.mean(axis=1, keepdims=True)
    assert published_limit(table, 0.95).limit == pytest.approx(1.96 * math.sqrt(np.mean(d**2)), rel=1e-12)


@pytest.mark.parametrize("data", ["three", "four"])
def test_limits_with_the_mean_are_those_of_r(data: str) -> None:
    found = published_limit(blood_pressure(data), 0.95)
    for name, value in (("limit", found.limit), ("limit low", found.low), ("limit high", found.high)):
        assert value == pytest.approx(reference()[data, name], rel=1e-8)


def test_named_methods_are_not_a_sample_and_their_interval_is_shorter_where_means_differ() -> None:
    table = blood_pressure("three")
    ours, published = mean_limit(complete_strata(table), 0.95), published_limit(table, 0.95)
    assert ours.limit == pytest.approx(published.limit, rel=1e-12)
    assert ours.low < ours.limit < ours.high
    assert ours.high - ours.low < 0.2 * (published.high - published.low)  # 3 methods say little about others


@given(st.integers(0, 2**32 - 1), st.integers(3, 30), st.integers(3, 6))
@settings(max_examples=40, deadline=None)
def test_every_contrast_of_complete_strata_is_the_plain_analysis(seed: int, n: int, k: int) -> None:
    table = simulated(n, k, seed)
    strata = complete_strata(table)
    for c in [pair_contrast(k, i, j) for i, j in method_pairs(k)] + [mean_contrast(k, 0, others=True)]:
        mine, plain = strata.of_contrast(c), one_stratum(table @ c)
        assert mine.mean == pytest.approx(plain.mean, rel=1e-9, abs=1e-9)
        assert mine.variance == pytest.approx(plain.variance, rel=1e-9)
        assert mine.mean_variance == pytest.approx(plain.mean_variance, rel=1e-9)


@given(st.integers(0, 2**32 - 1), st.permutations(range(4)))
@settings(max_examples=25, deadline=None)
def test_order_of_methods_and_unit_change_nothing_but_names(seed: int, order: list[int]) -> None:
    table = simulated(9, 4, seed)
    one, other = complete_strata(table), complete_strata(10 * table[:, order] + 3)
    assert other.mean == pytest.approx(10 * one.mean[order], rel=1e-9, abs=1e-9)
    assert mean_limit(other, 0.95).high == pytest.approx(10 * mean_limit(one, 0.95).high, rel=1e-6)


def test_a_mean_contrast_against_all_is_smaller_than_against_the_others() -> None:
    assert mean_contrast(4, 1, others=False) == pytest.approx(0.75 * mean_contrast(4, 1, others=True))
    assert mean_contrast(4, 1, others=True).sum() == pytest.approx(0)


def test_a_variogram_gives_its_matrix_back_and_an_impossible_one_the_nearest() -> None:
    matrix = complete_strata(simulated(15, 5)).matrices[0]
    assert from_variogram(variogram(matrix)) == pytest.approx(matrix, abs=1e-9)
    impossible = np.array([[0.0, 1, 1], [1, 0, 9], [1, 9, 0]])  # a side longer than the two others
    assert np.linalg.eigvalsh(from_variogram(impossible))[0] > -1e-12


def test_consistent_means_of_complete_pairs_are_the_plain_ones_and_ignore_pairs_that_never_met() -> None:
    table = simulated(10, 4)
    mean = table.mean(axis=0)
    d = mean[:, None] - mean[None, :]
    v = np.ones((4, 4))
    assert consistent_means(d, v) == pytest.approx(mean - mean.mean(), rel=1e-9)
    d[0, 1] = d[1, 0] = np.nan
    assert consistent_means(d, v) == pytest.approx(mean - mean.mean(), rel=1e-9)


def test_a_gapped_contrast_without_gaps_is_the_plain_one() -> None:
    table = simulated(14, 4)
    c = mean_contrast(4, 2, others=True)
    strata = complete_strata(table)
    found, plain = gapped_contrast(table, strata.matrices[0], c), one_stratum(table @ c)
    assert found.mean == pytest.approx(plain.mean, rel=1e-9)
    assert found.variance == pytest.approx(plain.variance, rel=1e-9)
    assert found.mean_variance == pytest.approx(plain.mean_variance, rel=1e-9)
    assert found.df[0] == pytest.approx(13)


def test_gaps_are_used_the_mean_is_better_known_than_from_complete_targets() -> None:
    table = simulated(30, 3)
    table[:12, 2] = np.nan
    pairs = {(i, j): one_stratum((table[:, i] - table[:, j])[np.isfinite(table[:, i] - table[:, j])])
             for i, j in method_pairs(3)}
    squares = np.zeros((3, 3))
    for (i, j), s in pairs.items():
        squares[i, j] = squares[j, i] = s.variance
    c = mean_contrast(3, 0, others=True)
    found = gapped_contrast(table, from_variogram(squares), c)
    assert found.mean_variance < one_stratum(table[12:] @ c).mean_variance


def test_simultaneous_tails_lie_between_bonferroni_and_a_single_one() -> None:
    table = simulated(12, 4)
    strata = complete_strata(table)
    contrasts = [pair_contrast(4, i, j) for i, j in method_pairs(4)]
    tails = simultaneous_tails(strata, contrasts, 0.95, np.random.default_rng(1))
    least = bonferroni_tails(6, 0.95)
    assert least.bias < tails.bias < 0.025
    assert least.limits <= tails.limits < 0.025
    assert least.outer <= tails.outer < 0.05
    assert tails.limits < tails.outer < 2.5 * tails.limits


def test_one_contrast_needs_no_adjustment_and_methods_that_move_together_hardly_any() -> None:
    rng = np.random.default_rng(2)
    one = simultaneous_tails(complete_strata(simulated(20, 3)), [pair_contrast(3, 0, 1)], 0.95, rng)
    assert one.bias == pytest.approx(0.025, abs=0.002)
    shared = 3 * rng.standard_normal((20, 1))
    table = np.hstack([shared + 0.01 * rng.standard_normal((20, 3)), np.zeros((20, 1))])  # three against one
    alike = simultaneous_tails(complete_strata(table), [pair_contrast(4, j, 3) for j in range(3)], 0.95, rng)
    assert alike.bias == pytest.approx(0.025, abs=0.003)
    assert alike.bias > 2.5 * bonferroni_tails(3, 0.95).bias


def test_all_intervals_together_hold_where_single_ones_do_not() -> None:
    # naive twin: 95 % intervals of each of the 15 pairs of six methods
    rng = np.random.default_rng(3)
    k, n, studies = 6, 15, 200
    contrasts = [pair_contrast(k, i, j) for i, j in method_pairs(k)]
    held = np.zeros(2)
    for _ in range(studies):
        strata = complete_strata(rng.standard_normal((n, k)))
        tails = simultaneous_tails(strata, contrasts, 0.95, rng, n_draws=500)
        for which, tail in enumerate((tails.outer, 0.05)):
            held[which] += all(upper_limit_bound(strata.of_contrast(c), 1 - tail) > MULTIPLIER * math.sqrt(2)
                               for c in contrasts[:5])
    assert held[0] / studies > 0.95 - 4 * math.sqrt(0.05 * 0.95 / studies)
    assert held[1] / studies < 0.90


def test_sampled_squares_have_their_mean_and_spread_also_with_fewer_degrees_than_methods() -> None:
    matrix = orthonormal(4).T @ complete_strata(simulated(30, 4)).matrices[0] @ orthonormal(4)
    for df in (2.0, 9.0):
        drawn = sampled_squares(matrix, df, 40_000, np.random.default_rng(4))
        assert drawn.mean(axis=0) == pytest.approx(matrix, rel=0.05, abs=0.05 * matrix.max())
        assert np.var(drawn[:, 0, 0]) == pytest.approx(2 * matrix[0, 0] ** 2 / df, rel=0.06)


def test_own_squares_of_unlinked_replicates_enter_by_their_contrast() -> None:
    strata = JointStrata(np.array([0.5, -0.5, 0.0]), complete_strata(simulated(8, 3)).matrices, np.array([7.0]),
                         np.ones(1), np.array([1 / 8]), own=np.array([1.0, 4.0, 9.0]), own_df=np.array([8.0, 8.0, 0.0]),
                         own_total=np.array([0.5, 0.5, 0.0]))
    found = strata.of_contrast(pair_contrast(3, 0, 1))
    base = JointStrata(strata.mean, strata.matrices, strata.df, strata.total, strata.of_mean)
    assert found.variance == pytest.approx(base.of_contrast(pair_contrast(3, 0, 1)).variance + 0.5 * 1 + 0.5 * 4)
    assert list(found.df) == [7.0, 8.0, 8.0]
    tails = simultaneous_tails(strata, [pair_contrast(3, 0, 1), pair_contrast(3, 0, 2)], 0.95, np.random.default_rng(5))
    assert 0.0125 <= tails.bias <= 0.025
