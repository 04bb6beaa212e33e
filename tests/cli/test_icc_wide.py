"""``drift icc`` on a table with one row a target and one column a facet level."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

Drift = Callable[..., Result]
PUBLISHED = Path(__file__).parents[1] / "published"


def pivoted(name: str, target: str, facet: str, value: str) -> str:
    with (PUBLISHED / name).open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    targets, levels = (list(dict.fromkeys(r[c] for r in rows)) for c in (target, facet))
    cells = {(r[target], r[facet]): r[value] for r in rows}
    lines = [",".join([target, *(f"{facet} {v}" for v in levels)])]
    return "\n".join([*lines, *(",".join([t, *(cells.get((t, v), "") for v in levels)]) for t in targets)]) + "\n"


def numbers(result: Result) -> list[Any]:
    assert result.exit_code == 0, result.output
    return [(e["name"], e["value"], e["low"], e["high"]) for e in json.loads(result.stdout)["estimates"]]


def close(a: list[Any], b: list[Any]) -> bool:
    return [x[0] for x in a] == [x[0] for x in b] and all(
        p == pytest.approx(q, rel=1e-9, abs=1e-12) if p is not None else q is None
        for x, y in zip(a, b, strict=True) for p, q in zip(x[1:], y[1:], strict=True))


CASES = [("wine-judges-icc.csv", "wine", "judge", "score"),
         ("ebel-1951-incomplete-icc.csv", "object", "rater", "rating")]


@pytest.mark.parametrize("case", CASES, ids=["complete", "empty cells"])
@pytest.mark.parametrize("how", ["--wide", "--columns"])
def test_the_wide_table_gives_the_numbers_of_the_long_one(drift: Drift, tmp_path: Path, case: tuple[str, ...],
                                                          how: str) -> None:
    name, target, facet, value = case
    text = pivoted(*case)
    (tmp_path / "wide.csv").write_text(text, encoding="utf-8")
    levels = text.splitlines()[0].split(",")[1:]
    words = ("--wide",) if how == "--wide" else ("--columns", ",".join(levels))
    wide = numbers(drift("icc", tmp_path / "wide.csv", *words, "--facet", facet, "--target", target, "--json"))
    long = numbers(drift("icc", PUBLISHED / name, "--target", target, "--facet", facet, "--value", value, "--json"))
    assert close(wide, long)


def table(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    return path


ROWS = "A,B,C\n1,2,1\n2,3,3\n4,4,5\n6,5,7\n8,8,9\n"
NAMED = "participant,group,A,B,C\na,x,1,2,1\nb,x,2,3,3\nc,y,4,4,5\nd,y,6,5,7\ne,x,8,8,9\n"


def test_without_a_target_column_every_row_is_a_target(drift: Drift, tmp_path: Path) -> None:
    shown = drift("icc", table(tmp_path, ROWS), "--wide").stdout
    assert "same row with another column" in " ".join(shown.split())


def test_the_participant_column_is_optional_and_found(drift: Drift, tmp_path: Path) -> None:
    bare = numbers(drift("icc", table(tmp_path, ROWS), "--wide", "--json"))
    named = drift("icc", table(tmp_path, NAMED), "--wide", "--json")
    assert close(bare, numbers(named))
    notes = {f["code"]: f for f in json.loads(named.stdout)["findings"]}
    assert notes["columns-not-levels"]["value"] == "group"


def test_a_first_column_that_counts_the_rows_is_the_target(drift: Drift, tmp_path: Path) -> None:
    text = "id,A,B\n" + "\n".join(f"{i},{i % 3},{i % 3 + i % 2}" for i in range(1, 9)) + "\n"
    assert "same id with" in drift("icc", table(tmp_path, text), "--wide").stdout


def test_columns_named_choose_and_leave_the_rest(drift: Drift, tmp_path: Path) -> None:
    data = json.loads(drift("icc", table(tmp_path, NAMED), "--columns", "A,C", "--json").stdout)
    assert data["provenance"]["rows"]["read"] == 10


def test_rows_are_selected_and_repeated_over_by_their_other_columns(drift: Drift, tmp_path: Path) -> None:
    more = NAMED + "f,y,9,9,8\n"
    path = table(tmp_path, more)
    chosen = json.loads(drift("icc", path, "--wide", "--where", "group=x", "--json").stdout)
    assert chosen["provenance"]["rows"] == {"read": 18, "used": 9, "outside_where": 9, "unmatched": 0, "excluded": 0}
    both = json.loads(drift("icc", path, "--wide", "--by", "group", "--json").stdout)
    assert {e["of"]["group"] for e in both["estimates"]} == {"x", "y"}


def test_a_unit_in_the_headers_is_the_unit_of_the_reading(drift: Drift, tmp_path: Path) -> None:
    text = ROWS.replace("A,B,C", "left (kPa),right (kPa),third (kPa)")
    data = json.loads(drift("icc", table(tmp_path, text), "--wide", "--json").stdout)
    assert {e["unit"] for e in data["estimates"] if e["name"] == "SEM (agreement)"} == {"kPa"}


def test_a_word_among_the_readings_is_located_by_row_and_column(drift: Drift, tmp_path: Path) -> None:
    result = drift("icc", table(tmp_path, ROWS.replace("4,4,5", "4,oops,5")), "--wide", "--json")
    assert result.exit_code == 1
    (found,) = (f for f in json.loads(result.stdout)["findings"] if f["severity"] == "error")
    assert (found["row"], found["column"], found["value"]) == (4, "B", "oops")
    assert "empty it" in found["mend"]


def test_errors_of_several_columns_are_told_at_once(drift: Drift, tmp_path: Path) -> None:
    text = ROWS.replace("4,4,5", "4,oops,5").replace("8,8,9", "8,8,?!")
    found = json.loads(drift("icc", table(tmp_path, text), "--wide", "--json").stdout)["findings"]
    assert {(f["row"], f["column"]) for f in found if f["severity"] == "error"} == {(4, "B"), (6, "C")}


def test_a_decimal_comma_is_read_alike_in_every_column(drift: Drift, tmp_path: Path) -> None:
    text = "A;B\n1,5;2\n2,5;3\n4,25;4\n6,5;7\n8;8\n"
    plain = "A,B\n1.5,2\n2.5,3\n4.25,4\n6.5,7\n8,8\n"
    comma = numbers(drift("icc", table(tmp_path, text), "--wide", "--json"))
    assert close(comma, numbers(drift("icc", table(tmp_path, plain), "--wide", "--json")))


def test_one_target_on_two_rows_is_refused_unless_its_rows_are_numbered(drift: Drift, tmp_path: Path) -> None:
    twice = "participant,trial,A,B\n" + "".join(f"{p},{r},{i + r},{i * 1.5 + r}\n" for i, p in enumerate("abcd")
                                               for r in (1, 2))
    refused = drift("icc", table(tmp_path, twice), "--columns", "A,B")
    assert refused.exit_code == 1
    assert "the same participant as in row 2" in " ".join(refused.stderr.split())
    assert "--replicate" in refused.stderr
    kept = drift("icc", table(tmp_path, twice), "--columns", "A,B", "--replicate", "trial", "--json")
    assert any(e["of"].get("component") == "within cell" for e in json.loads(kept.stdout)["estimates"])


@pytest.mark.parametrize(("words", "said"), [
    (("--columns", "A,D"), "--columns names a column that is not in the file"),
    (("--wide", "--target", "who"), "--target names a column that is not in the file"),
    (("--columns", "A"), "two or more columns of readings"),
])
def test_what_cannot_be_meant_is_said(drift: Drift, tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    result = drift("icc", table(tmp_path, ROWS), *words)
    assert result.exit_code == 1
    assert said in " ".join(result.stderr.split())
    assert "Traceback" not in result.output


def test_an_empty_column_is_a_level_without_readings(drift: Drift, tmp_path: Path) -> None:
    text = "participant,A,B,C\na,1,2,\nb,3,3,\nc,5,6,\nd,2,2,\n"
    result = drift("icc", table(tmp_path, text), "--columns", "A,B,C")
    assert result.exit_code == 1 or "C" in result.stdout
    assert "Traceback" not in result.output


@pytest.mark.parametrize(("text", "said"), [
    ("A,B\n", "there is a header but no row below it"), ("A,B\nx,y\n", "two or more columns of readings, and here "
                                                         "there is none"),
    ("A,B\nx,1\ny,2\nz,4\n", "only 'B' is one"), ("A,A,B\n1,2,3\n2,3,4\n4,5,5\n", "two columns of readings have the "
                                                   "same name")])
def test_a_table_without_levels_is_refused_with_the_reason(drift: Drift, tmp_path: Path, text: str, said: str) -> None:
    result = drift("icc", table(tmp_path, text), "--wide")
    assert result.exit_code == 1
    assert said in " ".join(result.stderr.split())


@pytest.mark.parametrize("kind", ["xlsx", "parquet"])
def test_workbooks_and_parquet_are_read_alike_with_a_cell_missing(drift: Drift, tmp_path: Path, kind: str) -> None:
    import pandas as pd

    text = ROWS.replace("4,4,5", "4,,5")
    frame = pd.read_csv(table(tmp_path, text))
    path = tmp_path / f"t.{kind}"
    frame.to_excel(path, index=False) if kind == "xlsx" else frame.to_parquet(path)
    plain = numbers(drift("icc", table(tmp_path, text), "--wide", "--json"))
    assert close(numbers(drift("icc", path, "--wide", "--json")), plain)


def visits(tmp_path: Path, heads: str = "age,visit1,visit2,visit3,visit4", scale: float = 1.0) -> Path:
    return table(tmp_path, f"participant,{heads}\n" + "".join(
        f"p{i},{20 + (7 * i) % 11},{100 + 20 * i},{104 + 20 * i},{98 + 20 * i + i % 3},{(101 + 20 * i) * scale:g}\n"
        for i in range(12)))


def test_the_columns_taken_are_listed_and_one_unlike_the_rest_is_cautioned(drift: Drift, tmp_path: Path) -> None:
    path = visits(tmp_path)
    result = drift("icc", path, "--wide")
    text = " ".join(result.output.split())
    assert "5 columns were taken as readings, each a level of 'column': age, visit1, visit2, visit3, visit4" in text
    assert "column age" in text
    assert "name the columns of readings: --columns visit1,visit2,visit3,visit4" in text
    assert "judged from 5" not in text or "Use five or more" not in text
    named = drift("icc", path, "--columns", "visit1,visit2,visit3,visit4", "--json")
    codes = {f["code"] for f in json.loads(named.stdout)["findings"]}
    assert codes.isdisjoint({"columns-taken", "column-unlike-others"})


@pytest.mark.parametrize(("heads", "unlike"), [("A,B,C,D,E", {"A"}), ("visit0,visit1,visit2,visit3,visit4", {"visit0"}),
                                               ("age,A,B,C,D", {"age"})])
def test_a_column_of_another_size_is_cautioned_whatever_its_name(drift: Drift, tmp_path: Path, heads: str,
                                                                 unlike: set[str]) -> None:
    found = json.loads(drift("icc", visits(tmp_path, heads), "--wide", "--json").stdout)["findings"]
    assert {f["column"] for f in found if f["code"] == "column-unlike-others"} == unlike


def test_columns_alike_are_not_cautioned(drift: Drift, tmp_path: Path) -> None:
    for text in (ROWS, NAMED):
        found = json.loads(drift("icc", table(tmp_path, text), "--wide", "--json").stdout)["findings"]
        assert "column-unlike-others" not in {f["code"] for f in found}


def test_levels_in_several_units_are_put_into_one_or_refused_by_header(drift: Drift, tmp_path: Path) -> None:
    columns = ("--columns", "visit1,visit2,visit3,visit4", "--json")
    same = numbers(drift("icc", visits(tmp_path, "age,visit1,visit2,visit3,visit4"), *columns))
    heads = "age,visit1 (kPa),visit2 (kPa),visit3 (kPa),visit4 ({})"
    assert close(same, numbers(drift("icc", visits(tmp_path, heads.format("bar"), 0.01), *columns)))
    for wrong in ("visit4 (N)", "visit4"):
        result = drift("icc", visits(tmp_path, heads.replace("visit4 ({})", wrong)), *columns[:2])
        assert result.exit_code == 1
        assert f"'visit1 (kPa)' and '{wrong}'" in " ".join(result.output.split())
