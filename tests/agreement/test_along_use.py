"""Agreement along use: worse, better or unchanged, how long it lasts, and what stops it from being said."""

import json
import math
import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from drift.agreement import agreement
from drift.ingest import read_tables
from drift.results import Estimate, Result
from drift.study import AgreementQuestion, read_study
from tests.agreement.trial_tables import long_form, trial_table

ROOT = Path(__file__).parents[2]
TRUTH = json.loads((ROOT / "demo_trials" / "truth.json").read_text(encoding="utf-8"))


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("pair",), "target": "participant",
             "sensor": "sensor", "harmless": 25.0, **settings}
    return AgreementQuestion(**given)


def worn(rng, *, k=6, uses=10, last=60, first=0, slope=-0.3, slope_sd=0.02, start=-1.0, noise=4.0, targets=12):
    """Pairs of sensors followed along use, targets coming round again."""
    s, u = np.repeat(np.arange(k), uses), np.tile(np.linspace(first, last, uses).round(), k)
    t = (5 * np.tile(np.arange(uses), k) + s) % targets
    d = (start + slope * u + rng.normal(size=k)[s] + (slope_sd * rng.normal(size=k))[s] * u
         + 2 * rng.normal(size=targets)[t] + noise * rng.normal(size=len(u)))
    b = 300 + 40 * rng.normal(size=targets)[t] + 3 * rng.normal(size=len(u))
    return long_form(b + d, b, participant=[f"W{i:02d}" for i in t], sensor=[f"S{i}" for i in s], use=u,
                     pair=[str(i) for i in range(len(u))])


def answered(rows, **settings):
    unit = settings.pop("use_unit", "")
    table = trial_table(rows)
    if unit:
        table = type(table)(dict(table.columns), table.row, table.file, units={**table.units, "use": unit})
    return agreement(table, ask(**settings))


def said(result, code):
    return next((f for f in result.findings if f.code == code), None)


def verdict(result):
    terms = result.table("interactions")
    return str(terms["words"][list(terms["term"]).index("method x use")])


@pytest.fixture(scope="module")
def demo():
    study = read_study(ROOT / "demo_trials")
    trials = read_tables(study).tables.trials
    return {q.name: agreement(trials, q) for q in study.agreement}


def test_on_the_demo_trials_gait_gets_worse_with_use_and_stance_does_not(demo):
    methods = TRUTH["parameters"]["methods"]
    for name, method, words in (("gait against bench", "gait", "agreement gets worse with use"),
                                ("stance against bench", "stance", "no change with use seen")):
        found = demo[name].estimate("trend of difference with use")
        assert found.low <= methods[method]["bias_per_use"] <= found.high
        assert verdict(demo[name]) == words
    assert "Agreement gets worse with use" in demo["gait against bench"].answer
    assert "No change of agreement with use is seen" in demo["stance against bench"].answer


def test_on_the_demo_trials_limits_at_use_0_and_how_long_they_last_match_the_truth(demo):
    for name in demo:
        truth = TRUTH["agreement"][name]["forefoot"]["by use"]["0"]
        for words in ("bias", "lower limit", "upper limit"):
            found = demo[name].estimate(f"{words} at use 0")
            assert found.low <= truth[words] <= found.high, (name, words)
    gait, stance = (demo[f"{m} against bench"] for m in ("gait", "stance"))
    # the true lower limit of gait lies beyond 25 kPa for fresh sensors; that of stance never does
    leaves = gait.estimate("use at which a limit leaves the harmless difference")
    assert leaves.low == 0
    assert math.isnan(gait.estimate("protocol limit").value)
    assert said(gait, "no-protocol-limit") is not None
    protocol = stance.estimate("protocol limit")
    assert (protocol.bound, protocol.value) == ("at least", 73.0)  # 1.25 x 59 uses, in whole uses


def test_gait_by_rows_in_the_order_of_use_is_not_a_matter_of_level(demo):
    # the mean of a pair shares the errors of its difference: on it a slope would be found that is not there
    terms = demo["gait against bench"].table("interactions")
    i = list(terms["term"]).index("method x level")
    assert terms["low"][i] < 0 < terms["high"][i]
    pairs = demo["gait against bench"].table("pairs")
    u = pairs["use"] - pairs["use"].mean()
    rest = pairs["difference"] - np.polyval(np.polyfit(u, pairs["difference"], 1), u)
    within = np.zeros(len(u))
    level = pairs["mean"].copy()
    for t in set(pairs["target"]):
        level[pairs["target"] == t] -= level[pairs["target"] == t].mean()
        within[pairs["target"] == t] = rest[pairs["target"] == t] - rest[pairs["target"] == t].mean()
    assert np.corrcoef(level, within)[0, 1] > 0.2


