"""Protocol notes: each rule speaks of what was declared and of the data, says its source, and blocks nothing."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from drift.errors import DriftError
from drift.items import Evidence
from drift.lock import lock_state
from drift.protocol import IN_LINE, LOOK, NOT_DECLARED, UNKNOWN, protocol_remarks, rules
from drift.protocol.data import paired_sd_ratio, repeats_by_gains
from drift.protocol.remarks import _ranked
from drift.records import CheckTable, SensorTable, Tables, TrialTable
from drift.results import Estimate, Provenance, Result
from drift.study import study_from_dict

FULL: dict[str, Any] = {"purpose": "research", "activity": "walking", "calibration": "bench", "calibrated_on": "bench",
                        "calibration_date": "2025-01-01", "gains_equalised": True, "construction": "laminated",
                        "trimmed": False, "secured": "tape", "covered": "film", "liner": "0 mm",
                        "off_sheet_load_check": True}


def made(protocol: dict[str, Any] | None, *, checks: CheckTable | None = None, trials: TrialTable | None = None,
         sensors: SensorTable | None = None, parts: tuple[Result, ...] = (),
         agreement: list[dict[str, Any]] | None = None) -> Evidence:
    data: dict[str, Any] = {"study": {"title": "made"}, "files": {"trials": "t.csv"}, "agreement": agreement or []}
    study = study_from_dict(data if protocol is None else {**data, "protocol": protocol})
    tables = Tables(checks=checks, trials=trials, sensors=sensors)
    return Evidence(study=study, tables=tables, parts=parts, provenance=Provenance(), lock=lock_state(study, tables))


def said(e: Evidence) -> dict[str, tuple[str, str]]:
    """Verdict and what the data say, by rule."""
    (table,), _ = protocol_remarks(e)
    by_about = {r.about: r.id for r in rules()}
    return {by_about[str(a)]: (str(v), str(s)) for a, v, s in
            zip(table["about"], table["remark"], table["in these data"], strict=True)}


def table(kind: Any, columns: dict[str, Any], **units: str) -> Any:
    held = {k: np.array(v, dtype=np.float64 if isinstance(v[0], float) else object) for k, v in columns.items()}
    return kind(held, np.arange(len(next(iter(held.values())))), "t.csv", "", units)


def pair(a: str, low: float, high: float) -> tuple[dict[str, Any], Result]:
    """A question that compares a with bench, and its limits."""
    name = f"{a} against bench"
    question = {"name": name, "compare": "method", "a": a, "b": "bench", "target": "participant",
                "pair_by": ["participant"]}

    class Agreed(Result):
        command = "agree"

    limits = [Estimate(name=n, value=v, low=v - 1, high=v + 1, level=0.95, unit="kPa", method="m",
                       of={"question": name}) for n, v in (("lower limit", low), ("upper limit", high))]
    return question, Agreed(question=name, answer="a", estimates=tuple(limits))


def test_every_rule_says_where_it_comes_from() -> None:
    assert len({r.id for r in rules()}) == len(rules()) == 11
    for r in rules():
        assert r.source.startswith(("common practice, no source", "these data"))
        assert r.practice.endswith(".")


def test_nothing_declared_is_nothing_said() -> None:
    assert protocol_remarks(made(None)) == ((), ())


def test_an_empty_section_is_told_what_to_declare_and_nothing_is_an_error() -> None:
    (remarks,), findings = protocol_remarks(made({}))
    assert NOT_DECLARED in set(remarks["remark"])
    assert "[protocol] liner" in " ".join(remarks["declared"])
    assert all(f.severity == "note" for f in findings)


@pytest.mark.parametrize(("on", "purpose", "activity", "verdict"), [
    ("bench", "research", "running", IN_LINE), ("walking", "research", "walking", LOOK),
    ("walking", "routine care", "running", LOOK), ("walking", "routine care", "standing", LOOK),
    ("walking", "routine care", "walking", IN_LINE), ("standing", "research", "standing", LOOK),
    ("standing", "routine care", "standing", IN_LINE), ("other", "research", "sitting", UNKNOWN)])
def test_the_quicker_a_calibration_the_narrower_its_use(on: str, purpose: str, activity: str, verdict: str) -> None:
    declared = {**FULL, "calibrated_on": on, "purpose": purpose, "activity": activity}
    assert said(made(declared))["calibration"][0] == verdict


def test_what_a_calibration_rests_on_is_read_from_its_label() -> None:
    told = {k: v for k, v in FULL.items() if k != "calibrated_on"}
    assert said(made({**told, "calibration": "gait"}))["calibration"][0] == LOOK
    assert said(made({**told, "calibration": "bench 2025"}))["calibration"][0] == IN_LINE


@pytest.mark.parametrize(("used", "verdict", "says"), [
    ("bench", IN_LINE, "of these stance agrees best"), ("stance", IN_LINE, "stance agrees best"),
    ("gait", LOOK, "stance agrees better with bench than gait"), ("stanse", UNKNOWN, "Did you mean 'stance'")])
def test_the_method_used_is_set_against_the_one_that_agrees_best(used: str, verdict: str, says: str) -> None:
    questions, parts = zip(pair("stance", -10, 12), pair("gait", -49, 4), strict=True)
    found = said(made({**FULL, "calibration": used}, parts=parts, agreement=list(questions)))["agreement"]
    assert found[0] == verdict
    assert says in found[1]


def test_two_methods_whose_limits_overlap_are_not_told_apart() -> None:
    questions, parts = zip(pair("stance", -10, 12), pair("gait", -12.5, 4), strict=True)
    found = said(made(FULL, parts=parts, agreement=list(questions)))["agreement"]
    assert "stance and gait are not told apart" in found[1]


def test_without_a_comparison_of_methods_it_cannot_be_told() -> None:
    assert said(made(FULL))["agreement"][0] == UNKNOWN


@pytest.mark.parametrize(("equalised", "purpose", "verdict"), [
    (False, "research", LOOK), (False, "routine care", IN_LINE), (True, "research", UNKNOWN)])
def test_research_wants_gains_equalised(equalised: bool, purpose: str, verdict: str) -> None:
    assert said(made({**FULL, "gains_equalised": equalised, "purpose": purpose}))["gains"][0] == verdict


def gains(sd_equalised: float, sd_plain: float, *, shared: float = 0.0, cells: int = 80, seed: int = 5) -> TrialTable:
    """Two repeats of many recordings with both kinds of gains, whose errors are partly the same."""
    rng = np.random.default_rng(seed)
    rows = []
    for c in range(cells):
        own = rng.normal(300, 30)
        for r in range(2):
            same = rng.normal(0, 1)
            for label, sd in (("equalised", sd_equalised), ("as made", sd_plain)):
                error = math.sqrt(shared) * same + math.sqrt(1 - shared) * rng.normal(0, 1)
                rows.append({"participant": f"W{c}", "replicate": str(r), "gains": label, "reading": own + sd * error})
    return table(TrialTable, {k: [row[k] for row in rows] for k in rows[0]}, reading="kPa")


@pytest.mark.parametrize(("sd", "verdict", "says"), [(3.0, IN_LINE, "repeat better"), (12.0, LOOK, "repeat worse"),
                                                     (6.0, IN_LINE, "neither better nor worse")])
def test_whether_equalised_sheets_repeat_better_is_seen(sd: float, verdict: str, says: str) -> None:
    found = said(made(FULL, trials=gains(sd, 6.0)))["gains"]
    assert found[0] == verdict
    assert says in found[1]


def test_the_paired_ratio_is_the_test_of_pitman_and_morgan() -> None:
    """The interval holds 1 just when sum and difference are uncorrelated by ``scipy.stats.pearsonr``."""
    rng = np.random.default_rng(6)
    for shift in (0.9, 1.0, 1.2, 1.5, 1.8):
        x = rng.normal(0, shift, 60)
        y = rng.normal(0, 1, 60) + 0.5 * x / shift
        x, y = x - x.mean(), y - y.mean()
        p = stats.pearsonr(x + y, x - y).pvalue
        found = paired_sd_ratio(x, y, 59, level=1 - p)
        assert found is not None
        assert min(abs(found.low - 1), abs(found.high - 1)) < 1e-8


def test_pairs_that_share_their_errors_are_compared_more_closely_than_by_an_f_ratio() -> None:
    """The naive F interval takes the two as independent and is far too wide: it misses what the pairs show."""
    e = made(FULL, trials=gains(5.0, 6.0, shared=0.9))
    found = repeats_by_gains(e)
    assert found is not None
    ratio = found[0]
    assert ratio.high < 1
    f = stats.f.ppf(0.975, ratio.df, ratio.df)
    assert ratio.value * math.sqrt(f) > 1


def test_the_paired_ratio_holds_its_level() -> None:
    held = 0
    for seed in range(200):
        found = repeats_by_gains(made(FULL, trials=gains(6.0, 6.0, shared=0.6, cells=20, seed=seed)))
        assert found is not None
        held += found[0].low <= 1 <= found[0].high
    assert abs(held / 200 - 0.95) < 4 * math.sqrt(0.95 * 0.05 / 200)


def forces(readings: list[float], references: list[float] | None = None) -> TrialTable:
    columns: dict[str, Any] = {"participant": ["A"] * len(readings), "measure": ["total force"] * len(readings),
                               "reading": readings}
    if references:
        columns["reference"] = references
    return table(TrialTable, columns, reading="N", reference="N")


@pytest.mark.parametrize(("trials", "verdict", "says"), [
    (forces([700.0, 600.0], [710.0, 700.0]), LOOK, "1 of 2 recordings with a known force"),
    (forces([700.0, 690.0], [710.0, 700.0]), IN_LINE, "0 of 2"),
    (forces([700.0, 705.0, 500.0]), LOOK, "own median, 1 of 3"), (None, UNKNOWN, "no trials")])
def test_load_that_went_missing_is_seen(trials: TrialTable | None, verdict: str, says: str) -> None:
    found = said(made(FULL, trials=trials))["off_sheet"]
    assert found[0] == verdict
    assert says in found[1]


def test_readings_beyond_the_loads_of_the_checks_are_counted() -> None:
    checks = table(CheckTable, {"sensor": ["a", "a"], "use": [0.0, 0.0], "reading": [1.0, 2.0],
                                "reference": [100.0, 500.0]}, reference="kPa")
    trials = table(TrialTable, {"reading": [50.0, 200.0, 300.0, 600.0]}, reading="kPa")
    found = said(made(FULL, checks=checks, trials=trials))["range"]
    assert found[0] == LOOK
    assert "25 % of pressure readings lie below the loads of the checks (100 kPa)" in found[1]
    inside = table(TrialTable, {"reading": [150.0, 200.0]}, reading="kPa")
    assert said(made(FULL, checks=checks, trials=inside))["range"][0] == IN_LINE


def test_dead_cells_are_counted_by_construction() -> None:
    checks = table(CheckTable, {"sensor": ["a", "b", "c"], "use": [0.0, 0.0, 0.0], "reading": [1.0, 2.0, 3.0],
                                "dead": [0.0, 0.1, 0.0]})
    sensors = table(SensorTable, {"sensor": ["a", "b", "c"], "construction": ["laminated", "plain", "plain"]})
    found = said(made(FULL, checks=checks, sensors=sensors))["construction"]
    assert "0 of 1 laminated sensors and 1 of 2 plain sensors" in found[1]


@pytest.mark.parametrize(("date", "verdict"), [("2025-01-01", IN_LINE), ("2025-02", IN_LINE), ("2025-03-01", LOOK)])
def test_a_calibration_after_the_first_reading_is_looked_at(date: str, verdict: str) -> None:
    trials = table(TrialTable, {"reading": [1.0], "time": ["2025-02-10T10:00:00"]})
    assert said(made({**FULL, "calibration_date": date}, trials=trials))["date"][0] == verdict


@pytest.mark.parametrize(("key", "value", "verdict"), [
    ("trimmed", "by scissors", UNKNOWN), ("trimmed", False, IN_LINE), ("secured", False, LOOK),
    ("liner", "3 mm", LOOK), ("liner", "0 mm", IN_LINE)])
def test_how_the_sheet_was_prepared(key: str, value: object, verdict: str) -> None:
    assert said(made({**FULL, key: value}))[key][0] == verdict


def test_cut_cells_are_seen_where_a_column_holds_them() -> None:
    trials = table(TrialTable, {"reading": [1.0, 2.0], "cut": [0.0, 3.0]})
    assert said(made({**FULL, "trimmed": "by scissors"}, trials=trials))["trimmed"] == (
        LOOK, "1 rows hold cells that were cut through")


BAD = [({"purpose": "reserch"}, "Did you mean 'research'"), ({"activity": ["waking"]}, "Did you mean 'walking'"),
       ({"calibration_date": "2025-13-01"}, "date of the calendar"),
       ({"calibration_date": "13.1.2025"}, "a date such as"),
       ({"liner": "2"}, "unit of length"), ({"liner": "2 kPa"}, "unit of length"), ({"liner": "-1 mm"}, "not negative"),
       ({"gains_equalised": "yes"}, "true or false"), ({"activity": ["walking", "walking"]}, "twice"),
       ({"linr": "2 mm"}, "Did you mean 'liner'")]


@pytest.mark.parametrize(("section", "says"), BAD)
def test_a_protocol_that_cannot_be_meant_is_refused_with_a_mend(section: dict[str, object], says: str) -> None:
    with pytest.raises(DriftError, match=says):
        study_from_dict({"study": {"title": "t"}, "protocol": section})


def test_a_method_is_called_better_only_where_the_data_tell_it_apart() -> None:
    def limit(value: float, half: float) -> Estimate:
        return Estimate(name="upper limit", value=value, low=value - half, high=value + half, unit="kPa")

    apart = {"gait": limit(40.0, 5.0), "stance": limit(20.0, 5.0)}
    assert _ranked(apart, ["stance", "gait"], "gait", "bench") == (LOOK, "stance agrees better with bench than gait")
    assert _ranked(apart, ["stance", "gait"], "stance", "bench") == (IN_LINE, "stance agrees best")
    alike = {"gait": limit(24.0, 5.0), "stance": limit(20.0, 5.0)}
    verdict, said = _ranked(alike, ["stance", "gait"], "gait", "bench")
    assert verdict == UNKNOWN
    assert "do not tell them apart" in said
    assert "do not tell it from gait" in _ranked(alike, ["stance", "gait"], "stance", "bench")[1]
