"""Joint draws and exact tests of two layouts with the same targets: against R and known distributions."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from drift.engine.crossed import CrossedDesign
from drift.engine.paired_reliability import (
    NO_LINK,
    Link,
    Links,
    correlated_variances,
    correlation,
    effects,
    find_links,
    holm,
    independent_variances,
    interval_and_p,
    joint_draws,
    paired_chi_squares,
)
from drift.engine.pivotal import build_pivots

FOLDER = Path(__file__).parents[1] / "references"


def reference(layout: str) -> dict[str, float]:
    with (FOLDER / "repeated_uses.csv").open(encoding="utf-8") as file:
        return {r["quantity"]: float(r["value"]) for r in csv.DictReader(file) if r["layout"] == layout}


def two_levels() -> list[CrossedDesign]:
    """The two levels that R was given."""
    with (FOLDER / "repeated_uses_data.csv").open(encoding="utf-8") as file:
        rows = [r for r in csv.DictReader(file) if r["layout"] == "two levels"]
    made = []
    for level in "ab":
        own = [r for r in rows if r["level"] == level]
        codes = [np.unique([r[c] for r in own], return_inverse=True)[1] for c in ("target", "use")]
        made.append(CrossedDesign.build([float(r["reading"]) for r in own], *codes))
    return made


def drawn(seed: int, n: int, k: int, r: float) -> list[CrossedDesign]:
    """Two complete levels whose targets and residuals are correlated by ``r``."""
    rng = np.random.default_rng(seed)
    t, e = rng.normal(size=(2, n, 1)), rng.normal(size=(2, n, k))
    t[1], e[1] = (r * x[0] + math.sqrt(1 - r * r) * x[1] for x in (t, e))
    rows, cols = np.indices((n, k))
    return [CrossedDesign.build((4 * t[g] + e[g]).ravel(), rows.ravel(), cols.ravel()) for g in range(2)]


def test_equal_residual_variances_by_pitman_and_morgan_as_computed_in_r() -> None:
    a, b = two_levels()
    ea, eb = effects(a), effects(b)
    ss = [float((e.residuals**2).sum()) for e in (ea, eb)]
    made = correlated_variances(*ss, float((ea.residuals * eb.residuals).sum()), a.df_inner, 0.95)
    expected = reference("two levels")
    assert made.ratio == pytest.approx(expected["variance ratio"], rel=1e-9)
    assert made.p == pytest.approx(expected["Pitman-Morgan p"], rel=1e-7)
    assert made.statistic == pytest.approx(expected["likelihood ratio"], rel=1e-9)
    assert made.low == pytest.approx(expected["ratio low"], rel=1e-8)
    assert made.high == pytest.approx(expected["ratio high"], rel=1e-8)


def test_independent_variances_are_those_of_var_test_in_r() -> None:
    r = reference("var.test")
    made = independent_variances(r["sum of squares 1"], 29, r["sum of squares 2"], 19, 0.95)
    assert (made.p, made.low, made.high) == pytest.approx((r["p"], r["low"], r["high"]), rel=1e-7)


def test_holm_is_that_of_r_and_leaves_what_is_missing() -> None:
    r = reference("holm")
    made = holm([0.01, math.nan, 0.04, 0.03])
    assert made[[0, 2, 3]] == pytest.approx([r["p1"], r["p2"], r["p3"]], rel=1e-12)
    assert math.isnan(made[1])


def test_pairs_of_chi_squares_have_their_moments_and_the_squared_correlation() -> None:
    rng = np.random.default_rng(1)
    a, b = paired_chi_squares((19, 25), Link(0.6, 15), 400_000, rng)
    assert a.mean() == pytest.approx(19, abs=4 * math.sqrt(38 / 4e5))
    assert b.mean() == pytest.approx(25, abs=4 * math.sqrt(50 / 4e5))
    assert a.var() == pytest.approx(38, rel=0.02)
    # Wishart: the shared degrees of freedom give a covariance of 2 df rho^2.
    assert np.cov(a, b)[0, 1] == pytest.approx(2 * 15 * 0.6, rel=0.05)


def test_without_a_link_they_are_independent() -> None:
    a, b = paired_chi_squares((10, 10), NO_LINK, 100_000, np.random.default_rng(2))
    assert abs(np.corrcoef(a, b)[0, 1]) < 4 / math.sqrt(1e5)


def test_the_squared_correlation_is_never_too_high_on_average() -> None:
    rng = np.random.default_rng(3)
    found = []
    for _ in range(2000):
        x, z = rng.normal(size=(2, 12))
        found.append(correlation(x, 0.8 * x + 0.6 * z, 11).squared)
    assert 0.55 < float(np.mean(found)) < 0.64


@pytest.mark.parametrize(("x", "df"), [([1.0, 2.0, 4.0], 2), ([3.0] * 8, 7)])
def test_too_few_or_constant_effects_link_nothing(x: list[float], df: int) -> None:
    assert correlation(x, list(range(len(x))), df) == NO_LINK


def test_the_joint_interval_of_the_residual_is_near_the_exact_one() -> None:
    a, b = two_levels()
    ea, eb = effects(a), effects(b)
    every = np.arange(12), np.arange(6)
    links = find_links(ea, eb, (every[0], every[0]), (every[1], every[1]))
    one, two = joint_draws(build_pivots(a), build_pivots(b), links, n=200_000, rng=np.random.default_rng(4))
    (low, high), _ = interval_and_p(one.sem(agreement=False) / two.sem(agreement=False), 1.0, 0.95)
    exact = reference("two levels")
    assert low == pytest.approx(math.sqrt(exact["ratio low"]), rel=0.01)
    assert high == pytest.approx(math.sqrt(exact["ratio high"]), rel=0.01)


def test_taking_the_same_people_as_independent_wastes_most_of_the_comparison() -> None:
    """The naive twin: the interval of the difference of ICC(C,1) is more than half as wide again."""
    a, b = drawn(5, 20, 4, 0.9)
    every = np.arange(20), np.arange(4)
    links = find_links(effects(a), effects(b), (every[0], every[0]), (every[1], every[1]))
    width = []
    for link in (links, Links()):
        one, two = joint_draws(build_pivots(a), build_pivots(b), link, rng=np.random.default_rng(6))
        (low, high), _ = interval_and_p(one.coefficient(agreement=False) - two.coefficient(agreement=False), 0.0, 0.95)
        width.append(high - low)
    assert width[1] > 1.5 * width[0]


def test_missing_cells_leave_the_additive_fit_exact() -> None:
    rng = np.random.default_rng(7)
    rows, cols = (x.ravel() for x in np.indices((9, 4)))
    keep = rng.random(36) > 0.2
    target, facet = rng.normal(size=9), rng.normal(size=4)
    design = CrossedDesign.build((target[rows] + facet[cols])[keep], rows[keep], cols[keep])
    found = effects(design)
    assert np.nanmax(np.abs(found.residuals)) < 1e-12
    assert found.facets == pytest.approx(facet - facet.mean())
    assert np.isnan(found.residuals).sum() == 36 - keep.sum()
