"""Which measurement error belongs to which situation: means, percents, logarithms, fixed levels, and larger studies."""

from __future__ import annotations

import math
import re
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.crossed import CrossedDesign
from drift.engine.error_variance import ratio_interval
from drift.engine.fixed_levels import fixed_agreement_pivotal, fixed_variances
from drift.engine.meansquares import two_way
from drift.engine.pivotal import agreement_pivotal, build_pivots
from drift.reliability.components import Components, Refusal, analyse
from drift.reliability.measurement_error import CHANGE, sizes_in_unit
from drift.reliability.rows import Group
from tests.reliability.tables import ask, drawn, long
from tests.reliability.test_designs import replicated


def group_of(y: np.ndarray) -> Group:
    """Code an array (n, k) or (n, k, m); NaN is a missing reading."""
    cube = y[:, :, None] if y.ndim == 2 else y
    i, j, _ = np.nonzero(np.isfinite(cube))
    i, j = np.unique(i, return_inverse=True)[1], np.unique(j, return_inverse=True)[1]
    nothing = np.full(len(i), np.nan)
    return Group(labels={}, values=cube[np.isfinite(cube)], targets=i, facets=j, reading_sd=nothing, reading_n=nothing,
                 target_names=tuple(f"P{a}" for a in range(int(i.max()) + 1)), unit="",
                 facet_names=tuple(f"S{a}" for a in range(int(j.max()) + 1)))


def parts_of(y: np.ndarray, *, fixed: bool = False) -> Components:
    parts = analyse(group_of(y), level=0.95, average=False, target="person", facet="sensor", fixed=fixed)
    assert isinstance(parts, Components)
    return parts


def test_the_table_says_which_change_each_figure_belongs_to() -> None:
    rows = ask(long(replicated())).table("measurement error").to_frame().set_index("measure")["when"]
    assert rows["MDC (agreement)"] == "change between readings with different sensors"
    assert rows["MDC (consistency)"] == "change between readings with the same sensor: its offset cancels"
    assert rows["MDC (agreement), mean of 3 sensor levels"].endswith("other ones each time")
    assert rows["MDC (consistency), mean of 3 sensor levels"].endswith("the same ones both times")
    assert rows["repeatability coefficient"] == "two readings of one participant with the same sensor, repeated"
    assert ask(long(drawn(1))).table("measurement error").to_frame().set_index("measure")["when"][
        "repeatability coefficient"] == "two readings of one participant, whatever the sensor"
    assert rows.ne("").all()


def test_means_of_replicates_take_the_within_cell_variance_down_and_nothing_else() -> None:
    """Naive twin: dividing the SEM of one reading by sqrt(2) would promise far too much."""
    y = replicated()
    v, r = two_way(y).components(), ask(long(y))
    table = r.table("measurement error").to_frame()
    mean = {m: row for m, row in zip(table["measure"], table.itertuples(), strict=True)
            if m.endswith("mean of 2 replicates")}

    def of_mean(name: str) -> float:
        return next(row.value for m, row in mean.items() if m.startswith(name) and row.unit != "%")

    assert of_mean("SEM (consistency)") == pytest.approx(math.sqrt(v["interaction"] + v["residual"] / 2))
    assert of_mean("SEM (agreement)") == pytest.approx(math.sqrt(v["facet"] + v["interaction"] + v["residual"] / 2))
    assert of_mean("MDC (agreement)") == pytest.approx(CHANGE * of_mean("SEM (agreement)"))
    assert of_mean("SEM (consistency)") > 1.2 * r.estimate("SEM (consistency)").value / math.sqrt(2)
    assert all("exact chi-square" not in row.method for m, row in mean.items() if m.startswith("SEM (agreement)"))
    # Under one name an error of means would be taken for that of one reading: it stands in the table only.
    assert sum(e.name == "SEM (agreement)" for e in r.estimates) == 1


def test_a_change_between_readings_of_one_sensor_has_the_mdc_of_consistency() -> None:
    """Recovery: sensors far apart. Ninety-five per cent of changes with one sensor lie within MDC (consistency)."""
    rng = np.random.default_rng(5)
    y = 60 + 8 * rng.normal(size=(200, 1)) + 5 * rng.normal(size=(1, 12)) + 2 * rng.normal(size=(200, 12))
    r = ask(long(y))
    again = rng.normal(size=(2, 100_000)) * 2
    same = np.abs(again[0] - again[1])
    apart = np.abs(again[0] - again[1] + 5 * (rng.normal(size=100_000) - rng.normal(size=100_000)))
    assert np.mean(same < r.estimate("MDC (consistency)").value) == pytest.approx(0.95, abs=0.01)
    assert np.mean(apart < r.estimate("MDC (agreement)").value) == pytest.approx(0.95, abs=0.05)
    assert np.mean(apart < r.estimate("MDC (consistency)").value) < 0.6


