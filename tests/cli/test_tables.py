"""``drift wear``, ``retire``, ``icc`` and ``agree``: one table, the same numbers as the study."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

from drift.cli.one_table import limit_of

Drift = Callable[..., Result]


def numbers(found: dict[str, Any]) -> dict[tuple[str, tuple[Any, ...]], float | None]:
    return {(e["name"], tuple(v for k, v in sorted(e["of"].items())
                              if k not in ("question", "construction"))): e["value"]
            for e in found["estimates"]}


def rewritten(table: Path, out: Path, change: Callable[[dict[str, str]], dict[str, str]]) -> Path:
    with table.open(newline="") as file:
        rows = [change(r) for r in csv.DictReader(file)]
    with out.open("w", newline="") as file:
        writer = csv.DictWriter(file, list(rows[0]))
        writer.writeheader()
        writer.writerows(rows)
    return out


def test_the_answer_comes_first_then_numbers_then_rows(drift: Drift, study: Path) -> None:
    blocks = drift("wear", study / "checks.csv").stdout.split("\n\n")
    assert blocks[0].startswith("Sensitivity falls by")
    assert "drift per use, percent" in blocks[1]
    assert "REML, Kenward-Roger t interval" in blocks[1]
    assert blocks[-1].startswith("Rows\n")


@pytest.mark.parametrize(("command", "more"), [("wear", ()), ("retire", ("--limit", "20 %"))])
def test_the_command_on_the_output_is_the_one_called(drift: Drift, study: Path, command: str,
                                                     more: tuple[str, ...]) -> None:
    result = drift(command, study / "checks.csv", "--reference", "reference", "--json", *more)
    found = json.loads(result.stdout)
    assert result.exit_code == 0
    assert found["command"] == command
    assert result.stderr == ""


def test_a_limit_in_percent_is_on_the_fall_of_sensitivity(drift: Drift, study: Path) -> None:
    found = json.loads(drift("retire", study / "checks.csv", "--reference", "reference", "--limit", "20 %",
                             "--full-scale", "1023", "--json").stdout)
    counts = [e for e in found["estimates"] if e["name"] == "retire after"]
    assert {e["of"].get("limit") for e in counts} >= {"sensitivity_change"}
    assert "retire after" in found["answer"].lower()


def test_a_limit_in_percent_means_the_same_where_the_reference_has_our_own_name(drift: Drift, study: Path) -> None:
    named = drift("retire", study / "checks.csv", "--limit", "10 %", "--reference", "reference", "--json")
    found = drift("retire", study / "checks.csv", "--limit", "10 %", "--json")
    assert "sensitivity_change" in found.stdout
    assert numbers(json.loads(found.stdout)) == numbers(json.loads(named.stdout))


def test_columns_by_other_names_give_the_same_numbers(drift: Drift, study: Path, tmp_path: Path) -> None:
    names = {"sensor": "unit", "use": "n_uses", "replicate": "mount", "reading": "output", "reference": "load"}
    other = rewritten(study / "checks.csv", tmp_path / "o.csv", lambda r: {names[k]: v for k, v in r.items()})
    mapped = [w for ours, theirs in names.items() for w in (f"--{ours}", theirs)]
    assert numbers(json.loads(drift("wear", other, *mapped, "--json").stdout)) == numbers(
        json.loads(drift("wear", study / "checks.csv", "--json").stdout))


def test_where_selects_rows_and_accounts_for_the_rest(drift: Drift, study: Path) -> None:
    found = json.loads(drift("icc", study / "trials.csv", "--where", "method=bench", "--json").stdout)
    assert found["provenance"]["rows"] == {"read": 48, "used": 24, "outside_where": 24, "unmatched": 0, "excluded": 0}


def test_icc_carries_all_ten_cases_the_declared_one_first(drift: Drift, study: Path) -> None:
    found = json.loads(drift("icc", study / "trials.csv", "--target", "participant", "--facet", "session", "--value",
                             "reading", "--where", "method=bench", "--json").stdout)
    cases = [(e["name"], e["of"]["model"]) for e in found["estimates"] if e["name"].startswith("ICC")]
    assert cases[0] == ("ICC(A,1)", "two-way random")
    assert len(set(cases)) == 10


def test_wide_and_long_form_agree(drift: Drift, study: Path, tmp_path: Path) -> None:
    long = json.loads(drift("agree", study / "trials.csv", "--compare", "method", "--a", "gait", "--b", "bench",
                            "--pair-by", "participant,session", "--target", "participant", "--json").stdout)
    pairs: dict[tuple[str, str], dict[str, str]] = {}
    with (study / "trials.csv").open(newline="") as file:
        for r in csv.DictReader(file):
            pairs.setdefault((r["participant"], r["session"]), {})[r["method"]] = r["reading"]
    wide = tmp_path / "wide.csv"
    wide.write_text("who,gait,bench\n" + "".join(f"{p},{v['gait']},{v['bench']}\n" for (p, _), v in pairs.items()))
    found = json.loads(drift("agree", wide, "--a-column", "gait", "--b-column", "bench", "--target", "who",
                             "--json").stdout)
    named = ("bias", "lower limit", "upper limit", "SD of differences")
    assert {k: v for k, v in numbers(found).items() if k[0] in named} == pytest.approx(
        {k: v for k, v in numbers(long).items() if k[0] in named}, rel=1e-12)


def test_rows_of_one_person_are_not_taken_as_independent_pairs(drift: Drift, tmp_path: Path) -> None:
    """The naive bias interval of pooled rows is narrower than that of people."""
    wide = tmp_path / "w.csv"
    wide.write_text("who,one,two\n" + "".join(f"p{i},{100 + 10 * i + j},{100 + 8 * i - j}\n" for i in range(8)
                                              for j in range(4)))
    def width(*more: str) -> float:
        found = json.loads(drift("agree", wide, "--a-column", "one", "--b-column", "two", *more, "--json").stdout)
        bias = next(e for e in found["estimates"] if e["name"] == "bias")
        return float(bias["high"] - bias["low"])

    assert width("--target", "who") > 1.3 * width()


def test_zero_readings_take_the_linear_scale_and_say_so(drift: Drift, tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("sensor,use,reading\n" + "".join(f"s{i},{u},{0.04 * u * (1 + 0.1 * i):.3f}\n" for i in range(6)
                                                      for u in (0, 10, 20, 30)))
    found = json.loads(drift("wear", table, "--json").stdout)
    names = {e["name"] for e in found["estimates"]}
    assert "drift per use" in names
    assert "drift per use, percent" not in names


def test_an_unknown_column_is_named_with_the_nearest(drift: Drift, study: Path) -> None:
    result = drift("wear", study / "checks.csv", "--sensor", "sensr")
    assert result.exit_code == 1
    assert "sensor" in result.stderr


def test_out_writes_the_same_folder_as_run(drift: Drift, study: Path, tmp_path: Path) -> None:
    result = drift("icc", study / "trials.csv", "--where", "method=bench", "--out", tmp_path / "o", "--quiet")
    assert result.exit_code == 0
    assert (tmp_path / "o" / "report.html").is_file()
    assert (tmp_path / "o" / "manifest.json").is_file()


@pytest.mark.parametrize(("text", "options", "limits"), [
    ("10", {}, {"reading": {"value": 10.0, "direction": "above"}}),
    ("10 %", {"reference": "load"}, {"sensitivity_change": 0.1}),
    ("10%", {"reference": "load"}, {"sensitivity_change": 0.1}),
    ("1600 kPa", {"reference": "load", "full_scale": 1023.0}, {"saturation_pressure": "1600 kPa"}),
    ("0.2 MPa", {"unit": "kPa"}, {"reading": {"value": 200.0, "direction": "above"}}),
    ("-3e1", {"direction": "below"}, {"reading": {"value": -30.0, "direction": "below"}}),
])
def test_a_limit_means_what_its_unit_says(text: str, options: dict[str, Any], limits: dict[str, Any]) -> None:
    given = {"reference": None, "full_scale": None, "unit": None, "direction": "above", **options}
    found = limit_of(text, given)
    if "reading" in limits:
        assert found["reading"]["value"] == pytest.approx(limits["reading"]["value"], rel=1e-12)
        assert found["reading"]["direction"] == limits["reading"]["direction"]
    else:
        assert found == limits


@pytest.mark.parametrize("text", ["ten", "1,5", "120 %", "3 florins"])
def test_a_limit_that_cannot_be_is_wrong_usage(drift: Drift, study: Path, text: str) -> None:
    assert drift("retire", study / "checks.csv", "--reference", "reference", "--unit", "count", "--limit",
                 text).exit_code == 2


def test_the_unit_in_a_header_meets_the_unit_of_the_limit(drift: Drift, tmp_path: Path) -> None:
    """A limit of 0.2 MPa on readings in kPa is 200, not 0.2."""
    table = tmp_path / "t.csv"
    table.write_text("sensor,use,reading [kPa]\n" + "".join(f"s{i},{u},{100 + u * (2 + 0.2 * i):.3f}\n"
                                                            for i in range(6)
                                                            for u in (0, 10, 20, 30, 40)))
    def count(limit: str) -> float:
        found = json.loads(drift("retire", table, "--limit", limit, "--scale", "linear", "--json").stdout)
        return float(next(e["value"] for e in found["estimates"] if e["name"] == "retire after"))

    assert count("0.2 MPa") == count("200 kPa") == count("200") > 20


def test_another_exposure_keeps_its_unit(drift: Drift, tmp_path: Path) -> None:
    table = tmp_path / "t.csv"
    table.write_text("sensor,hours,reading\n" + "".join(f"s{i},{u},{0.01 * u * (1 + 0.1 * i):.4f}\n" for i in range(6)
                                                        for u in (0, 250, 500, 750, 1000)))
    found = json.loads(drift("retire", table, "--use", "hours", "--limit", "8", "--json").stdout)
    count = next(e for e in found["estimates"] if e["name"] == "retire after")
    assert count["unit"] == "h"
    assert "retire after" in found["answer"].lower()
    assert " h " in found["answer"]
