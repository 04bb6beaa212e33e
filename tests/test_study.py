"""``study.toml``: every fault located by line, all at once, with the nearest key suggested."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.errors import DriftError, Finding
from drift.study import load_study, read_study, study_findings, study_from_dict

GOOD = """# comment
[study]
title = "A study"
use_is = "one visit"

[files]
checks = "checks.csv"
trials = "trials.csv"

[columns.checks]
reading = "Output (counts)"

[units.checks]
reading = "count"
reference = "kPa"

[units.trials]
reading = { "peak pressure" = "kPa", "total force" = "N" }

[sensitivity]
exposure = "use"
scale = "log"
full_scale = 1023
covariates = ["construction"]

[[reliability]]
name = "another day"
target = "participant"
facet = "session"
where = { method = "bench" }
by = ["region"]

[[agreement]]
name = "gait against bench"
compare = "method"
a = "gait"
b = "bench"
target = "participant"
pair_by = ["participant", "session"]
harmless = 25

[limits]
sensitivity_change = 0.10
saturation_pressure = "1600 kPa"

[retirement]
content = 0.90
"""


def refused(folder: Path, text: str | bytes) -> list[Finding]:
    """Write a study and return its findings; at least one has to be an error."""
    path = folder / "study.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode("utf-8"))
    with pytest.raises(DriftError, match="error") as caught:
        read_study(folder)
    return list(caught.value.findings)


def line_of(text: str, start: str) -> int:
    """Return the number of the line that starts so."""
    return next(i for i, line in enumerate(text.splitlines(), 1) if line.startswith(start))


def test_a_sound_study_is_read_whole(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(GOOD, encoding="utf-8")
    study = read_study(tmp_path)
    assert study.folder == tmp_path
    assert study.reliability[0].by == ("region",)
    assert study.agreement[0].harmless == 25.0
    assert study.units["trials"]["reading"] == {"peak pressure": "kPa", "total force": "N"}
    assert read_study(tmp_path / "study.toml") == study
    assert study_findings(study) == ()


@pytest.mark.parametrize("newline", ["\r\n", "\n"])
def test_windows_line_ends_and_a_byte_order_mark_change_nothing(tmp_path: Path, newline: str) -> None:
    (tmp_path / "study.toml").write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", newline).encode())
    assert read_study(tmp_path).study.title == "A study"


# (text to replace, replacement, line that holds the fault, code, words of message or mend)
FAULTS = [
    ("title =", "titel =", "titel", "unknown-key", "'title'"),
    ("exposure =", "exposrue =", "exposrue", "unknown-key", "'exposure'"),
    ("[sensitivity]", "[sensitivty]", "[sensitivty]", "unknown-key", "'sensitivity'"),
    ("facet = \"session\"\n", "facets = \"session\"\n", "facets", "unknown-key", "'facet'"),
    ("sensitivity_change =", "sensitivty_change =", "sensitivty_change", "unknown-key", "'sensitivity_change'"),
    ("[columns.checks]", "[columns.check]", "[columns.check]", "unknown-key", "'checks'"),
    ("scale = \"log\"", "scale = \"logarithm\"", "scale", "unknown-choice", "'log'"),
    ("sensitivity_change = 0.10", "sensitivity_change = \"ten\"", "sensitivity_change", "wrong-type", "a number"),
    ("sensitivity_change = 0.10", "sensitivity_change = 10", "sensitivity_change", "out-of-range", "less than 1"),
    ("full_scale = 1023", "full_scale = true", "full_scale", "wrong-type", "a number"),
    ("full_scale = 1023", "full_scale = 0", "full_scale", "out-of-range", "above zero"),
    ("covariates = [\"construction\"]", "covariates = \"construction\"", "covariates", "wrong-type", "a list"),
    ("\"1600 kPa\"", "\"1600 kpsi/\"", "saturation_pressure", "unknown-unit", "1600 kPa"),
    ("\"1600 kPa\"", "\"1600 N\"", "saturation_pressure", "not-a-pressure", "pressure"),
    ("\"1600 kPa\"", "\"1600\"", "saturation_pressure", "not-a-pressure", "pressure"),
    ("\"1600 kPa\"", "1600", "saturation_pressure", "wrong-type", "text in quotes"),
    ("reference = \"kPa\"", "reference = \"kpaa\"", "reference", "unknown-unit", "'kPa'"),
    ("use_is = \"one visit\"\n", "", "[study]", "missing-key", "what one use is"),
    ("facet = \"session\"", "facet = \"participant\"", "facet", "contradiction", "both target and facet"),
    ("facet = \"session\"", "facet = []", "facet", "contradiction", "needs a facet"),
    ("by = [\"region\"]", "by = [\"method\"]", "by", "contradiction", "fixed in where"),
    ("a = \"gait\"", "a = \"bench\"", "b =", "contradiction", "the same"),
    ("pair_by = [\"participant\",", "pair_by = [\"method\",", "pair_by", "contradiction", "also link"),
    ("target = \"participant\"\npair_by", "target = \"method\"\npair_by", "target = \"method\"", "contradiction",
     "both compare and target"),
    ("harmless = 25", "harmless = -1", "harmless", "out-of-range", "above zero"),
    ("name = \"gait against bench\"", "name = \"another day\"", "name = \"another day\"", "duplicated-question",
     "same name"),
    ("content = 0.90", "content = 0.4", "content", "out-of-range", "greater than 0.5"),
    ("full_scale = 1023\n", "", "saturation_pressure", "contradiction", "full scale"),
    ("sensitivity_change = 0.10\nsaturation_pressure = \"1600 kPa\"\n", "", "[retirement]", "contradiction",
     "no limit"),
    ("trials = \"trials.csv\"\n", "", "[[reliability]]", "contradiction", "needs a trials table"),
    ("use_is = \"one visit\"", "use_is = \"one visit\"\ncount_uses = \"session log\"", "count_uses", "contradiction",
     "no file is named"),
    ("title = \"A study\"\n", "", "[study]", "missing-key", "'title'"),
    ("[files]", "folder = \"x\"\n[files]", "[study]", "unknown-key", "folder"),
    ("where = { method = \"bench\" }", "where = { method = [] }", "where", "out-of-range", "empty list"),
    ("where = { method = \"bench\" }", "where = { method = { is = \"bench\" } }", "where", "wrong-type",
     "a list of values"),
    ("checks = \"checks.csv\"", "checks = \"\"", "checks =", "missing-file", "checks.csv"),
    ("reading = \"Output (counts)\"", "reading = \"Output\"\nreference = \"Output\"", "reference = \"Output\"",
     "column-used-twice", "both"),
]


@pytest.mark.parametrize(("old", "new", "line", "code", "words"), FAULTS)
def test_each_fault_is_named_on_its_line_with_a_mend(tmp_path: Path, old: str, new: str, line: str, code: str,
                                                     words: str) -> None:
    assert old in GOOD
    text = GOOD.replace(old, new, 1)
    found = [f for f in refused(tmp_path, text) if f.code == code]
    assert found, [str(f) for f in load_study(tmp_path)[1]]
    f = found[0]
    assert f.file == "study.toml"
    assert f.mend
    assert words in str(f)
    lines = [i for i, t in enumerate(text.splitlines(), 1) if t.startswith(line)]
    assert f.row in (*lines, *([line_of(text, "folder")] if code == "unknown-key" and "folder" in new else []))


def test_all_faults_come_at_once_and_what_remains_is_still_a_study(tmp_path: Path) -> None:
    text = GOOD.replace("title =", "titel =").replace("scale = \"log\"", "scale = \"lin\"").replace(
        "a = \"gait\"", "a = \"bench\"").replace("\"1600 kPa\"", "\"1600 furlong\"").replace(
        "content = 0.90", "content = 2")
    codes = [f.code for f in refused(tmp_path, text)]
    wanted = {"unknown-key", "missing-key", "unknown-choice", "contradiction", "not-a-pressure", "out-of-range"}
    assert wanted <= set(codes)
    study, _ = load_study(tmp_path)
    assert study is not None
    assert study.files.checks == "checks.csv"


def test_toml_that_cannot_be_parsed_is_located(tmp_path: Path) -> None:
    found = refused(tmp_path, GOOD.replace("title = \"A study\"", "title = A study"))
    assert [(f.code, f.row) for f in found] == [("toml-syntax", 3)]


@pytest.mark.parametrize(("old", "new", "words"), [
    ("scale = \"log\"", "scale = log", 'scale = "log"'),
    ("sensitivity_change = 0.10", "sensitivity_change = 0,10", "0.10"),
    ("harmless = 25", "harmless = \u201c25\u201d", "straight"),
    ("[limits]", "[files]\nx = 1\n[limits]", "stands above"),
    ("title = \"A study\"", "title = \"A\"\ntitle = \"B\"", "stands above")])
def test_common_slips_of_writing_toml_are_named(tmp_path: Path, old: str, new: str, words: str) -> None:
    f, = refused(tmp_path, GOOD.replace(old, new, 1))
    assert f.code == "toml-syntax"
    assert words in f.mend


@pytest.mark.parametrize(("old", "new", "words"), [
    ("content = 0.90", "content = 90", "90 % is 0.9"), ("use_is = \"one visit\"", "use_is = 3", 'use_is = "3"'),
    ("content = 0.90", "pool = \"yes\"", "pool = true"), ("[[reliability]]", "[reliability]", "[[reliability]]"),
    ("where = { method = \"bench\" }", "where = \"bench\"", "braces"),
    ("facet = \"session\"", "facet = [\"session\", 3]", "quotes"),
    ("covariates = [\"construction\"]", "covariates = \"construction\"", 'covariates = ["construction"]'),
    ("sensitivity_change = 0.10", "sensitivity_change = \"ten\"", "sensitivity_change = 0.1")])
def test_a_value_of_the_wrong_type_is_one_finding_that_says_how_to_write_it(tmp_path: Path, old: str, new: str,
                                                                          words: str) -> None:
    f, = refused(tmp_path, GOOD.replace(old, new, 1))
    assert words in f.mend, str(f)


def test_backslashes_in_a_path_get_their_own_mend(tmp_path: Path) -> None:
    found = refused(tmp_path, GOOD.replace("\"checks.csv\"", "\"data\\checks.csv\""))
    assert found[0].code == "toml-syntax"
    assert "forward slashes" in found[0].mend


def test_a_study_that_is_not_utf8_is_located(tmp_path: Path) -> None:
    found = refused(tmp_path, GOOD.replace("A study", "Prüfung").encode("latin-1"))
    assert [(f.code, f.row) for f in found] == [("encoding", 3)]


def test_a_missing_study_says_how_to_make_one(tmp_path: Path) -> None:
    with pytest.raises(DriftError, match="drift new"):
        read_study(tmp_path / "nowhere")


def test_a_fault_in_the_second_question_is_on_its_own_line(tmp_path: Path) -> None:
    second = ('[[reliability]]\nname = "other"\ntarget = "participant"\nfacett = "operator"\nfacet = "operator"\n\n'
              "[limits]")
    text = GOOD.replace("[limits]", second)
    f = next(f for f in refused(tmp_path, text) if f.code == "unknown-key")
    assert f.row == line_of(text, "facett")
    assert f.column == "[[reliability]] no. 2 facett"


def test_a_study_in_memory_needs_no_title_and_no_file() -> None:
    study = study_from_dict({"columns": {"trials": {"reading": "value"}},
                             "reliability": [{"name": "q", "target": "participant", "facet": ["session"]}]})
    assert study.folder is None
    assert study.reliability[0].facet == ("session",)


def test_a_study_in_memory_obeys_the_same_rules() -> None:
    with pytest.raises(DriftError, match="Did you mean 'limits'"):
        study_from_dict({"limit": {}})


def test_costs_without_currency_are_a_warning_not_an_error(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(GOOD + "[costs]\nsensor = 90\n", encoding="utf-8")
    study = read_study(tmp_path)
    assert [(f.severity, f.row) for f in study_findings(study)] == [("warning", line_of(GOOD + "[costs]", "[costs]"))]


SCALARS = st.one_of(st.none().map(lambda _: "x"), st.booleans(), st.integers(-5, 5), st.floats(allow_nan=False),
                    st.text(max_size=5))
KEYS = st.sampled_from(["study", "title", "files", "checks", "units", "reliability", "name", "target", "limits",
                        "reading", "value", "format", "full_scale", "sensitivity", "facet", "by", "where"])
TREES = st.recursive(SCALARS, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(KEYS, inner, max_size=4),
                     max_leaves=12)


@settings(max_examples=150, deadline=None)
@given(st.dictionaries(KEYS, TREES, max_size=5))
def test_no_tree_of_settings_causes_anything_but_findings(tree: dict[str, object]) -> None:
    if not isinstance(tree.get("study", {}), dict):
        tree.pop("study")
    assert all(f.mend for f in said_of(tree))


def said_of(tree: dict[str, object]) -> tuple[Finding, ...]:
    """Return what is said about settings; none for a sound study."""
    try:
        study_from_dict(tree)
    except DriftError as error:
        return error.findings
    return ()


def test_a_share_may_be_written_in_percent():
    text = GOOD.replace("sensitivity_change = 0.10", 'sensitivity_change = "10 %"')
    assert text != GOOD
    data = tomllib.loads(text)
    assert study_from_dict(data).limits.sensitivity_change == pytest.approx(0.10)


def test_a_refused_limit_is_not_called_missing():
    data = tomllib.loads(GOOD)
    data["limits"] = {"sensitivity_change": "ten"}
    with pytest.raises(DriftError, match="expected a number") as caught:
        study_from_dict(data)
    assert [f.message for f in caught.value.findings if "no limit is declared" in f.message] == []
