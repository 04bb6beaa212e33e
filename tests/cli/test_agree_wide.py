"""``drift agree --a-column --b-column``: units of the two headers, empty cells, rows counted as in the file."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

Drift = Callable[..., Result]
N = 12
QUICK = [200.0 + 17 * i + (i * 7) % 5 for i in range(N)]
BENCH = [198.0 + 17 * i + (i * 3) % 7 for i in range(N)]
W = ("--a-column", "quick", "--b-column", "bench")


def table(tmp_path: Path, heads: str, a: list[Any], b: list[Any]) -> Path:
    path = tmp_path / "t.csv"
    path.write_text(f"participant,{heads}\n" + "".join(f"p{i},{x},{y}\n" for i, (x, y) in enumerate(
        zip(a, b, strict=True))), encoding="utf-8")
    return path


def found(result: Result) -> dict[str, Any]:
    assert result.exit_code == 0, result.output
    data: dict[str, Any] = json.loads(result.stdout)
    return data


def bias(data: dict[str, Any]) -> Any:
    return next((e["value"], e["unit"]) for e in data["estimates"] if e["name"] == "bias")


def test_columns_in_different_units_are_put_into_the_first_ones_unit(drift: Drift, tmp_path: Path) -> None:
    same = bias(found(drift("agree", table(tmp_path, "quick (kPa),bench (kPa)", QUICK, BENCH), *W, "--json")))
    path = table(tmp_path, "quick (kPa),bench (bar)", QUICK, [b / 100 for b in BENCH])
    data = found(drift("agree", path, *W, "--harmless", "35", "--json"))
    assert bias(data)[0] == pytest.approx(same[0], rel=1e-9)
    assert bias(data)[1] == "kPa"
    assert "'quick (kPa)' and 'bench (bar)'" in next(f["message"] for f in data["findings"]
                                                     if f["code"] == "unit-converted")
    back = bias(found(drift("agree", path, "--a-column", "bench", "--b-column", "quick", "--json")))
    assert back == (pytest.approx(-same[0] / 100, rel=1e-9), "bar")


def test_units_of_other_quantities_are_refused_by_both_headers(drift: Drift, tmp_path: Path) -> None:
    result = drift("agree", table(tmp_path, "quick (kPa),bench (N)", QUICK, BENCH), *W)
    assert result.exit_code == 1
    text = " ".join(result.output.split())
    assert text.count("'quick (kPa)' and 'bench (N)'") == 1
    assert "Name columns of one quantity" in text


@pytest.mark.parametrize("heads", ["quick (kPa),bench", "quick,bench (kPa)"])
def test_a_unit_in_one_header_alone_is_cautioned(drift: Drift, tmp_path: Path, heads: str) -> None:
    path = table(tmp_path, heads, QUICK, BENCH)
    data = found(drift("agree", path, *W, "--json"))
    assert bias(data)[1] == "kPa"
    assert [f["severity"] for f in data["findings"] if f["code"] == "unit-assumed"] == ["warning"]
    said = found(drift("agree", path, *W, "--unit", "kPa", "--json"))
    assert "unit-assumed" not in {f["code"] for f in said["findings"]}


def test_an_empty_cell_is_a_reading_not_taken(drift: Drift, tmp_path: Path) -> None:
    a, b = [*QUICK], [*BENCH]
    whole = bias(found(drift("agree", table(tmp_path, "quick,bench", a[3:], b[3:]), *W, "--json")))
    a[0] = b[1] = a[2] = b[2] = ""  # type: ignore[call-overload]
    data = found(drift("agree", table(tmp_path, "quick,bench", a, b), *W, "--json"))
    assert bias(data) == whole
    assert data["provenance"]["rows"] == {"read": N, "used": N - 3, "outside_where": 0, "unmatched": 3, "excluded": 0}
    assert "quick has no reading for 1 pair" in " ".join(f["message"] for f in data["findings"])


def test_rows_are_those_of_the_file(drift: Drift, tmp_path: Path) -> None:
    path, out = table(tmp_path, "quick,bench", QUICK, [*BENCH[:-1], ""]), tmp_path / "out"
    data = found(drift("agree", path, *W, "--where", "participant=p1", "--where", "participant=p2",
                       "--where", "participant=p3", "--where", "participant=p4", "--json", "--out", out))
    assert data["provenance"]["rows"] == {"read": N, "used": 4, "outside_where": N - 4, "unmatched": 0, "excluded": 0}
    lines = (out / "excluded.csv").read_text(encoding="utf-8").splitlines()
    assert len(lines) == 1 + N - 4


def test_names_that_are_no_columns_are_said_in_the_options_typed(drift: Drift, tmp_path: Path) -> None:
    path = table(tmp_path, "quick (kPa),bench (kPa)", QUICK, BENCH)
    wrong = " ".join(drift("agree", path, "--a-column", "quik", "--b-column", "benhc").output.split())
    assert "--a-column names a column that is not in the file" in wrong
    assert "--b-column names a column that is not in the file" in wrong
    assert "Did you mean 'quick (kPa)'?" in wrong
    same = " ".join(drift("agree", path, "--a-column", "quick", "--b-column", "quick").output.split())
    assert "--a-column and --b-column name the same column" in same
    text = drift("agree", table(tmp_path, "quick,bench", QUICK, [""] * N), *W).output
    assert "the column holds no reading" in text
