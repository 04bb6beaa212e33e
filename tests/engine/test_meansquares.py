"""Mean squares, coefficients and classical intervals against published tables and other programs."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.meansquares import (
    agreement_df,
    agreement_interval,
    chi_square_sd,
    classical_intervals,
    icc_points,
    mls_sum,
    one_way,
    step_up,
    two_way,
    wald_interval,
)
from tests.published_examples import agrees, load

NAMES = {"ICC(1,1)": "ICC(1)", "ICC(1,k)": "ICC(k)", "ICC(A,1)": "ICC(A,1)", "ICC(A,k)": "ICC(A,k)",
         "ICC(C,1)": "ICC(C,1)", "ICC(C,k)": "ICC(C,k)"}


def wide(frame: pd.DataFrame, row: str, column: str, value: str) -> np.ndarray:
    return frame.pivot(index=row, columns=column, values=value).to_numpy(dtype=float)


@pytest.fixture(scope="module")
def judges() -> np.ndarray:
    return wide(load("shrout-fleiss-1979-icc").frame(), "target", "judge", "rating")


def lre(value: float, certified: str) -> float:
    """Number of correct digits against a certified value."""
    exact = float(certified)
    return 17.0 if value == exact else -math.log10(abs(value - exact) / abs(exact))


def test_shrout_fleiss_analysis_of_variance_as_printed(judges: np.ndarray) -> None:
    expected, s = load("shrout-fleiss-1979-icc").expected["anova"], two_way(judges)
    assert agrees(s.one_way.ss_between, expected["ss_between_targets"])
    assert agrees(s.one_way.ss_within, expected["ss_within"])
    assert agrees(s.ms_target, expected["ms_between_targets"])
    assert agrees(s.ms_facet, expected["ms_between_judges"])
    assert agrees(s.ms_residual, expected["ms_residual"])
    assert agrees(s.ms_residual * s.df[2], expected["ss_residual"])
    assert agrees(s.one_way.ms_within, expected["ms_within"])
    assert s.df == (5, 3, 15, 0)


def test_shrout_fleiss_values_and_limits_at_full_precision(judges: np.ndarray) -> None:
    full, s = load("shrout-fleiss-1979-icc").recomputed, two_way(judges)
    points, ends = icc_points(s), classical_intervals(s, 0.95)
    for theirs, ours in NAMES.items():
        assert points[ours] == pytest.approx(full["icc"][theirs], rel=1e-10)
        assert ends[ours] == pytest.approx(full["ci95"][theirs], rel=1e-8)
    assert agreement_df(s, points["ICC(A,1)"]) == pytest.approx(full["satterthwaite_df_A1"], rel=1e-10)


def test_limits_of_the_mean_are_the_stepped_up_ones_not_the_reused_factor(judges: np.ndarray) -> None:
    """One R package prints 0.039 to 0.929 for ICC(A,k): it reuses the factor k (mismatch note of the example)."""
    low, high = classical_intervals(two_way(judges), 0.95)["ICC(A,k)"]
    assert (round(low, 3), round(high, 3)) == (0.071, 0.927)


@pytest.mark.parametrize(("example", "keys"), [
    ("shrout-fleiss-1979-icc", ("target", "judge", "rating")), ("wine-judges-icc", ("wine", "judge", "score")),
    ("weir-2005-icc-sem A", ("subject", "trial", "score")), ("weir-2005-icc-sem B", ("subject", "trial", "score"))])
def test_six_coefficients_and_limits_as_psych_gives_them(example: str, keys: tuple[str, str, str]) -> None:
    """Stored output of psych 2.2.9, tests/references/psych_icc.R."""
    stored = pd.read_csv("tests/references/psych_icc.csv")
    frame = load(example.split()[0]).frame()
    if " " in example:
        frame = frame[frame["data_set"] == example.split()[1]]
    s = two_way(wide(frame, *keys))
    points, ends = icc_points(s), classical_intervals(s, 0.95)
    theirs = dict(zip(("ICC1", "ICC1k", "ICC2", "ICC2k", "ICC3", "ICC3k"),
                      ("ICC(1)", "ICC(k)", "ICC(A,1)", "ICC(A,k)", "ICC(C,1)", "ICC(C,k)"), strict=True))
    rows = stored[stored["example"] == example]
    assert len(rows) == 6
    for r in rows.itertuples():
        name = theirs[r.type]
        assert points[name] == pytest.approx(r.value, rel=1e-8)
        assert ends[name] == pytest.approx((r.low, r.high), rel=1e-8)


def test_ebel_unequal_numbers_as_printed() -> None:
    example = load("ebel-1951-incomplete-icc")
    frame, expected = example.frame(), example.expected
    s = one_way(frame["rating"], frame["object"].to_numpy() - 1)
    assert (s.n, s.df_between, s.df_within) == (expected["n_objects"], expected["df_between"], expected["df_within"])
    assert agrees(s.k0, expected["k0"])
    assert agrees(s.ss_between, expected["ss_between"])
    assert agrees(s.ss_within, expected["ss_within"])
    assert agrees(s.n_readings / s.n, expected["mean_ratings_per_object"])
    single = (s.ms_between - s.ms_within) / (s.ms_between + (s.k0 - 1) * s.ms_within)
    assert agrees(single, expected["ICC(1)"])
    assert agrees(step_up(single, s.k0), expected["ICC(k)"])


def test_unequal_numbers_interval_solves_the_exact_pivot_where_k0_is_an_approximation() -> None:
    """irrNA puts k0 into the equal-numbers formula and prints -0.129 to 0.939; Wald's interval is exact."""
    example = load("ebel-1951-incomplete-icc")
    frame = example.frame()
    low, high = wald_interval(one_way(frame["rating"], frame["object"].to_numpy() - 1), 0.95)
    assert (low, high) == pytest.approx((-0.1112588, 0.9405254), abs=1e-6)
    printed = example.recomputed["irrNA_ci95_ICC1"]
    assert abs(low - printed[0]) < 0.02
    assert abs(high - printed[1]) < 0.003


