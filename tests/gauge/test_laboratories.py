"""Precision over laboratories: a naive twin, unequal numbers, properties, and numbers that cannot answer."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.engine.interlaboratory import precision, relations
from drift.engine.outlying import (
    cochran_critical,
    grubbs_critical,
    grubbs_two_critical,
    mandel_h_critical,
    mandel_k_critical,
)
from tests.gauge.tables import laboratories

S_R, S_r = "reproducibility SD (s_R)", "repeatability SD (s_r)"


def drawn(seed: int = 1, p: int = 8, n: int = 3, *, between: float = 2.0, within: float = 1.0) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    y = 50 + between * rng.normal(size=(p, 1)) + within * rng.normal(size=(p, n))
    i, j = (x.reshape(-1) for x in np.indices(y.shape))
    return pd.DataFrame({"laboratory": [f"L{a}" for a in i], "replicate": [str(b) for b in j],
                         "reading": y.reshape(-1)})


def figures(r: Any) -> dict[str, tuple[float, float, float]]:
    return {e.name: (e.value, e.low, e.high) for e in r.estimates}


def test_one_way_components_are_those_of_a_plain_analysis_of_variance() -> None:
    frame = drawn(2)
    cube = frame["reading"].to_numpy().reshape(8, 3)
    within, between = cube.var(axis=1, ddof=1).mean(), 3 * cube.mean(axis=1).var(ddof=1)
    r = laboratories(frame)
    assert r.estimate(S_r).value == pytest.approx(math.sqrt(within), rel=1e-12)
    assert r.estimate(S_R).value == pytest.approx(math.sqrt(within + (between - within) / 3), rel=1e-12)
    f = stats.f_oneway(*cube).statistic
    assert between / within == pytest.approx(f, rel=1e-10)


def test_the_sd_of_all_results_is_not_the_reproducibility() -> None:
    """Naive twin: pooled over laboratories it takes p n results for independent ones."""
    values = [(laboratories(drawn(s, p=4, n=6)).estimate(S_R).value, drawn(s, p=4,
                                                                           n=6)["reading"].std()) for s in range(60)]
    ours, naive = np.array(values).T
    assert np.sqrt(np.mean(ours**2)) == pytest.approx(math.sqrt(5), rel=0.12)
    assert np.sqrt(np.mean(naive**2)) < np.sqrt(np.mean(ours**2))


@given(seed=st.integers(0, 40), scale=st.sampled_from([1e-3, 6.894757, 1e4]), shift=st.sampled_from([0.0, 1e5]))
@settings(max_examples=10, deadline=None)
def test_order_labels_and_unit_do_not_matter(seed: int, scale: float, shift: float) -> None:
    frame = drawn(seed).drop(index=[0, 5])
    moved = frame.sample(frac=1, random_state=seed).replace({"laboratory": {"L1": "Z", "L2": "A"}})
    moved = moved.assign(reading=scale * (moved["reading"] + shift))
    a, b = figures(laboratories(frame)), figures(laboratories(moved))
    for name, (value, low, high) in a.items():
        offset = scale * shift if name == "general mean (m)" else 0.0
        np.testing.assert_allclose(scale * np.array([value, low, high]) + offset, b[name], rtol=1e-7)


def test_critical_values_follow_from_their_distributions() -> None:
    """Cochran with two laboratories is an F test of two variances; Grubbs and Mandel with three are exact too."""
    f = stats.f.isf(0.025, 4, 4)
    assert cochran_critical(2, 5, 0.05) == pytest.approx(f / (1 + f), rel=1e-9)
    rng = np.random.default_rng(3)
    x = rng.standard_normal((40_000, 6))
    h = (x[:, 0] - x.mean(axis=1)) / x.std(axis=1, ddof=1)
    assert np.mean(np.abs(h) > mandel_h_critical(6, 0.05)) == pytest.approx(0.05, abs=0.0045)
    g = np.abs(x - x.mean(axis=1, keepdims=True)).max(axis=1) / x.std(axis=1, ddof=1)
    assert np.mean(g > grubbs_critical(6, 0.05)) == pytest.approx(0.05, abs=0.0045)
    s2 = rng.chisquare(2, (40_000, 6)) / 2
    k = np.sqrt(s2[:, 0] / s2.mean(axis=1))
    assert np.mean(k > mandel_k_critical(2, 10, 0.05)) == pytest.approx(0.05, abs=0.0045)


def test_outliers_are_named_and_stay() -> None:
    frame = drawn(4, between=0.5)
    frame.loc[frame["laboratory"] == "L3", "reading"] += 15.0
    r = laboratories(frame)
    found = [f for f in r.findings if f.code == "outlier"]
    assert "L3" in found[0].message
    assert "nothing was left out" in found[0].message
    assert r.provenance.accounts[0].used == len(frame)
    assert r.table("laboratories")["results"].sum() == len(frame)


def test_one_result_each_gives_the_reproducibility_alone() -> None:
    frame = drawn(5, n=1)
    r = laboratories(frame)
    assert r.estimate(S_R).value == pytest.approx(frame["reading"].std(), rel=1e-12)
    assert not any(e.name == S_r for e in r.estimates)
    assert any(f.code == "no-replicates" for f in r.findings)


@pytest.mark.parametrize("frame", [drawn(6, p=1), drawn(6).assign(reading=5.0)], ids=["one laboratory", "all equal"])
def test_what_cannot_be_answered_says_why(frame: pd.DataFrame) -> None:
    r = laboratories(frame)
    assert r.answer.startswith("No precision can be stated: ")
    assert math.isnan(r.estimate(S_R).value)
    assert any(f.code == "no-precision" and f.mend for f in r.findings)


def test_the_three_relations_to_the_level_are_found_in_data_that_follow_them() -> None:
    m = np.array([1.0, 3.0, 10.0, 40.0, 100.0])
    first, _, _ = relations(m, 0.02 * m, level=0.95)
    assert first.slope == pytest.approx(0.02, rel=1e-12)
    _, second, _ = relations(m, 0.1 + 0.02 * m, level=0.95)
    assert (second.intercept, second.slope) == pytest.approx((0.1, 0.02), rel=1e-9)
    _, _, third = relations(m, 0.05 * m**0.7, level=0.95)
    assert (third.slope, 10**third.intercept) == pytest.approx((0.7, 0.05), rel=1e-9)


def test_the_interval_of_m_is_that_of_the_means_not_of_the_results() -> None:
    """Naive twin: a t interval over all results is too short when laboratories differ."""
    frame = drawn(7, p=6, n=8, between=3.0)
    y = frame["reading"].to_numpy()
    found = precision(y, pd.factorize(frame["laboratory"])[0], level=0.95)
    naive = 2 * stats.t.isf(0.025, len(y) - 1) * y.std(ddof=1) / math.sqrt(len(y))
    assert found.intervals["m"][1] - found.intervals["m"][0] > 2 * naive


def test_critical_values_exist_for_very_many_laboratories() -> None:
    assert 0.9 < grubbs_two_critical(1200, 0.05) < 1
    assert 0 < grubbs_two_critical(4, 0.05) < 0.001
