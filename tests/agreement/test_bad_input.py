"""Little or odd data: the right answer or one clear sentence, and never a library's warning."""

import json

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from drift.agreement import agreement
from drift.cli import cli
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant",), **settings}
    return AgreementQuestion(**given)


def codes(result):
    return {f.code for f in result.findings}


@pytest.mark.parametrize(("n", "words"), [(1, "there is only one pair"), (2, "there are only 2 pairs")])
def test_one_or_two_pairs_are_refused_in_a_sentence(n, words):
    result = agreement(trial_table(long_form([1.0, 2.0][:n], [1.5, 2.1][:n])), ask(harmless=1.0))
    assert result.answer == f"No limits of agreement and no verdict: {words}."
    assert np.isnan(result.estimate("lower limit").value)
    refused, = [f for f in result.findings if f.code == "agreement-refused"]
    assert refused.severity == "warning"
    assert refused.mend


@pytest.mark.parametrize("n", [3, 4])
def test_three_or_four_pairs_give_exact_limits_and_a_caution(n):
    result = agreement(trial_table(long_form([1.0, 2.0, 4.0, 3.0][:n], [1.5, 2.1, 3.0, 3.1][:n])), ask(harmless=1.0))
    assert "few-pairs" in codes(result)
    limit = result.estimate("upper limit")
    assert limit.low < limit.value < limit.high


def test_identical_columns_are_named_and_not_judged():
    x = np.arange(10.0)
    result = agreement(trial_table(long_form(x, x)), ask(harmless=1.0))
    found, = [f for f in result.findings if f.code == "no-spread"]
    assert "identical in all 10 pairs" in found.message
    assert result.estimate("bias").value == 0
    assert np.isnan(result.estimate("bias").high)
    assert result.verdicts == ()
    assert result.answer.startswith("a \N{MINUS SIGN} b is 0")


def test_a_constant_shift_is_named_and_not_judged():
    x = np.arange(10.0)
    result = agreement(trial_table(long_form(x + 2, x)), ask(harmless=1.0))
    assert result.estimate("bias").value == 2
    assert any("All 10 differences are equal" in f.message for f in result.findings)


def test_readings_of_no_more_than_rounding_apart_do_not_warn():
    x = np.full(12, 1e8)
    result = agreement(trial_table(long_form(x + np.arange(12) * 1e-7, x)), ask())
    assert np.isfinite(result.estimate("bias").value)


def test_negative_readings_have_no_ratio_limits():
    rng = np.random.default_rng(1)
    x = rng.normal(0, 5, 20)
    result = agreement(trial_table(long_form(x + rng.normal(size=20), x)), ask())
    assert "ratio (log scale)" not in set(result.table("limits")["variant"])
    assert np.isfinite(result.estimate("lower limit").value)


def test_a_method_missing_for_some_targets_leaves_them_unmatched_by_name():
    rows = long_form(np.arange(8.0) ** 1.5, np.arange(8.0))
    result = agreement(trial_table(rows.drop(index=[10, 11])), ask())
    assert result.provenance.accounts[0].unmatched == 2
    assert {x.reason for x in result.exclusions} == {"no reading by b"}
    assert result.estimate("bias").n == 6


def test_one_method_constant_is_answered():
    rng = np.random.default_rng(2)
    result = agreement(trial_table(long_form(50 + rng.normal(size=15), np.full(15, 50.0))), ask(harmless=5.0))
    assert np.isfinite(result.estimate("upper limit").high)
    assert "trend-with-size" in codes(result)


def test_repeats_copied_to_the_last_digit_count_once():
    rng = np.random.default_rng(3)
    d = np.repeat(rng.normal(size=8), 3)
    x = rng.normal(50, 5, 24)
    rows = long_form(x + d, x, participant=[f"P{i}" for i in np.repeat(np.arange(8), 3)], replicate=["1", "2", "3"] * 8)
    rows["reading"] = rows.reading.round(6)
    result = agreement(trial_table(rows), ask(pair_by=("participant", "replicate")))
    bias = result.estimate("bias")
    assert bias.n == 8
    assert bias.std_error == pytest.approx(np.std(d[::3], ddof=1) / np.sqrt(8), rel=1e-3)


def test_two_pairs_on_two_targets_and_two_sensors_are_refused():
    rows = long_form([1.0, 2.0, 4.0, 3.5], [1.1, 2.5, 3.2, 3.9], participant=["P1", "P1", "P2", "P2"],
                     sensor=["S1", "S2", "S1", "S2"])
    result = agreement(trial_table(rows), ask(pair_by=("participant", "sensor")))
    assert np.isfinite(result.estimate("bias").value) or "agreement-refused" in codes(result)


def test_thousands_of_pairs_are_answered_without_a_warning():
    rng = np.random.default_rng(4)
    x = rng.normal(100, 10, 6000)
    result = agreement(trial_table(long_form(x + rng.normal(size=6000), x)), ask(harmless=3.0))
    assert result.estimate("bias").n == 6000


