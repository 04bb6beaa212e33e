"""Comparison lines as an answer: published examples through API and command line, refusals in words, repeats."""

from __future__ import annotations

import json
import time

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from drift.agreement import agreement
from drift.cli import cli
from drift.errors import DriftError
from drift.report.drawing import make
from drift.report.figures_of_lines import line_drawings
from drift.report.line_methods import line_sentence
from drift.study import AgreementQuestion, study_from_dict
from tests.agreement.trial_tables import long_form, trial_table
from tests.coverage.comparison_lines import TABLE
from tests.published_examples import agrees, load

NCSS, PB, PEARSON = (load(n) for n in ("ncss-deming-constant-ratio", "ncss-passing-bablok-30", "york-pearson-eiv"))


def ask(*lines, **settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant",), **settings}
    return AgreementQuestion(lines=lines, **given)


def codes(result):
    return {f.code for f in result.findings}


def pearson_frame():
    f = PEARSON.frame()
    parts = [pd.DataFrame({"method": m, "reading": f[m], "reading_sd": f[f"weight_{m}"] ** -0.5, "reading_n": 1,
                           "participant": [f"p{i:02d}" for i in range(len(f))]}) for m in ("y", "x")]
    return pd.concat(parts, ignore_index=True)


def readings(n=40, seed=3, scale=1.0, slope=1.0, error=5.0):
    rng = np.random.default_rng(seed)
    true = rng.uniform(80, 520, n)
    return (np.round(scale * (slope * true + 12 + error * rng.normal(size=n)), 1),
            np.round(scale * (true + error * rng.normal(size=n)), 1))


def published(result, line, quantity):
    table = result.table("comparison lines").to_frame()
    rows = table[(table.line == line) & (table.quantity == quantity)]
    beside = rows[rows.interval == "as published"]
    return (beside if len(beside) else rows).iloc[0]


def json_of(folder, frame, *options):
    path = folder / "trials.csv"
    frame.to_csv(path, index=False)
    done = CliRunner().invoke(cli, ["agree", str(path), *options, "--json", "--quiet"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


def test_deming_with_a_known_ratio_through_api_and_json(tmp_path):
    f = NCSS.frame()
    result = agreement(trial_table(long_form(f["y"], f["x"]), unit=""), ask("deming", error_ratio=0.25))
    slope, intercept = result.estimate("slope", line="deming"), result.estimate("intercept", line="deming")
    for value, name in ((slope.value, "slope"), (intercept.value, "intercept"), (slope.std_error, "se_slope"),
                        (intercept.std_error, "se_intercept")):
        assert agrees(value, NCSS.expected[name]), name
    assert "a / b = 0.25 (b / a = 4), declared" in slope.method
    row = published(result, "deming", "slope")
    assert row.method == "jackknife t interval"
    t = 2.306004  # t(8)
    assert [row.low, row.high] == pytest.approx([slope.value - t * slope.std_error, slope.value + t * slope.std_error],
                                                rel=1e-6)
    assert slope.method.endswith("exact interval (Creasy)")
    made = json_of(tmp_path, f, "--a-column", "y", "--b-column", "x", "--line", "deming", "--error-ratio", "0.25")
    found = {e["name"]: e for e in made["estimates"] if e["of"].get("line") == "deming"}
    assert agrees(found["slope"]["value"], NCSS.expected["slope"])
    assert agrees(found["intercept"]["std_error"], NCSS.expected["se_intercept"])


def test_passing_bablok_through_api_and_json(tmp_path):
    frame = PB.frame().rename(columns={"value": "reading", "sample": "participant"})
    made = json_of(tmp_path, frame, "--compare", "method", "--a", "method2", "--b", "method1", "--pair-by",
                   "participant", "--line", "passing-bablok")
    found = {e["name"]: e for e in made["estimates"] if e["of"].get("line")}
    assert agrees(found["slope"]["value"], PB.expected["slope"])
    assert agrees(found["intercept"]["value"], PB.expected["intercept"])
    frame["participant"] = frame["participant"].astype(str)
    result = agreement(trial_table(frame, unit=""), ask("passing-bablok", a="method2", b="method1"))
    row = published(result, "passing-bablok", "slope")
    assert [row.low, row.high] == pytest.approx(PB.recomputed["ci_slope_original_1983"], rel=1e-12)
    checks = result.table("comparison line checks").to_frame().set_index("check")
    assert checks.loc["slopes below -1 (K)", "value"] == PB.recomputed["K_slopes_below_minus_1"]
    assert checks.loc["lower rank (M1)", "value"] == PB.recomputed["M1"]
    outlier = [f.message for f in result.findings if f.code == "line-outlier"]
    assert any(m.startswith("participant 11 lies") for m in outlier)


def test_york_with_pearsons_data_through_api_and_json(tmp_path):
    result = agreement(trial_table(pearson_frame(), unit=""), ask("york", a="y", b="x"))
    slope, intercept = result.estimate("slope", line="york"), result.estimate("intercept", line="york")
    assert agrees(slope.value, PEARSON.expected["slope"])
    assert agrees(intercept.value, PEARSON.expected["intercept"])
    checks = result.table("comparison line checks").to_frame().set_index("check")
    for check, name in (("S / (n - 2)", "S_over_n_minus_2"), ("standard error of the slope, stated", "se_slope"),
                        ("standard error of the intercept, stated", "se_intercept")):
        assert agrees(checks.loc[check, "value"], PEARSON.expected[name]), name
    assert agrees(slope.std_error, PEARSON.expected["se_slope_scaled"])
    assert agrees(intercept.std_error, PEARSON.expected["se_intercept_scaled"])
    assert slope.method == "York 2004; scaled t interval"
    assert "falling-line" in codes(result)
    made = json_of(tmp_path, pearson_frame(), "--compare", "method", "--a", "y", "--b", "x", "--pair-by", "participant",
                   "--line", "york")
    found = {e["name"]: e for e in made["estimates"] if e["of"].get("line") == "york"}
    assert agrees(found["slope"]["value"], PEARSON.expected["slope"])
    assert agrees(found["intercept"]["std_error"], PEARSON.expected["se_intercept_scaled"])


def test_the_answer_says_line_differences_and_harm():
    a, b = readings(60)
    result = agreement(trial_table(long_form(a, b)), ask("deming", "passing-bablok", harmless=30.0))
    assert "so that a constant difference is shown and a proportional one is not" in result.answer
    assert result.answer.count("within the harmless 30 kPa at all three") == 2
    low = result.estimate("predicted difference", line="deming", at="lowest reading")
    assert low.low < 12 < low.high
    assert low.of["reading"] == f"{b.min():.4g} kPa"
    path = result.table("comparison line path").to_frame()
    assert path.groupby("line").size().to_dict() == {"deming": 25, "passing-bablok": 25}
    assert ((path.low < path.fit) & (path.fit < path.high)).all()
    beyond = agreement(trial_table(long_form(a, b)), ask("deming", harmless=5.0))
    assert "beyond the harmless 5 kPa at the" in beyond.answer


def test_slope_and_intercept_that_allow_agreement_each_and_rule_it_out_together():
    a, b = readings(40, seed=3, slope=0.93, error=14.0)
    result = agreement(trial_table(long_form(a, b)), ask("deming"))
    slope, intercept = (result.estimate(k, line="deming") for k in ("slope", "intercept"))
    assert slope.low < 1 < slope.high
    assert intercept.low < 0 < intercept.high
    assert "which each allow agreement and together rule it out (p = 0.0" in result.answer


def test_the_coverage_of_the_printed_intervals_is_quoted():
    a, b = readings(20)
    result = agreement(trial_table(long_form(a, b)), ask("deming", "passing-bablok"))
    quoted = result.table("coverage").to_frame().set_index("quantity")
    assert {"Deming slope", "Deming predicted difference", "Passing-Bablok slope"} <= set(quoted.index)
    assert quoted.loc["Deming slope", "nearest design"].startswith("20 targets, reliability ratio 0.99")
    assert not any("Deming" in f.message for f in result.findings if f.code == "short-interval")


def test_an_assumed_ratio_is_said_and_a_declared_one_is_not():
    a, b = readings()
    assumed = agreement(trial_table(long_form(a, b)), ask("deming"))
    note, = [f for f in assumed.findings if f.code == "error-ratio"]
    assert "equally large" in note.message
    assert "error-ratio" not in codes(agreement(trial_table(long_form(a, b)), ask("deming", error_ratio=1.0)))


def test_errors_that_grow_bring_the_weighted_line_beside():
    rng = np.random.default_rng(5)
    true = np.exp(rng.uniform(np.log(10), np.log(300), 60))
    a, b = true * (1 + 0.1 * rng.normal(size=60)), true * (1 + 0.1 * rng.normal(size=60))
    result = agreement(trial_table(long_form(a, b)), ask("deming"))
    warning, = [f for f in result.findings if f.code == "spread-along-line"]
    assert warning.mend == "Read the weighted Deming line beside it."
    wide, narrow = (result.estimate("slope", line=k) for k in ("deming", "weighted deming"))
    assert narrow.std_error < wide.std_error


def repeated(n=12, k=4, sensors=1, seed=1, moving=10):
    rng = np.random.default_rng(seed)
    codes = np.repeat(np.arange(n), k)
    own = 6 * rng.normal(size=(2, n))[:, codes]
    true = rng.uniform(80, 520, n)[codes] + moving * rng.normal(size=n * k)
    a, b = np.round(true + own[0] + 3 * rng.normal(size=n * k)), np.round(true + own[1] + 3 * rng.normal(size=n * k))
    labels = {"participant": [f"P{c:02d}" for c in codes], "replicate": list(np.tile(np.arange(k), n).astype(str)),
              "sensor": [f"S{i % sensors}" for i in range(n * k)]}
    return long_form(a, b, **labels)


def test_repeated_targets_are_left_out_whole():
    frame = repeated()
    pair_by = ("participant", "replicate")
    result = agreement(trial_table(frame), ask("deming", "passing-bablok", pair_by=pair_by))
    slope = result.estimate("slope", line="deming")
    assert slope.n == 12
    assert slope.method.endswith("jackknife t interval")
    alone = agreement(trial_table(frame), ask("deming", pair_by=pair_by, rows_are_independent=True))
    naive = alone.estimate("slope", line="deming")
    assert naive.value == pytest.approx(slope.value)
    assert naive.high - naive.low < 0.8 * (slope.high - slope.low)
    robust = result.estimate("slope", line="passing-bablok")
    assert robust.n == 12
    assert "on the means of 12 levels of participant" in robust.method


def test_targets_and_sensors_that_both_repeat():
    frame = repeated(12, 6, sensors=6)
    pair_by = ("participant", "replicate", "sensor")
    result = agreement(trial_table(frame), ask("deming", "passing-bablok", pair_by=pair_by))
    assert result.estimate("slope", line="deming").n == 6
    robust = result.estimate("slope", line="passing-bablok")
    assert np.isfinite(robust.value)
    assert np.isnan(robust.low)
    assert "line-without-interval" in codes(result)
    few = agreement(trial_table(repeated(12, 4, sensors=2)), ask("deming", pair_by=pair_by))
    assert few.estimate("slope", line="deming").n == 12
    said, = [f for f in few.findings if f.code == "line-holds-for-these"]
    assert "only 2 levels of sensor" in said.message


def test_the_ratio_from_linked_replicates_has_an_interval():
    result = agreement(trial_table(repeated(30, 4, moving=3)), ask("deming", pair_by=("participant", "replicate"),
                                                         error_ratio="replicates"))
    ratio = result.estimate("ratio of error variances")
    assert ratio.low < ratio.value < ratio.high
    assert "linked replicates" in ratio.method


def test_the_ratio_from_unlinked_replicates_widens_the_interval():
    rng = np.random.default_rng(2)
    true = rng.uniform(80, 200, 15)
    parts = [pd.DataFrame({"method": m, "participant": [f"P{i:02d}" for i in range(15)],
                           "reading": true + s * rng.normal(size=15)})
             for m, s, k in (("a", 12.0, 3), ("b", 12.0, 2)) for _ in range(k)]
    frame = pd.concat(parts, ignore_index=True)
    both = {k: agreement(trial_table(frame), ask("deming", truth="constant", pair_by=(), target="participant",
                                                 error_ratio=k)) for k in ("replicates", 1.0)}
    found = {k: r.estimate("slope", line="deming") for k, r in both.items()}
    assert found["replicates"].method.endswith("pivotal interval over the ratio")
    assert "from unlinked replicates" in found["replicates"].method
    ratio = both["replicates"].estimate("ratio of error variances")
    assert ratio.low < 1 < ratio.high
    # Means of 3 and of 2 readings: a ratio of 1 between readings is one of 2/3 between means.
    same = agreement(trial_table(frame.groupby(["method", "participant"], as_index=False).mean()),
                     ask("deming", error_ratio=2 / 3)).estimate("slope", line="deming")
    assert found[1.0].value == pytest.approx(same.value, rel=1e-9)


@pytest.mark.parametrize(("a", "b", "words"), [
    ([1.0, 2, 3, 5], [1.1, 2, 2.9, 5.2], "4 independent units are fewer than 5"),
    ([1.0, 2, 3, 4, 5, 7], [3.0] * 6, "b reads the same throughout"),
    ([3.0] * 6, [1.0, 2, 3, 4, 5, 7], "a reads the same throughout"),
])
def test_what_allows_no_line_is_said(a, b, words):
    result = agreement(trial_table(long_form(a, b)), ask("deming", "passing-bablok"))
    refusals = [f for f in result.findings if f.code == "line-refused"]
    assert len(refusals) == 2
    assert all(words in f.message and f.mend for f in refusals)
    assert np.isnan(result.estimate("slope", line="deming").value)


def test_a_falling_line_is_refused_by_ranks_and_named_by_deming():
    a, b = readings(30)
    result = agreement(trial_table(long_form(600 - a, b)), ask("deming", "passing-bablok"))
    assert {"falling-line", "line-refused"} <= codes(result)
    refusal, = [f for f in result.findings if f.code == "line-refused"]
    assert "a does not rise with b" in refusal.message


def test_other_refusals_have_their_reason():
    a, b = readings(20)
    table = trial_table(long_form(a - 300, b - 300))
    found = [agreement(table, ask("weighted deming", "york")),
             agreement(table, ask("deming", error_ratio="replicates"))]
    said = " ".join(f.message for r in found for f in r.findings if f.code == "line-refused")
    for words in ("above zero", "reading_sd", "nothing is repeated"):
        assert words in said


def test_a_narrow_range_and_a_computed_column_are_named():
    rng = np.random.default_rng(7)
    narrow = agreement(trial_table(long_form(*(100 + rng.normal(size=(2, 20)) + 0.8 * rng.normal(size=20)))),
                       ask("deming"))
    assert "narrow-range" in codes(narrow)
    b = np.arange(1.0, 21)
    computed = agreement(trial_table(long_form(2 * b, b)), ask("deming", "weighted deming", "passing-bablok"))
    assert "on-the-line" in codes(computed)
    slope = computed.estimate("slope", line="deming")
    assert [slope.low, slope.value, slope.high] == pytest.approx([2, 2, 2])


def test_uncertainties_too_small_for_the_scatter_are_named():
    f = pearson_frame()
    f["reading_sd"] = f["reading_sd"] / 3
    result = agreement(trial_table(f, unit=""), ask("york", a="y", b="x"))
    assert "more-scatter-than-stated" in codes(result)


def test_groups_have_lines_of_their_own():
    a, b = readings(40)
    frame = long_form(a, b, participant=[f"P{i:02d}" for i in range(40)], region=["heel", "toe"] * 20)
    result = agreement(trial_table(frame), ask("deming", by=("region",)))
    assert set(result.table("comparison lines")["region"]) == {"heel", "toe"}
    assert result.estimate("slope", region="heel").value != result.estimate("slope", region="toe").value


def test_order_and_unit_change_nothing_else():
    a, b = readings(30)
    frame = long_form(a, b)
    lines = ("deming", "weighted deming", "passing-bablok")
    plain = agreement(trial_table(frame), ask(*lines))
    mixed = agreement(trial_table(frame.sample(frac=1, random_state=1)), ask(*lines))
    psi = frame.assign(reading=frame["reading"] * 0.14503773773020923)
    scaled = agreement(trial_table(psi, unit="psi"), ask(*lines))
    for line in lines:
        one, two, three = (r.estimate("slope", line=line) for r in (plain, mixed, scaled))
        assert [two.value, two.low, two.high] == pytest.approx([one.value, one.low, one.high], rel=1e-9)
        assert [three.value, three.low, three.high] == pytest.approx([one.value, one.low, one.high], rel=1e-9)
        low = [r.estimate("predicted difference", line=line, at="highest reading").low for r in (plain, scaled)]
        assert low[1] == pytest.approx(0.14503773773020923 * low[0], rel=1e-8)


def test_swapping_the_methods_turns_a_deming_line_over():
    a, b = readings(30)
    one = agreement(trial_table(long_form(a, b)), ask("deming", error_ratio=4.0)).estimate("slope", line="deming")
    other = agreement(trial_table(long_form(b, a)), ask("deming", error_ratio=0.25)).estimate("slope", line="deming")
    assert [1 / other.high, 1 / other.value, 1 / other.low] == pytest.approx([one.low, one.value, one.high], rel=1e-9)


def test_five_hundred_pairs_cost_little():
    a, b = readings(500)
    table, question = trial_table(long_form(a, b)), ask("deming", "passing-bablok")
    begun = time.perf_counter()
    plain = agreement(table, ask())
    between = time.perf_counter()
    agreement(table, question)
    assert time.perf_counter() - between < (between - begun) + 1.0  # about 0.1 s on an idle core
    assert not any(t.name == "comparison lines" for t in plain.tables)


def test_the_printed_intervals_hold_in_every_design_of_the_table():
    rows = pd.read_csv(TABLE, keep_default_na=False)
    assert rows.design.nunique() >= 40
    assert (rows.studies >= 2000).all()
    printed = rows.method.str.contains("exact|pivotal|widened|MOVER|wider of|Hotelling")
    wrong = rows.quantity.str.contains("taken as|in truth|as independent")
    unequal = rows.design.str.contains("1 to 12 pairs")
    assert rows[printed & ~wrong & ~unequal].coverage.min() >= 0.93
    assert rows[printed & ~wrong & unequal].coverage.min() >= 0.92  # the joint test; the page says so
    straight = rows[rows.quantity.str.contains("no false bend") & ~wrong].set_index("design")
    assert straight[straight.method == "cumulative sum against random signs"].coverage.between(0.93, 0.965).all()
    old = straight[straight.method == "Kolmogorov-Smirnov, as in 1983"].coverage
    assert old["50 targets, reliability ratio 0.99, readings rounded to the error"] < 0.82
    assert old["50 targets, reliability ratio 0.99"] < 0.92
    clustered = rows[(rows.method == "jackknife t interval") & rows.design.str.contains(" x |pairs") & ~wrong]
    assert clustered.coverage.min() >= 0.925  # two Monte-Carlo errors below 0.935
    exact = rows[rows.method == "exact interval (Creasy)"]
    assert exact[exact.quantity.str.contains("taken as")].coverage.min() < 0.7
    assert exact[(exact.quantity == "Deming slope, rows as independent")
                 & exact.design.str.contains("shared")].coverage.max() < 0.92


@pytest.mark.parametrize(("settings", "words"), [
    ({"lines": ["deming"], "error_ratio": 0.0}, "above zero"),
    ({"lines": ["york"], "error_ratio": 2.0}, "no line that is asked for uses an error ratio"),
])
def test_a_study_that_contradicts_itself_about_lines_is_told(settings, words):
    question = {"name": "q", "compare": "method", "a": "a", "b": "b", **settings}
    with pytest.raises(DriftError, match=words):
        study_from_dict({"study": {"title": "t"}, "files": {"trials": "t.csv"}, "agreement": [question]})


def test_lines_of_several_methods_are_contradicted():
    question = {"name": "q", "compare": "method", "methods": ["a", "b", "c"], "lines": ["deming"]}
    with pytest.raises(DriftError, match="lines compare two methods"):
        study_from_dict({"study": {"title": "t"}, "files": {"trials": "t.csv"}, "agreement": [question]})


def test_a_figure_and_a_sentence_of_methods_for_every_line():
    a, b = readings(30)
    frame = long_form(a, b, participant=[f"P{i:02d}" for i in range(30)], region=["heel", "toe"] * 15)
    result = agreement(trial_table(frame), ask("deming", "passing-bablok", by=("region",), harmless=25.0))
    drawings = line_drawings(result)
    assert len(drawings) == 4
    name, title, draw, size = drawings[0]
    figure = make(name.replace(" ", "-"), title, draw, size=size)
    assert "identity" in figure.svg
    assert "by the Deming line a \N{MINUS SIGN} b is" in figure.caption
    assert "region heel" in figure.caption
    assert "15 pairs" in figure.caption
    told = line_sentence(result)
    assert "Deming regression (Linnet 1990), slope" in told
    assert "Passing-Bablok regression (1983)" in told
    assert line_sentence(agreement(trial_table(frame), ask(by=("region",)))) == ""


def test_on_the_command_line_advice_names_options(tmp_path, monkeypatch):
    monkeypatch.setenv("COLUMNS", "160")  # in a narrow window a table breaks the sentence
    path = tmp_path / "wide.csv"
    NCSS.frame().to_csv(path, index=False)
    columns = ["agree", str(path), "--a-column", "y", "--b-column", "x"]
    done = CliRunner().invoke(cli, [*columns, "--error-ratio", "0.25"])
    assert done.exit_code == 1
    assert "Add --line deming, or leave --error-ratio out" in " ".join(done.output.split())
    done = CliRunner().invoke(cli, [*columns, "--line", "deming", "--error-ratio", "replicates"])
    assert "Give the ratio as a number with --error-ratio" in " ".join(done.output.split())
    done = CliRunner().invoke(cli, [*columns, "--line", "deming"])
    assert "Say --error-ratio (variance of the errors of y over that of x)" in " ".join(done.output.split())


def test_lines_with_a_ratio_from_replicates_quote_studies_of_that_kind():
    linked = agreement(trial_table(repeated(20, 3, moving=1)), ask("deming", pair_by=("participant", "replicate"),
                                                         error_ratio="replicates"))
    quoted = linked.table("coverage").to_frame().set_index("quantity")
    assert quoted.loc["Deming slope", "nearest design"].startswith(("20 targets x 2", "40 targets x 3"))
    assert quoted.loc["Deming slope", "method"] == "jackknife t interval"
