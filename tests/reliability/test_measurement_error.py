"""Measurement error in the reading's unit: published values, exact intervals, and when one SEM is not enough."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from drift.engine.meansquares import two_way
from drift.reliability import pooled_repeatability
from drift.reliability.components import analyse
from drift.reliability.error_sizes import ErrorSize
from drift.reliability.measurement_error import CHANGE, error_sizes, kendall
from drift.reliability.rows import Group
from tests.published_examples import agrees, load
from tests.reliability.tables import ask, drawn, long


def test_bland_altman_1996_repeatability_as_printed() -> None:
    example = load("bland-altman-1996-within-subject-sd")
    r = ask(example.frame(), names={"pefr": "reading"}, target="child", facet="replicate", replicate=None, unit="L/min")
    found = r.estimate("repeatability coefficient")
    # The note prints 60 from 2.77 x 21.5; from the unrounded SD it is 59.4, which the file gives at full precision.
    assert found.value == pytest.approx(example.recomputed["2.77sw"] * CHANGE / 2.77, rel=1e-10)
    assert abs(found.value - float(example.expected["repeatability_2.77sw"])) < 1
    assert agrees(found.value / CHANGE, example.expected["sw"])
    assert agrees(1.96 * found.value / CHANGE, example.expected["measurement_error_1.96sw"])
    assert found.unit == "L/min"
    assert r.estimate("ICC(1)").value == pytest.approx(example.recomputed["icc_1_1"], rel=1e-9)


def test_consistency_sem_has_the_exact_chi_square_interval() -> None:
    y = drawn(4)
    s, r = two_way(y), ask(long(y))
    sem = r.estimate("SEM (consistency)")
    df = s.df[2]
    assert sem.value == pytest.approx(math.sqrt(s.ms_residual))
    assert sem.low == pytest.approx(math.sqrt(df * s.ms_residual / stats.chi2.ppf(0.975, df)))
    assert sem.high == pytest.approx(math.sqrt(df * s.ms_residual / stats.chi2.ppf(0.025, df)))
    mdc = r.estimate("MDC (consistency)")
    assert (mdc.value, mdc.low) == pytest.approx((1.959964 * math.sqrt(2) * sem.value, CHANGE * sem.low), rel=1e-6)


def size_of(y: np.ndarray, name: str) -> ErrorSize:
    """Return one printed measure of error of a complete table, without the coefficients that cost more."""
    rows, cols = np.indices(y.shape)
    nothing = np.full(y.size, np.nan)
    group = Group(labels={}, values=y.ravel(), targets=rows.ravel(), facets=cols.ravel(), reading_sd=nothing,
                  target_names=tuple(map(str, range(y.shape[0]))), facet_names=tuple(map(str, range(y.shape[1]))),
                  reading_n=nothing, unit="")
    parts = analyse(group, level=0.95, average=False, target="a", facet="b", spreads=False)
    return next(e for e in error_sizes(parts, group, level=0.95) if e.name == name and e.reading == "one")


def test_agreement_sem_holds_its_level_where_the_naive_chi_square_does_not() -> None:
    """Recovery: SEM of facet SD 1 and residual SD 1 with 3 levels; treating n k - n readings as independent fails."""
    truth, hits, naive, studies = math.sqrt(2), 0, 0, 120
    for seed in range(studies):
        y = drawn(seed, 12, 3, sd=(2, 1, 1))
        found = size_of(y, "SEM (agreement)")
        hits += found.low <= truth <= found.high
        ss, df = two_way(y).one_way.ss_within, 12 * 2
        naive += math.sqrt(ss / stats.chi2.ppf(0.975, df)) <= truth <= math.sqrt(ss / stats.chi2.ppf(0.025, df))
    assert hits / studies > 0.95 - 4 * math.sqrt(0.95 * 0.05 / studies)
    assert naive / studies < 0.85


def test_repeatability_over_facet_levels_holds_its_level_where_the_naive_chi_square_does_not() -> None:
    """Recovery: two levels, facet SD 2, residual SD 1; a chi-square on all within-target readings fails."""
    truth, held, studies = math.sqrt(5), {"repeatability": 0, "CV": 0, "naive": 0}, 120
    for seed in range(studies):
        y = drawn(seed, 20, 2, sd=(2, 2, 1))
        cv = size_of(np.exp(y / 100), "within-target CV, from logs")
        held["CV"] += cv.low <= 100 * math.sqrt(math.expm1((truth / 100) ** 2)) <= cv.high
        found = size_of(y, "repeatability coefficient")
        held["repeatability"] += found.low <= CHANGE * truth <= found.high
        ss, df = two_way(y).one_way.ss_within, 20
        held["naive"] += math.sqrt(ss / stats.chi2.ppf(0.975, df)) <= truth <= math.sqrt(ss / stats.chi2.ppf(0.025, df))
    least = 0.95 - 4 * math.sqrt(0.95 * 0.05 / studies)
    assert held["repeatability"] / studies > least
    assert held["CV"] / studies > least
    assert held["naive"] / studies < 0.6


def test_sem_is_not_computed_from_the_spread_of_other_people() -> None:
    """Twice as different people, same error: SD sqrt(1 - ICC) of either sample gives the same SEM only from its own."""
    rng = np.random.default_rng(6)
    people, noise = rng.normal(size=(30, 1)), rng.normal(size=(30, 3))
    a, b = ask(long(60 + 4 * people + noise)), ask(long(60 + 8 * people + noise))
    assert a.estimate("SEM (consistency)").value == pytest.approx(b.estimate("SEM (consistency)").value, rel=1e-9)
    assert a.estimates[0].value < b.estimates[0].value


def test_percent_is_of_the_mean_and_left_out_where_the_mean_is_not_positive() -> None:
    y = drawn(7)
    r = ask(long(y))
    assert r.estimate("SEM (agreement), percent").value == pytest.approx(
        100 * r.estimate("SEM (agreement)").value / y.mean())
    assert r.estimate("SEM (agreement), percent").unit == "%"
    below = ask(long(y - 200))
    assert not [e for e in below.estimates if "percent" in e.name or "CV" in e.name]


def test_within_target_cv_two_ways() -> None:
    """Bland & Altman (1996, BMJ 313:106): root mean square of CVs, and from logarithms."""
    rng = np.random.default_rng(1)
    y = np.exp(4 + 0.5 * rng.normal(size=(60, 1)) + 0.1 * rng.normal(size=(60, 2)))
    r = ask(long(y))
    sd = np.abs(y[:, 0] - y[:, 1]) / math.sqrt(2)
    assert r.estimate("within-target CV").value == pytest.approx(100 * math.sqrt(np.mean((sd / y.mean(axis=1)) ** 2)))
    logs = np.diff(np.log(y), axis=1)[:, 0]
    assert r.estimate("within-target CV, from logs").value == pytest.approx(
        100 * math.sqrt(math.expm1(np.mean(logs**2) / 2)))


def test_spread_that_grows_with_the_mean_is_found_and_even_spread_is_not() -> None:
    rng = np.random.default_rng(3)
    level = np.exp(4 + rng.normal(size=(40, 1)))
    grows = ask(long(level * np.exp(0.1 * rng.normal(size=(40, 3)))))
    caution = next(f for f in grows.findings if f.code == "spread-grows")
    assert "logarithms" in caution.mend
    even = ask(long(level + rng.normal(size=(40, 3))))
    assert not [f for f in even.findings if f.code == "spread-grows"]


def test_kendall_matches_scipy_with_ties() -> None:
    rng = np.random.default_rng(9)
    x, y = rng.integers(0, 8, 40).astype(float), rng.integers(0, 6, 40).astype(float)
    theirs = stats.kendalltau(x, y, method="asymptotic")
    assert kendall(x, y) == pytest.approx((theirs.statistic, theirs.pvalue), rel=1e-10)


def test_mean_of_k_divides_by_root_k_and_says_so() -> None:
    r = ask(long(drawn(1)), use="mean")
    one = r.estimate("SEM (agreement)")
    mean = r.estimate("SEM (agreement)", reading="mean of 4 sensor levels")
    assert mean.value == pytest.approx(one.value / 2)
    assert "sqrt(4)" in mean.method


def test_pooled_repeatability_pools_variances_not_standard_deviations() -> None:
    sd, df = pooled_repeatability([1.0, 3.0, math.nan], [6, 6, 6])
    assert (sd, df) == (pytest.approx(math.sqrt(5)), 10)
    assert pooled_repeatability([1.0, 3.0], [2, 12])[0] == pytest.approx(math.sqrt((1 + 11 * 9) / 12))
    assert math.isnan(pooled_repeatability([1.0], [1])[0])


def test_known_scatter_of_rows_that_are_means_is_taken_out() -> None:
    """Rows are means of six readings with SD 3; between rows of a cell another SD of 2 is recovered."""
    rng = np.random.default_rng(4)
    cube = 60 + 8 * rng.normal(size=(30, 1, 1)) + 2 * rng.normal(size=(30, 3, 4)) + 3 / math.sqrt(6) * rng.normal(
        size=(30, 3, 4))
    frame = long(cube)
    sds = 3 * np.sqrt(rng.chisquare(5, len(frame)) / 5)
    r = ask(frame.assign(reading_sd=sds, reading_n=6.0))
    single = r.estimate("SD of single readings within a row")
    beyond = r.estimate("SD between rows beyond their readings")
    assert single.low < 3 < single.high
    assert beyond.low < 2 < beyond.high
    assert any(f.code == "rows-are-means" for f in r.findings)
