"""Codes for people: stable, the same in every table and finding, and no name left."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from drift.ingest import person_codes, pseudonymise, pseudonymise_findings, pseudonymise_where, select_where
from tests.ingest.helpers import read

TABLE = ("Person,session,operator,reading,exclude,exclude_reason\n"
         "Anna Berg,1,Cy,1.5,,\nAnna Berg,2,Cy,2.5,yes,Anna Berg stumbled and Cy stopped\n"
         "17,1,Cy,3.5,,\n17,2,Dee,4.5,,\n")
TOML = '[columns.trials]\nparticipant = "Person"\n'
CHECKS = "sensor,use,reading,reference,operator\nS1,0,100,200,Cy\nS1,1,99,200,Dee\n"
NAMES = ("Anna", "Berg", "Cy", "Dee")


def test_codes_are_the_same_in_every_table_run_and_row_order(tmp_path: Path) -> None:
    tables = read(tmp_path, trials=TABLE, checks=CHECKS, toml=TOML).tables
    lines = TABLE.splitlines()
    other = read(tmp_path, trials="\n".join([lines[0], *lines[:0:-1]]), checks=CHECKS, toml=TOML).tables
    assert person_codes(tables, title="T") == person_codes(other, title="T")
    assert person_codes(tables, title="T") != person_codes(tables, title="U")
    made = pseudonymise(tables, title="T")
    assert made.checks is not None
    assert made.trials is not None
    assert tables.trials is not None
    assert made.checks["operator"][0] == made.trials["operator"][0]
    assert len(set(made.trials["participant"])) == 2
    assert not any(n in str(made.trials.to_frame().to_dict()) + str(made) for n in NAMES)
    assert tables.trials["participant"][0] == "Anna Berg"


def test_a_selection_by_name_picks_the_same_rows(tmp_path: Path) -> None:
    tables = read(tmp_path, trials=TABLE, toml=TOML).tables
    codes = person_codes(tables, title="T")
    made = pseudonymise(tables, codes=codes)
    assert tables.trials is not None
    assert made.trials is not None
    where = {"participant": ["Anna Berg"], "operator": "Cy"}
    np.testing.assert_array_equal(select_where(tables.trials, where),
                                  select_where(made.trials, pseudonymise_where(where, codes)))


def test_findings_about_a_table_that_is_refused_name_nobody(tmp_path: Path) -> None:
    broken = (TABLE.replace("3.5", "x3").replace("17,2", "17 ,2")
              + "anna berg,3,Cy,5.5,,\nAnna Berg,4,Cy\n17,1,Cy,9.5,,\n")
    reading = read(tmp_path, trials=broken, toml=TOML, study='duplicates = "refuse"')
    assert reading.tables.trials is None
    codes = person_codes(reading.tables, title="T")
    told = " ".join(str(f) for f in pseudonymise_findings(reading.findings, codes))
    assert not any(n.casefold() in told.casefold() for n in NAMES), told
    assert "17" not in told
