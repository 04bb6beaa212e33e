"""Questions about repeated uses: trend, drift left in and removed, windows, and what cannot be told."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from scipy.special import stdtrit

from drift.engine.repeated_uses import build_points
from drift.reliability import ReliabilityResult
from drift.reliability.along_use import Along
from drift.reliability.repeated_uses import _trend_with_start, drifted
from drift.reliability.rows import Group
from drift.study import ReliabilityQuestion
from tests.engine.test_repeated_uses import layout, reference
from tests.reliability.tables import ask

USES = (0, 1, 2, 5, 10, 20, 40, 60)


def worn(seed: int = 1, n: int = 12, *, uses: tuple[int, ...] = USES, trend: float = -0.3, spread: float = 8.0,
         occasion: float = 0.5, noise: float = 2.0) -> pd.DataFrame:
    """Readings of people along the uses of one sensor."""
    rng = np.random.default_rng(seed)
    y = (100 + spread * rng.normal(size=(n, 1)) + trend * np.array(uses) + occasion * rng.normal(size=len(uses))
         + noise * rng.normal(size=(n, len(uses))))
    i, j = np.indices(y.shape)
    return pd.DataFrame({"participant": [f"P{a:02d}" for a in i.ravel()],
                         "use": [float(uses[b]) for b in j.ravel()], "reading": y.ravel()})


def value(result: ReliabilityResult, name: str, **of: str) -> float:
    return result.estimate(name, **of).value


def codes(result: ReliabilityResult) -> set[str]:
    return {f.code for f in result.findings}


def test_use_counts_are_taken_as_ordered_and_sessions_are_not_unless_said() -> None:
    frame = worn()
    assert "trend along use" in {t.name for t in ask(frame, facet="use").tables}
    assert "trend along use" not in {t.name for t in ask(frame, facet="use", ordered=False).tables}
    sessions = frame.assign(session=[f"visit {USES.index(u)}" for u in frame["use"]])
    assert "trend along use" not in {t.name for t in ask(sessions, facet="session").tables}
    assert "trend along use" in {t.name for t in ask(sessions, facet="session", ordered=True).tables}


def test_the_trend_is_given_per_one_and_ten_uses_in_unit_and_percent() -> None:
    result = ask(worn(), facet="use")
    one, ten = (result.estimate("trend of readings", per=p) for p in ("use", "10 uses"))
    assert (ten.value, ten.low, ten.high) == pytest.approx((10 * one.value, 10 * one.low, 10 * one.high))
    assert one.unit == "kPa"
    percent = result.estimate("trend of readings, percent", per="use")
    assert percent.value == pytest.approx(100 * one.value / worn()["reading"].mean())
    assert percent.unit == "%"
    assert one.low < -0.3 < one.high


def test_icc_across_uses_with_drift_ignored_is_not_that_of_a_calibrated_sensor() -> None:
    """The naive twin: one coefficient over all uses mistakes wear for error."""
    result = ask(worn(), facet="use")
    ignored = result.declared.value
    left, removed = (value(result, f"ICC(A,1), {state}") for state in ("drift left in", "drift removed"))
    # Equal but for the occasion variance, which is cut at zero once the trend is out.
    assert left == pytest.approx(ignored, rel=0.01)
    truth = 64 / (64 + 0.25 + 4)
    assert removed == pytest.approx(truth, abs=0.1)
    assert removed - ignored > 0.3
    assert value(result, "SEM (agreement), drift left in") == pytest.approx(value(result, "SEM (agreement)"), rel=0.01)
    assert value(result, "SEM (agreement), drift removed") == pytest.approx(math.sqrt(4.25), rel=0.15)


def test_the_intervals_hold_the_truth_here_and_name_their_method() -> None:
    result = ask(worn(), facet="use")
    removed = result.estimate("ICC(A,1), drift removed")
    assert removed.low < 64 / 68.25 < removed.high
    assert "6 degrees of freedom left between uses" in removed.method  # 8 uses less mean and trend
    assert "generalised pivotal" in removed.method


def test_a_drift_that_all_share_leaves_consistency_alone() -> None:
    result = ask(worn(), facet="use", agree="order")
    left, removed = (result.estimate(f"ICC(C,1), {s}") for s in ("drift left in", "drift removed"))
    assert (left.value, left.low, left.high) == (removed.value, removed.low, removed.high)
    assert "leaves the order of targets as it is" in result.answer


def test_without_a_trend_nothing_is_said_to_fall_and_equality_is_not_claimed() -> None:
    result = ask(worn(3, trend=0.0), facet="use")
    assert "No trend along use is shown, which does not mean there is none" in result.answer


def test_windows_hold_coefficient_and_sem_side_by_side() -> None:
    table = ask(worn(), facet="use").table("ICC and SEM along use")
    assert len(table) == len(USES) - 3 + 1
    assert list(table["use from"]) == [0, 1, 2, 5, 10, 20]
    assert np.all(table["ICC low"] <= table["ICC"]) and np.all(table["ICC"] <= table["ICC high"])  # noqa: PT018
    assert np.all(table["SEM low"] <= table["SEM"])
    assert len(ask(worn(), facet="use", window=5).table("ICC and SEM along use")) == 4


def test_when_people_become_alike_the_words_do_not_blame_the_sensor() -> None:
    rng = np.random.default_rng(9)
    uses = np.arange(12.0)
    y = 100 + 20 * rng.normal(size=(15, 1)) * (1 - 0.08 * uses) + 3 * rng.normal(size=(15, 12))
    i, j = np.indices(y.shape)
    frame = pd.DataFrame({"participant": [f"P{a}" for a in i.ravel()], "use": uses[j.ravel()], "reading": y.ravel()})
    result = ask(frame, facet="use")
    table = result.table("ICC and SEM along use")
    assert table["ICC"][0] - table["ICC"][-1] > 0.3
    ratio = result.estimate("ratio of SEM (consistency)")
    assert ratio.low < 1 < ratio.high
    said = next(f for f in result.findings if f.code == "never-on-icc-alone").message
    assert "do not retire a sensor on the icc alone" in said.lower()
    assert "became more alike, and the sensor is not shown to repeat worse" in said


def test_when_the_sensor_repeats_worse_it_is_said() -> None:
    rng = np.random.default_rng(10)
    uses = np.arange(12.0)
    y = 100 + 20 * rng.normal(size=(20, 1)) + (2 + 0.6 * uses) * rng.normal(size=(20, 12))
    i, j = np.indices(y.shape)
    frame = pd.DataFrame({"participant": [f"P{a}" for a in i.ravel()], "use": uses[j.ravel()], "reading": y.ravel()})
    result = ask(frame, facet="use")
    assert result.estimate("ratio of SEM (consistency)").low > 1
    assert "repeat worse than at first" in next(f for f in result.findings if f.code == "never-on-icc-alone").message


def test_rows_in_another_order_give_the_same_answer() -> None:
    frame = worn()
    shuffled = frame.sample(frac=1, random_state=5)
    one, two = ask(frame, facet="use"), ask(shuffled, facet="use")
    for a in one.estimates:
        b = two.estimate(a.name, **dict(a.of))
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=1e-6, nan_ok=True)


def test_people_at_uses_of_their_own_are_put_into_bins_and_it_is_said() -> None:
    rng = np.random.default_rng(11)
    rows = [(f"P{i}", float(3 * i + 40 * v), 100 + 5 * (i % 7) - 0.2 * (3 * i + 40 * v) + rng.normal())
            for i in range(12) for v in range(3)]
    frame = pd.DataFrame(rows, columns=["participant", "use", "reading"])
    result = ask(frame, facet="use")
    assert "uses-in-bins" in codes(result)
    trend = result.estimate("trend of readings", per="use")
    assert trend.low < -0.2 < trend.high
    assert trend.high < 0
    assert math.isfinite(result.declared.value)


def test_people_at_one_use_each_are_refused_with_what_would_help() -> None:
    frame = pd.DataFrame({"participant": [f"P{i}" for i in range(8)] * 2, "use": [float(i) for i in range(8)] * 2,
                          "replicate": ["1"] * 8 + ["2"] * 8, "reading": np.arange(16.0)})
    result = ask(frame, facet="use")
    assert math.isnan(result.declared.value)
    assert "no-use-within-target" in codes(result)
    said = next(f for f in result.findings if f.code == "no-use-within-target")
    assert "Read the same participants again after further uses" in said.mend


def test_an_order_is_never_guessed_from_the_order_of_rows() -> None:
    frame = worn().assign(session=lambda d: d["use"].map(dict(zip(map(float, USES), "qwertyui", strict=True))))
    named = ask(frame.drop(columns="use"), facet="session", ordered=True)
    assert "order-unknown" in codes(named)
    assert "trend along use" not in {t.name for t in named.tables}
    assert math.isfinite(named.declared.value)


def test_sessions_are_ordered_by_use_then_by_time_then_by_their_numbers() -> None:
    frame = worn().assign(session=lambda d: [f"visit {10 - USES.index(u)}" for u in d["use"]])
    assert ask(frame, facet="session", ordered=True).estimate("trend of readings", per="use").value < 0
    timed = frame.assign(time=[f"2025-01-{1 + USES.index(u):02d}T10:00" for u in frame["use"]]).drop(columns="use")
    assert ask(timed, facet="session", ordered=True).estimate("trend of readings", per="day").value < 0
    numbered = frame.drop(columns="use")
    assert ask(numbered, facet="session", ordered=True).estimate("trend of readings", per="session").value > 0


@pytest.mark.parametrize("uses", [(0, 10), (0, 10, 20)])
def test_two_or_three_uses_are_answered_with_a_warning(uses: tuple[int, ...]) -> None:
    result = ask(worn(uses=uses), facet="use")
    assert "few-uses" in codes(result)
    assert math.isfinite(result.estimate("trend of readings", per="use").low)
    if len(uses) == 2:
        assert value(result, "ICC(A,1), drift removed") == pytest.approx(value(result, "ICC(C,1)"), rel=1e-9)


def test_advice_for_exchangeable_levels_is_not_given_along_use() -> None:
    y = 100 + 10 * np.random.default_rng(3).normal(size=(12, 1)) - np.arange(5.0) + np.random.default_rng(4).normal(
        size=(12, 5))
    i, j = np.indices(y.shape)
    frame = pd.DataFrame({"participant": [f"P{a:02d}" for a in i.ravel()], "use": j.ravel(), "reading": y.ravel()})
    assert "what-would-narrow" not in codes(ask(frame, facet="use"))
    assert "what-would-narrow" in codes(ask(frame, facet="use", ordered=False))


def test_lines_that_merely_diverge_are_not_taken_for_a_drift_in_proportion() -> None:
    """Slopes independent of the starts: the mean of readings goes with the slope all the same."""
    rng, told = np.random.default_rng(14), 0
    uses = np.arange(10.0)
    for _ in range(40):
        y = (100 + 3 * rng.normal(size=(20, 1)) + (2 + 1.5 * rng.normal(size=(20, 1))) * uses
             + 2 * rng.normal(size=(20, 10)))
        i, j = np.indices(y.shape)
        points = build_points(y.ravel(), i.ravel(), j.ravel(), uses[j.ravel()])
        told += _trend_with_start(points)[1] < 0.05
        naive = np.corrcoef(y.mean(axis=1), [np.polyfit(uses, row, 1)[0] for row in y])[0, 1]
        assert naive > 0.5
    assert told <= 7  # of 40 at 5 %: more in less than one of a thousand


def test_a_drift_in_proportion_to_the_reading_is_told() -> None:
    rng = np.random.default_rng(12)
    uses, level = np.arange(10.0), np.array([50.0, 100, 200, 300, 400, 600])
    y = level[:, None] * (1 - 0.01 * uses) + rng.normal(size=(6, 10))
    i, j = np.indices(y.shape)
    frame = pd.DataFrame({"participant": [f"L{a}" for a in i.ravel()], "use": uses[j.ravel()], "reading": y.ravel()})
    result = ask(frame, facet="use")
    assert "drift-in-proportion" in codes(result)
    logs = ask(frame.assign(reading=np.log(frame["reading"])), facet="use")
    assert "drift-in-proportion" not in codes(logs)
    assert logs.estimate("trend of readings", per="use").value == pytest.approx(math.log(0.91) / 9, rel=0.05)


def test_missing_cells_are_used_as_they_are() -> None:
    frame = worn().sample(frac=0.85, random_state=3)
    result = ask(frame, facet="use")
    trend = result.estimate("trend of readings", per="use")
    assert trend.low < -0.3 < trend.high
    assert result.provenance.accounts[0].used == len(frame)


def test_a_unit_change_rescales_and_leaves_coefficients_alone() -> None:
    frame = worn()
    one, two = ask(frame, facet="use"), ask(frame.assign(reading=frame["reading"] * 0.145), facet="use")
    for state in ("drift left in", "drift removed"):
        assert value(two, f"ICC(A,1), {state}") == pytest.approx(value(one, f"ICC(A,1), {state}"), rel=1e-6)
        assert value(two, f"SEM (agreement), {state}") == pytest.approx(0.145 * value(one, f"SEM (agreement), {state}"),
                                                                       rel=1e-6)


def test_the_headline_without_occasions_is_kenward_roger_of_the_mixed_model() -> None:
    """For the complete layout R gave a standard error of 0.0672 with 11 degrees of freedom (pbkrtest)."""
    points = layout("complete")
    found = Along(group=group_of(points.y + points.mean, points.targets, points.facets), uses=points.uses, unit="use",
                  source="")
    made = drifted(found, ReliabilityQuestion(name="q", target="t", facet="use"), "ICC(A,1)", level=0.95)
    assert not hasattr(made, "message")
    kr = next(s for s in made.judged if "Kenward-Roger" in s.method)  # type: ignore[union-attr]
    r = reference("complete")
    assert kr.value == pytest.approx(r["KR slope"], rel=1e-6)
    assert kr.high - kr.value == pytest.approx(stdtrit(r["KR df"], 0.975) * r["KR std_error"], rel=1e-4)


def group_of(y: np.ndarray, targets: np.ndarray, facets: np.ndarray) -> Group:
    """Return a group of readings with made-up labels."""
    nothing = np.full(len(y), np.nan)
    return Group(labels={}, values=y, targets=targets, facets=facets, reading_sd=nothing, reading_n=nothing, unit="",
                 target_names=tuple(map(str, range(targets.max() + 1))),
                 facet_names=tuple(map(str, range(facets.max() + 1))))
