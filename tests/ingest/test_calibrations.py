"""The calibrations table at the door."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drift.errors import DriftError
from tests.ingest.helpers import errors, only, read

HEAD = "sensor,calibration,use,slope (count/kPa),intercept,slope_se,intercept_se,correlation,from,to\n"
TRIALS = "participant,sensor,replicate,reading\nA,S1,1,210\nA,S1,2,215\nB,S2,1,190\nB,S2,2,195\n"
UNITS = '[units.trials]\nreading = "count"\n'
GOOD = "S1,bench,0,0.9,14,0.004,1,-0.6,20,600\n"


def table(folder: Path, rows: str, head: str = HEAD, toml: str = UNITS):
    return read(folder, toml=toml, trials=TRIALS, calibrations=head + rows)


def test_slopes_and_ranges_end_up_per_kpa(tmp_path: Path) -> None:
    head = "sensor,calibration,slope (count/psi),from (psi),to (psi)\n"
    found = table(tmp_path, "S1,bench,6.894757,10,100\n", head).tables.calibrations
    assert found is not None
    assert found["slope"][0] == pytest.approx(1.0, rel=1e-6)
    assert found["to"][0] == pytest.approx(689.4757, rel=1e-6)
    assert found.units["reading"] == "count"
    assert np.all(found["intercept"] == 0)


@pytest.mark.parametrize(("row", "code"), [
    ("S1,bench,0,0,14,,,,,\n", "impossible-value"), ("S1,bench,0,-0.9,14,,,,,\n", "impossible-value"),
    ("S1,bench,0,,14,,,,,\n", "empty-cell"), (",bench,0,0.9,14,,,,,\n", "empty-cell"),
    ("S1,,0,0.9,14,,,,,\n", "empty-cell"), ("S1,bench,0,0.9,,,,,,\n", "empty-cell"),
    ("S1,bench,0,0.9,14,-1,,,,\n", "impossible-value"), ("S1,bench,0,0.9,14,,,-1.5,,\n", "impossible-value"),
    ("S1,bench,0,0.9,14,,,,600,20\n", "impossible-value"), (GOOD + GOOD, "duplicated-key"),
    ("S1,bench,0,steep,14,,,,,\n", "not-a-number")])
def test_what_cannot_be_meant_is_refused_where_it_stands(row: str, code: str, tmp_path: Path) -> None:
    found = errors(table(tmp_path, row))
    assert [f.code for f in found] == [code]
    assert found[0].file == "calibrations.csv"
    assert found[0].row in (2, 3)


def test_calibrations_of_one_name_at_two_uses_are_no_duplicates(tmp_path: Path) -> None:
    assert not errors(table(tmp_path, GOOD + GOOD.replace("bench,0", "bench,20")))


def test_slopes_the_other_way_round_are_refused(tmp_path: Path) -> None:
    found = only(errors(table(tmp_path, "S1,bench,0.9\n", "sensor,calibration,slope\n",
                              UNITS + '[units.calibrations]\nslope = "kPa/count"\n')), "unknown-unit")
    assert "inverse" in found.mend


def test_a_slope_without_unit_is_taken_per_kpa_and_said_so(tmp_path: Path) -> None:
    reading = table(tmp_path, "S1,bench,0.9\n", "sensor,calibration,slope\n")
    assert only(reading.findings, "unknown-unit").severity == "warning"
    assert only(reading.findings, "intercept-assumed-zero").severity == "note"


ASK = UNITS + ('[[agreement]]\nname = "q"\ncompare = "calibration"\na = "gait"\nb = "bench"\n'
               'recalculate = { readings = "raw" }\n')


def test_unknown_calibrations_and_sensors_without_one_are_said_before_anything_runs(tmp_path: Path) -> None:
    found = errors(table(tmp_path, GOOD + GOOD.replace("bench", "gate"), toml=ASK))
    assert [f.code for f in found] == ["unknown-value"]
    assert "'gate'" in found[0].mend
    reading = table(tmp_path, GOOD + GOOD.replace("bench", "gait"), toml=ASK)
    lacking = [f for f in reading.findings if f.code == "no-calibration"]
    assert [f.value for f in lacking] == ["gait", "bench"]
    assert all("S2" in f.message for f in lacking)


def test_a_question_without_its_table_is_refused(tmp_path: Path) -> None:
    from drift.study import read_study
    from tests.ingest.helpers import write

    with pytest.raises(DriftError, match="calibrations table"):
        read_study(write(tmp_path, toml=ASK, trials=TRIALS))
