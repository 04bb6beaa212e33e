"""Uses counted from a session log or from dates, and written out for review."""

from __future__ import annotations

from pathlib import Path

import pytest

from drift.ingest import Reading
from tests.ingest.helpers import errors, only, place, read

CHECKS = ("sensor,reading,reference,time\n"
          "S1,100,200,2026-01-01T08:00\n"
          "S1,99,200,2026-01-04T08:00\n"
          "S1,98,200,2026-02-01T08:00\n"
          "S2,97,200,2026-02-01T08:00\n")
LOG = "sensor,time\nS1,2026-01-03T09:00\nS1,2026-01-05T10:00\nS1,2026-01-05T15:00\nS2,2026-01-06T10:00\n"
TRIALS = ("sensor,time,participant,session,reading\n"
          "S1,2026-01-03T09:00,A,1,5.5\n"
          "S1,2026-01-03T10:00,B,1,5.6\n"
          "S1,2026-01-07T10:00,A,2,6.5\n")


def counts(reading: Reading, table: str = "checks") -> list[float]:
    assert errors(reading) == []
    return [float(v) for v in getattr(reading.tables, table)["use"]]


def test_each_row_of_the_log_is_one_use(tmp_path: Path) -> None:
    reading = read(tmp_path, study='count_uses = "session log"', checks=CHECKS, session_log=LOG)
    assert counts(reading) == [0, 1, 3, 1]
    written = reading.use_counts
    assert written is not None
    frame = written.to_frame()
    assert frame["use"].tolist() == [0, 1, 3, 1]
    assert frame["row"].tolist() == [2, 3, 4, 5]
    assert set(frame["file"]) == {"checks.csv"}
    assert "session log" in written.caption


def test_each_day_with_trials_is_one_use_and_a_trial_sees_the_days_before_it(tmp_path: Path) -> None:
    reading = read(tmp_path, study='count_uses = "dates"', checks=CHECKS, trials=TRIALS)
    assert counts(reading) == [0, 1, 2, 0]
    assert counts(reading, "trials") == [0, 0, 1]


def test_bench_checks_are_uses_only_where_the_study_says_so(tmp_path: Path) -> None:
    reading = read(tmp_path, study='count_uses = "session log"\nchecks_are_uses = true', checks=CHECKS, session_log=LOG)
    assert counts(reading) == [0, 2, 5, 1]


def test_a_count_of_the_table_that_differs_is_an_error(tmp_path: Path) -> None:
    lines = CHECKS.splitlines()
    table = "\n".join([lines[0] + ",use", *(f"{a},{b}" for a, b in zip(lines[1:], (0, 1, 2, 1), strict=True))])
    f = only(errors(read(tmp_path, study='count_uses = "session log"', checks=table, session_log=LOG)), "use-conflict")
    assert place(f) == ("checks.csv", 4, "use", "2")
    assert "3 are counted" in f.message


@pytest.mark.parametrize(("log", "checks"), [
    (LOG.replace("2026-01-03T09:00", "2026-01-04"), CHECKS), (LOG.replace("01-03T09", "01-04T09"),
                                                              CHECKS.replace("2026-01-04T08:00", "2026-01-04"))])
def test_a_use_on_the_day_of_a_check_without_clock_times_is_a_warning_and_not_counted(log: str, checks: str,
                                                                                     tmp_path: Path) -> None:
    apart = checks.replace("S1,100,200", "S1,100,400")  # both rows fall before the first use that counts
    reading = read(tmp_path, study='count_uses = "session log"', checks=apart, session_log=log)
    assert counts(reading)[1] == 0
    f = only(reading.findings, "same-day")
    assert (f.severity, f.row) == ("warning", 3)


def test_a_use_entered_twice_in_the_log_is_found(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, study='count_uses = "session log"', checks=CHECKS,
                         session_log=LOG + "S1,2026-01-03T09:00\n")), "exact-duplicate")
    assert place(f) == ("session_log.csv", 6, "time", "2026-01-03T09:00")


def test_rows_without_a_time_cannot_be_counted(tmp_path: Path) -> None:
    table = CHECKS.replace("S2,97,200,2026-02-01T08:00", "S2,97,200,")
    f = only(errors(read(tmp_path, study='count_uses = "session log"', checks=table, session_log=LOG)), "not-counted")
    assert f.row == 5
    bare = "\n".join(line.rsplit(",", 1)[0] for line in CHECKS.splitlines())
    only(errors(read(tmp_path, study='count_uses = "dates"', checks=bare, trials=TRIALS)), "missing-column")


def test_counts_of_any_size_are_put_in_order_without_losing_a_digit(tmp_path: Path) -> None:
    """A huge count of one sensor neither overflows nor blurs the small counts of the others."""
    lines = ["sensor,use,reading,reference,time"]
    lines += [f"S{s:02d},{use},200,200,2026-01-{day:02d}" for s in range(30) for day, use in ((1, 0.25), (2, 0.5))]
    huge = "\n".join([*lines, "S30,1e308,200,200,2026-01-01", "S30,0.5,200,200,2026-01-02"]) + "\n"
    found = [f for f in read(tmp_path, checks=huge).findings if f.code == "backwards"]
    assert [(f.row, f.value) for f in found] == [(63, "0.5")]