def test_percent_allows_for_the_mean_where_the_naive_interval_does_not() -> None:
    """Recovery: 400 readings of eight people whose mean is not well known; SEM alone over the mean holds too rarely."""
    true, held, naive, studies = 100 / 4.0, 0, 0, 150
    for seed in range(studies):
        rng = np.random.default_rng(seed)
        y = 4 + 1.5 * rng.normal(size=(8, 1)) + rng.normal(size=(8, 50))
        sizes = {s.name: s for s in sizes_in_unit(parts_of(y), level=0.95, target="t", facet="f") if s.reading == "one"}
        percent, plain = sizes["SEM (consistency), percent"], sizes["SEM (consistency)"]
        held += percent.low <= true <= (percent.high if math.isfinite(percent.high) else math.inf)
        naive += 100 * plain.low / y.mean() <= true <= 100 * plain.high / y.mean()
    assert held / studies > 0.95 - 4 * math.sqrt(0.95 * 0.05 / studies)
    assert naive / studies < 0.6


def test_a_mean_that_may_be_zero_leaves_no_upper_end() -> None:
    assert ratio_interval(1.0, (0.8, 1.3), 2.0, (1.0, 3.0))[0] < 0.5
    low, high = ratio_interval(1.0, (0.8, 1.3), 2.0, (-0.5, 4.5))
    assert low > 0
    assert math.isnan(high)
    y = drawn(3, 8, 3)
    r = ask(long(y - y.mean() + 1))
    assert [f.code for f in r.findings].count("percent-without-bound") == 1


@pytest.fixture(scope="module")
def growing() -> np.ndarray:
    rng = np.random.default_rng(3)
    return np.exp(4 + rng.normal(size=(40, 1)) + 0.05 * rng.normal(size=(1, 3)) + 0.1 * rng.normal(size=(40, 3)))


def test_spread_that_grows_is_answered_in_ratios(growing: np.ndarray) -> None:
    """The limits are those of an analysis of logarithms, transformed back; and the sentence gives rise and fall."""
    r, logs = ask(long(growing)), ask(long(np.log(growing)))
    for kind in ("agreement", "consistency"):
        s = logs.estimate(f"SEM ({kind})")
        ratio, percent = r.estimate(f"MDC ({kind}), ratio from logs"), r.estimate(f"SEM ({kind}), from logs")
        assert (ratio.value, ratio.low, ratio.high) == pytest.approx([math.exp(CHANGE * x)
                                                                      for x in (s.value, s.low, s.high)])
        assert (percent.value, percent.low, percent.high) == pytest.approx([100 * math.expm1(x)
                                                                           for x in (s.value, s.low, s.high)])
        assert (ratio.unit, percent.unit) == ("", "%")
    said = next(f for f in r.findings if f.code == "spread-grows").message
    ratio = r.estimate("MDC (agreement), ratio from logs").value
    assert f"a rise of more than {100 * (ratio - 1):.0f} %" in said
    assert f"a fall of more than {100 * (1 - 1 / ratio):.0f} %" in said
    assert "ratio from logs" not in str(ask(long(drawn(2))).to_dict())


def test_ratios_are_refused_in_words_where_readings_are_not_positive(growing: np.ndarray) -> None:
    r = ask(long(growing - 20))
    said = next(f for f in r.findings if f.code == "spread-grows")
    below = int((growing <= 20).sum())
    assert f"{below} of 120 readings are not positive" in said.message
    assert said.mend
    assert not [e for e in r.estimates if "from logs" in e.name]


def test_fixed_levels_have_the_interval_of_fixed_offsets() -> None:
    """Naive twin: offsets of two fixed sensors taken as a sample of sensors have an upper end ten times too large."""
    y = drawn(1, 30, 2, sd=(8, 4, 2))
    fixed, sample = (ask(long(y), facets_are=which).estimate("SEM (agreement)") for which in ("fixed", "sample"))
    assert fixed.value == pytest.approx(sample.value)
    assert fixed.high < sample.high / 5
    assert "fixed" in fixed.method


