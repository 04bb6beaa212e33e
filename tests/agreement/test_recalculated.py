"""Two calibrations on the same raw readings: sensors are the units, however many readings there are."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from drift.agreement import agreement
from drift.agreement.bland_altman import AgreementResult
from drift.engine.limits_of_agreement import (
    limit_factor,
    lower_limit_bound,
    one_stratum,
    upper_limit_bound,
)
from drift.engine.shared_readings import CalibrationLines, bound_paths, difference_lines, line_strata, mix_strata
from drift.errors import DriftError
from drift.records import CalibrationTable, CheckTable, TrialTable
from drift.study import AgreementQuestion, read_study
from tests.agreement.trial_tables import trial_table

ROOT = Path(__file__).resolve().parents[2]
SENSORS = [f"S{i}" for i in range(1, 9)]


def question(**words) -> AgreementQuestion:
    how = words.pop("recalculate", {})
    return AgreementQuestion(**{"name": "q", "compare": "calibration", "a": "gait", "b": "bench", "recalculate": how}
                             | words)


def calibrations(rows: list[dict[str, object]], *, raw: str = "count") -> CalibrationTable:
    frame = pd.DataFrame(rows)
    columns = {c: np.array([None if pd.isna(v) else str(v) for v in frame[c]], dtype=object)
               if c in ("sensor", "calibration", "time") else frame[c].to_numpy(float) for c in frame}
    return CalibrationTable(columns, np.arange(2, len(frame) + 2), "calibrations.csv", units={"reading": raw})


def lines(k: int = 8, *, seed: int = 1, **more) -> list[dict[str, object]]:
    rng = np.random.default_rng(seed)
    rows = []
    for s in SENSORS[:k]:
        for label, i, m in (("bench", 14.0, 0.9), ("gait", 12.0, 0.95)):
            rows.append({"sensor": s, "calibration": label, "intercept": i + rng.normal(), **more,
                         "slope": m * (1 + 0.02 * rng.normal())})
    return rows


def walks(k: int = 8, n: int = 10, *, seed: int = 2, unit: str = "count", **more) -> TrialTable:
    rng = np.random.default_rng(seed)
    rows = [{"sensor": s, "reading": float(round(rng.uniform(80, 420))), "replicate": j, **more}
            for s in SENSORS[:k] for j in range(n)]
    return trial_table(pd.DataFrame(rows), unit=unit)


def run(trials=None, table=None, **words) -> AgreementResult:
    return agreement(trials or walks(), question(**words), calibrations=table or calibrations(lines()))


def value(result: AgreementResult, name: str) -> float:
    return next(e.value for e in result.estimates if e.name == name)


def estimate(result: AgreementResult, name: str):
    return next(e for e in result.estimates if e.name == name)


def codes(result: AgreementResult) -> set[str]:
    return {f.code for f in result.findings}


def test_pressures_of_every_row_are_those_of_the_two_lines() -> None:
    rows, trials = lines(), walks()
    table = run(trials, calibrations(rows)).table("recalculated readings")
    by = {(r["sensor"], r["calibration"]): r for r in rows}
    for i in range(len(trials)):
        for label in ("gait", "bench"):
            line = by[trials["sensor"][i], label]
            want = (trials["reading"][i] - line["intercept"]) / line["slope"]
            assert table[f"pressure by {label}"][i] == pytest.approx(want, rel=1e-12)


def test_limits_at_a_pressure_are_the_exact_ones_of_as_many_sensors() -> None:
    rows = lines()
    result = run(table=calibrations(rows), recalculate={"levels": [200.0]})
    table = result.table("limits by pressure")
    at = list(table["which"]).index("declared")
    d = []
    for s in SENSORS:
        a, b = (next(r for r in rows if r["sensor"] == s and r["calibration"] == c) for c in ("gait", "bench"))
        d.append((b["intercept"] + b["slope"] * 200 - a["intercept"]) / a["slope"] - 200)
    mean, sd, n = np.mean(d), np.std(d, ddof=1), len(d)
    assert table["bias"][at] == pytest.approx(mean, rel=1e-10)
    ends = stats.t.interval(0.95, n - 1, mean, sd / math.sqrt(n))
    assert (table["bias low"][at], table["bias high"][at]) == pytest.approx(ends, rel=1e-9)
    # scipy's own noncentral t, not ours
    high = mean + sd * stats.nct.ppf(0.975, n - 1, 1.96 * math.sqrt(n)) / math.sqrt(n)
    assert table["upper limit high"][at] == pytest.approx(high, rel=1e-7)


def test_three_hundred_walks_on_four_sensors_are_four_differences() -> None:
    few, many = (run(walks(4, n), calibrations(lines(4))) for n in (6, 75))
    assert estimate(many, "bias").n == 4
    # naive twin: readings as independent would narrow by sqrt(75 / 6)
    width = [estimate(r, "bias").high - estimate(r, "bias").low for r in (few, many)]
    assert width[1] > 0.7 * width[0]
    d = many.table("recalculated readings")["difference"]
    assert width[1] > 4 * 2 * 1.97 * np.std(d, ddof=1) / math.sqrt(len(d))
    assert {"few-levels", "structure"} <= codes(many)


def test_over_the_mix_variance_is_that_of_sensors_and_of_the_pressures_met() -> None:
    rng = np.random.default_rng(3)
    c, e, x = rng.normal(2, 3, 9), rng.normal(-0.05, 0.02, 9), rng.uniform(50, 400, 60)
    strata = mix_strata(c[:, None] + e[:, None] * x, np.arange(9))
    assert strata.mean == pytest.approx(np.mean(c + e * x.mean()))
    assert strata.variance == pytest.approx(np.var(c + e * x.mean(), ddof=1) + np.var(x) * np.mean(e**2))
    assert strata.df[0] == 8


def test_bounds_of_many_pressures_at_once_are_those_of_each() -> None:
    rng, code = np.random.default_rng(4), np.repeat(np.arange(6), [3, 1, 2, 3, 4, 2])
    d = rng.normal(size=(15, 5)) + rng.normal(size=6)[code][:, None]
    for values, who in ((d, code), (d[:6], np.arange(6)), (d[code], code)):
        low, high = bound_paths(values, who, 0.975)
        each = [line_strata(column, who) for column in values.T]
        assert low == pytest.approx([lower_limit_bound(s, 0.025) for s in each])
        assert high == pytest.approx([upper_limit_bound(s, 0.975) for s in each])
    assert bound_paths(d[:6], np.arange(6), 0.95)[1][0] == pytest.approx(
        d[:6, 0].mean() + limit_factor(6, 0.95) * d[:6, 0].std(ddof=1))


def test_error_of_a_difference_is_that_of_redrawn_calibrations() -> None:
    rng, n = np.random.default_rng(5), 200_000
    cov = np.array([[1.4**2, -0.6 * 1.4 * 0.004], [-0.6 * 1.4 * 0.004, 0.004**2]])
    drawn = [rng.multivariate_normal(m, cov, n) for m in ((12.0, 0.95), (14.0, 0.9))]
    zero = np.zeros(n)
    a, b = (CalibrationLines(intercept=p[:, 0], slope=p[:, 1], var_intercept=zero, var_slope=zero, covariance=zero)
            for p in drawn)
    one = [CalibrationLines(intercept=[i], slope=[s], var_intercept=[cov[0, 0]], var_slope=[cov[1, 1]],
                            covariance=[cov[0, 1]]) for i, s in ((12.0, 0.95), (14.0, 0.9))]
    for x in (50.0, 300.0):
        assert float(np.var(difference_lines(a, b).at(x))) == pytest.approx(
            float(difference_lines(*one).error_variance(x)[0]), rel=0.02)


def test_a_calibration_has_no_error_against_itself() -> None:
    one = CalibrationLines(intercept=[12.0, 12.0], slope=[0.9, 0.9], var_intercept=[1.0, 1.0], var_slope=[1e-4, 1e-4],
                           covariance=[0.0, 0.0])
    other = CalibrationLines(intercept=[12.0, 13.0], slope=[0.9, 0.9], var_intercept=[1.0, 1.0],
                             var_slope=[1e-4, 1e-4], covariance=[0.0, 0.0])
    same, apart = difference_lines(one, other).error_variance(100.0)
    assert same == 0
    assert apart > 0


def test_swapping_a_and_b_at_a_reading_turns_the_difference() -> None:
    one, other = run(), run(a="bench", b="gait")
    first, second = (r.table("recalculated readings")["difference"] for r in (one, other))
    assert first == pytest.approx(-second)


@settings(max_examples=15, deadline=None)
@given(st.permutations(range(40)), st.floats(0.2, 5.0))
def test_order_of_rows_and_unit_of_the_raw_reading_change_nothing(order: list[int], scale: float) -> None:
    trials, rows = walks(4), lines(4)
    plain = run(trials, calibrations(rows))
    moved = TrialTable({k: v[order] for k, v in trials.columns.items()}, trials.row[order], "trials.csv",
                       units=trials.units)
    scaled = trial_table(pd.DataFrame({"sensor": moved["sensor"], "reading": scale * moved["reading"]}))
    stretched = calibrations([{**r, "slope": scale * r["slope"], "intercept": scale * r["intercept"]} for r in rows])
    other = agreement(TrialTable(scaled.columns, scaled.row, "t", units={"reading": "count"}), question(),
                      calibrations=stretched)
    for name in ("bias", "lower limit", "upper limit at high pressure"):
        assert value(other, name) == pytest.approx(value(plain, name), rel=1e-6, abs=1e-9)


def test_pressures_shown_by_a_calibration_are_turned_back_first() -> None:
    raw, rows = walks(), lines()
    bench = {r["sensor"]: r for r in rows if r["calibration"] == "bench"}
    shown = trial_table(pd.DataFrame({
        "sensor": raw["sensor"], "replicate": raw["replicate"], "cal_id": "bench",
        "reading": [(v - bench[s]["intercept"]) / bench[s]["slope"] for s, v in zip(raw["sensor"], raw["reading"],
                                                                                 strict=True)]}), unit="kPa")
    back = run(shown, calibrations(rows), recalculate={"readings": "calibrated", "shown_by": "cal_id"})
    assert value(back, "bias") == pytest.approx(value(run(raw, calibrations(rows)), "bias"), rel=1e-9)


def test_pressures_shown_in_another_unit_stay_in_it() -> None:
    raw, rows = walks(), lines()
    bench = {r["sensor"]: r for r in rows if r["calibration"] == "bench"}
    shown = trial_table(pd.DataFrame({"sensor": raw["sensor"], "replicate": raw["replicate"], "cal_id": "bench",
                                      "reading": [(v - bench[s]["intercept"]) / bench[s]["slope"] / 10 for s, v in
                         zip(raw["sensor"], raw["reading"], strict=True)]}), unit="N/cm2")
    result = run(shown, calibrations(rows), recalculate={"readings": "calibrated", "shown_by": "cal_id"})
    assert estimate(result, "bias").unit == "N/cm2"
    assert 10 * value(result, "bias") == pytest.approx(value(run(raw, calibrations(rows)), "bias"), rel=1e-9)


def checks(k: int = 6, *, uses=(0, 30), sd: float = 0.0, seed: int = 7, fall: float = 0.005,
           apart: float = 0.1) -> CheckTable:
    rng = np.random.default_rng(seed)
    rows = [(s, float(u), p, 10 + 0.9 * math.exp(-fall * (1 + apart * i) * u) * p + sd * rng.normal(), "1")
            for i, s in enumerate(SENSORS[:k]) for u in uses for p in (50.0, 150.0, 250.0, 350.0)]
    sensor, use, x, y, cal = zip(*rows, strict=True)
    return CheckTable({"sensor": np.array(sensor, dtype=object), "use": np.array(use), "reference": np.array(x),
                       "reading": np.array(y), "cal_id": np.array(cal, dtype=object)}, np.arange(2, len(rows) + 2),
                      "checks.csv", units={"reading": "count", "reference": "kPa"})


def test_lines_through_checks_find_the_drift_between_two_uses() -> None:
    result = agreement(walks(6), question(a="use 0", b="use 30", recalculate={"from": "checks"}), calibrations=checks())
    assert value(result, "change of difference with pressure") == pytest.approx(
        100 * np.mean([math.exp(-0.15 * (1 + 0.1 * i)) - 1 for i in range(6)]), rel=1e-6)
    assert {"lines-through-checks", "uses-between"} <= codes(result)


def test_errors_of_lines_through_checks_are_those_of_least_squares() -> None:
    result = agreement(walks(6), question(a="first", b="use 30", recalculate={"from": "checks", "levels": [200.0]}),
                       calibrations=checks(sd=4.0))
    table = result.table("limits by pressure")
    at = list(table["which"]).index("declared")
    x = np.array([50.0, 150.0, 250.0, 350.0])
    fits = {}
    for u in (0.0, 30.0):
        c = checks(sd=4.0)
        here = [(c["sensor"] == s) & (c["use"] == u) for s in SENSORS[:6]]
        fits[u] = [np.polyfit(x, c["reading"][h], 1) for h in here]
    rest = sum(float(np.sum((checks(sd=4.0)["reading"][(checks(sd=4.0)["sensor"] == s) & (checks(sd=4.0)["use"] == u)]
                             - np.polyval(f, x)) ** 2)) for u in fits for s, f in zip(SENSORS, fits[u], strict=False))
    s2 = rest / (12 * 2)
    at_mean = s2 / 4  # 200 kPa is the mean of the levels, where intercept and slope errors do not meet
    want = []
    for first, later in zip(fits[0.0], fits[30.0], strict=True):
        p = (np.polyval(later, 200) - first[1]) / first[0]
        want.append((at_mean + s2 / 4 + s2 * (p - 200) ** 2 / np.sum((x - 200) ** 2)) / first[0] ** 2)
    assert table["SD from calibration error"][at] == pytest.approx(math.sqrt(np.mean(want)), rel=1e-8)


def test_the_latest_check_before_a_trial_holds() -> None:
    trials = trial_table(pd.DataFrame([{"sensor": s, "use": u, "reading": r} for s in SENSORS[:6]
                                       for u in (5.0, 35.0) for r in (100.0, 250.0)]), unit="count")
    result = agreement(trials, question(a="latest", b="use 0", recalculate={"from": "checks"}), calibrations=checks())
    table, d = result.table("recalculated readings"), result.table("recalculated readings")["difference"]
    early = np.array([r < 10 for r in trials["use"]])
    assert d[early] == pytest.approx(0.0, abs=1e-9)
    assert (d[~early] > 0).all()
    assert len(table) == 24
    assert value(result, "change of difference with use between calibrations") > 0


# --- what must be refused, marked or said ------------------------------------------------------------------------


def test_rows_of_sensors_without_a_calibration_stay_out_by_name_and_count_once() -> None:
    rows = [r for r in lines() if (r["sensor"], r["calibration"]) != ("S3", "gait")]
    result = run(table=calibrations(rows))
    account = result.provenance.accounts[0]
    assert (account.read, account.used, account.excluded) == (80, 70, 10)
    assert {x.reason for x in result.exclusions} == {"no calibration 'gait' of sensor S3"}


def test_identical_calibrations_are_said_to_be_identical() -> None:
    rows = [{**r, "intercept": 10.0, "slope": 0.9} for r in lines()]
    result = run(table=calibrations(rows), harmless=25.0)
    assert "identical" in result.answer
    assert "no-spread" in codes(result)
    assert not result.verdicts
    some = run(table=calibrations([{**r, "intercept": 10.0, "slope": 0.9} if r["sensor"] == "S1" else r
                                   for r in lines()]))
    assert "identical-calibrations" in codes(some)


def test_one_line_for_all_sensors_gives_no_interval() -> None:
    result = agreement(walks(6), question(a="use 0", b="use 30", recalculate={"from": "checks"}, harmless=25.0),
                       calibrations=checks(apart=0.0))
    assert "same line" in result.answer
    assert "no-spread" in codes(result)
    assert math.isnan(estimate(result, "bias").low)


def test_one_sensor_answers_for_itself_alone() -> None:
    more = {"slope_se": 0.004, "intercept_se": 1.0, "correlation": -0.6}
    result = run(walks(1), calibrations(lines(1, **more)), harmless=25.0)
    assert "holds for it alone" in result.answer
    assert math.isnan(value(result, "upper limit"))
    assert math.isfinite(estimate(result, "bias at middle pressure").low)
    assert {"one-sensor"} <= codes(result)
    assert "levels of sensor" not in result.answer


def test_the_nearest_calibration_is_named() -> None:
    with pytest.raises(DriftError, match=r"does not occur.*'gaot'.*'gait'"):
        run(a="gaot")


@pytest.mark.parametrize(("unit", "why"), [("kPa", "declared raw"), ("N", "declared raw"), ("V", "for readings in")])
def test_units_that_are_no_raw_reading_are_refused(unit: str, why: str) -> None:
    with pytest.raises(DriftError, match=why):
        run(walks(unit=unit))


@pytest.mark.parametrize("measure", ["total force", "impulse", "contact area"])
def test_measures_that_no_line_carries_over_are_refused(measure: str) -> None:
    with pytest.raises(DriftError, match=r"intercept|threshold"):
        run(walks(measure=measure))


def test_a_total_is_recalculated_where_every_line_runs_through_zero() -> None:
    rows = [{**r, "intercept": 0.0} for r in lines()]
    assert math.isfinite(value(run(walks(measure="total force"), calibrations(rows)), "bias"))


def test_readings_a_calibration_was_not_made_for_are_marked_and_counted() -> None:
    rows = [{**r, "from": 20.0, "to": 150.0} for r in lines()]
    read = (5.0, 100.0, 300.0, 400.0)
    trials = trial_table(pd.DataFrame([{"sensor": s, "reading": v} for s in SENSORS for v in read]), unit="count")
    result = agreement(trials, question(), calibrations=calibrations(rows), full_scale=400.0)
    said = {f.code: f.message for f in result.findings}
    assert said["negative-pressure"].startswith("8 of 32")
    assert said["saturated-readings"].startswith("8 of 32")
    assert "most of them" in said["outside-validity"]
    assert any("below zero" in m for m in result.table("recalculated readings")["mark"])


def test_several_calibrations_need_to_know_when_a_trial_was_made() -> None:
    rows = [{**r, "use": u} for r in lines() for u in (0.0, 20.0)]
    with pytest.raises(DriftError, match="made 2 times and the row has no use"):
        run(table=calibrations(rows))
    tied = [r for row in lines() for r in ([{**row, "use": 20.0}] * (2 if row["sensor"] == SENSORS[0] else 1))]
    result = run(walks(use=30.0), calibrations(tied))
    said, = [f for f in result.findings if f.code == "calibration-unclear"]
    assert said.message.startswith("10 readings stay out: calibration")
    assert result.provenance.accounts[0].excluded == 10


@pytest.mark.parametrize(("uses", "days", "use", "day", "right"), [
    ((0, 30, 30), (0, 40, 20), 30, 50, 1),  # the later date at one use, whatever the order in the file
    ((30, 0, 30), (20, 0, 40), 30, 50, 2),
    ((0, 30, 30), (0, 40, 20), 35, np.nan, 1),  # at a later use the last of them holds, date or not
    ((0, 30, 30), (0, 40, 20), 30, 30, 2),  # made at the trial's use, but after the trial
    ((0, 30), (0, 40), 30, 30, 0), ((0, 30), (0, np.nan), 30, 30, 1), ((30, 0), (np.nan, np.nan), 40, np.nan, 0),
    ((np.nan, np.nan), (40, 20), np.nan, 50, 0), ((0, 30), (0, 40), np.nan, 50, 1)])
def test_the_last_calibration_before_a_trial_is_told_by_use_and_date(
        uses: tuple[float, ...], days: tuple[float, ...], use: float, day: float, right: int) -> None:
    line, why, early = picked(uses, days, use, day)
    assert (line, why, early) == (right, "", False)


@pytest.mark.parametrize(("uses", "days", "use", "day", "said"), [
    ((0, 30, 30), (0, 20, 20), 30, 50, "nothing tells which was the last"),
    ((0, 30, 30), (0, np.nan, 20), 40, 50, "nothing tells which was the last"),
    ((np.nan, np.nan), (20, 20), np.nan, 50, "nothing tells which was the last"),
    ((0, 30, 30), (0, 40, 20), 30, np.nan, "the row has no time"),
    ((0, 30), (np.nan, np.nan), np.nan, 50, "the row has no use")])
def test_where_nothing_tells_the_last_calibration_the_row_is_left_out(
        uses: tuple[float, ...], days: tuple[float, ...], use: float, day: float, said: str) -> None:
    line, why, _ = picked(uses, days, use, day)
    assert line == -1
    assert said in why


def picked(uses: tuple[float, ...], days: tuple[float, ...], use: float, day: float) -> tuple[int, str, bool]:
    """Return which of the calibrations of one sensor and name holds for one trial."""
    from drift.agreement.calibration_book import CalibrationBook, pick
    from drift.engine.shared_readings import CalibrationLines

    m = len(uses)
    one, none = np.ones(m), np.full(m, np.nan)
    words = {k: np.array([v] * m, dtype=object) for k, v in (("sensor", "s"), ("label", "bench"), ("source", ""))}
    book = CalibrationBook(**words, use=np.array(uses, float), day=np.array(days, float), low=none, high=none,
                           lines=CalibrationLines(intercept=one, slope=one, var_intercept=none, var_slope=none,
                                                  covariance=none), raw_unit="count", file="c.csv", sha256="")
    line, why, early = pick(book, np.array(["bench"], dtype=object), np.array(["s"], dtype=object),
                            np.array([use], float), np.array([day], float))
    return int(line[0]), str(why[0]), bool(early[0])


@pytest.mark.parametrize("key", [{"lines": ("deming",)}, {"methods": ("a", "b", "c"), "a": "", "b": ""},
                                 {"rows_are_independent": True}, {"compare": "method"}, {"target": "participant"}])
def test_keys_without_meaning_are_refused(key: dict[str, object]) -> None:
    from drift.study import study_from_dict

    asked = {"name": "q", "compare": "calibration", "a": "gait", "b": "bench", "recalculate": {}} | key
    with pytest.raises(DriftError, match=r"recalculate|one reading"):
        study_from_dict({"files": {"trials": "t.csv", "calibrations": "c.csv"}, "agreement": [asked]})


# --- verdicts and the demo ----------------------------------------------------------------------------------------


def test_a_share_is_judged_on_ratios() -> None:
    result = run(harmless="10 %")
    assert result.verdicts[0] in ("interchangeable", "not interchangeable", "not shown")
    assert "of the mean of the two" in result.answer


def at_pressures(*levels: float, **more: object) -> AgreementResult:
    from drift.workflow import run_study

    study = read_study(ROOT / "demo_trials" / "recalculated")
    asked = study.agreement[1]
    assert asked.recalculate is not None
    how = asked.recalculate.model_copy(update={"levels": levels})
    asked = asked.model_copy(update={"recalculate": how, **more})
    return run_study(study.model_copy(update={"agreement": (asked,)})).parts[0]  # type: ignore[return-value]


def test_the_sentence_tells_refuted_from_left_open_and_range_from_one_pressure() -> None:
    result = at_pressures(150.0, 390.0)
    low, high = (next(e.value for e in result.estimates if e.name == f"interchangeable {w} pressure")
                 for w in ("from", "to"))
    found = re.search(r"for ([\d.]+) to ([\d.]+) kPa a limit is shown to lie beyond it; for ([\d.]+) to ([\d.]+) kPa "
                      r"neither is shown", result.answer)
    assert found is not None, result.answer
    refuted, top, left, right = map(float, found.groups())
    assert (left, right) == (pytest.approx(high, rel=0.01), refuted)
    assert low < high < refuted < 390 < top
    table = result.table("limits by pressure")
    for x, verdict in zip(table["pressure"], table["verdict"], strict=True):
        if refuted < x <= top:
            assert verdict == "not interchangeable"
        elif left < x < right:
            assert verdict != "not interchangeable"
        if verdict == "interchangeable" and not low <= x <= high:
            assert f"by the 95 % bounds of the table, {x:g} kPa too" in result.answer
    assert "97.5 % bounds, as either end of a range may err" in result.answer
    said = [f.message for f in result.findings if f.code == "verdict-by-pressure"]
    assert any("390 kPa" in m and "are shown not to be" in m for m in said)


def test_a_pressure_nobody_reached_is_cautioned() -> None:
    result = at_pressures(200.0, 550.0, 900.0)
    said = [f for f in result.findings if f.code == "pressure-extrapolated"]
    assert [f.severity for f in said] == ["warning", "warning"]
    assert "the trials met" in said[0].message
    assert "calibrations" not in said[0].message
    assert "calibrations of 12 of 12 sensors were not made for it (all of them for 20 to 600 kPa)" in said[1].message


def test_verdicts_and_pressures_of_the_demo_match_its_truth() -> None:
    from drift.workflow import run_study

    truth = json.loads((ROOT / "demo_trials" / "truth.json").read_text(encoding="utf-8"))["recalculated"]["questions"]
    result = run_study(read_study(ROOT / "demo_trials" / "recalculated"))
    stance, gait, november = result.parts
    assert stance.table("verdict")["verdict"][0] == "interchangeable"
    assert set(stance.table("limits by pressure")["verdict"]) == {"interchangeable"}
    low, high = truth["gait against bench"]["interchangeable between"]
    assert low <= value(gait, "interchangeable from pressure") < value(gait, "interchangeable to pressure") <= high
    assert november.table("verdict")["verdict"][0] == "not interchangeable"
    for part, name in ((stance, "stance against bench"), (gait, "gait against bench")):
        table = part.table("limits by pressure")
        for i, x in enumerate(table["pressure"]):
            true = truth[name]["by pressure"].get(f"{x:g}")
            if true is not None:
                assert table["upper limit low"][i] < true["upper limit"] < table["upper limit high"][i]
                assert table["lower limit low"][i] < true["lower limit"] < table["lower limit high"][i]


def test_one_difference_a_sensor_gives_what_the_plain_method_gives_of_them() -> None:
    trials = trial_table(pd.DataFrame([{"sensor": s, "reading": 250.0} for s in SENSORS]), unit="count")
    rows = [{**r, "intercept": 14.0, "slope": 0.9} if r["calibration"] == "bench" else r for r in lines()]
    result = run(trials, calibrations(rows))
    d = result.table("recalculated readings")["difference"]
    strata = one_stratum(d)
    assert value(result, "SD of differences") == pytest.approx(strata.sd)
    assert estimate(result, "upper limit").high == pytest.approx(upper_limit_bound(strata, 0.975))
