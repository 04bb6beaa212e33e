"""Reporting items: every item has its filler, data fill what data can, and grades follow what was put in."""

from __future__ import annotations

import re

import numpy as np
import pytest

from drift.errors import DriftError
from drift.items import GRADES, TABLE, all_lists, chosen_lists, items_tables, summary_sentence
from drift.items.result import filler_of
from drift.study import ReportingSpec, study_from_dict
from tests.items.made import BASE, evidence, lines, plain, trials

PAIRS = {"name": "gait against bench", "compare": "method", "a": "gait", "b": "bench", "target": "participant",
         "pair_by": ["participant", "session", "replicate"], "harmless": 25.0}
TOLD = {"device": "a sheet", "quantity": "peak pressure", "population": "adults", "raters": "any visit",
        "background": "b", "sample_size": "twelve", "planned": {"participants": 12, "sessions": 4},
        "sampling": "a list", "conditions": "same room", "interval_reason": "a week", "stable": "healthy",
        "blinded_measuring": "yes", "blinded_scoring": "not needed", "important_change": "60 kPa", "conflicts": "none"}


@pytest.mark.parametrize(("key", "many"), [("grras-2011", 15), ("cosmin-2020", 12), ("bland-altman-2020", 16),
                                           ("icc-2016", 10)])
def test_every_list_has_its_items_each_with_a_filler_and_a_source(key: str, many: int) -> None:
    one = next(x for x in all_lists() if x.key == key)
    assert len(one.items) == many
    assert len({i.id for i in one.items}) == many
    assert re.search(r"\((19|20)\d\d\)", one.source)
    assert "doi" in one.source
    for item in one.items:
        assert callable(filler_of(item.filler))
        assert item.asks.endswith("?")
        assert item.who in ("data", "study", "data and study", "draft", "person")


def test_ten_cosmin_lines_are_scored() -> None:
    one = chosen_lists(("cosmin",))[0]
    assert sum(bool(i.scored) for i in one.items) == 10


def test_who_fills_what_is_as_the_guideline_counts() -> None:
    """Of 15 GRRAS items 4 are filled from data alone, 4 from data and metadata, 2 drafted, 4 typed, 1 for a person."""
    who = [i.who for i in chosen_lists(("grras",))[0].items]
    assert [who.count(w) for w in ("data", "data and study", "draft", "study", "person")] == [4, 4, 2, 4, 1]


def test_nothing_typed_leaves_nothing_to_the_user_that_data_could_fill() -> None:
    found = lines(plain())
    open_ = {n for n, x in found.items() if x.filled.state == "needs you"}
    assert not {n for n in open_ if found[n].item.who in ("data", "draft")}
    assert all(x.filled.needs for n, x in found.items() if n in open_)


def test_every_key_that_is_asked_for_is_a_key() -> None:
    keys = {k for x in lines(plain()).values() for k in x.filled.needs}
    asked = {m.group(1) for k in keys if (m := re.fullmatch(r"\[reporting\] (\w+)", k))}
    assert asked
    assert asked <= set(ReportingSpec.model_fields)


def test_what_is_typed_closes_every_item() -> None:
    found = lines(evidence(trials(methods=("gait", "bench")), agreement=[PAIRS], reliability=[
        {**BASE["reliability"][0], "where": {"method": "bench"}}], reporting=TOLD))
    assert [n for n, x in found.items() if x.filled.state == "needs you"] == []
    assert "12 participants (12 entered) and 4 sessions (3 entered)" in found["GRRAS 6"].filled.text
    assert all(x.filled.text for x in found.values())
    assert all(x.filled.grade in ("", *GRADES) for x in found.values())


def test_a_blank_is_not_filled_in() -> None:
    found = lines(evidence(trials(), reporting={"device": "...", "population": " "}))
    assert found["GRRAS 2"].filled.state == found["GRRAS 3"].filled.state == "needs you"


def test_sentences_hold_the_numbers_of_the_results() -> None:
    e = plain()
    declared = e.reliability[0][1].estimates[0]
    text = lines(e)["ICC 5"].filled.text
    assert f"{declared.name} {declared.text().replace('(', '(95 % interval ')}" in text
    assert re.search(r"12 participants, 3 sessions and 72 readings; none left out", lines(e)["GRRAS 11"].filled.text)