def test_fixed_levels_with_missing_cells_agree_with_a_mixed_model_of_fixed_levels() -> None:
    statsmodels = pytest.importorskip("statsmodels.formula.api")
    rng = np.random.default_rng(8)
    y = drawn(4, 25, 4, sd=(6, 3, 2))
    y[rng.random(y.shape) < 0.2] = np.nan
    frame = long(y)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = statsmodels.mixedlm("reading ~ C(sensor)", frame, groups="participant").fit(reml=True)
    v = parts_of(y, fixed=True).variances
    assert v["target"] == pytest.approx(float(theirs.cov_re.iloc[0, 0]), rel=1e-3)
    assert v["residual"] == pytest.approx(float(theirs.scale), rel=1e-3)


def test_fixed_spread_is_unbiased_with_missing_cells_and_replicates() -> None:
    """Recovery over 300 studies: theta^2 of fixed offsets, where the naive square of their estimates is too large."""
    offsets = np.array([-0.6, 0.1, 0.5])
    true, found, naive = float(np.var(offsets, ddof=1)), [], []
    for seed in range(300):
        rng = np.random.default_rng(seed)
        y = (2 * rng.normal(size=(12, 1, 1)) + offsets[:, None] + rng.normal(size=(12, 3, 1)) * 0.5
             + rng.normal(size=(12, 3, 2)))
        y[rng.random(y.shape) < 0.15] = np.nan
        g = group_of(y)
        p = build_pivots(CrossedDesign.build(g.values, g.targets, g.facets))
        found.append(float(fixed_variances(p)[1]))
        naive.append(float((p.facet_squares / p.facet_weights).mean()))
    spread = 4 * np.std(found) / math.sqrt(300)
    assert np.mean(found) == pytest.approx(true, abs=spread + 0.02)  # cut at zero, it is a little too large
    assert np.mean(naive) > true + 2 * spread


@pytest.mark.parametrize("k", [2, 4])
def test_two_way_mixed_coefficients_are_those_of_mcgraw_and_wong_with_interaction(k: int) -> None:
    """McGraw & Wong (1996), table 4, case 3: (s_r^2 - s_rc^2 / (k - 1)) over the variance of a reading.

    A large table is made by their two-way mixed model: interactions that sum to zero over the fixed columns. With
    replicates the printed ICC(C,1) and ICC(A,1) come to those definitions.
    """
    rng = np.random.default_rng(2)
    n, sr, src, se = 6000, 2.0, 1.2, 0.8
    offsets = np.linspace(-1, 1, k)
    theta2 = float(np.var(offsets, ddof=1))
    raw = rng.normal(size=(n, k))
    interaction = (raw - raw.mean(axis=1, keepdims=True)) * src / math.sqrt(1 - 1 / k)  # each column has variance src^2
    y = (sr * rng.normal(size=(n, 1, 1)) + offsets[:, None] + interaction[:, :, None]
         + se * rng.normal(size=(n, k, 2)))
    v = parts_of(y, fixed=True).variances
    noise = v["interaction"] + v["residual"]
    top = sr**2 - src**2 / (k - 1)
    assert v["target"] / (v["target"] + noise) == pytest.approx(top / (sr**2 + src**2 + se**2), abs=0.02)
    assert v["target"] / (v["target"] + v["facet"] + noise) == pytest.approx(
        top / (sr**2 + theta2 + src**2 + se**2), abs=0.02)
    # What the note on the mean over all fixed levels says: the interaction averages to nothing there.
    true = v["target"] + v["interaction"] / k
    assert true / (true + v["residual"] / k) == pytest.approx(sr**2 / (sr**2 + se**2 / k), abs=0.02)


def test_agreement_of_fixed_levels_holds_and_is_a_fraction_of_that_of_a_sample() -> None:
    """Recovery: two fixed sensors, ICC(A,1) 0.7; as a sample of sensors they say nearly nothing about agreement."""
    held, studies, widths = 0, 150, []
    for seed in range(studies):
        rng = np.random.default_rng(seed)
        y = math.sqrt(0.7) * rng.normal(size=(15, 1)) + math.sqrt(0.05) * np.array([-1, 1]) + math.sqrt(
            0.2) * rng.normal(size=(15, 2))
        g = group_of(y)
        p = build_pivots(CrossedDesign.build(g.values, g.targets, g.facets))
        low, high = fixed_agreement_pivotal(p, 0.95)
        held += low <= 0.7 <= high
        if seed < 10:
            sample = agreement_pivotal(p, 0.95)
            widths.append((high - low) / (sample[1] - sample[0]))
    assert held / studies > 0.95 - 4 * math.sqrt(0.95 * 0.05 / studies)
    assert np.mean(widths) < 0.75