def test_the_promise_holds_the_truth_and_comes_before_the_estimate():
    safe = before = 0
    for seed in range(40):
        result = answered(worn(np.random.default_rng(seed), k=8, uses=12))
        protocol = result.estimate("protocol limit")
        value = 0.0 if math.isnan(protocol.value) else protocol.value
        leaves = result.estimate("use at which a limit leaves the harmless difference")
        # true lower limit: -1 - 0.3 u - 1.96 sqrt(1 + (0.02 u)^2 + 4 + 16) = -25
        u = np.linspace(0, 75, 7501)
        true = float(u[np.argmax(-1 - 0.3 * u - 1.96 * np.sqrt(21 + (0.02 * u) ** 2) < -25)])
        safe += value <= true
        before += value <= leaves.value
    assert before == 40
    assert safe >= 34


@pytest.mark.parametrize(("settings", "words"), [
    ({"slope": -0.3}, "agreement gets worse with use"),
    ({"slope": 0.3, "start": 5.0}, "agreement gets worse with use"),
    ({"slope": 0.3, "start": -22.0}, "agreement gets better with use"),
    ({"slope": -0.3, "start": 9.0}, "the difference changes sign along use"),
    ({"slope": 0.0, "slope_sd": 0.0}, "no change with use seen"),
    ({"slope": 0.0, "slope_sd": 0.4}, "agreement gets worse with use"),
])
def test_what_agreement_does_along_use_is_said(settings, words):
    result = answered(worn(np.random.default_rng(21), **settings))
    assert verdict(result) == words


def test_sensors_that_move_apart_are_said_to():
    result = answered(worn(np.random.default_rng(21), slope=0.0, slope_sd=0.4))
    assert "sensor values move apart, their SD grows from" in result.answer
    spread = result.estimate("slope along use, SD between levels of sensor")
    assert spread.low <= 0.4 <= spread.high


def test_tables_along_use_have_what_a_figure_needs():
    result = answered(worn(np.random.default_rng(1)))
    along = result.table("along use")
    assert len(along) == 25
    assert list(along["seen"]).count("yes") == 21
    for name in ("bias", "lower limit", "upper limit"):
        assert np.all(along[f"{name} low"] < along[name])
        assert np.all(along[name] < along[f"{name} high"])
    assert np.all(np.diff(along["bias"]) < 0)
    assert np.diff(along["bias"], 2) == pytest.approx(0, abs=1e-9)
    assert list(result.table("lines along use")["sensor"]) == [f"S{i}" for i in range(6)]
    assert list(result.table("uses left")["what"]) == ["bias leaves", "a limit leaves", "protocol limit"]
    present = result.estimate("bias at the present use")
    assert present.value == pytest.approx(along["bias"][20])
    assert present.of["use"] == "60"


def test_p_values_of_all_terms_at_once_are_no_smaller():
    terms = answered(worn(np.random.default_rng(2))).table("interactions")
    assert list(terms["term"]) == ["method x use", "SD of slopes", "bend along use", "method x level",
                                   "method x level x use"]
    assert np.all(terms["p, all terms at once"] >= terms["p"])
    assert terms["p, all terms at once"].min() == pytest.approx(5 * terms["p"].min())


def test_a_bend_and_a_dependence_on_level_are_found():
    rng = np.random.default_rng(4)
    rows = worn(rng, k=6, uses=16, slope=0.0, noise=1.0, targets=16)
    a = rows.method == "a"
    rows.loc[a, "reading"] += 0.02 * (rows[a].use - 30) ** 2
    bent = answered(rows)
    assert said(bent, "bends-along-use") is not None
    rows = worn(rng, k=6, uses=16, slope=0.0, noise=1.0, targets=16)
    a = rows.method == "a"
    rows.loc[a, "reading"] *= 1.15
    terms = answered(rows).table("interactions")
    i = list(terms["term"]).index("method x level")
    assert terms["low"][i] < 0.145 < terms["high"][i]
    assert terms["p"][i] < 0.05


def test_without_a_harmless_difference_nothing_is_said_of_how_long():
    result = answered(worn(np.random.default_rng(1)), harmless=None)
    assert all(t.name != "uses left" for t in result.tables)
    assert all(e.name != "protocol limit" for e in result.estimates)
    assert "gets worse with use" in result.answer


def test_hours_are_hours():
    result = answered(worn(np.random.default_rng(1)), use_unit="h")
    assert result.estimate("protocol limit").unit == "h"
    assert result.estimate("trend of difference with use").unit == "kPa per h"
    assert " per h " in result.answer
    assert " h (protocol limit)" in result.answer


