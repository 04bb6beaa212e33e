"""A check standard whose newest reading cannot be used says nothing of the rig today: no sensor is called fit on it."""

from __future__ import annotations

from pathlib import Path

import pytest

from drift.workflow_today import today_of_study
from tests.today.levels import LEVELS, write

Rows = tuple[str, ...]


def at_ceiling(*standards: str, use: int = 25, replicate: str = "1") -> Rows:
    return tuple(f"{s},{use},{replicate},1023,{p}" for s in standards for p in LEVELS)


def good(*standards: str, use: int = 25, replicate: str = "1") -> Rows:
    return tuple(f"{s},{use},{replicate},{p + 3},{p}" for s in standards for p in LEVELS)


CEILING = "cannot be used (every reading of this mounting is at the ceiling"


@pytest.mark.parametrize(("rows", "standards", "words"), [
    (at_ceiling("CS1", "CS2"), 2, f"the newest reading of check standards CS1 and CS2 (use 25) {CEILING}"),
    (at_ceiling("CS1"), 2, f"the newest reading of check standard CS1 (use 25) {CEILING}"),
    (at_ceiling("CS1"), 1, f"the newest reading of check standard CS1 (use 25) {CEILING}"),
    ((*at_ceiling("CS1"), *good("CS2")), 2, "the newest reading of check standard CS1 (use 25)"),
    (("CS1,25,1,603,600",), 2, "(use 25) cannot be used (only one level in this mounting"),
    (("CS1,25,1,203,200", *(f"CS1,25,1,1023,{p}" for p in LEVELS[1:])), 2, "(fewer than two levels of this mounting"),
    (at_ceiling("CS1", use=24, replicate="2"), 2, "the newest reading of check standard CS1 (use 24)"),
    ((*at_ceiling("CS1", use=25), *at_ceiling("CS1", use=26)), 2, "the newest reading of check standard CS1 (use 26)"),
])
def test_the_newest_reading_of_a_standard_that_cannot_be_used_stops_use(tmp_path: Path, rows: Rows, standards: int,
                                                                       words: str) -> None:
    path = write(tmp_path, rows, standards=standards)
    one, whole = today_of_study(path, "P01"), today_of_study(path, None)
    assert one.answer.startswith("Check P01 again before use: the newest reading of check standard")
    assert words in one.answer
    assert "whether the rig is fit is not known; by the readings that can be used it was last in control (use 2" in (
        one.answer)
    assert "8 to be checked again" in whole.answer
    for found in (one, whole):
        assert "standard-not-used" in [f.code for f in found.findings]
        assert "latest occasion" not in str(found.to_dict())
        assert "rig is in control" not in str(found.to_dict())
    reasons = one.parts[0].table("reasons")
    assert dict(zip(reasons["reason"], reasons["means"], strict=True))["rig"] == "check again"


@pytest.mark.parametrize("rows", [
    (*at_ceiling("CS1", "CS2"), *good("CS1", "CS2", use=26)),
    (*at_ceiling("CS1", "CS2"), *good("CS1", "CS2", replicate="2")),
    at_ceiling("CS1", use=24, replicate="0") + good("CS1", use=24, replicate="2"),
])
def test_a_standard_read_anew_at_all_its_levels_lifts_it(tmp_path: Path, rows: Rows) -> None:
    found = today_of_study(write(tmp_path, rows, standards=2), "P01")
    assert found.answer.startswith("Use P01")
    assert "The rig is in control at its latest occasion" in found.answer
    assert "standard-not-used" not in [f.code for f in found.findings]


def test_the_later_of_two_readings_of_one_use_is_told_by_time_and_not_by_its_place(tmp_path: Path) -> None:
    late = [f"CS1,24,2,1023,{p},2026-03-02T15:00" for p in LEVELS]
    early = [f"CS1,24,2,1023,{p},2026-03-02T08:00" for p in LEVELS]
    for rows, word in ((late, "Check P01 again"), (early, "Use P01")):
        path = write(tmp_path, standards=1)
        file = tmp_path / "checks.csv"
        head, *lines = file.read_text(encoding="utf-8").splitlines()
        timed = [f"{x},2026-03-02T10:00" if x.startswith("CS1,24,") else f"{x},2026-02-01" for x in lines]
        place = next(i for i, x in enumerate(timed) if x.startswith("CS1,24,"))
        file.write_text("\n".join([f"{head},time", *timed[:place], *rows, *timed[place:]]) + "\n", encoding="utf-8")
        assert today_of_study(path, "P01").answer.startswith(word)


def test_an_excluded_reading_is_no_reading(tmp_path: Path) -> None:
    path = write(tmp_path, standards=2)
    file = tmp_path / "checks.csv"
    head, *lines = file.read_text(encoding="utf-8").splitlines()
    bad = [f"{x},yes,knocked over" for x in at_ceiling("CS1", "CS2")]
    file.write_text("\n".join([f"{head},exclude,exclude_reason", *(f"{x},," for x in lines), *bad]) + "\n",
                    encoding="utf-8")
    assert today_of_study(path, "P01").answer.startswith("Use P01")


def test_standards_that_were_never_readable_are_not_taken_for_none(tmp_path: Path) -> None:
    rows = at_ceiling("CS1", use=0)
    path = write(tmp_path, rows)
    with (tmp_path / "sensors.csv").open("a", encoding="utf-8") as f:
        f.write("CS1,,check standard\n")
    found = today_of_study(path, "P01")
    assert found.answer.startswith("Check P01 again before use: the newest reading of check standard CS1 (use 0)")
    assert "last in control" not in found.answer


def test_a_rig_that_is_out_of_control_stays_so(tmp_path: Path) -> None:
    rows = (*(f"{s},25,1,{1.2 * p + 3:.1f},{p}" for s in ("CS1", "CS2") for p in LEVELS), *at_ceiling("CS3", use=0))
    path = write(tmp_path, rows, standards=2)
    with (tmp_path / "sensors.csv").open("a", encoding="utf-8") as f:
        f.write("CS3,,check standard\n")
    found = today_of_study(path, "P01")
    assert found.answer.startswith("Check P01 again before use: the rig is out of control at use 25")
    assert "the newest reading of check standard CS3 (use 0) cannot be used" in found.answer


def test_a_standard_that_changed_and_then_could_not_be_read_gives_no_leave_to_use_the_rig(tmp_path: Path) -> None:
    moved = tuple(f"CS1,25,1,{1.2 * p + 3:.1f},{p}" for p in LEVELS) + good("CS2")
    alone = today_of_study(write(tmp_path, moved, standards=2), "P01")
    assert alone.answer.startswith("Use P01")
    found = today_of_study(write(tmp_path, (*moved, *at_ceiling("CS1", use=26)), standards=2), "P01")
    assert found.answer.startswith("Check P01 again before use: the newest reading of check standard CS1 (use 26)")
    assert not any("may be used on the other" in f.mend for f in found.findings)