def test_a_target_of_one_is_said():
    rng = np.random.default_rng(5)
    rows = long_form(50 + rng.normal(size=9), 50 + rng.normal(size=9), participant=["P1"] * 9,
                     replicate=[str(i) for i in range(9)])
    result = agreement(trial_table(rows), ask(pair_by=("participant", "replicate")))
    assert "one-target" in codes(result)


def test_a_level_out_of_range_is_refused():
    with pytest.raises(ValueError, match="level must lie between"):
        agreement(trial_table(long_form([1.0], [2.0])), ask(), level=1.0)


def test_an_empty_selection_is_an_error():
    from drift.errors import DriftError

    rows = long_form([1.0, 2.0], [2.0, 3.0])
    rows["exclude"] = 1.0
    with pytest.raises(DriftError, match="no usable row is left of 4"):
        agreement(trial_table(pd.DataFrame(rows)), ask())


def wide(tmp_path, a, b, *options):
    """Answer of ``drift agree`` on two columns: exit code, text, and the JSON object."""
    path = tmp_path / "wide.csv"
    pd.DataFrame({"new": a, "old": b}).to_csv(path, index=False)
    words = ["agree", str(path), "--a-column", "new", "--b-column", "old", *options]
    done = CliRunner().invoke(cli, words)
    assert done.exception is None or isinstance(done.exception, SystemExit)
    found = CliRunner().invoke(cli, [*words, "--json"]).output
    return done.exit_code, " ".join(done.output.split()), json.loads(found) if found.startswith("{") else {}


def some(n=20, seed=1, decimals=2):
    rng = np.random.default_rng(seed)
    b = rng.normal(100, 10, n)
    return (b + rng.normal(size=n)).round(decimals), b.round(decimals)


@pytest.mark.parametrize(("n", "words"), [(1, "there is only one pair"), (2, "there are only 2 pairs")])
def test_the_command_refuses_one_or_two_pairs_in_a_sentence(tmp_path, n, words):
    code, text, found = wide(tmp_path, *(v[:n] for v in some()), "--harmless", "5")
    assert code == 0
    assert f"No limits of agreement and no verdict: {words}." in text
    assert all(e["value"] is None for e in found["estimates"] if e["name"].endswith("limit"))


def test_the_command_cautions_three_pairs(tmp_path):
    _, text, _ = wide(tmp_path, *(v[:3] for v in some()))
    assert "Only 3 pairs; the limits are hardly known" in text


def test_keys_that_never_meet_are_an_error_with_a_way_out(tmp_path):
    rows = pd.concat([pd.DataFrame({"participant": [f"A{i}" for i in range(6)], "method": "a", "reading": range(6)}),
                      pd.DataFrame({"participant": [f"B{i}" for i in range(6)], "method": "b", "reading": range(6)})])
    rows.to_csv(tmp_path / "t.csv", index=False)
    done = CliRunner().invoke(cli, ["agree", str(tmp_path / "t.csv"), "--compare", "method", "--a", "a", "--b", "b",
                                    "--pair-by", "participant"])
    assert done.exit_code == 1
    assert "no reading by a meets one by b" in " ".join(done.output.split())


def test_a_missing_method_is_named_and_counted_and_stands_among_the_excluded(tmp_path):
    rows = long_form(np.arange(12.0) ** 1.5, np.arange(12.0)).drop(index=[2, 17, 19])
    result = agreement(trial_table(rows), ask())
    said = [f.message for f in result.findings if f.code == "no-partner"]
    assert said == ["a has no reading for 1 pair: participant P002",
                    "b has no reading for 2 pairs: participant P005; participant P007"]
    assert [(x.kind, x.reason) for x in result.exclusions] == [("unmatched", "no reading by b")] * 2 + [
        ("unmatched", "no reading by a")]
    rows.to_csv(tmp_path / "t.csv", index=False)
    done = CliRunner().invoke(cli, ["agree", str(tmp_path / "t.csv"), "--compare", "method", "--a", "a", "--b", "b",
                                    "--pair-by", "participant", "--out", str(tmp_path / "out")])
    assert "b has no reading for 2 pairs: participant P005; participant P007." in " ".join(done.output.split())
    kept = pd.read_csv(tmp_path / "out" / "excluded.csv")
    assert kept["reason"].tolist() == ["no reading by b", "no reading by b", "no reading by a"]
    a, b = some()
    a[3] = np.nan
    assert "new has no reading for 1 pair: pair 5" in wide(tmp_path, a, b)[1]  # as in the long form


def test_many_missing_partners_are_counted_and_the_first_ones_named():
    rows = long_form(np.arange(30.0) ** 1.5, np.arange(30.0))
    result = agreement(trial_table(rows.drop(index=list(range(30, 45)))), ask())
    said, = [f.message for f in result.findings if f.code == "no-partner"]
    assert said.startswith("b has no reading for 15 pairs: participant P000; ")
    assert said.endswith("participant P005 and 9 more")


