"""Control charts: limits of small baselines, false alarms, jumps of rig and standard, baselines that stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.control import ChartSpec, Occasions, chart_standard, chart_table, judge_rig
from drift.engine.control_charts import (
    ChartLimits,
    any_alarm,
    baseline,
    cusum,
    cusum_run_length,
    ewma,
    ewma_run_length,
    false_alarms,
    individuals_factor,
    precision_limit,
    prediction_errors,
    prediction_score,
)
from drift.engine.joint_limits import joint_limits
from drift.errors import DriftError


def occasions(x: np.ndarray, name: str = "", **more: np.ndarray) -> Occasions:
    n = len(x)
    return Occasions(standard=name, label=np.array([str(i + 1) for i in range(n)], dtype=object), mean=np.asarray(x),
                     within_sd=more.get("sd", np.full(n, np.nan)), within_df=more.get("df", np.zeros(n)),
                     use=np.arange(n, dtype=float), time=np.full(n, "", dtype=object))


def steady(n: int, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(10.0, 0.1, n)


def test_run_lengths_match_published_designs() -> None:
    # Lucas & Saccucci (1990), table 3: lambda 0.2 with L 2.86 is about 370; Montgomery, tables of the CUSUM: h = 4.77
    # and 5 with k = 0.5 give 370 and 465 two-sided, and 10.4 at a shift of one SD with h = 5.
    assert float(ewma_run_length(0.0)) == pytest.approx(370, rel=0.01)
    assert float(cusum_run_length(0.0, two_sided=True)) == pytest.approx(370, rel=0.01)
    assert float(cusum_run_length(0.0, limit=5.0, two_sided=True)) == pytest.approx(465, rel=0.01)
    assert float(cusum_run_length(1.0, limit=5.0, two_sided=True)) == pytest.approx(10.4, abs=0.05)


def test_run_length_of_the_ewma_is_that_of_simulated_runs() -> None:
    rng = np.random.default_rng(5)
    half = 2.86 * np.sqrt(0.2 / 1.8)
    lengths = []
    for _ in range(2000):
        w, t = 0.0, 0
        while abs(w) <= half and t < 200:
            w, t = 0.2 * rng.normal(1.0) + 0.8 * w, t + 1
        lengths.append(t)
    expected = float(ewma_run_length(1.0))
    assert np.mean(lengths) == pytest.approx(expected, abs=4 * np.std(lengths) / np.sqrt(2000))


def test_limits_of_a_small_baseline_hold_their_rate_where_three_sds_do_not() -> None:
    rng = np.random.default_rng(2)
    n, studies = 10, 40_000
    x = rng.standard_normal((studies, n + 1))
    centre, sd = x[:, :n].mean(axis=1), x[:, :n].std(axis=1, ddof=1)
    off = np.abs(x[:, n] - centre) / sd
    ours, naive = (off > individuals_factor(n)).mean(), (off > 3).mean()
    assert ours == pytest.approx(0.003, abs=4 * np.sqrt(0.003 / studies))
    assert naive > 0.01


def test_false_alarm_rates_are_those_of_simulated_baselines() -> None:
    rates = false_alarms(20, ChartLimits(individuals_factor(20), 2.86, 4.77))
    rng = np.random.default_rng(8)
    base = rng.standard_normal((20_000, 20))
    centre, sd = base.mean(axis=1), base.std(axis=1, ddof=1)
    from scipy.special import ndtr

    k = individuals_factor(20)
    own = ndtr(centre - k * sd) + ndtr(-centre - k * sd)
    assert rates["individuals"].mean == pytest.approx(own.mean(), rel=0.05)
    assert rates["individuals"].high == pytest.approx(np.quantile(own, 0.95), rel=0.1)
    slow = 1 / cusum_run_length(-centre[:300], slack=0.5 * sd[:300], limit=4.77 * sd[:300], two_sided=True, cells=31)
    assert rates["CUSUM"].mean == pytest.approx(float(slow.mean()), rel=0.25)
    assert rates["CUSUM"].mean > 2 * rates["CUSUM"].known


def test_exact_limits_of_the_first_occasions_are_narrower() -> None:
    found = ewma(np.zeros(30), 0.0, 1.0)
    assert found.half_width[0] == pytest.approx(0.2 * 2.86)
    assert np.all(np.diff(found.half_width) > 0)
    assert found.half_width[-1] == pytest.approx(2.86 / 3, rel=1e-4)


def test_a_jump_is_named_with_its_side_and_charts() -> None:
    x = np.r_[steady(20), 10.0, 10.9]
    found = chart_standard(occasions(x), ChartSpec())
    assert {s.chart for s in found.latest} == {"individuals", "EWMA", "CUSUM"}
    assert {s.side for s in found.latest} == {1}
    down = chart_standard(occasions(x), ChartSpec(direction="down"))
    assert not down.latest


def test_scatter_inside_an_occasion_signals_on_its_own_chart() -> None:
    sd = np.r_[np.full(20, 0.05), 0.2]
    found = chart_standard(occasions(steady(21), sd=sd, df=np.full(21, 5.0)), ChartSpec())
    assert "precision" in {s.chart for s in found.latest}


def test_two_standards_that_move_together_are_the_rig() -> None:
    x, y = steady(25), steady(25, 2)
    x[-1] += 1
    y[-1] += 1
    found = judge_rig(tuple(chart_standard(occasions(v, n), ChartSpec()) for v, n in ((x, "A"), (y, "B"))))
    assert found.status == "not fit"
    assert "alike" in found.sentence


def test_a_standard_that_jumps_alone_is_named() -> None:
    x, y = steady(25), steady(25, 2)
    x[-1] += 1
    found = judge_rig(tuple(chart_standard(occasions(v, n), ChartSpec()) for v, n in ((x, "A"), (y, "B"))))
    assert found.status == "standard"
    assert found.sentence.startswith("A itself changed")
    assert found.findings[0].code == "standard-jumped"


def test_one_standard_cannot_tell_rig_from_standard() -> None:
    x = steady(25)
    x[-1] -= 1
    found = judge_rig((chart_standard(occasions(x, "A"), ChartSpec()),))
    assert found.status == "unclear"
    assert "cannot tell" in found.sentence


def read_at(x: np.ndarray, name: str, use: np.ndarray) -> Occasions:
    return replace(occasions(x, name), use=use, label=np.array([f"use {u:g}" for u in use], dtype=object))


def test_the_latest_standard_is_that_of_the_largest_use_not_of_the_last_word() -> None:
    use = np.arange(9.0, 33.0)
    y = steady(24, 2)
    y[-1] += 1  # CS2 signals at use 32; CS1 was read last at use 9, which as a word comes after "use 32"
    one = chart_standard(read_at(steady(10), "CS1", np.arange(10.0)), ChartSpec())
    two = chart_standard(read_at(y, "CS2", use), ChartSpec())
    found = judge_rig((one, two))
    assert found.status == "unclear"
    assert found.when == "use 32"


def test_a_standard_that_signalled_when_last_read_is_never_passed_over() -> None:
    x = steady(10)
    x[-1] += 3
    one = chart_standard(read_at(x, "CS1", np.arange(10.0)), ChartSpec())
    two = chart_standard(read_at(steady(24, 2), "CS2", np.arange(9.0, 33.0)), ChartSpec())
    assert not two.latest
    found = judge_rig((one, two))
    assert found.status == "unclear"
    assert "CS1 was out of control when it was last read (use 9" in found.sentence
    assert found.findings[-1].code == "standard-out-when-last-read"


def test_a_baseline_is_not_edited_by_what_follows() -> None:
    x = steady(40)
    x[30:] += 1
    short, long = (chart_standard(occasions(v), ChartSpec()) for v in (x[:25], x))
    assert (short.lower, short.upper) == (long.lower, long.upper)


@pytest.mark.parametrize("seed", [1, 2, 4])
def test_a_step_that_stays_is_an_alarm_on_every_later_occasion(seed: int) -> None:
    x = steady(40, seed)
    x[12:] += 0.6  # six SDs for good, before the baseline is full
    for n in range(13, 41):
        found = chart_standard(occasions(x[:n], "A"), ChartSpec())
        assert found.latest, n
        assert judge_rig((found,)).status != "fit"
        assert found.baseline.n == 12
        assert found.stopped == 12
    told = chart_table((occasions(x),), ChartSpec(), question="q")
    assert "stays at its first 12 occasions, since occasion 13 signalled" in next(
        f.message for f in told.findings if f.code == "baseline-stopped")


def test_a_logged_cause_lets_a_new_baseline_grow() -> None:
    x = steady(40, 2)
    x[12:] += 0.6
    found = chart_standard(occasions(x), ChartSpec(), restarts=((12, "bench repaired"),))
    assert found.baseline.n == 27
    assert found.stopped is None
    assert not found.latest


def test_too_much_scatter_inside_an_occasion_keeps_it_out_of_the_baseline() -> None:
    sd = np.full(14, 0.05)
    sd[9] = 0.5
    found = chart_standard(occasions(steady(14), sd=sd, df=np.full(14, 5.0)), ChartSpec())
    assert found.stopped == 9
    assert [s.chart for s in found.signals if s.occasion == 9] == ["precision"]


def test_an_occasion_that_stops_a_baseline_is_a_signal_and_others_join() -> None:
    stopped = 0
    for seed in range(200):
        found = chart_standard(occasions(steady(21, seed)), ChartSpec(most=20))
        at = {s.occasion for s in found.signals}
        assert (found.stopped in at) if found.stopped is not None else found.baseline.n == 20
        assert found.baseline.n == (20 if found.stopped is None else found.stopped)
        stopped += found.stopped is not None
    expected = any_alarm(None, joint_limits(None), occasions=15).runs
    assert stopped / 200 == pytest.approx(expected, abs=4 * np.sqrt(expected / 200))


def test_scores_of_a_growing_baseline_are_standard_normal() -> None:
    rng = np.random.default_rng(6)
    x = rng.standard_normal((4000, 7))
    scores = np.array([[prediction_score((v[m] - v[:m].mean()) / v[:m].std(ddof=1), m) for m in (5, 6)] for v in x])
    np.testing.assert_allclose(scores.mean(axis=0), 0, atol=0.07)
    np.testing.assert_allclose(scores.std(axis=0), 1, atol=0.05)
    assert abs(np.corrcoef(scores.T)[0, 1]) < 0.07


def test_the_share_past_any_chart_is_that_of_the_charts_run_together() -> None:
    rng = np.random.default_rng(11)
    limits, past = joint_limits(20), []
    for _ in range(1500):
        base, x = rng.standard_normal(20), rng.standard_normal(50)
        centre, sd = base.mean(), base.std(ddof=1)
        smooth, sums = ewma(x, centre, sd, width=limits.ewma), cusum(x, centre, 0.5 * sd)
        past.append(np.mean((np.abs(x - centre) > limits.individuals * sd)
                            | (np.abs(smooth.value - centre) > smooth.half_width)
                            | (np.maximum(sums.high, sums.low) > limits.cusum * sd)))
    found = any_alarm(20, limits)
    assert found.occasions == pytest.approx(np.mean(past), abs=4 * np.std(past) / np.sqrt(1500))
    assert found.occasions > false_alarms(20, limits)["EWMA"].mean
    with_precision = any_alarm(20, limits, precision=0.997).occasions
    assert with_precision == pytest.approx(1 - (1 - found.occasions) * 0.997)


def test_the_share_past_any_chart_is_printed() -> None:
    told = chart_table((occasions(steady(30)),), ChartSpec(baseline=20), question="q")
    share = told.estimate("false alarms, any chart")
    assert share.value == pytest.approx(100 * any_alarm(20, joint_limits(20)).occasions)
    note = next(f.message for f in told.findings if f.code == "false-alarms")
    assert f"{share.value:.1f} % of occasions of a good rig are past a limit of any of the charts" in note
    short = chart_table((occasions(steady(12)),), ChartSpec(), question="q")
    assert "of good baselines stop before they are full" in next(
        f.message for f in short.findings if f.code == "false-alarms")


def test_scatter_inside_an_occasion_has_a_quarter_of_the_rate_of_all_charts() -> None:
    rng = np.random.default_rng(9)
    s1 = np.sqrt(rng.chisquare(100, 60_000) / 100)
    s = np.sqrt(rng.chisquare(5, 60_000) / 5)
    one = float(precision_limit(1.0, 100.0, [5.0])[0])
    assert np.mean(s > one * s1) == pytest.approx(0.0025, abs=4 * np.sqrt(0.0025 / 60_000))


def test_a_new_baseline_starts_where_its_cause_is_logged() -> None:
    x = np.r_[steady(20), steady(20, 3) + 1, 11.0]
    with_cause = chart_standard(occasions(x), ChartSpec(), restarts=((20, "bench repaired"),))
    assert not with_cause.latest
    assert chart_standard(occasions(x), ChartSpec()).latest
    told = chart_table((occasions(x),), ChartSpec(), question="q", restarts={"": ((20, "bench repaired"),)})
    assert any("bench repaired" in f.message for f in told.findings)


def test_an_odd_occasion_in_the_baseline_is_said_and_stays() -> None:
    x = steady(25)
    x[7] += 1.5
    found = chart_standard(occasions(x), ChartSpec(baseline=20))
    assert found.odd == (7,)
    assert found.baseline.n == 20


def test_alike_occasions_are_charted_by_their_prediction_errors() -> None:
    rng = np.random.default_rng(4)
    x = np.zeros(400)
    for t in range(1, 400):
        x[t] = 0.8 * x[t - 1] + rng.normal()
    found = chart_standard(occasions(x), ChartSpec(baseline=100))
    assert found.autocorrelated
    naive = ewma(x[100:], float(x[:100].mean()), float(x[:100].std(ddof=1)))
    false_naive = (np.abs(naive.value - x[:100].mean()) > naive.half_width).mean()
    ours = np.mean([any(s.occasion == i and s.chart == "EWMA" for s in found.signals) for i in range(100, 400)])
    assert ours < false_naive / 3
    assert prediction_errors(x, 0.0, 0.8)[5] == pytest.approx(x[5] - 0.8 * x[4])


@pytest.mark.parametrize(("x", "code"), [(np.array([1.0, 2.0, 1.5]), "short-baseline"),
                                         (np.full(30, 3.0), "flat-baseline")])
def test_what_cannot_be_charted_is_refused_in_words(x: np.ndarray, code: str) -> None:
    with pytest.raises(DriftError, match="occasions"):
        chart_standard(occasions(x), ChartSpec())
    told = chart_table((occasions(x),), ChartSpec(), question="q")
    assert [f.code for f in told.findings] == [code]
    assert told.answer.startswith("No chart can be drawn")
    assert np.isnan(told.estimate("centre").value)


def test_a_baseline_needs_scatter_and_two_values() -> None:
    with pytest.raises(ValueError, match="two occasions"):
        baseline([1.0])
    with pytest.raises(ValueError, match="do not differ"):
        baseline([1.0, 1.0, 1.0])


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 100), st.floats(-50, 50))
def test_units_and_origin_change_no_signal(seed: int, scale: float, shift: float) -> None:
    x = np.random.default_rng(seed).normal(0, 1, 40)
    x[30:] += 1.2
    one, two = (chart_standard(occasions(v), ChartSpec()) for v in (x, shift + scale * x))
    assert [(s.occasion, s.chart, s.side) for s in one.signals] == [(s.occasion, s.chart, s.side) for s in two.signals]


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 10_000))
def test_turning_values_round_turns_the_sides(seed: int) -> None:
    x = np.random.default_rng(seed).normal(0, 1, 40)
    x[30:] += 1
    one, two = (chart_standard(occasions(v), ChartSpec()) for v in (x, -x))
    assert sorted((s.occasion, s.chart, s.side) for s in one.signals) == sorted(
        (s.occasion, s.chart, -s.side) for s in two.signals)
    sums, turned = cusum(x, 0.0, 0.5), cusum(-x, 0.0, 0.5)
    np.testing.assert_allclose(sums.high, turned.low)