def test_worn_sensors_alone_promise_nothing_about_fresh_ones():
    result = answered(worn(np.random.default_rng(1), first=40, last=80, slope=0.0))
    assert all(e.name != "bias at use 0" for e in result.estimates)
    assert math.isnan(result.estimate("protocol limit").value)
    assert "fresh sensors were not read" in str(said(result, "no-protocol-limit"))


@pytest.mark.parametrize("case", ["no column", "gap", "one use"])
def test_without_uses_that_vary_a_note_says_so(case):
    rows = worn(np.random.default_rng(1))
    if case == "no column":
        rows = rows.drop(columns="use")
    elif case == "gap":
        rows.loc[rows.pair == "3", "use"] = np.nan
    else:
        rows["use"] = 7.0
    result = answered(rows)
    assert all(t.name != "along use" for t in result.tables)
    found = said(result, "one-use" if case == "one use" else "no-use-counts")
    assert found is not None
    assert found.severity == "note"


def test_a_wide_table_says_that_nothing_is_known_along_use():
    rng = np.random.default_rng(0)
    b = rng.normal(300, 20, 15)
    rows = long_form(b + rng.normal(size=15), b)
    result = agreement(trial_table(rows), AgreementQuestion(name="q", compare="method", a="a", b="b",
                                                            pair_by=("participant",)))
    assert said(result, "no-use-counts").severity == "note"


def test_sensors_seen_once_are_left_out_by_name():
    rows = worn(np.random.default_rng(1))
    once = pd.DataFrame({"method": ["a", "b"], "reading": [310.0, 300.0], "participant": "W01", "sensor": "S9",
                         "use": 20.0, "pair": "x"})
    result = answered(pd.concat([rows, once], ignore_index=True))
    found = said(result, "one-use-sensors")
    assert "(S9)" in found.message
    same = answered(rows).estimate("trend of difference with use").value
    assert result.estimate("trend of difference with use").value == pytest.approx(same)


def test_use_that_stands_for_the_sensor_is_refused():
    rows = worn(np.random.default_rng(1))
    rows["use"] = rows.sensor.str[1:].astype(float) * 10
    found = said(answered(rows), "agreement-not-along-use")
    assert "every sensor was seen at one use only" in found.message
    assert "Read the same sensor at several uses" in found.mend


def test_one_sensor_and_few_sensors_are_said():
    one = answered(worn(np.random.default_rng(1), k=1, uses=30))
    assert said(one, "one-line") is not None
    assert all("levels of sensor" not in e.name for e in one.estimates)
    two = answered(worn(np.random.default_rng(1), k=2, uses=30))
    assert "Only 2 levels of sensor have lines" in said(two, "few-lines").message
    wide, narrow = (answered(worn(np.random.default_rng(1), k=k, uses=30)).estimate("upper limit at the present use")
                    for k in (2, 8))
    assert wide.high - wide.low > 3 * (narrow.high - narrow.low)


def test_uses_that_differ_within_a_pair_are_said():
    rows = worn(np.random.default_rng(1))
    rows.loc[rows.method == "b", "use"] += 2.0
    result = answered(rows)
    assert said(result, "use-varies-in-pair") is not None
    assert result.estimate("bias at the present use").of["use"] == "61"


def test_swapping_a_and_b_mirrors_and_keeps_the_promise():
    rows = worn(np.random.default_rng(3))
    one, other = answered(rows), answered(rows, a="b", b="a")
    assert other.estimate("bias at use 0").value == pytest.approx(-one.estimate("bias at use 0").value)
    assert other.estimate("protocol limit").value == one.estimate("protocol limit").value
    assert verdict(one) == verdict(other)


def test_groups_of_by_stand_below_one_another():
    rows = pd.concat([worn(np.random.default_rng(i)).assign(region=r) for i, r in enumerate(("heel", "forefoot"))],
                     ignore_index=True)
    result = answered(rows, by=("region",))
    assert len(result.table("along use")) == 50
    assert set(result.table("uses left")["region"]) == {"heel", "forefoot"}
    assert result.estimate("protocol limit", region="heel").unit == "uses"


