"""Numbers and fractions: what is read, what is refused, and that nothing is read as something else."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.ingest.numbers import number_format, to_numbers
from drift.ingest.raw import encode
from drift.study import TextFormat
from tests.ingest.helpers import CHECKS, TRIALS, errors, only, place, read


def numbers(cells: list[str], *, decimal: str | None = None, thousands: str | None = None,
            delimiter: str = ";") -> tuple[list[float], list[str]]:
    """Read cells as one column; return values and what was wrong with each."""
    column = encode(cells)
    declared = TextFormat.model_validate({"decimal": decimal, "thousands": thousands})
    got = to_numbers(column, number_format(declared, [column], delimiter))
    return got.values.tolist(), [str(p) for p in got.problem[column.codes]]


@pytest.mark.parametrize(("cell", "value"), [
    ("12", 12.0), ("+12", 12.0), ("-12", -12.0), ("\u221212", -12.0), ("\u201312", -12.0), ("12.5", 12.5), (".5", 0.5),
    ("5.", 5.0), ("1e3", 1000.0), ("1.5E-2", 0.015), ("\u00a012.5\u202f", 12.5), ("007", 7.0), ("- 5", -5.0)])
def test_numbers_as_people_write_them(cell: str, value: float) -> None:
    assert numbers([cell, "0.25"]) == ([value, 0.25], ["", ""])


@pytest.mark.parametrize(("cell", "problem"), [
    ("n/a", "word for missing"), ("NA", "word for missing"), ("-", "word for missing"), ("NaN", "word for missing"),
    ("", "empty"), ("ca. 5", "not a number"), ("12 kPa", "unit in cell"), ("1_000", "not a number"),
    ("inf", "not finite"), ("1e999", "not finite"), ("12;5", "not a number"), ("0x1F", "not a number"),
    ("5-6", "not a number"), ("1.2.3", "not a number"), ("<5", "not a number"), ("'", "not a number")])
def test_what_is_no_number_is_named_for_what_it_is(cell: str, problem: str) -> None:
    values, problems = numbers([cell, "0.25"], decimal=".")
    assert np.isnan(values[0])
    assert problems == [problem, ""]


@pytest.mark.parametrize("delimiter", [",", ";", "\t", "workbook"])
def test_one_comma_and_three_digits_is_refused_without_declaration_or_proof(delimiter: str) -> None:
    assert numbers(["1,234", "5"], delimiter=delimiter)[1] == ["ambiguous", ""]


@pytest.mark.parametrize(("decimal", "thousands", "value"), [(".", ",", 1234.0), (",", None, 1.234), (",", ".", 1.234)])
def test_one_comma_and_three_digits_is_read_as_declared(decimal: str, thousands: str | None, value: float) -> None:
    assert numbers(["1,234"], decimal=decimal, thousands=thousands) == ([value], [""])


@pytest.mark.parametrize(("cells", "values"), [
    (["1,234", "0,5"], [1.234, 0.5]),           # a leading zero proves the comma
    (["1,234", "12,25"], [1.234, 12.25]),       # two digits prove it
    (["1.234", "0.5"], [1.234, 0.5]),
    (["1,234.5", "1,234"], [1234.5, 1234.0]),   # both signs prove both roles
    (["1.234,5", "1.234"], [1234.5, 1234.0]),
    (["1,234,567", "1,234"], [1234567.0, 1234.0])])
def test_proof_elsewhere_in_the_file_settles_the_sign(cells: list[str], values: list[float]) -> None:
    assert numbers(cells) == (values, ["", ""])


def test_a_point_before_three_digits_is_a_decimal_only_where_commas_stand_between_columns() -> None:
    assert numbers(["1.234"], delimiter=",") == ([1.234], [""])
    assert numbers(["1.234"], delimiter=";")[1] == ["ambiguous"]
    assert numbers(["1.234"], delimiter="\t")[1] == ["ambiguous"]


@pytest.mark.parametrize(("cell", "sign", "value"), [("1 234,5", " ", 1234.5), ("1\u202f234,5", " ", 1234.5),
                                                     ("1'234,5", "'", 1234.5), ("1.234,5", ".", 1234.5)])
def test_declared_thousands_are_taken_out(cell: str, sign: str, value: float) -> None:
    assert numbers([cell], decimal=",", thousands=sign) == ([value], [""])


@pytest.mark.parametrize("cell", ["1 234", "1'234"])
def test_undeclared_spaces_and_apostrophes_in_numbers_are_refused(cell: str) -> None:
    assert numbers([cell, "0.5"])[1] == ["grouped", ""]


@pytest.mark.parametrize("cell", ["12,34.5", "1,23", "1,2345", ",123"])
def test_wrongly_grouped_thousands_are_refused(cell: str) -> None:
    assert numbers([cell], decimal=".", thousands=",")[1][0] != ""


def test_one_slip_in_a_clear_file_is_one_finding_and_a_true_mixture_names_both() -> None:
    cells = [f"{i},25" for i in range(12)]
    assert numbers([*cells, "3.5"])[1] == [""] * 12 + ["wrong decimal"]
    column = encode(["1,25", "3.5"])
    assert number_format(TextFormat(), [column], ";").mixed == ("3.5", "1,25")


def test_a_slip_is_told_from_a_mixture_by_rows_and_not_by_distinct_texts() -> None:
    values, problems = numbers([*["101.5", "202.5"] * 50, "12,5"])
    assert problems == [""] * 100 + ["wrong decimal"]
    assert np.isnan(values[-1])


SIGNS = [(".", None), (".", ","), (".", " "), (",", None), (",", "."), (",", " ")]


@settings(max_examples=300, deadline=None)
@given(st.lists(st.tuples(st.integers(-9_999_999, 9_999_999), st.integers(0, 4)), min_size=1, max_size=8),
       st.sampled_from(SIGNS), st.booleans(), st.sampled_from([";", "\t", "|", "workbook"]))
def test_a_number_is_read_right_or_refused_but_never_read_as_another(
        made: list[tuple[int, int]], signs: tuple[str, str | None], declare: bool, delimiter: str) -> None:
    decimal, thousands = signs
    truth = [n / 10**d for n, d in made]
    cells = [f"{v:,.{d}f}" if thousands else f"{v:.{d}f}" for v, (_, d) in zip(truth, made, strict=True)]
    swap = {",": thousands or "", ".": decimal}
    cells = ["".join(swap.get(c, c) for c in cell) for cell in cells]
    values, problems = (numbers(cells, decimal=decimal, thousands=thousands, delimiter=delimiter) if declare else
                        numbers(cells, delimiter=delimiter))
    for cell, want, got, problem in zip(cells, truth, values, problems, strict=True):
        if declare:
            assert problem == "", cell
        assert problem or got == want, cell


def test_findings_of_a_bad_number_say_where_what_and_how(tmp_path: Path) -> None:
    reading = read(tmp_path, trials=TRIALS.replace(",", ";").replace("190.5", "1,234"))
    f = only(errors(reading), "ambiguous-number")
    assert place(f) == ("trials.csv", 5, "reading", "1,234")
    assert "[format.trials]" in f.mend
    assert f.expected


def test_a_fraction_takes_percent_signs_and_a_percent_unit(tmp_path: Path) -> None:
    def checks(cells: list[str], header: str = "saturated", toml: str = "") -> list[float]:
        lines = CHECKS.splitlines()
        body = [f"{line},{c}" for line, c in zip(lines[1:], cells, strict=True)]
        got = read(tmp_path, checks="\n".join([f"{lines[0]},{header}", *body]), toml=toml)
        assert errors(got) == []
        assert got.tables.checks is not None
        assert got.tables.checks.units["saturated"] == "fraction"
        return [float(v) for v in got.tables.checks["saturated"]]

    assert checks(["5 %", "5%", "0.05", "0", "0", "0"])[:3] == [0.05, 0.05, 0.05]
    assert checks(["5", "0", "0", "0", "0", "0"], header="saturated (%)")[0] == 0.05
    assert checks(["5 %", "0", "0", "0", "0", "0"], toml='[units.checks]\nreading = "count"\nreference = "kPa"\n'
                  'saturated = "percent"\n')[0] == 0.05


def test_a_percent_sign_on_a_reading_is_refused(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, trials=TRIALS.replace("190.5", "19 %"))), "percent")
    assert place(f) == ("trials.csv", 5, "reading", "19 %")