def test_zero_readings_have_no_ratio_limits_and_the_reason_is_said(tmp_path):
    a, b = some()
    a[4] = 0.0
    _, text, found = wide(tmp_path, a, b)
    assert "There are no ratio limits, as 1 of 40 readings is not above zero" in text
    limits = next(t for t in found["tables"] if t["name"] == "limits")
    assert not any(row[0] == "ratio (log scale)" for row in limits["rows"])


def test_percent_of_means_that_change_sign_is_refused_in_words():
    rng = np.random.default_rng(2)
    x = rng.normal(0, 5, 25)
    result = agreement(trial_table(long_form(x + rng.normal(size=25), x)), ask())
    said, = [f.message for f in result.findings if f.code == "variant-missing"]
    assert "no percent limits, as the means change sign" in said
    assert "no ratio limits" in said


def test_percent_at_means_near_zero_is_refused_with_the_pair():
    x = np.array([0.02, 40, 50, 60, 70, 80, 90.0])
    result = agreement(trial_table(long_form(x + np.array([0.1, 1, -1, 2, -2, 1, 0.5]), x)), ask())
    said, = [f.message for f in result.findings if f.code == "variant-missing"]
    assert "no percent limits, as a difference is larger than its mean (participant P000: mean 0.07, difference 0.1)" \
        in said
    assert "percent of mean" not in set(result.table("limits")["variant"])


def test_percent_of_readings_all_below_zero_keeps_the_sign_of_the_difference():
    rng = np.random.default_rng(3)
    b = -rng.uniform(50, 100, 20)
    result = agreement(trial_table(long_form(b + 2 + 0.1 * rng.normal(size=20), b)), ask())
    rows = result.table("limits").to_frame()
    percent = rows[(rows.variant == "percent of mean") & (rows.limit == "bias")].iloc[0]
    assert percent.value > 0


def test_rows_with_changed_places_are_noted_by_name(tmp_path):
    rng = np.random.default_rng(4)
    b = rng.normal(100, 10, 24).round(2)
    a = (b + 15 + rng.normal(size=24)).round(2)
    a[:5], b[:5] = b[:5].copy(), a[:5].copy()
    _, text, found = wide(tmp_path, a, b)
    assert "as if new and old had changed places in 5 of 24 pairs (pair 2, pair 3, pair 4, pair 5 and pair 6)" in text
    noted, = [f for f in found["findings"] if f["code"] == "swapped"]
    assert noted["severity"] == "note"
    # whole columns that changed places cannot be told from a bias of the other sign
    assert "swapped" not in codes(agreement(trial_table(long_form(b[5:], a[5:])), ask()))


@pytest.mark.parametrize(("make", "words"), [
    (lambda b: (1.25 * b).round(2), "Every reading by new is 1.25 times that by old, to rounding"),
    (lambda b: (20 + 1.25 * b).round(2), "Every reading by new is 20 + 1.25 times that by old, to rounding"),
    (lambda b: (0.001 * b).round(5), "Every reading by new is 0.001 times that by old, to rounding"),
])
def test_a_column_computed_from_the_other_is_said(tmp_path, make, words):
    _, b = some(seed=5)
    code, text, _ = wide(tmp_path, make(b), b)
    assert code == 0
    assert words in text


def test_a_constant_offset_and_identical_columns_through_the_command(tmp_path):
    _, b = some()
    assert "All 20 differences are equal" in wide(tmp_path, (b + 3).round(2), b, "--harmless", "5")[1]
    assert "Readings by new and old are identical in all 20 pairs" in wide(tmp_path, b, b, "--harmless", "5")[1]


def test_the_same_pair_twice_is_said(tmp_path):
    a, b = (np.append(v, v[[3]]) for v in some(decimals=3))
    _, text, found = wide(tmp_path, a, b)
    assert "1 set of pairs holds the same two readings to the last digit (pair 5 and pair 22)" in text
    assert found["provenance"]["rows"]["used"] == 21  # rows of the file


def test_the_same_key_twice_is_an_error():
    from drift.errors import DriftError

    rows = pd.concat([long_form(*some(8)), long_form(*(v[:1] for v in some(8)))], ignore_index=True)
    with pytest.raises(DriftError, match="picks 2 readings by a for participant P000"):
        agreement(trial_table(rows), ask())


@pytest.mark.parametrize("decimals", [0, 1, 3])
@pytest.mark.parametrize("bias", [0.0, 4.0])
def test_clean_readings_raise_no_suspicion(decimals, bias):
    from drift.agreement.pairs import Group
    from drift.agreement.suspicions import suspicions

    rng = np.random.default_rng(int(10 * decimals + bias))
    said = []
    for n in (5, 10, 40):
        for _ in range(60):
            x = rng.normal(100, 10, n)
            a, b = (x + bias + rng.normal(size=n)).round(decimals), (x + rng.normal(size=n)).round(decimals)
            names = np.array([f"P{i}" for i in range(n)], dtype=object)
            said += [f.code for f in suspicions(Group((), "kPa", names, a, b, names, None, None), ask(), "")]
    assert len(said) <= 3
    assert set(said) <= {"copied"}