def test_a_study_without_methods_is_not_asked_about_limits_of_agreement() -> None:
    found = lines(plain())
    assert {x.filled.state for n, x in found.items() if n.startswith("Bland-Altman")} == {"not applicable"}


def test_a_study_without_reliability_is_not_asked_for_an_icc() -> None:
    found = lines(evidence(trials(methods=("gait", "bench")), agreement=[PAIRS], reliability=[]))
    assert {x.filled.state for n, x in found.items() if n.startswith("ICC")} == {"not applicable"}
    assert found["COSMIN 7"].filled.state == "not applicable"
    assert found["COSMIN 9"].filled.state == "filled"


@pytest.mark.parametrize(("shift", "stable", "grades"), [
    (0.0, "", {"adequate", "doubtful", "very good"}), (15.0, "", {"inadequate"}), (15.0, "healthy", {"doubtful"})])
def test_a_shift_between_repeats_lowers_the_grade(shift: float, stable: str, grades: set[str]) -> None:
    found = lines(evidence(trials(shift=shift, people=20), reporting={"stable": stable} if stable else {}))["COSMIN 1"]
    assert found.filled.grade in grades
    assert "times the SEM" in found.filled.text


def test_an_unlike_operator_lowers_the_grade_and_is_named() -> None:
    unlike, alike = (lines(evidence(trials(unlike=u)))["COSMIN 3"].filled for u in (True, False))
    assert unlike.grade == "doubtful"
    assert "unlike between levels of session were operator" in unlike.text
    assert alike.grade == "very good"


def test_copied_repeats_are_told() -> None:
    assert "look for copied rows" in lines(evidence(trials(copied=True)))["GRRAS 9"].filled.text
    assert "as rounding alone would give" in lines(plain())["GRRAS 9"].filled.text


def test_repeats_without_times_ask_for_a_reason() -> None:
    found = lines(evidence(trials(timed=False)))
    assert "repeats bear no time" in found["COSMIN 1"].filled.text
    assert found["COSMIN 2"].filled.needs == ("[reporting] interval_reason",)
    assert "cannot be told" not in found["COSMIN 2"].filled.text


def test_the_time_between_repeats_is_stated() -> None:
    assert "between repeats of one participant lay 7 days (median; 7 days to 7 days)" in lines(
        plain())["COSMIN 2"].filled.text


def test_consistency_with_a_systematic_difference_lowers_both_grades() -> None:
    asked = [{**BASE["reliability"][0], "agree": "order"}]
    shifted, still = (lines(evidence(trials(shift=s, people=20, sessions=5), reliability=asked)) for s in (25.0, 0.0))
    for item in ("COSMIN 7", "COSMIN 9"):
        assert shifted[item].filled.grade == "doubtful", item
        assert "differ systematically" in shifted[item].filled.text
        assert still[item].filled.grade == "very good", item
    value = lines(evidence(trials(shift=25.0, people=20, sessions=5)))
    assert value["COSMIN 7"].filled.grade == value["COSMIN 9"].filled.grade == "very good"


def test_pairs_declared_independent_lower_the_grade() -> None:
    pairs = [{**PAIRS, "rows_are_independent": True}]
    found = lines(evidence(trials(methods=("gait", "bench")), agreement=pairs, reliability=[]))
    assert found["COSMIN 9"].filled.grade == found["COSMIN 6"].filled.grade == "doubtful"
    assert "pairs were declared independent" in found["Bland-Altman 13"].filled.text


def test_pairs_taken_at_one_time_leave_nothing_to_change() -> None:
    found = lines(evidence(trials(methods=("gait", "bench")), agreement=[PAIRS], reliability=[]))
    assert found["COSMIN 1"].filled.grade == found["COSMIN 2"].filled.grade == "very good"
    assert "no recorded condition differs inside a pair" in found["COSMIN 3"].filled.text


def test_each_method_has_its_own_repeatability() -> None:
    text = lines(evidence(trials(methods=("gait", "bench"), people=40), agreement=[PAIRS], reliability=[]))[
        "Bland-Altman 3"].filled.text
    sds = [float(x) for x in re.findall(r"(?:gait|bench) (\d+\.\d+) \(", text)]
    assert len(sds) == 2
    assert all(4.8 < sd < 7.2 for sd in sds)  # 6 kPa, four standard errors of 120 degrees of freedom and rounding