def test_the_retire_after_count_stays_what_it_was_beside_a_protocol_limit():
    from drift.report.protocol_limits import beside_counts
    from drift.retirement import RetirementResult

    class Agree(Result):
        command = "agree"

    count = Estimate(name="retire after", value=35, unit="uses", of={"construction": "plain"}, bound="exact")
    retired = RetirementResult(question="retirement", answer="Retire after 35 uses.", estimates=(count,))
    short = Agree(question="gait against bench", answer="-", estimates=(
        Estimate(name="protocol limit", value=12, unit="uses", bound="exact"),))
    parts = beside_counts((retired, short))
    assert parts[0].estimates == retired.estimates
    assert parts[0].answer == retired.answer
    assert parts[1] is short
    told = parts[0].findings[0]
    assert told.severity == "note"
    assert told.message.startswith("Protocol limit of question gait against bench: 12 uses;")
    assert beside_counts((retired,)) == (retired,)


def test_the_figure_tells_what_was_found():
    from functools import partial

    from drift.report.drawing import make
    from drift.report.figures_of_agreement_along import along_drawings, along_figure, along_groups, along_size

    result = answered(worn(np.random.default_rng(1)))
    assert along_groups(result) == [{}]
    drawn = make("x", "along", partial(along_figure, result, of={}), size=along_size(result, {}))
    assert drawn.caption.startswith("Q: the difference changes by")
    assert "interchangeable within 25 kPa up to" in drawn.caption
    for words in ("S0", "S5", "upper limit", "harmless: within 25 kPa", "completed uses"):
        assert words in drawn.svg
    assert len(along_drawings(result)) == 1
    assert along_groups(answered(worn(np.random.default_rng(1)).drop(columns="use"))) == []


@pytest.mark.parametrize(("k", "uses", "most"), [(5, 100, 0.3), (10, 500, 1.0)])
def test_it_is_quick(k, uses, most):
    from drift.agreement.along_use import companion
    from drift.agreement.companion import Setting
    from drift.agreement.pairs import form_pairs
    from drift.agreement.structure import analyse, find_structure
    from drift.engine.streams import stream

    rows = worn(np.random.default_rng(1), k=k, uses=uses, last=1000, targets=20)
    question = ask()
    pairing = form_pairs(trial_table(rows), question)
    group = pairing.groups[0]
    structure, _ = find_structure(group, target="participant", sensor="sensor", independent=False, constant=False,
                                  declared=False, question="q")
    setting = Setting(group=group, structure=structure, analysis=analyse(structure, group), pairing=pairing,
                      question=question, of={"question": "q"}, label="", level=0.95, multiplier=1.96, harmless=25.0,
                      rng=stream(1, "along use", 0))
    companion(setting)
    spent = []
    for _ in range(3):
        start = time.perf_counter()
        companion(setting)
        spent.append(time.perf_counter() - start)
    assert min(spent) < most


def test_the_command_line_prints_it_in_the_published_form():
    import jsonschema
    from click.testing import CliRunner

    from drift.cli import cli

    told = CliRunner().invoke(cli, [
        "agree", str(ROOT / "demo_trials" / "trials.csv"), "--compare", "method", "--a", "gait", "--b", "bench",
        "--pair-by", "participant,session,sensor,replicate", "--harmless", "25", "--where", "gains=equalised",
        "--where", "measure=peak pressure", "--where", "region=forefoot", "--json"])
    assert told.exit_code == 0
    printed = json.loads(told.stdout)
    jsonschema.validate(printed, json.loads((ROOT / "drift" / "schema" / "output.json").read_text(encoding="utf-8")))
    assert {"uses left", "along use", "lines along use", "interactions"} <= {
        t["name"].rsplit(": ", 1)[-1] for t in printed["tables"]}
    protocol = next(e for e in printed["estimates"] if e["name"] == "protocol limit")
    assert protocol["value"] is None
    assert any(f["code"] == "no-protocol-limit" and f["mend"] for f in printed["findings"])


def test_hours_of_a_study_reach_the_answer_and_the_report(tmp_path):
    from drift.report.agreement_along_methods import along_use_sentence
    from drift.workflow import run_study

    worn(np.random.default_rng(1)).rename(columns={"use": "hours"}).assign(hours=lambda r: r.hours + 0.5).to_csv(
        tmp_path / "trials.csv", index=False)
    (tmp_path / "study.toml").write_text(
        '[study]\ntitle = "hours"\n[files]\ntrials = "trials.csv"\n[columns.trials]\nuse = "hours"\n[units.trials]\n'
        'reading = "kPa"\nuse = "h"\n[[agreement]]\nname = "q"\ncompare = "method"\na = "a"\nb = "b"\n'
        'target = "participant"\nsensor = "sensor"\npair_by = ["pair"]\nharmless = 25\n', encoding="utf-8")
    result = run_study(read_study(tmp_path))
    assert result.estimate("protocol limit").unit == "h"
    sentence = along_use_sentence(result.parts[0])
    assert "Differences were modelled along use" in sentence
    assert " h (largest use up to which" in sentence
