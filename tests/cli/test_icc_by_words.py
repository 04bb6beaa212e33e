"""``drift icc``: words choose the coefficient, the same words as in study.toml, named in every convention."""

from __future__ import annotations

import itertools
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from drift.reliability.naming import names_of
from drift.reliability.words import ORDER

Drift = Callable[..., Result]
PUBLISHED = Path(__file__).parents[1] / "published"
WINE = (PUBLISHED / "wine-judges-icc.csv", "--target", "wine", "--facet", "judge", "--value", "score")
EBEL = (PUBLISHED / "ebel-1951-incomplete-icc.csv", "--target", "object", "--facet", "rater", "--value", "rating")
WORDS = list(itertools.product(("sample", "fixed"), ("value", "order"), ("single", "mean")))


def found(drift: Drift, *words: object) -> dict[str, Any]:
    result = drift("icc", *words, "--json")
    assert result.exit_code == 0, result.output
    data: dict[str, Any] = json.loads(result.stdout)
    return data


def declared(data: dict[str, Any]) -> dict[str, Any]:
    first: dict[str, Any] = data["estimates"][0]
    return first


@pytest.mark.parametrize(("levels", "agree", "use"), WORDS)
def test_three_words_choose_among_all_two_way_cases(drift: Drift, levels: str, agree: str, use: str) -> None:
    data = found(drift, *WINE, "--sensors", levels, "--agree", agree, "--use", use)
    first = declared(data)
    assert first["name"] == f"ICC({'A' if agree == 'value' else 'C'},{'1' if use == 'single' else 'k'})"
    assert first["of"]["model"] == ("two-way random" if levels == "sample" else "two-way mixed")
    assert {(e["name"], e["of"]["model"]) for e in data["estimates"][:10]} == set(ORDER)


def test_the_facet_may_be_called_by_its_neutral_name(drift: Drift) -> None:
    assert found(drift, *WINE, "--levels", "fixed") == found(drift, *WINE, "--sensors", "fixed")


@pytest.mark.parametrize(("levels", "agree", "use"), WORDS)
def test_options_and_study_keys_give_the_same_numbers(drift: Drift, tmp_path: Path, levels: str, agree: str,
                                                      use: str) -> None:
    (tmp_path / "wine.csv").write_bytes(WINE[0].read_bytes())
    (tmp_path / "study.toml").write_text(f"""
[study]
title = "wine"
[files]
trials = "wine.csv"
[columns.trials]
reading = "score"
[[reliability]]
name = "wine over judge"
target = "wine"
facet = "judge"
facets_are = "{levels}"
agree = "{agree}"
use = "{use}"
grades = "Cicchetti 1994"
""", encoding="utf-8")
    whole = json.loads(drift("run", tmp_path, "--out", tmp_path / "out", "--json").stdout)
    one = found(drift, *WINE, "--sensors", levels, "--agree", agree, "--use", use, "--grades", "Cicchetti 1994")
    assert whole["estimates"] == one["estimates"]
    said = {f["code"]: f["message"] for f in whole["findings"]}
    assert {f["code"]: f["message"] for f in one["findings"]}["grade"] == said["grade"]


@pytest.mark.parametrize(("case", "theirs"), [(("ICC(1)", "one-way"), "ICC(1,1)"), (("ICC(k)", "one-way"), "ICC(1,k)"),
                                              (("ICC(A,1)", "two-way random"), "ICC(2,1)"),
                                              (("ICC(A,k)", "two-way random"), "ICC(2,k)"),
                                              (("ICC(C,1)", "two-way mixed"), "ICC(3,1)"),
                                              (("ICC(C,k)", "two-way mixed"), "ICC(3,k)")])
def test_shrout_and_fleiss_name_six_of_the_ten_cases(case: tuple[str, Any], theirs: str) -> None:
    assert names_of(*case).shrout_fleiss == theirs


def test_cases_that_coincide_are_paired_and_have_equal_values(drift: Drift) -> None:
    values = {(e["name"], e["of"]["model"]): e["value"] for e in found(drift, *EBEL)["estimates"][:10]}
    for name, model in ORDER:
        for other in names_of(name, model).same_value:
            coefficient, _, kind = other.partition(", ")
            assert values[coefficient, kind] == values[name, model]
    assert not names_of("ICC(1)", "one-way").same_value


@pytest.mark.parametrize("words", [("sample", "order"), ("fixed", "value")])
def test_a_case_that_shrout_and_fleiss_do_not_name_says_which_of_theirs_it_equals(drift: Drift,
                                                                                 words: tuple[str, str]) -> None:
    data = found(drift, *WINE, "--sensors", words[0], "--agree", words[1])
    why = next(f["message"] for f in data["findings"] if f["code"] == "why-this-coefficient")
    assert "Shrout & Fleiss (1979) do not name this case" in why
    assert ("ICC(3,1)" if words[1] == "order" else "ICC(2,1)") in why


