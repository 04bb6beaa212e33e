"""Claim files: right, or refused with every fault at once, each with its row and a mend."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path

import pytest

from drift.errors import DriftError, Finding
from drift.reported.claims import Paper
from drift.reported.reading import paper_from_dict, paper_of, read_claims
from drift.reported.template import template
from drift.reported.vocabulary import find, nearest, quantities


def one(**claim: object) -> Paper:
    return paper_from_dict({"claims": [{"what": "ICC(C,1)", "printed": "0.85", **claim}]})[0]


def faults(data: dict[str, object]) -> tuple[Finding, ...]:
    with pytest.raises(DriftError) as raised:
        paper_from_dict(data)
    return raised.value.findings


def test_an_interval_makes_three_claims_with_a_level() -> None:
    paper = one(printed="0.85 (0.72 to 0.93)", level="95 %")
    assert [c.symbol for c in paper.claims] == ["icc_c1", "icc_c1__low", "icc_c1__high", "icc_c1__level"]


@pytest.mark.parametrize(("name", "symbol"), [
    ("ICC(2,1)", "icc_a1"), ("ICC3k", "icc_ck"), ("icc (c,1)", "icc_c1"), ("LoA, lower", "loa_low"),
    ("LoA, middle", None), ("lower LoA", "loa_low"),
    ("s_r", "s_r"), ("s_R", "s_R"), ("r", "r"), ("N", "n_readings"), ("n", "n"), ("u", "location_shift"),
    ("U", "u_expanded"), ("minimal detectable change", "mdc"), ("Lin's CCC", "ccc"), ("MSE", "ms_error")])
def test_names_of_the_field_are_understood(name: str, symbol: str | None) -> None:
    found = find(name)
    assert (found.symbol if found else None) == symbol


def test_every_name_leads_to_its_own_quantity() -> None:
    for q in quantities().values():
        for name in (q.name, *q.also):
            assert find(name) is q, name


@pytest.mark.parametrize(("wrong", "meant"), [("ICC(C;1)", "ICC(C,1)"), ("standard error of measurment", "SEM"),
                                              ("bais", "bias"), ("uper limit", "upper limit")])
def test_a_name_that_is_not_known_gets_the_nearest(wrong: str, meant: str) -> None:
    assert nearest(wrong) == meant
    found = faults({"claims": [{"what": wrong, "printed": "0.8"}]})
    assert meant in found[0].mend


def test_all_faults_come_at_once_with_their_rows() -> None:
    found = faults({"paper": {"rounding": "up", "colour": "red", "n": 1},
                    "claims": [{"what": "ICC(C,1)", "printed": "abc"}, {"what": "SEMM", "printed": "2"},
                               {"what": "n", "printed": "12.5"}, {"printed": "3"},
                               {"what": "ICC", "printed": "0.8", "faktor": "2"},
                               {"what": "ICC(A,1)", "printed": "0.8", "kind": "consistency"},
                               {"what": "SEM", "printed": "-2"}, {"what": "ICC", "printed": "85"}]})
    assert {f.code for f in found} >= {"unknown-key", "unreadable-number", "unknown-quantity", "impossible-n",
                                       "contradictory-kind", "impossible-value", "percent"}
    assert all(f.mend for f in found)
    assert {f.row for f in found} >= {1, 2, 3, 4, 5, 6, 7, 8}


@pytest.mark.parametrize(("claim", "said"), [
    ({"printed": "85"}, "it is a share"), ({"what": "SEM", "printed": "8 %"}, "is no share"),
    ({"what": "n", "printed": "1"}, "at least 2"), ({"n": "-3"}, "whole number"), ({"k": "1.5"}, "whole number"),
    ({"level": "20"}, "confidence level"), ({"factor": "2.5"}, "no such word"),
    ({"printed": "0.8 (90 % CI 0.7 to 0.9)", "level": "95 %"}, "says 90 %"),
    ({"average": "mean of k"}, "says mean of k"), ({"word": "splendid"}, "word for a coefficient")])
def test_bad_input_is_one_clear_sentence(claim: dict[str, object], said: str) -> None:
    found = faults({"claims": [{"what": "ICC(C,1)", "printed": "0.85", **claim}]})
    assert len(found) == 1
    assert said in found[0].message


def test_percent_and_fraction_are_one_number() -> None:
    percent, fraction = one(printed="85 %").claims[0], one(printed="0.85").claims[0]
    assert percent.printed.value == fraction.printed.value == Decimal("0.85")
    assert percent.interval() == pytest.approx(fraction.interval())


def test_an_interval_the_wrong_way_round_is_a_warning_and_read() -> None:
    paper, found = paper_from_dict({"claims": [{"what": "ICC(C,1)", "printed": "0.85 (0.93-0.72)"}]})
    assert [f.code for f in found] == ["interval-turned"]
    assert [c.printed.value for c in paper.claims][1:] == [Decimal("0.72"), Decimal("0.93")]


def test_two_sizes_in_one_group_are_refused() -> None:
    claims = [{"what": "ICC(C,1)", "printed": "0.85", "n": 12}, {"what": "r", "printed": "0.9", "n": 11}]
    assert faults({"claims": claims})[0].code == "two-values"
    paper_from_dict({"claims": [claims[0], {**claims[1], "group": "pairs"}]})


def test_the_kind_of_an_open_name_makes_it_a_certain_one() -> None:
    paper, _ = paper_from_dict({"claims": [{"what": "ICC", "printed": "0.9", "kind": "agreement",
                                            "average": "mean of k"},
                                           {"what": "SEM", "printed": "2.1", "kind": "consistency"},
                                           {"what": "SD", "printed": "9", "sd_of": "all readings"},
                                           {"what": "MDC95", "printed": "5.8"}]})
    assert [c.symbol for c in paper.claims] == ["icc_ak", "sem_c", "sd_all", "mdc", "mdc__level"]


def test_csv_with_semicolons_and_decimal_commas() -> None:
    text = ("what;printed;table;group;n;k\nICC(C,1);0,85 (0,72-0,93);Table 2;left;12;3\n# a remark\n"
            "SEM;2,4;Table 2;left;;\n")
    paper, _ = paper_of(text, file="claims.csv", toml=False)
    assert [c.symbol for c in paper.claims] == ["icc_c1", "icc_c1__low", "icc_c1__high", "n", "k", "sem"]
    assert {c.row for c in paper.claims} == {2, 4}


def test_csv_and_toml_of_the_same_claims_are_the_same() -> None:
    csv, _ = paper_of("what,printed,n\nSEM,2.4,12\n", toml=False)
    toml, _ = paper_of('[[claims]]\nwhat = "SEM"\nprinted = "2.4"\nn = 12\n')
    assert [(c.symbol, c.printed) for c in csv.claims] == [(c.symbol, c.printed) for c in toml.claims]


@pytest.mark.parametrize(("text", "code"), [("[paper\n", "toml"), ("", "no-claims"), ("[claim]\nx = 1\n",
                                                                                      "unknown-key")])
def test_a_file_that_is_none_is_said(text: str, code: str) -> None:
    with pytest.raises(DriftError) as raised:
        paper_of(text)
    assert code in {f.code for f in raised.value.findings}


def test_a_missing_file_is_said(tmp_path: Path) -> None:
    with pytest.raises(DriftError, match="cannot be read"):
        read_claims(tmp_path / "no.toml")


@pytest.mark.parametrize(("equation", "said"), [("limit = s1 +", "cannot be read"), ("limit = s2",
                                                                                     "no claim has the id"),
                                                ("limit = pow(s1)", "no function")])
def test_a_relation_of_the_papers_own_that_cannot_be_read_is_said(equation: str, said: str) -> None:
    claims = [{"what": "number", "id": x, "printed": "1.0"} for x in ("s1", "limit")]
    found = faults({"claims": claims, "relations": [{"equation": equation}]})
    assert said in found[0].message


def test_the_template_is_itself_a_claim_file_and_names_everything() -> None:
    text = template()
    paper, found = paper_of(text)
    assert not found
    assert len(paper.claims) > 5
    assert [q.name for q in quantities().values() if q.name not in text] == []


@pytest.mark.parametrize("printed", ["7.8 to -8.6", "[7.8; \N{MINUS SIGN}8.6] kPa", "7.8 (6 to 9) to -8.6 (-10 to -7)"])
def test_limits_the_wrong_way_round_are_a_warning_and_read_in_order(printed: str) -> None:
    paper, found = paper_from_dict({"claims": [{"what": "limits of agreement", "printed": printed}]})
    assert [(f.code, f.severity) for f in found] == [("interval-turned", "warning")]
    assert {c.symbol: c.printed.value for c in paper.claims if c.symbol in ("loa_low", "loa_high")} == {
        "loa_low": Decimal("-8.6"), "loa_high": Decimal("7.8")}
    assert not paper_from_dict({"claims": [{"what": "limits of agreement", "printed": "-8.6 to 7.8"}]})[1]


@pytest.mark.parametrize(("row", "mend"), [
    ("ICC(2,1),0.90,12", 'It needs quotation marks: "ICC(2,1)".'), ("ICC(2,1),0.90", '"ICC(2,1)"'),
    ('"ICC(2,1)",0.90 [0.78, 0.96],12', '"0.90 [0.78, 0.96]"'), ("SEM,3,12,9", "needs quotation marks")])
def test_a_row_cut_at_a_comma_says_what_needs_quotation_marks(row: str, mend: str) -> None:
    with pytest.raises(DriftError) as raised:
        paper_of(f"what,printed,n\nSEM,2.4,12\n{row}\n", toml=False)
    assert [(f.code, f.row) for f in raised.value.findings] == [("cut-at-a-comma", 3)]
    assert mend in raised.value.findings[0].mend


def test_a_row_with_empty_cells_at_its_end_is_whole() -> None:
    paper, _ = paper_of('what,printed,n\n"ICC(2,1)","0.90 [0.78, 0.96]",12,,\n', toml=False)
    assert [c.symbol for c in paper.claims] == ["icc_a1", "icc_a1__low", "icc_a1__high", "n"]


def test_a_number_of_a_toml_file_keeps_its_digits_without_quotation_marks() -> None:
    paper, found = paper_of('[paper]\nlevel = 0.95\nn = 12\n[[claims]]\nwhat = "ICC(C,1)"\nprinted = 0.90\n')
    assert [(c.printed.value, c.printed.unit) for c in paper.claims if c.symbol == "icc_c1"] == [(Decimal("0.90"),
                                                                                                  Decimal("0.01"))]
    assert not found
    # A value that is a number already has lost them.
    _, found = paper_from_dict({"claims": [{"what": "ICC(C,1)", "printed": 0.90}]})
    assert [(f.code, f.severity) for f in found] == [("number-without-quotes", "warning")]
    assert 'printed = "0.9"' in found[0].mend