def test_the_mean_over_fixed_levels_says_what_it_assumes() -> None:
    r = ask(long(replicated()), facets_are="fixed", use="mean")
    said = next(f for f in r.findings if f.code == "mean-over-fixed-levels").message
    assert "case 3A of McGraw & Wong 1996" in said
    assert not [f for f in ask(long(replicated()), use="mean").findings if f.code == "mean-over-fixed-levels"]


def test_what_would_narrow_is_computed_for_this_table() -> None:
    """Twice the people, twice the sensors: the projected width is near the mean width of studies of that size."""
    def mean_width(n: int, k: int) -> float:
        widths = []
        for seed in range(24):
            y = drawn(1000 + seed, n, k, sd=(3, 0, 2))
            e = ask(long(y), agree="order").estimates[0]
            widths.append(e.high - e.low)
        return float(np.mean(widths))

    y = drawn(11, 12, 3, sd=(3, 0, 2))
    parts = parts_of(y)
    # A table whose variances are those of the simulation, to the last digit: then only the projection is judged.
    scale = {"target": 9.0, "residual": 4.0}
    rows, cols = y.mean(axis=1, keepdims=True), y.mean(axis=0, keepdims=True)
    rest = (y - rows - cols + y.mean()) * math.sqrt(scale["residual"] / parts.variances["residual"])
    wanted = math.sqrt((3 * 9.0 + 4.0) / (3 * float(np.var(rows, ddof=1))))
    made = (rows - y.mean()) * wanted + rest + 60
    r = ask(long(made), agree="order")
    said = next(f for f in r.findings if f.code == "what-would-narrow").message
    now, people, sensors = (float(x) for x in re.findall(r"(\d\.\d\d) (?:wide|with \d+ part|with \d+ sens)", said))
    own = r.estimates[0]
    assert now == pytest.approx(own.high - own.low, abs=0.006)
    assert people == pytest.approx(mean_width(24, 3), abs=0.05)
    assert sensors == pytest.approx(mean_width(12, 6), abs=0.05)
    assert people < now
    assert sensors < now


def test_what_would_narrow_follows_the_table() -> None:
    """Sensors far apart: more people cannot help agreement in value. Sensors alike: they can."""
    apart = next(f for f in ask(long(drawn(2, 40, 3, sd=(8, 6, 1)))).findings if f.code == "what-would-narrow")
    assert apart.mend == "More sensors would help most, for the coefficient and for the SEM"
    alike = next(f for f in ask(long(drawn(5, 8, 6, sd=(3, 0, 3))), agree="order").findings
                 if f.code == "what-would-narrow")
    assert alike.mend.startswith("More participants would help")
    fixed = next(f for f in ask(long(drawn(2)), facets_are="fixed").findings if f.code == "what-would-narrow")
    assert "8 sensors" not in fixed.message


@settings(max_examples=40, deadline=None)
@given(sizes=st.lists(st.tuples(st.integers(1, 3), st.integers(1, 3)), min_size=2, max_size=5))
def test_the_links_that_are_named_join_all_islands_and_are_the_fewest(sizes: list[tuple[int, int]]) -> None:
    n, k = (sum(s[i] for s in sizes) for i in (0, 1))
    rng = np.random.default_rng(n * 7 + k)
    y, row, col = np.full((n, k), np.nan), 0, 0
    for a, b in sizes:
        y[row:row + a, col:col + b] = rng.normal(50, 5, size=(a, b))
        row, col = row + a, col + b
    parts = analyse(group_of(y), level=0.95, average=False, target="person", facet="sensor")
    assert isinstance(parts, Refusal)
    if parts.code != "disconnected" or "same label" in parts.mend:
        return
    links = re.findall(r"person P(\d+) with sensor S(\d+)", parts.mend)
    assert len(links) == len(sizes) - 1
    for i, j in links:
        y[int(i), int(j)] = 50.0
    again = group_of(y)
    assert len(CrossedDesign.build(again.values, again.targets, again.facets).islands()) == 1


def test_every_island_is_listed() -> None:
    y = np.full((6, 6), np.nan)
    for b in range(3):
        y[2 * b:2 * b + 2, 2 * b:2 * b + 2] = drawn(b, 2, 2)
    r = ask(long(y))
    assert "sensors S1 and S2 with sensors S3 and S4 with sensors S5 and S6" in r.answer
    assert "The fewest readings that join all 3 parts are 2" in r.answer


def test_a_study_that_settles_nothing_says_so() -> None:
    r = ask(pd.DataFrame(long(drawn(2, 3, 9, sd=(1, 0, 3)))))
    assert r.answer.endswith("3 participants and 9 sensors leave the coefficient almost open; the error in the "
                             "reading's own unit is the firmer answer.")
