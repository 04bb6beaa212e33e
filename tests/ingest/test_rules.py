"""What each column may hold, and what rows say about each other: each fault is one finding with its place."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drift.ingest import account_rows, excluded_rows
from tests.ingest.helpers import CHECKS, SENSORS, TRIALS, errors, only, place, read

LIMIT = '[sensitivity]\nfull_scale = 1023\n[limits]\nsaturation_pressure = "1600 kPa"\n'


def with_column(table: str, name: str, cells: list[str]) -> str:
    """Add a column at the end; cells that are not given are empty."""
    lines = table.splitlines()
    cells = [*cells, *[""] * (len(lines) - 1 - len(cells))]
    return "\n".join([f"{lines[0]},{name}", *(f"{a},{b}" for a, b in zip(lines[1:], cells, strict=True))]) + "\n"


# name: (tables, toml, code, severity, (file, row, column, value), words of the mend)
FAULTS: dict[str, tuple[dict[str, str], str, str, str, tuple[str, int | None, str | None, str | None], str]] = {
    "a use count below zero": ({"checks": CHECKS.replace("S2,0,1,2", "S2,-1,1,2")}, "", "impossible-value", "error",
                               ("checks.csv", 7, "use", "-1"), "Correct"),
    "half a use": ({"checks": CHECKS.replace("S2,0,1,2", "S2,0.5,1,2")}, "", "not-whole", "error",
                   ("checks.csv", 7, "use", "0.5"), "Correct"),
    "a reference below zero": ({"checks": CHECKS.replace("2,400,401", "2,-400,401")}, "", "impossible-value", "error",
                               ("checks.csv", 7, "reference", "-400"), "sign"),
    "a raw reading below zero": ({"checks": CHECKS.replace("400,401", "400,-401")}, "", "impossible-value", "error",
                                 ("checks.csv", 7, "reading", "-401"), "declare another unit"),
    "a pressure below zero": ({"trials": TRIALS.replace("192.75", "-192.75")}, "", "negative-reading", "warning",
                              ("trials.csv", 7, "reading", "-192.75"), "zeroed"),
    "a fraction above one": ({"checks": with_column(CHECKS, "saturated", ["1.4"])}, "", "impossible-value", "error",
                             ("checks.csv", 2, "saturated", "1.4"), "Percentages need the unit"),
    "a fraction below zero": ({"checks": with_column(CHECKS, "dead", ["-0.1"])}, "", "impossible-value", "error",
                              ("checks.csv", 2, "dead", "-0.1"), "Correct"),
    "an SD below zero": ({"trials": with_column(with_column(TRIALS, "reading_n", ["3"]), "reading_sd", ["-1"])}, "",
                         "impossible-value", "error", ("trials.csv", 2, "reading_sd", "-1"), "Correct"),
    "an SD of no readings": ({"trials": with_column(with_column(TRIALS, "reading_n", []), "reading_sd", ["1"])}, "",
                             "empty-cell", "error", ("trials.csv", 2, "reading_n", ""), "reading_n"),
    "a direction that is none": ({"checks": with_column(CHECKS, "direction", ["sideways"])}, "", "unknown-choice",
                                 "error", ("checks.csv", 2, "direction", "sideways"), "up or down"),
    "neither yes nor no": ({"checks": with_column(CHECKS, "exclude", ["maybe"])}, "", "not-yes-or-no", "error",
                           ("checks.csv", 2, "exclude", "maybe"), "yes or no"),
    "no sensor": ({"checks": CHECKS.replace("S2,0,1,2", ",0,1,2")}, "", "empty-cell", "error",
                  ("checks.csv", 7, "sensor", ""), "exclude = yes"),
    "no reading": ({"trials": TRIALS.replace("192.75", "")}, "", "empty-cell", "error",
                   ("trials.csv", 7, "reading", ""), "exclude = yes"),
    "a number with its unit": ({"checks": CHECKS.replace("2,400,401", "2,58 psi,401")}, "", "unit-in-cell", "error",
                               ("checks.csv", 7, "reference", "58 psi"), "[units.checks]"),
    "uses that run backwards": ({"checks": CHECKS.replace("S2,0,1,2", "S2,3,1,2").replace("02T08:05", "01T07:00")},
                                "", "backwards", "error", ("checks.csv", 6, "use", "0"), "time"),
    "a sensor nobody lists": ({"checks": CHECKS.replace("S2,0,1,2", "S02,0,1,2"), "sensors": SENSORS}, "",
                              "unknown-sensor", "error", ("checks.csv", 7, "sensor", "S02"), "'S2'"),
    "a sensor twice in its table": ({"checks": CHECKS, "sensors": SENSORS + "S1,plain,B1,1023,\n"}, "",
                                    "duplicated-key", "error", ("sensors.csv", 4, "sensor", "S1"), "Keep one"),
    "an event of no kind": ({"checks": CHECKS, "sensors": SENSORS, "events": "sensor,use,event\nS1,5,recalibratd\n"},
                            "", "unknown-choice", "error", ("events.csv", 2, "event", "recalibratd"),
                            "'recalibrated'"),
    "an event of a sensor nobody knows": ({"checks": CHECKS, "events": "sensor,use,event\nS9,5,lost\n"}, "",
                                          "unknown-sensor", "warning", ("events.csv", 2, "sensor", "S9"), "Correct"),
    "two tales of a retirement": ({"checks": CHECKS, "sensors": SENSORS,
                                   "events": "sensor,use,event\nS2,9,retired\n"}, "", "event-conflict", "error",
                                  ("events.csv", 2, "use", "9"), "Correct"),
    "a check after retirement": ({"checks": CHECKS.replace("S2,0,1,2", "S2,12,1,2"), "sensors": SENSORS}, "",
                                 "after-retirement", "warning", ("checks.csv", 7, "use", "12"), "retired_at_use"),
    "two constructions of one sensor": ({"checks": with_column(CHECKS, "construction", ["plain", "laminated"]),
                                         "sensors": SENSORS}, "", "sensor-conflict", "error",
                                        ("checks.csv", 3, "construction", "laminated"), "one of each"),
    "a reading above full scale": ({"checks": CHECKS.replace("400,401", "400,1024")}, LIMIT, "above-full-scale",
                                   "warning", ("checks.csv", 7, "reading", "1024"), "full_scale"),
    "a reading at full scale": ({"checks": CHECKS.replace("400,401", "400,1023")}, LIMIT, "saturated-readings",
                                "note", ("checks.csv", 7, "reading", None), ""),
    "no full scale of a sensor": ({"checks": CHECKS.replace("S2,0,1,2,400", "S1,0,1,3,400"),
                                   "sensors": SENSORS.replace("B2,1023", "B2,")},
                                  LIMIT.replace("1023", '"full_scale"'), "no-full-scale", "error",
                                  ("checks.csv", 6, "sensor", "S2"), "full_scale"),
    "a saturation limit on forces": ({"checks": CHECKS}, LIMIT + '[units.checks]\nreading = "count"\nreference = "N"\n',
                                     "not-a-pressure", "error", ("checks.csv", 1, "reference", "N"), "area"),
    "a limit on a column that is not there": ({"checks": CHECKS}, "[limits]\ndead_fraction = 0.02\n",
                                              "limit-without-column", "warning", ("checks.csv", None, "dead", None),
                                              "Add the column"),
    "a covariate not filled in": ({"checks": CHECKS, "sensors": SENSORS.replace("laminated", "")},
                                  '[sensitivity]\ncovariates = ["construction"]\n', "empty-cell", "warning",
                                  ("checks.csv", 6, "construction", None), "sensors table"),
    "a header in another unit": ({"checks": CHECKS.replace("reference", "Reference (psi)")}, "", "unit-conflict",
                                 "error", ("checks.csv", 1, "Reference (psi)", "psi"), "whichever is wrong"),
    "a header in a unit nobody knows": ({"checks": CHECKS.replace("reference", "Reference (kPaa)")}, "",
                                        "unknown-unit", "error", ("checks.csv", 1, "Reference (kPaa)", "kPaa"),
                                        "'kPa'"),
    "a column of mixed units": ({"checks": with_column(CHECKS, "reference_unit", ["kPa", "psi", "kPa"])}, "",
                                "mixed-units", "error", ("checks.csv", 3, "reference_unit", "psi"), "Convert"),
    "a column of another unit": ({"checks": with_column(CHECKS, "reference_unit", ["psi", "psi"])}, "",
                                 "unit-conflict", "error", ("checks.csv", 1, "reference_unit", "psi"), "whichever"),
    "a measure without a unit": ({"trials": TRIALS.replace("peak,1,192.75", "pek,1,192.75")},
                                 '[units.trials]\nreading = { peak = "kPa" }\n', "unknown-unit", "error",
                                 ("trials.csv", 7, "measure", "pek"), "'peak'"),
    "a measure in another unit": ({"trials": with_column(TRIALS, "unit", ["kPa", "psi"])},
                                  '[units.trials]\nreading = { peak = "kPa" }\n', "unit-conflict", "error",
                                  ("trials.csv", 3, "unit", "psi"), "Convert"),
    "two spellings of one label": ({"trials": TRIALS.replace("B,2,S1,bench", "B,2,S1,Bench")}, "", "near-label",
                                   "warning", ("trials.csv", 7, "method", "Bench"), "alike"),
    "a number written two ways": ({"trials": TRIALS.replace("B,2,S1", "B,2.0,S1")}, "", "near-label", "warning",
                                  ("trials.csv", 7, "session", "2.0"), "alike"),
    "a unit that is not declared": ({"trials": TRIALS}, '[units.checks]\nreading = "count"\n', "unknown-unit",
                                    "warning", ("trials.csv", None, "reading", None), "[units.trials]"),
    "an exposure in two units": ({"checks": CHECKS.replace("use,", "Hours (min),", 1)},
                                 '[sensitivity]\nexposure = "hours"\nexposure_unit = "h"\n', "unit-conflict", "error",
                                 ("checks.csv", 1, "Hours (min)", "min"), "whichever"),
    "an exposure that is not there": ({"checks": CHECKS}, '[sensitivity]\nexposure = "hours"\n', "missing-column",
                                      "error", ("checks.csv", 1, "hours", None), "[columns.checks]"),
    "a header in the middle": ({"checks": CHECKS + CHECKS.splitlines()[0] + "\n"}, "", "repeated-header", "error",
                               ("checks.csv", 8, None, None), "Delete"),
    "a note below the table": ({"checks": CHECKS + "\nmeasured by Jo\n"}, "", "ragged-row", "error",
                               ("checks.csv", 9, None, "measured by Jo"), "missing cells"),
    "all rows excluded": ({"trials": with_column(TRIALS, "exclude", ["yes"] * 6)}, "", "no-rows", "error",
                          ("trials.csv", None, None, None), "Leave some rows"),
}


@pytest.mark.parametrize("name", FAULTS)
def test_each_fault_is_one_finding_with_its_place_and_its_mend(name: str, tmp_path: Path) -> None:
    tables, toml, code, severity, where, words = FAULTS[name]
    reading = read(tmp_path, toml=toml, **tables)
    f = only(reading.findings, code)
    assert (f.severity, place(f)) == (severity, where)
    assert words in f.mend
    assert [g.code for g in errors(reading)] == ([code] if severity == "error" else [])


@pytest.mark.parametrize(("cell", "meaning"), [
    ("yes", 1), ("Y", 1), ("TRUE", 1), ("x", 1), ("1", 1), ("1.0", 1), ("WAHR", 1), ("", 0), ("no", 0), ("False", 0),
    ("0", 0), ("0.0", 0), ("nein", 0)])
def test_spellings_of_exclude(cell: str, meaning: int, tmp_path: Path) -> None:
    trials = read(tmp_path, trials=with_column(TRIALS, "exclude", [cell])).tables.trials
    assert trials is not None
    assert trials["exclude"].tolist() == [meaning, 0, 0, 0, 0, 0]


def test_impossible_values_in_excluded_rows_are_left_alone(tmp_path: Path) -> None:
    table = with_column(CHECKS.replace("S2,0,1,2,400,401", "S2,0,1,2,-400,"), "exclude", [""] * 5 + ["yes"])
    reading = read(tmp_path, checks=table)
    assert errors(reading) == []
    assert "rows 7" in only(reading.findings, "no-reason").message


def test_loads_are_converted_once_and_readings_are_not(tmp_path: Path) -> None:
    units = '[units.checks]\nreading = "count"\nreference = "psi"\n'
    checks = read(tmp_path, checks=CHECKS, toml=units).tables.checks
    assert checks is not None
    # Exact pound-force and inch: NIST SP 811 (2008), appendix B.8: 1 psi = 6.894757 kPa.
    assert checks["reference"][0] / 200 == pytest.approx(6.894757, abs=5e-7)
    assert checks["reading"][0] == 201
    assert dict(checks.units) == {"reading": "count", "reference": "kPa"}
    headers = read(tmp_path, checks=CHECKS.replace("reference", "Reference [psi]"),
                   toml='[units.checks]\nreading = "count"\n').tables.checks
    assert headers is not None
    assert headers["reference"].tolist() == checks["reference"].tolist()


def test_units_go_by_measure(tmp_path: Path) -> None:
    toml = '[units.trials]\nreading = { peak = "psi", force = "newton" }\n'
    trials = read(tmp_path, trials=TRIALS.replace("B,2,S1,bench,heel,peak", "B,2,S1,bench,heel,force"),
                  toml=toml).tables.trials
    assert trials is not None
    assert dict(trials.units) == {"reading[peak]": "psi", "reading[force]": "N"}


def test_an_empty_events_table_is_an_ordinary_state(tmp_path: Path) -> None:
    assert errors(read(tmp_path, checks=CHECKS, events="sensor,use,event\n")) == []


# --- keys and duplicates ----------------------------------------------------------------------------------------

TWICE = CHECKS + CHECKS.splitlines()[1] + "\n"


def test_an_exact_duplicate_is_refused_kept_or_dropped_as_declared(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, checks=TWICE)), "exact-duplicate")
    assert place(f) == ("checks.csv", 8, "reading", "201")
    assert "row 2" in f.message
    kept = read(tmp_path, checks=TWICE, study='duplicates = "keep"')
    assert errors(kept) == []
    f = only(kept.findings, "exact-duplicate")
    assert (f.severity, f.row) == ("warning", 8)
    assert "row 8" in f.message
    assert kept.tables.checks is not None
    assert not excluded_rows(kept.tables.checks).any()


def test_dropped_duplicates_are_counted_in_the_row_account(tmp_path: Path) -> None:
    checks = read(tmp_path, checks=TWICE, study='duplicates = "drop"').tables.checks
    assert checks is not None
    account, exclusions, used = account_rows("wear", "checks", checks, excluded=excluded_rows(checks))
    assert (account.read, account.used, account.excluded) == (7, 6, 1)
    assert used.tolist() == [True] * 6 + [False]
    assert [(e.row, e.kind, e.reason) for e in exclusions] == [(8, "excluded", "exact duplicate of row 2")]
    assert exclusions[0].key == "sensor=S1; use=0; replicate=1; level=1; reference=200"


def test_one_key_with_two_readings_is_an_error_that_names_both_rows(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, checks=CHECKS + "S1,0,1,1,200,205,2026-01-01T08:00\n")), "duplicated-key")
    assert place(f) == ("checks.csv", 8, "reading", "205")
    assert "row 2" in f.message


def test_without_a_replicate_column_the_mend_asks_for_one(tmp_path: Path) -> None:
    table = "sensor,use,reference,reading\nS1,0,200,201\nS1,0,200,205\nS1,0,400,400\n"
    assert "replicate column" in only(errors(read(tmp_path, checks=table)), "duplicated-key").mend


@pytest.mark.parametrize("role", ["target", "facet", "where", "by", "compare", "pair_by"])
def test_every_column_that_a_question_names_is_part_of_the_key(role: str, tmp_path: Path) -> None:
    table = "who,visit,rig,reading\na,1,x,1.5\na,1,y,2.5\na,2,x,3.5\n"
    apart = {"target": '[[reliability]]\nname = "q"\ntarget = "rig"\nfacet = "visit"\nby = ["who"]\n',
             "facet": '[[reliability]]\nname = "q"\ntarget = "who"\nfacet = "rig"\nby = ["visit"]\n',
             "where": '[[reliability]]\nname = "q"\ntarget = "who"\nfacet = "visit"\nwhere = { rig = "x" }\n',
             "by": '[[reliability]]\nname = "q"\ntarget = "who"\nfacet = "visit"\nby = ["rig"]\n',
             "compare": '[[agreement]]\nname = "q"\ncompare = "rig"\na = "x"\nb = "y"\npair_by = ["who", "visit"]\n',
             "pair_by": '[[agreement]]\nname = "q"\ncompare = "visit"\na = "1"\nb = "2"\npair_by = ["who", "rig"]\n'}
    reading = read(tmp_path, trials=table, toml=apart[role])
    assert [f.code for f in errors(reading)] == []
    fewer = '[[reliability]]\nname = "q"\ntarget = "who"\nfacet = "visit"\n'
    f = only(errors(read(tmp_path, trials=table, toml=fewer)), "duplicated-key")
    assert "'rig'" in f.mend or "column rig" in f.mend


def test_times_and_notes_are_never_keys(tmp_path: Path) -> None:
    table = with_column(TRIALS + "B,2,S1,bench,heel,peak,1,192.75\n", "time", [f"2026-01-{d:02d}" for d in range(1, 8)])
    assert only(errors(read(tmp_path, trials=table)), "exact-duplicate").row == 8


# --- row accounts -----------------------------------------------------------------------------------------------


def test_a_row_leaves_once_by_the_first_reason_and_the_sum_closes(tmp_path: Path) -> None:
    trials = read(tmp_path, trials=TRIALS).tables.trials
    assert trials is not None
    outside = np.array([True, True, False, False, False, False])
    excluded = np.array([True, False, True, False, False, False])
    unmatched = np.array([True, True, True, True, False, False])
    account, exclusions, used = account_rows("q", "trials", trials, outside=outside, excluded=excluded,
                                             unmatched=unmatched)
    assert (account.read, account.outside_where, account.excluded, account.unmatched, account.used) == (6, 2, 1, 1, 2)
    assert [e.row for e in exclusions] == [2, 3, 4, 5]
    assert used.sum() == account.used
    with pytest.raises(ValueError, match="the table has 6 rows"):
        account_rows("q", "trials", trials, outside=np.zeros(3, dtype=bool))


def test_a_standard_needs_no_label_of_a_group(tmp_path: Path) -> None:
    """Only worn sensors form groups."""
    sheet = "sensor,construction,role\nS1,plain,worn\nS2,plain,worn\nCS1,,check standard\n"
    rows = "CS1,0,1,200,200\nCS1,1,1,201,200\n"
    told = [[f for f in read(tmp_path, toml='[sensitivity]\ncovariates = ["construction"]\n', checks=CHECKS + rows,
                             sensors=text).findings if "a group of their own" in f.message]
            for text in (sheet, sheet.replace("check standard", "worn"))]
    assert [len(t) for t in told] == [0, 1]