def test_wald_interval_with_equal_numbers_is_the_f_interval(judges: np.ndarray) -> None:
    s = two_way(judges)
    assert wald_interval(s.one_way, 0.9) == pytest.approx(classical_intervals(s, 0.9)["ICC(1)"], rel=1e-9)


def test_bland_altman_1996_within_subject_sd_as_printed() -> None:
    example = load("bland-altman-1996-within-subject-sd")
    frame, expected = example.frame(), example.expected
    s = one_way(frame["pefr"], frame["child"].to_numpy() - 1)
    assert agrees(s.ss_between, expected["ss_children"])
    assert agrees(s.ss_within, expected["ss_residual"])
    assert agrees(s.ms_within, expected["ms_residual"])
    assert agrees(s.f_ratio, expected["F"])
    assert agrees(math.sqrt(s.ms_within), expected["sw"])
    assert (s.df_between, s.df_within) == (expected["df_children"], expected["df_residual"])


def smls(base: int, replicates: int) -> tuple[np.ndarray, np.ndarray]:
    """Simon & Lesage's data by the rule in the example file."""
    values, codes = [], []
    for t, c in enumerate((4, 3, 5, 3, 5, 3, 5, 3, 5)):
        tenths = [c] + [c - 1 if i % 2 == 0 else c + 1 for i in range(replicates - 1)]
        values += [(10 * base + d) / 10 for d in tenths]
        codes += [t] * replicates
    return np.array(values), np.array(codes)


@pytest.mark.parametrize(("base", "replicates", "key", "digits"), [
    (1, 21, "SmLs01_and_04", 14), (1, 201, "SmLs02_and_05", 13.5), (1, 2001, "SmLs03_and_06", 13),
    (10**6, 21, "SmLs01_and_04", 10.2), (10**6, 201, "SmLs02_and_05", 10.1), (10**6, 2001, "SmLs03_and_06", 10.1)])
def test_nist_generated_sets_keep_all_digits_the_doubles_hold(base: int, replicates: int, key: str,
                                                               digits: float) -> None:
    """NIST StRD SmLs01-06; sets 4-6 hold 10.4, 10.2, 10.2 digits once written as doubles, naive sums 1.2 to 1.7."""
    y, codes = smls(base, replicates)
    s = one_way(y, codes)
    certified = load("nist-strd-smls01-06").expected[key]
    assert lre(s.f_ratio, certified["F"]) >= digits
    assert lre(math.sqrt(s.ms_within), certified["residual_sd"]) >= digits
    if base > 1:
        total = float((y**2).sum() - y.sum() ** 2 / len(y))
        between = float(sum(y[codes == t].sum() ** 2 / replicates for t in range(9)) - y.sum() ** 2 / len(y))
        naive = (between / 8) / ((total - between) / (len(y) - 9)) if total > between else math.nan
        assert math.isnan(naive) or lre(naive, certified["F"]) < 4


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg"])
def test_nist_observed_sets(name: str) -> None:
    """NIST StRD SiRstv and AtmWtAg; good double-precision programs reach 13 and 10 digits of F."""
    example = load("nist-strd-sirstv-atmwtag")
    frame = example.frame()
    frame = frame[frame["set"] == name]
    s = one_way(frame["response"], frame["treatment"].to_numpy() - 1)
    certified = example.expected[name]
    assert lre(s.f_ratio, certified["F"]) >= (12.9 if name == "SiRstv" else 10.0)
    assert s.df_within == certified["df_within"]


def test_offset_of_a_billion_costs_no_digits_of_whole_readings() -> None:
    rng = np.random.default_rng(1)
    table = rng.integers(0, 1000, (12, 3)).astype(float)
    near, far = two_way(table), two_way(table + 1e9)
    for name in ("ms_target", "ms_facet", "ms_residual"):
        assert getattr(far, name) == pytest.approx(getattr(near, name), rel=1e-13)