def test_a_missing_harmless_difference_is_asked_for_by_its_question() -> None:
    pairs = [{k: v for k, v in PAIRS.items() if k != "harmless"}]
    found = lines(evidence(trials(methods=("gait", "bench")), agreement=pairs, reliability=[]))["Bland-Altman 1"]
    assert found.filled.needs == ("[[agreement]] gait against bench: harmless",)


@pytest.mark.parametrize(("change", "says"), [("500 kPa", "is below it"), ("1 kPa", "is above it"),
                                              ("20 N", "cannot be compared")])
def test_the_mdc_is_set_against_the_change_that_matters(change: str, says: str) -> None:
    found = lines(evidence(trials(), reporting={"important_change": change}))["COSMIN importance"]
    assert says in found.filled.text


def test_categories_are_told_from_continuous_readings() -> None:
    table = trials()
    few = type(table)({**table.columns, "reading": np.round(table["reading"] / 40)}, table.row, "t.csv", "", {})
    found = lines(evidence(few))
    assert found["COSMIN 8"].filled.grade == found["COSMIN 10"].filled.grade == "inadequate"
    assert lines(plain())["COSMIN 8"].filled.state == "not applicable"


def test_the_worst_line_decides_the_grade_of_a_part() -> None:
    found = lines(evidence(trials(shift=15.0, people=20)))
    table = next(t for t in items_tables(tuple(found.values())) if t.name == "risk of bias")
    assert list(table["grade"]) == ["inadequate", "inadequate"]
    assert "COSMIN 1" in table["decided by"][0]


def test_a_confirmed_draft_is_no_draft() -> None:
    found = lines(evidence(trials(), reporting={"confirmed": ["grras 1"]}))
    assert found["GRRAS 1"].filled.source == "draft, confirmed"
    assert lines(plain())["GRRAS 1"].filled.source == "draft"


def test_an_item_that_does_not_exist_cannot_be_confirmed() -> None:
    from drift.items import unknown_confirmed

    e = evidence(trials(), reporting={"confirmed": ["GRRAS 16"]})
    warned = unknown_confirmed(e, tuple(lines(e).values()))
    assert [f.value for f in warned] == ["GRRAS 16"]
    assert "Did you mean 'GRRAS" in warned[0].mend


def test_the_answer_counts_and_names_what_is_open() -> None:
    found = lines(plain())
    table = items_tables(tuple(found.values()))[0]
    assert table.name == TABLE
    answer = summary_sentence(table)
    assert answer.startswith(f"Of {len(found)} reporting items ")
    assert "[reporting] device" in answer


@pytest.mark.parametrize(("asked", "keys"), [((), ["grras-2011", "cosmin-2020", "bland-altman-2020", "icc-2016"]),
                                             (("icc",), ["icc-2016"]), (("icc-2016", "icc"), ["icc-2016"])])
def test_lists_are_chosen_by_family_or_version(asked: tuple[str, ...], keys: list[str]) -> None:
    assert [x.key for x in chosen_lists(asked)] == keys


def test_an_unknown_list_is_refused_with_the_nearest() -> None:
    with pytest.raises(DriftError, match="Did you mean 'grras-2011'"):
        chosen_lists(("grras-2012",))


BAD = [({"devise": "x"}, "Did you mean 'device'"), ({"blinded_scoring": "maybe"}, "not offered"),
       ({"important_change": "25"}, "its unit"), ({"important_change": "lots"}, "important_change"),
       ({"range_of_use": "600 kPa to 100 kPa"}, "no range"), ({"planned": {"participants": 0}}, "planned"),
       ({"device": 3}, "in quotes"), ({"confirmed": "GRRAS 1"}, "square brackets")]


@pytest.mark.parametrize(("section", "says"), BAD)
def test_bad_metadata_are_refused_with_a_mend(section: dict[str, object], says: str) -> None:
    with pytest.raises(DriftError, match=says):
        study_from_dict({**BASE, "reporting": section})


def test_all_faults_of_both_sections_come_at_once() -> None:
    with pytest.raises(DriftError, match="devise") as refused:
        study_from_dict({**BASE, "reporting": {"devise": "x", "important_change": "25"},
                         "protocol": {"purpos": "research", "liner": "2"}})
    assert len(refused.value.findings) == 4