def test_the_reason_is_given_in_the_words_of_the_question(drift: Drift) -> None:
    data = found(drift, *WINE, "--sensors", "fixed", "--agree", "order", "--use", "mean")
    why = next(f["message"] for f in data["findings"] if f["code"] == "why-this-coefficient")
    assert "two-way mixed effects, consistency, mean of k readings" in why
    assert "only judges of interest" in why
    assert "mean over all judges" in why


def test_replicates_are_averaged_only_when_asked_and_then_named(drift: Drift, tmp_path: Path) -> None:
    rows = [f"{t},{s},{r},{10 * i + j + 0.3 * k + (i * j) % 2}" for i, t in enumerate("abcdefgh") for j, s in
            enumerate("xyz") for k, r in enumerate("12")]
    table = tmp_path / "t.csv"
    table.write_text("participant,session,trial,reading\n" + "\n".join(rows) + "\n", encoding="utf-8")
    kept = found(drift, table, "--replicate", "trial")
    averaged = found(drift, table, "--replicate", "trial", "--average-replicates")
    assert declared(kept)["name"] == "ICC(A,1)"
    assert declared(averaged)["name"] == "ICC(A,1), mean of 2 replicates"
    assert any(e["of"].get("component") == "within cell" for e in kept["estimates"])
    refused = drift("icc", table)
    assert refused.exit_code == 1
    assert "--replicate" in refused.stderr


def test_by_repeats_the_question_and_shows_one_row_each(drift: Drift, study: Path) -> None:
    shown = drift("icc", study / "trials.csv", "--by", "method").stdout
    assert re.search(r"^  method +ICC\(A,1\)", shown, re.MULTILINE)
    data = found(drift, study / "trials.csv", "--by", "method")
    assert {e["of"]["method"] for e in data["estimates"]} == {"bench", "gait"}


@pytest.mark.parametrize("words", [("--sensors", "many"), ("--agree", "both"), ("--use", "2"), ("--grades", "mine"),
                                   ("--by", "a,,b"), ("--columns", "a,a")])
def test_other_words_are_wrong_usage(drift: Drift, words: tuple[str, str]) -> None:
    assert drift("icc", *WINE, *words).exit_code == 2


# How the answer is shown.

@pytest.mark.parametrize("table", [WINE, EBEL], ids=["wine", "ebel"])
def test_the_order_is_that_of_a_statistician(drift: Drift, table: tuple[object, ...]) -> None:
    shown = drift("icc", *table).stdout
    heads = ["Why this coefficient", "Cautions (", "Coefficients (", "source of variance", "Methods of the", "Notes (",
             "Rows\n"]
    places = [shown.index(h) for h in heads]
    assert places == sorted(places)
    assert shown.startswith("Reading of the same")


@pytest.mark.parametrize("table", [WINE, EBEL], ids=["wine", "ebel"])
@pytest.mark.parametrize("words", [(), ("--agree", "order")], ids=["value", "order"])
def test_the_digits_of_the_sentence_are_those_of_the_table(drift: Drift, table: tuple[object, ...],
                                                           words: tuple[str, ...]) -> None:
    shown = drift("icc", *table, *words).stdout
    answer, rest = shown.split("\n\n", 1)
    rows = "\n".join(line for line in rest.splitlines() if line.startswith("  *"))
    said = re.findall(r"\d[\d.]* \([^)]* to [^)]*\)", " ".join(answer.split()))
    assert len(said) >= 2
    assert [s for s in said if s not in rows] == []


@pytest.mark.parametrize("columns", [80, 120])
@pytest.mark.parametrize("table", [WINE, EBEL], ids=["wine", "ebel"])
def test_no_line_is_wider_than_the_terminal(drift: Drift, table: tuple[object, ...], columns: int,
                                            monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", str(columns))
    lines = drift("icc", *table, "--grades", "Koo & Li 2016").stdout.splitlines()
    assert max(map(len, lines)) <= columns
    assert max(map(len, lines)) > 60


def test_quiet_prints_the_answer_alone(drift: Drift) -> None:
    shown = drift("icc", *WINE, "--quiet").stdout
    assert shown.startswith("Reading of the same wine")
    assert "\n\n" not in shown


def test_a_refusal_is_said_once(drift: Drift, tmp_path: Path) -> None:
    table = tmp_path / "one.csv"
    table.write_text("participant,session,reading\na,1,5\nb,1,6\nc,1,7\n", encoding="utf-8")
    shown = " ".join(drift("icc", table).stdout.split())
    assert shown.count("only one session (1) has readings") == 1
    assert "Why this coefficient" not in shown
    assert "not available" not in shown