def test_replicates_give_the_four_textbook_mean_squares() -> None:
    """Against sums of squares written out from cell, row and column means (naive twin of the vector form)."""
    rng = np.random.default_rng(3)
    y = rng.normal(size=(4, 3, 2))
    s = two_way(y)
    cells, grand = y.mean(axis=2), y.mean()
    target = sum(3 * 2 * (y[i].mean() - grand) ** 2 for i in range(4)) / 3
    facet = sum(4 * 2 * (y[:, j].mean() - grand) ** 2 for j in range(3)) / 2
    inner = sum(2 * (cells[i, j] - y[i].mean() - y[:, j].mean() + grand) ** 2 for i in range(4) for j in range(3)) / 6
    within = float(((y - cells[:, :, None]) ** 2).sum()) / 12
    assert (s.ms_target, s.ms_facet, s.ms_residual, s.ms_within) == pytest.approx((target, facet, inner, within))
    parts = s.components()
    assert parts["interaction"] == pytest.approx((inner - within) / 2)
    assert icc_points(s)["ICC(A,1)"] == pytest.approx(parts["target"] / sum(parts.values()))


def test_interval_of_consistency_uses_both_tails() -> None:
    """A quantile at 1 - alpha instead of 1 - alpha/2 covers 0.90 (methods brief, section 4): recovery of 0.95."""
    rng = np.random.default_rng(11)
    hits, n, k, rho = 0, 15, 3, 0.7
    for _ in range(1500):
        y = math.sqrt(rho) * rng.standard_normal((n, 1)) + math.sqrt(1 - rho) * rng.standard_normal((n, k))
        low, high = classical_intervals(two_way(y), 0.95)["ICC(C,1)"]
        hits += low <= rho <= high
    assert abs(hits / 1500 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 1500)


def test_modified_large_sample_interval_with_one_term_is_chi_square() -> None:
    """Graybill & Wang (1980): with one mean square the method is exact."""
    low, high = mls_sum([2.5], [7], [1.0], 0.95)
    assert (math.sqrt(low), math.sqrt(high)) == pytest.approx(chi_square_sd(2.5, 7, 0.95), rel=1e-12)


@pytest.mark.parametrize(("table", "value"), [([[1.0, 1.0], [2.0, 2.0], [5.0, 5.0]], 1.0)])
def test_identical_columns_give_one_with_a_degenerate_interval(table: list[list[float]], value: float) -> None:
    s = two_way(table)
    assert all(v == pytest.approx(value) for v in icc_points(s).values())
    assert all(e == (1.0, 1.0) for e in classical_intervals(s, 0.95).values())


def test_constant_readings_have_no_value() -> None:
    s = two_way(np.full((4, 3), 7.25))
    assert all(math.isnan(v) for v in icc_points(s).values())
    assert agreement_interval(s, 0.95)[0] != agreement_interval(s, 0.95)[0]


def test_incomplete_table_is_refused() -> None:
    with pytest.raises(ValueError, match="complete table"):
        two_way([[1.0, math.nan], [2.0, 3.0]])


tables = st.integers(0, 10_000).map(lambda seed: np.random.default_rng(seed).normal(50, 10, (8, 3))
                                    + np.random.default_rng(seed + 1).normal(0, 10, (8, 1)))


@settings(deadline=None, max_examples=40, derandomize=True)
@given(tables, st.floats(0.1, 1000), st.floats(-1e4, 1e4), st.randoms(use_true_random=False))
def test_units_offsets_and_order_change_no_coefficient(table: np.ndarray, factor: float, offset: float,
                                                       random: object) -> None:
    base, ends = icc_points(two_way(table)), classical_intervals(two_way(table), 0.95)
    rng = np.random.default_rng(random.randint(0, 2**31))  # type: ignore[attr-defined]
    moved = (table * factor + offset)[rng.permutation(8)][:, rng.permutation(3)]
    other, other_ends = icc_points(two_way(moved)), classical_intervals(two_way(moved), 0.95)
    for name, value in base.items():
        assert other[name] == pytest.approx(value, rel=1e-6, abs=1e-8)
        assert other_ends[name] == pytest.approx(ends[name], rel=1e-6, abs=1e-7)


@settings(deadline=None, max_examples=30, derandomize=True)
@given(tables, st.lists(st.floats(-50, 50), min_size=3, max_size=3))
def test_shifting_a_facet_level_leaves_consistency_alone(table: np.ndarray, shifts: list[float]) -> None:
    base, moved = icc_points(two_way(table)), icc_points(two_way(table + np.array(shifts)))
    assert moved["ICC(C,1)"] == pytest.approx(base["ICC(C,1)"], rel=1e-8, abs=1e-10)


@settings(deadline=None, max_examples=30, derandomize=True)
@given(tables, st.floats(0.5, 0.98))
def test_a_higher_level_gives_a_wider_interval_around_the_value(table: np.ndarray, level: float) -> None:
    s = two_way(table)
    points, inner, outer = icc_points(s), classical_intervals(s, level), classical_intervals(s, level + 0.015)
    for name, (low, high) in inner.items():
        assert outer[name][0] < low < points[name] < high < outer[name][1]
