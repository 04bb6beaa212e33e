"""Dates: ISO text and real dates are read; day and month are never guessed."""

from __future__ import annotations

from pathlib import Path

import pytest

from drift.ingest.dates import to_times
from drift.ingest.raw import encode
from tests.ingest.helpers import CHECKS, errors, only, place, read


@pytest.mark.parametrize(("cell", "order", "iso"), [
    ("2026-03-09", None, "2026-03-09"), ("2026-03-09T14:30", None, "2026-03-09T14:30:00"),
    ("2026-03-09 14:30:05", None, "2026-03-09T14:30:05"), ("2026-03-09 9:30", None, "2026-03-09T09:30:00"),
    ("2026-03-09T14:30Z", None, "2026-03-09T14:30:00+00:00"), ("09.03.2026", "day first", "2026-03-09"),
    ("9/3/2026 14:30", "day first", "2026-03-09T14:30:00"), ("03/09/2026", "month first", "2026-03-09"),
    ("2026-03-09", "day first", "2026-03-09"), ("46090", "serial", "2026-03-09"),
    ("46090.5", "serial", "2026-03-09T12:00:00")])
def test_dates_are_read(cell: str, order: str | None, iso: str) -> None:
    assert to_times(encode([cell]), order=order).text.tolist() == [iso]


@pytest.mark.parametrize(("cell", "order", "problem"), [
    ("09/03/2026", None, "order"), ("13/03/2026", None, "order"), ("09.03.26", "day first", "not a date"),
    ("2026-02-30", None, "impossible"), ("31.02.2026", "day first", "impossible"),
    ("13/13/2026", "day first", "impossible"),
    ("46090", None, "serial"), ("March 9", None, "not a date"), ("0026-03-09", None, "impossible"),
    ("2026-03-09T25:00", None, "impossible"), ("", None, "empty")])
def test_dates_that_could_be_misread_are_refused(cell: str, order: str | None, problem: str) -> None:
    times = to_times(encode([cell]), order=order)
    assert times.text.tolist() == [None]
    assert times.problem.tolist() == [problem]


def test_a_date_without_a_declared_order_names_the_setting(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, checks=CHECKS.replace("2026-02-01T08:05", "01/02/2026"))), "ambiguous-date")
    assert place(f) == ("checks.csv", 5, "time", "01/02/2026")
    assert 'dates = "day first" in [format.checks]' in f.mend


def test_times_with_and_without_zone_cannot_be_ordered(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, checks=CHECKS.replace("2026-02-01T08:05", "2026-02-01T08:05Z"))), "mixed-time-zones")
    assert f.severity == "error"
