"""The interval of ICC(A,1) that holds at every facet variance."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from scipy import integrate, stats

from drift.engine.agreement_interval import (
    Ratios,
    Sums,
    _chi_square_ratios,
    _log_density,
    agreement_interval,
    intervals,
)
from drift.engine.crossed import CrossedDesign
from drift.engine.pivotal import agreement_pivotal, build_pivots
from drift.simulated import rows_of
from tests.coverage.agreement_candidates import (
    SHORTEST,
    classical,
    modified_large_sample,
    pivotal,
    point,
    profile,
    shortest,
)

LEVEL = 0.95


def drawn(n: int, k: int, icc: float, share: float, size: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """Ratios of sums of squares of simulated complete tables."""
    rng = np.random.default_rng(seed)
    noise = 1 - icc - share
    left = rng.chisquare((n - 1) * (k - 1), size)
    return ((1 + k * icc / noise) * rng.chisquare(n - 1, size) / left,
            (1 + n * share / noise) * rng.chisquare(k - 1, size) / left)


def table(n: int = 12, k: int = 3, seed: int = 1) -> np.ndarray:
    """A complete table of readings with people and sensors that differ."""
    rng = np.random.default_rng(seed)
    return (200 + 30 * rng.normal(size=(n, 1)) + 8 * rng.normal(size=(1, k)) + 12 * rng.normal(size=(n, k)))


def pivots_of(y: np.ndarray, keep: np.ndarray | None = None):
    rows, cols = np.nonzero(np.ones_like(y, dtype=bool) if keep is None else keep)
    return build_pivots(CrossedDesign.build(y[rows, cols], rows, cols))


def test_log_density_is_that_of_two_ratios_of_chi_squares() -> None:
    """Against the integral of the three chi-square densities over the common denominator."""
    df, theta = (6, 2, 12), (5.0, 3.0)

    def joint(u: float, v: float) -> float:
        def at(c: float) -> float:
            return (stats.chi2.pdf(u * c / theta[0], df[0]) * stats.chi2.pdf(v * c / theta[1], df[1])
                    * stats.chi2.pdf(c, df[2]) * c**2 / theta[0] / theta[1])
        return integrate.quad(at, 0, 400, limit=200)[0]

    places = [(1.0, 0.2), (4.0, 1.0), (0.5, 3.0)]
    exact = [math.log(joint(u, v)) for u, v in places]
    ours = [float(_log_density(*(np.array(x) for x in (u, v, *theta)), df)) for u, v in places]
    # Terms without a parameter are left out of both numerator and denominator: u^(d1/2 - 1) v^(d2/2 - 1) / B.
    free = [(df[0] / 2 - 1) * math.log(u) + (df[1] / 2 - 1) * math.log(v) for u, v in places]
    offsets = [e - o - f for e, o, f in zip(exact, ours, free, strict=True)]
    assert np.ptp(offsets) < 1e-8


def test_lattice_has_the_distribution_of_the_ratios() -> None:
    df = (9, 2, 18)
    u, v = _chi_square_ratios(df, (1597, 987))
    for x, d in ((u, 9), (v, 2)):
        assert stats.kstest(x * 18 / d, stats.f(d, 18).cdf).statistic < 0.005
    joint = np.mean((u < np.median(u)) & (v < np.median(v)))
    rng = np.random.default_rng(1)
    c = [rng.chisquare(d, 400_000) for d in df]
    assert joint == pytest.approx(np.mean((c[0] / c[2] < np.median(u)) & (c[1] / c[2] < np.median(v))), abs=0.004)


@pytest.mark.parametrize(("n", "k", "icc", "share"), [(30, 2, 0.5, 0.3), (30, 2, 0.95, 0.0), (15, 3, 0.8, 0.1)])
def test_holds_where_the_classical_one_does_not_and_is_shorter_than_the_pivotal_one(n: int, k: int, icc: float,
                                                                                    share: float) -> None:
    u, v = drawn(n, k, icc, share, 800)
    low, high = shortest(u, v, n, k, LEVEL)
    held = np.mean((low <= icc) & (icc <= high))
    assert held > 0.95 - 4 * math.sqrt(0.95 * 0.05 / 800)
    wide = pivotal(u, v, n, k, LEVEL)
    assert np.mean(high - low) < np.mean(wide[1] - wide[0])
    if share == 0.3:  # naive twin: the facet variance taken as estimated
        naive = classical(u, v, n, k, LEVEL)
        assert np.mean((naive[0] <= icc) & (icc <= naive[1])) < 0.90


def test_is_less_than_half_as_wide_as_the_pivotal_one_where_two_levels_hardly_differ() -> None:
    u, v = drawn(60, 2, 0.95, 0.0, 300)
    ours, wide = shortest(u, v, 60, 2, LEVEL), pivotal(u, v, 60, 2, LEVEL)
    assert np.mean(ours[1] - ours[0]) < 0.55 * np.mean(wide[1] - wide[0])


@pytest.mark.parametrize("end", ["lower", "upper"])
def test_each_end_alone_is_a_bound_at_the_level_of_the_interval(end: str) -> None:
    """In all 144 simulated designs an end is beyond the truth in at most 5 % (within four Monte-Carlo errors)."""
    rows = [r for r in rows_of("agreement_interval") if r.quantity == f"ICC(A,1), {end} end"]
    assert len(rows) == 144
    assert min(r.coverage for r in rows) > 0.95 - 4 * math.sqrt(0.95 * 0.05 / 10_000)


def test_each_study_has_the_interval_it_has_alone() -> None:
    u, v = drawn(12, 3, 0.8, 0.05, 7)
    together = np.column_stack(shortest(u, v, 12, 3, LEVEL))
    alone = np.concatenate([np.column_stack(shortest(u[i:i + 1], v[i:i + 1], 12, 3, LEVEL)) for i in range(7)])
    assert together == pytest.approx(alone, abs=1e-9)


def test_a_higher_level_gives_a_wider_interval() -> None:
    p = pivots_of(table())
    ends = [agreement_interval(p, level) for level in (0.8, 0.9, 0.95, 0.99)]
    for inner, outer in pairwise(ends):
        assert outer[0] <= inner[0]
        assert inner[1] <= outer[1]


def test_unit_offset_and_order_change_nothing() -> None:
    y = table()
    ends = agreement_interval(pivots_of(y), LEVEL)
    rng = np.random.default_rng(2)
    moved = 0.145 * y[rng.permutation(12)][:, rng.permutation(3)] - 1e4
    assert agreement_interval(pivots_of(moved), LEVEL) == pytest.approx(ends, abs=1e-6)


def test_readings_behind_a_level_may_differ_in_number() -> None:
    """One empty cell of forty-five moves the ends a little, and the unequal weights are used."""
    y = table(15)
    keep = np.ones_like(y, dtype=bool)
    keep[4, 1] = False
    whole, holed = agreement_interval(pivots_of(y), LEVEL), agreement_interval(pivots_of(y, keep), LEVEL)
    assert holed == pytest.approx(whole, abs=0.1)
    assert holed != whole


def test_contains_the_maximum_likelihood_value_and_lies_in_the_unit_interval() -> None:
    for n, k, icc, share in ((3, 2, 0.5, 0.1), (8, 4, 0.3, 0.0), (10, 8, 0.9, 0.05)):
        u, v = drawn(n, k, icc, share, 12, seed=9)
        low, high = shortest(u, v, n, k, LEVEL)
        best = np.clip(point(u, v, n, k), 0.0, 1.0)
        assert np.all((low >= 0) & (low <= high) & (high <= 1))
        assert np.all((low <= best + 0.02) & (best <= high + 0.02))


def test_noise_of_a_cell_mean_enters_as_replicates_say() -> None:
    """Readings whose noise is all inside cells: the interval of one reading lies below that of a cell mean."""
    rng = np.random.default_rng(4)
    y = table(15)[:, :, None] + 20 * rng.normal(size=(15, 3, 2))
    rows, cols, _ = np.indices(y.shape)
    one = build_pivots(CrossedDesign.build(y.ravel(), rows.ravel(), cols.ravel()))
    means = pivots_of(y.mean(axis=2))
    single, averaged = agreement_interval(one, LEVEL), agreement_interval(means, LEVEL)
    assert single[0] < averaged[0]
    assert single[1] < averaged[1]


def test_many_levels_agree_with_the_pivotal_interval() -> None:
    """With 16 levels the facet variance is known well, and two good methods must nearly agree."""
    p = pivots_of(table(20, 16))
    assert agreement_interval(p, LEVEL) == pytest.approx(agreement_pivotal(p, LEVEL), abs=0.05)


def test_huge_facet_offsets_are_met() -> None:
    """Levels a thousand residual SDs apart: nothing overflows, and the interval reaches low."""
    y = table(10, 2)
    y[:, 1] += 12_000
    low, high = agreement_interval(pivots_of(y), LEVEL)
    assert 0 <= low < 1e-3
    assert low < high < 0.9


def test_candidates_reduce_to_exact_intervals_in_their_limits() -> None:
    """Modified large-sample: an F interval where only the facet varies, and one with infinite df where it does not."""
    n, k = 20, 3
    u, v = np.array([1e9]), np.array([1e9])
    low, high = modified_large_sample(u, v, n, k, LEVEL)
    ratio = (u / (n - 1)) / (v / (k - 1))
    for end, tail in ((low, 0.975), (high, 0.025)):
        exact = n / k * ratio / stats.f(n - 1, k - 1).ppf(tail)
        assert end == pytest.approx(exact / (1 + exact), rel=1e-3)
    low, high = modified_large_sample(np.array([40.0]), np.array([1e-9]), 2000, k, LEVEL)
    assert low < point(np.array([40.0]), np.array([1e-9]), 2000, k) < high


def test_profile_likelihood_ends_have_the_chi_square_fall() -> None:
    """Against a general optimiser on the same restricted likelihood."""
    from scipy.optimize import minimize_scalar

    n, k = 15, 3
    u, v = drawn(n, k, 0.8, 0.1, 1, seed=12)
    low, high = profile(u, v, n, k, LEVEL)
    df = (n - 1, k - 1, (n - 1) * (k - 1))

    def profiled(rho: float) -> float:
        def minus(t: float) -> float:
            t2 = math.exp(t)
            t1 = 1 + k * rho / (1 - rho) * ((t2 - 1) / n + 1)
            return -float(_log_density(u, v, np.array(t1), np.array(t2), df)[0])
        return -minimize_scalar(minus, bounds=(0, 12), method="bounded", options={"xatol": 1e-10}).fun

    grid = np.linspace(0.05, 0.995, 400)
    top = max(profiled(r) for r in grid)
    for end in (low[0], high[0]):
        assert 2 * (top - profiled(float(end))) == pytest.approx(stats.chi2(1).ppf(LEVEL), abs=0.02)


def test_sums_with_equal_weights_are_those_of_a_complete_table() -> None:
    u, v = drawn(12, 3, 0.8, 0.05, 2)
    r = Ratios(df=(11, 2, 22), weights=(3.0, 12.0))
    whole = Sums(target=u[:, None], target_weights=np.array([3.0]), facet=v[:, None], facet_weights=np.array([12.0]))
    parts = Sums(target=np.repeat(u[:, None] / 11, 11, axis=1), target_weights=np.full(11, 3.0),
                 facet=np.repeat(v[:, None] / 2, 2, axis=1), facet_weights=np.full(2, 12.0))
    assert intervals(parts, r, level=LEVEL) == pytest.approx(intervals(whole, r, level=LEVEL), abs=1e-6)
    assert SHORTEST.startswith("shortest")
