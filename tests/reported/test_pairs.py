"""Strings of two numbers, names as papers have them, and signs as printers set them."""

from __future__ import annotations

from typing import Any

import pytest

from drift.errors import DriftError
from drift.reported.reading import paper_from_dict, paper_of
from drift.reported.vocabulary import find


def read(what: str, printed: str, **paper: Any) -> dict[str, str]:
    made = paper_from_dict({"paper": paper, "claims": [{"what": what, "printed": printed}]})[0]
    return {c.symbol: c.printed.text for c in made.claims if c.symbol not in ("n", "k")}


@pytest.mark.parametrize(("what", "printed", "made"), [
    ("mean session 1 (SD)", "213.0 (21.8)", {"mean_1": "213.0", "sd_1": "21.8"}),
    ("mean 2 ± SD", "212.6 ± 26.8", {"mean_2": "212.6", "sd_2": "26.8"}),
    ("mean (SE)", "12.1 [0.4]", {"mean": "12.1", "se": "0.4"}),
    ("bias (SD)", "\N{MINUS SIGN}1,2 ± 3,4", {"bias": "-1,2", "sd_diff": "3,4"}),
    ("95 % limits of agreement", "\N{MINUS SIGN}29.9 to 30.7", {"loa_low": "-29.9", "loa_high": "30.7",
                                                               "loa__level": "95 %"}),
    ("LoA", "-27.0\N{EN DASH}21.6", {"loa_low": "-27.0", "loa_high": "21.6"}),
    ("limits of agreement", "[-3.2; -1.2]", {"loa_low": "-3.2", "loa_high": "-1.2"}),
    ("LoA", "-29.9 (-44.7 to -15.0), 30.7 (15.8 to 45.5)",
     {"loa_low": "-29.9", "loa_low__low": "-44.7", "loa_low__high": "-15.0", "loa_high": "30.7",
      "loa_high__low": "15.8", "loa_high__high": "45.5"}),
    ("mean 1 (SD)", "231.4 (41.2) kPa", {"mean_1": "231.4", "sd_1": "41.2"}),
    ("mean 1 (SD)", "231.4 ± 41.2 kPa", {"mean_1": "231.4", "sd_1": "41.2"}),
    ("limits of agreement", "-29.9 to 30.7 kPa", {"loa_low": "-29.9", "loa_high": "30.7"}),
    ("LoA", "[-3.2; -1.2] N/cm²", {"loa_low": "-3.2", "loa_high": "-1.2"}),
    ("mean 1 (SD)", "9.81 (0.02) m/s^2", {"mean_1": "9.81", "sd_1": "0.02"}),
    ("MDC90", "30.3", {"mdc": "30.3", "mdc__level": "90 %"}),
    ("ICC2,1", "0\N{MIDDLE DOT}87 (0\N{MIDDLE DOT}71\N{EN DASH}0\N{MIDDLE DOT}95)*",
     {"icc_a1": "0.87", "icc_a1__low": "0.71", "icc_a1__high": "0.95"}),
    ("ICC(C,1)", "0.87 (0.71 to 0.95), p < 0.001", {"icc_c1": "0.87", "icc_c1__low": "0.71", "icc_c1__high": "0.95"}),
    ("r", ".89\N{DAGGER}", {"r": ".89"})])
def test_what_papers_print_is_taken_apart(what: str, printed: str, made: dict[str, str]) -> None:
    assert read(what, printed) == made


def test_a_raised_point_before_a_power_of_ten_multiplies() -> None:
    made = paper_from_dict({"claims": [{"what": "MS error", "printed": "1.2\N{MIDDLE DOT}10³"}]})[0]
    assert (made.claims[0].printed.value, made.claims[0].printed.unit) == (1200, 100)


@pytest.mark.parametrize(("name", "symbol"), [
    ("session 2 SD", "sd_2"), ("SD (day 1)", "sd_1"), ("mean of trial 2", "mean_2"), ("lower 95% LoA", "loa_low"),
    ("LoA upper", "loa_high"), ("SD difference", "sd_diff"), ("ICC (3,1)", "icc_c1"), ("ICC 1,1", "icc_1"),
    ("SDC95", "mdc"), ("smallest real difference", "mdc"), ("CV%", "cv"), ("F(two-way)", "f_two")])
def test_names_that_people_write(name: str, symbol: str) -> None:
    found = find(name)
    assert found is not None
    assert found.symbol == symbol


@pytest.mark.parametrize(("what", "printed", "said"), [
    ("mean 1", "213.0 (21.8)", 'what = "mean 1 (SD)"'), ("bias", "-1.2 ± 3.4", 'what = "bias (SD)"'),
    ("mean 1 (SD)", "213.0", "SD 1"), ("LoA", "30.7", "two claims: lower limit and upper limit"),
    ("SEM", "12.3 %", "SEM in percent"), ("r (SD)", "0.8 (0.1)", "two claims")])
def test_what_cannot_be_read_says_what_to_write(what: str, printed: str, said: str) -> None:
    with pytest.raises(DriftError) as caught:
        read(what, printed)
    assert said in str(caught.value.findings[0].mend)


@pytest.mark.parametrize(("what", "printed"), [
    ("mean 1 (SD)", "213.0 (21.8) n 24"), ("mean 1 (SD)", "213.0 (21.8) to 250"), ("mean 1 (SD)", "213 (3) SD"),
    ("limits of agreement", "-29.9 to 30.7 SD 3"), ("mean", "213 SD"), ("mean", "213 n 24")])
def test_what_stands_behind_a_number_is_a_unit_or_refused(what: str, printed: str) -> None:
    with pytest.raises(DriftError) as caught:
        read(what, printed)
    assert [f.code for f in caught.value.findings] == ["unreadable-number"]


def test_a_fault_names_the_line_of_a_toml_file() -> None:
    text = ('[paper]\nn = 12\n\n[[claims]]\nwhat = "ICC(C,1)"\nprinted = "0.9"\n\n'
            '[[claims]]\nwhat = "?"\nprinted = "1"\n')
    with pytest.raises(DriftError) as caught:
        paper_of(text)
    assert caught.value.findings[0].row == 8


def test_a_method_of_the_whole_paper_is_one_of_what_it_can_be() -> None:
    claims = [{"what": "ICC(C,1)", "printed": "0.9 (0.8 to 0.95)"}, {"what": "bias", "printed": "1.0 (0.5 to 1.5)"}]
    made = paper_from_dict({"paper": {"method": "F"}, "claims": claims})[0]
    assert {c.symbol: c.conventions.get("method") for c in made.claims if not c.symbol.endswith("__level")} == {
        "icc_c1": "F", "icc_c1__low": "F", "icc_c1__high": "F", "bias": None, "bias__low": None, "bias__high": None}


def test_a_kind_of_the_whole_paper_is_that_of_what_leaves_it_open() -> None:
    claims = [{"what": "ICC", "printed": "0.9"}, {"what": "SEM", "printed": "1.2"}, {"what": "ICC(C,1)",
                                                                                  "printed": "0.91"}]
    made = paper_from_dict({"paper": {"kind": "agreement"}, "claims": claims})[0]
    assert [c.symbol for c in made.claims] == ["icc_a1", "sem_a", "icc_c1"]
