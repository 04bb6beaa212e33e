"""A study's check standards are charted as today reads them; bad days are named, with their value and the limits."""

from __future__ import annotations

import csv
import json
import re
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from drift.cli import cli
from drift.control.occasions import day_labels
from drift.report.chart_methods import chart_paragraph
from drift.workflow_today import chart_of_study, chart_of_table

ROOT = Path(__file__).parents[2]
TODAY = ROOT / "demo_trials" / "today"
TOML = """[study]
title = "t"
[files]
checks = "checks.csv"
sensors = "sensors.csv"
[units.checks]
reading = "count"
reference = "kPa"
[sensitivity]
full_scale = 4000
"""
OPTIONS = {"baseline": None, "direction": "both", "centre": None, "sd": None, "multiplier": None, "ewma": None,
           "cusum": None, "steady": False, "precision": None, "where": {}}


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, ["chart", *(str(w) for w in words)])


def said(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A bent standard read at three loads on twelve days, and a worn sensor."""
    (tmp_path / "study.toml").write_text(TOML, encoding="utf-8")
    (tmp_path / "sensors.csv").write_text("sensor,role\nCS1,check standard\nP01,worn\n", encoding="utf-8")
    rng = np.random.default_rng(5)
    rows = ["sensor,use,reading,reference,time"]
    for day in range(12):
        for load in (200, 400, 800):
            rows.append(f"CS1,{day},{3 * load**0.9 + rng.normal(0, 1):.1f},{load},2026-03-{day + 1:02d}T08:00")
            rows.append(f"P01,{day},{(1 - 0.01 * day) * load:.1f},{load},2026-03-{day + 1:02d}T09:00")
    (tmp_path / "checks.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    return tmp_path


def without(folder: Path, *cells: str) -> None:
    path = folder / "checks.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    kept = [r for r in rows if not all(c in r for c in cells)]
    assert len(kept) < len(rows)
    path.write_text("\n".join(kept) + "\n", encoding="utf-8")


def test_the_standards_of_a_study_are_those_of_today() -> None:
    chart = chart_of_study(TODAY, OPTIONS, level=0.95).parts[0]
    assert list(dict.fromkeys(chart.table("control chart")["standard"])) == ["CS1", "CS2"]
    today = json.loads(CliRunner().invoke(cli, ["today", str(TODAY), "--json"]).output)
    held = next(t for t in today["tables"] if t["name"] == "control chart")
    mean = [r[[c["name"] for c in held["columns"]].index("mean")] for r in held["rows"]]
    assert np.allclose(mean, chart.table("control chart")["mean"])
    account = chart.provenance.accounts[0]
    assert (account.table, account.read, account.used, account.outside_where) == ("checks", 321, 72, 249)
    assert len(chart.exclusions) == 249


def test_a_bad_day_is_named_with_its_value_against_the_limits() -> None:
    shown = run(TODAY)
    assert "3 earlier occasions were past a limit: CS1 on 2026-02-04 (1.0470 against 0.9761 to 1.0227 count/kPa)" in (
        said(shown))
    assert re.search(r"CS1 +2026-02-04 +individuals +above +1\.047 +1\.0227", shown.output)
    one = said(run(TODAY, "--where", "sensor=CS1"))
    assert "1 earlier occasion was past a limit: 2026-02-04 (1.0470 against" in one


def test_a_signal_at_the_latest_occasion_says_where_it_stands(folder: Path) -> None:
    path = folder / "checks.csv"
    rows = path.read_text(encoding="utf-8").splitlines()
    last = max(i for i, r in enumerate(rows) if r.startswith("CS1,11,") and ",800," in r)
    cells = rows[last].split(",")
    cells[2] = f"{1.2 * float(cells[2]):.1f}"
    rows[last] = ",".join(cells)
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    text = said(run(folder))
    assert text.startswith("Check again before use: the check standard is out of control at 2026-03-12")
    assert re.search(r"There: [\d.]+ against [\d.]+ to [\d.]+ count/kPa\.", text)


def test_an_occasion_that_lacks_a_load_is_named(folder: Path) -> None:
    assert "only some of its loads" not in said(run(folder))
    without(folder, "CS1,6,", ",800,")
    expected = "CS1 was read at only some of its loads on 2026-03-07 (not at 800 kPa)"
    assert expected in said(run(folder))
    today = said(CliRunner().invoke(cli, ["today", str(folder)]))
    assert expected in today
    without(folder, "CS1,3,", ",200,")
    assert "2026-03-04 (not at 200 kPa) and 2026-03-07 (not at 800 kPa)" in said(run(folder))


def test_a_study_without_a_standard_and_options_of_tables_are_refused(folder: Path) -> None:
    (folder / "sensors.csv").write_text("sensor,role\nCS1,worn\nP01,worn\n", encoding="utf-8")
    none = run(folder)
    assert none.exit_code == 1
    assert "no sensor of the study has the role check standard" in said(none)
    assert "--value and --occasion belong to a table of its own" in said(run(TODAY, "--value", "x", "--occasion", "y"))
    table = ROOT / "tests" / "published" / "nist-cusum-6323.csv"
    assert "--occasion COL is missing" in said(run(table, "--value", "mean"))


def test_a_selection_without_rows_names_the_values_there_are(tmp_path: Path) -> None:
    rows = "".join(f"CS{k},{d},{500 + (7 * d + 3 * k) % 5}\n" for d in range(1, 13) for k in (1, 2))
    (tmp_path / "c.csv").write_text("sensor,day,reading\n" + rows, encoding="utf-8")
    found = run(tmp_path / "c.csv", "--occasion", "day", "--where", "sensor=CS9")
    assert found.exit_code == 1
    assert "1 error" in said(found)
    assert ("--where picks no row: 'sensor' is never that (found 'CS9'); expected one of CS1, CS2. Did you mean "
            "'CS") in said(found)
    both = said(run(tmp_path / "c.csv", "--occasion", "day", "--where", "sensor=CS1", "--where", "day=99"))
    assert "'day' is never that (found '99'); expected one of 1, 2, 3," in both
    assert "'sensor' is never that (found 'CS3'); expected one of CS1, CS2" in said(run(TODAY, "--where", "sensor=CS3"))


def table(folder: Path, moments: list[str]) -> Path:
    rows = "".join(f"CS1,{m},{500 + (7 * i) % 5}\nCS2,{m},{400 + (7 * i) % 5}\n" for i, m in enumerate(moments))
    (folder / "c.csv").write_text("sensor,time,reading\n" + rows, encoding="utf-8")
    return folder / "c.csv"


def test_the_report_of_a_chart_says_what_was_used_and_how(tmp_path: Path) -> None:
    file = table(tmp_path, [f"2026-03-{d:02d}T08:00" for d in range(1, 25)])
    done = run(file, "--occasion", "time", "--where", "sensor=CS1", "--out", tmp_path / "out")
    assert done.exit_code == 0, done.output
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "Every row read was used" not in page
    assert "rows of trials" not in page
    assert "seed None" not in page
    assert "Used were 24 of 48 rows of c.csv" in page
    assert "T08:00" not in page.split("<h2 id=\"handbook\"")[0]
    with (tmp_path / "out" / "excluded.csv").open(encoding="utf-8") as lines:
        out = list(csv.DictReader(lines))
    assert len(out) == 24
    assert {r["reason"] for r in out} == {"not of those where sensor is CS1"}
    assert "The rig was watched by control charts of a check standard" in page
    assert "(weight 0.2; Lucas and Saccucci 1990)" in page


def test_the_methods_name_what_was_given(tmp_path: Path) -> None:
    from drift.study import study_from_dict

    file = table(tmp_path, [f"2026-03-{d:02d}" for d in range(1, 25)])
    study = study_from_dict({"study": {"title": "t"}, "columns": {"trials": {"reading": "reading"}}}, folder=tmp_path)
    options = {**OPTIONS, "occasion": "time", "standard": "sensor", "within_sd": None, "within_df": None, "true": None}
    for more, words in (({}, "of which those after the fifth"), ({"baseline": 20}, "the 20 occasions declared good"),
                        ({"centre": 450.0, "sd": 2.0}, "a known centre and SD"),
                        ({"ewma": (0.3, 3.0)}, "weight 0.3")):
        part = chart_of_table(file, study, {**options, **more}, level=0.95).parts[0]
        assert words in chart_paragraph(part), words


@pytest.mark.parametrize(("moments", "shown"), [
    (["2026-03-01T08:00:00", "2026-03-02T08:00:00"], ["2026-03-01", "2026-03-02"]),
    (["2026-03-01T08:00", "2026-03-01T09:30"], ["2026-03-01 08:00", "2026-03-01 09:30"]),
    (["2026-03-01T08:00:10", "2026-03-01T08:00:20"], ["2026-03-01T08:00:10", "2026-03-01T08:00:20"]),
    (["visit 1", "2026-03-01T08:00:20"], ["visit 1", "2026-03-01T08:00:20"])])
def test_moments_are_shown_as_days_where_these_tell_them_apart(moments: list[str], shown: list[str]) -> None:
    assert day_labels(np.array(moments, dtype=object)).tolist() == shown


def test_moments_of_one_day_are_said_to_be_occasions_of_their_own(tmp_path: Path) -> None:
    file = table(tmp_path, [f"2026-03-{d:02d}T{h}:00" for d in range(1, 9) for h in ("08", "09")])
    assert "16 occasions lie on 8 days" in said(run(file, "--occasion", "time", "--where", "sensor=CS1"))


def test_rows_marked_as_excluded_do_not_enter_a_calibration_line_and_short_days_are_named(tmp_path: Path) -> None:
    rows = [f"{d},{x},{0.1 + x + 0.01 * ((7 * d + 3 * x) % 5):.4f}," for d in range(1, 10) for x in (1, 5, 9)]
    rows[-1] = "9,9,99,yes"
    (tmp_path / "c.csv").write_text("day,true,reading,exclude\n" + "\n".join(rows) + "\n", encoding="utf-8")
    found = said(run(tmp_path / "c.csv", "--occasion", "day", "--true", "true"))
    assert found.startswith("The calibration line holds")
    assert "fewer than the usual 3 standards were read on 9" in found
    assert re.search(r"chart of c.csv c.csv 27 26 0 0 1", found)
