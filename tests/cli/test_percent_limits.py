"""A limit in percent without a reference, a scale that readings change, and lives that stand twice in a table."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli
from tests.published_examples import FOLDER


def said(*words: object) -> tuple[int, str]:
    found = CliRunner().invoke(cli, [str(w) for w in words])
    return found.exit_code, " ".join(found.output.replace("│", " ").split())


def table(folder: Path, header: str, fresh: float, slope: float, more: str = "") -> Path:
    rows = [f"s{i},{u},{fresh + slope * u * (1 + 0.1 * i):.3f},200" for i in range(6) for u in (0, 10, 20, 30, 40)]
    path = folder / "t.csv"
    path.write_text("\n".join([header, *rows]) + f"\n{more}", encoding="utf-8")
    return path


@pytest.mark.parametrize(("header", "fresh", "slope", "more", "words"), [
    ("sensor,use,reading,load", 200, -0.8, (), "readings in percent, and they reach 200"),
    ("sensor,use,reading,load", 60, -0.3, (), "sensors read 60 when fresh, past it already"),
    ("sensor,use,reading [count],load", 60, -0.3, (), "is no limit on a reading in count"),
    ("sensor,use,reading,load", 200, -0.8, ("--unit", "count"), "is no limit on a reading in count"),
    ("sensor,use,reading,load", 200, -0.8, ("--direction", "below"), "readings in percent, and they reach 200"),
])
def test_a_limit_in_percent_on_readings_that_are_none_is_one_clear_error(
        tmp_path: Path, header: str, fresh: float, slope: float, more: tuple[str, ...], words: str) -> None:
    code, output = said("retire", table(tmp_path, header, fresh, slope), "--limit", "10 %", *more)
    assert code == 2
    assert words in output
    assert "for a fall of sensitivity give --reference COL" in output
    assert said("retire", tmp_path / "t.csv", "--limit", "10 %", "--reference", "load", "--unit", "count")[0] == 0


def test_a_limit_in_percent_on_readings_in_percent_is_as_it_was() -> None:
    asked = ("retire", FOLDER / "meeker-gaas-laser.csv", "--sensor", "unit", "--use", "hours", "--reading", "increase",
             "--limit", "10 %", "--json")
    plain, stated = (json.loads(CliRunner().invoke(cli, [str(w) for w in (*asked, *more)]).output)
                     for more in ((), ("--unit", "%")))
    assert plain["estimates"] == stated["estimates"]
    codes = [f["code"] for f in plain["findings"]]
    assert "limit-in-percent" in codes
    assert "limit-in-percent" not in [f["code"] for f in stated["findings"]]


def test_readings_that_turn_the_scale_linear_are_named(tmp_path: Path) -> None:
    path = table(tmp_path, "sensor,use,reading,load", 200, -0.2, "s1,50,-190,200\ns2,50,0,200\n")
    code, output = said("recalibrate", path, "--tolerance", "5 %", "--reference", "load")
    assert code == 0
    assert "2 readings are not above zero (rows 32-33), so that the scale is linear" in output


def test_a_unit_that_stands_twice_is_an_error_for_each_row(tmp_path: Path) -> None:
    path = tmp_path / "l.csv"
    path.write_text("unit,time,event\n" + "".join(f"U{i},{20 + 3 * i},1\n" for i in range(8)) + "U2,26,1\nU5,99,0\n",
                    encoding="utf-8")
    code, output = said("lifetimes", path, "--time", "time", "--event", "event", "--unit-column", "unit")
    assert code == 1
    assert "l.csv, row 10, column unit: this unit has a life already, in row 4" in output
    assert "row 11, column unit: this unit has a life already, in row 7" in output
    assert said("lifetimes", path, "--time", "time", "--event", "event")[0] == 0
