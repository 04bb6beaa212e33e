"""Locks: what enters the hash, what a change is, when it lies against the data, and files that survive."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.errors import DriftError
from drift.lock import LOCK_FILE, append_entry, check_lock, fixed_settings, lock_state, lock_study, read_entries
from drift.lock.dates import dated
from drift.lock.result import changed_findings
from drift.records import CheckTable, Tables, TrialTable
from drift.study import Study, read_study, study_from_dict

TOML = """\
[study]
title = "a study"
use_is = "one visit"
[files]
checks = "checks.csv"
trials = "trials.csv"
[sensitivity]
scale = "log"
[[reliability]]
name = "days"
target = "participant"
facet = "session"
where = { method = "bench" }
[[agreement]]
name = "two ways"
compare = "method"
a = "gait"
b = "bench"
pair_by = ["participant"]
target = "participant"
harmless = 25
[limits]
sensitivity_change = 0.25
[retirement]
"""
EARLY = datetime(2025, 1, 1, 8, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "study.toml").write_text(TOML, encoding="utf-8")
    return tmp_path


def table(kind: Any, *times: str | None) -> Any:
    return kind({"reading": np.ones(len(times)), "time": np.array([*times, None], dtype=object)[:-1]},
                np.arange(len(times)), "t.csv")


def tables(*times: str | None) -> Tables:
    return Tables(checks=table(CheckTable, *times), trials=table(TrialTable, *times))


def changed(folder: Path, old: str, new: str) -> Study:
    file = folder / "study.toml"
    file.write_text(file.read_text(encoding="utf-8").replace(old, new), encoding="utf-8")
    return read_study(folder)


def test_the_hash_is_that_of_the_settings_in_the_file(folder: Path) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    raw = tomllib.loads((folder / LOCK_FILE).read_text(encoding="utf-8"))["lock"][0]
    flat = {**raw["questions"], **raw["limits"], **raw["plan"]}
    text = json.dumps(flat, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    assert raw["sha256"] == hashlib.sha256(text.encode()).hexdigest()
    assert raw["limits"] == {"[[agreement]] two ways: harmless": 25, "[limits] sensitivity_change": 0.25,
                             "[retirement] confidence": 0.95, "[retirement] content": 0.9}


@pytest.mark.parametrize(("old", "new"), [
    ('title = "a study"', 'title = "a better title"'), ("harmless = 25", "harmless = 25.0   # kPa"),
    ("[retirement]", "[retirement]\ncontent = 0.90"), ('scale = "log"\n', ""), ("[limits]", "\n\n[limits]"),
    ("sensitivity_change = 0.25", 'sensitivity_change = "25 %"'), ('checks = "checks.csv"\n', 'checks = "c.csv"\n')])
def test_what_decides_nothing_changes_nothing(folder: Path, old: str, new: str) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    assert old in (folder / "study.toml").read_text(encoding="utf-8")
    found = check_lock(changed(folder, old, new), None)
    assert found.findings == ()
    assert found.answer.startswith("As locked")


def test_questions_may_stand_in_another_order(folder: Path) -> None:
    data = tomllib.loads(TOML)
    data["reliability"] *= 2
    data["reliability"] = [dict(q, name=n) for q, n in zip(data["reliability"], ("one", "two"), strict=True)]
    turned = dict(data, reliability=data["reliability"][::-1])
    assert fixed_settings(study_from_dict(data)) == fixed_settings(study_from_dict(turned))


@pytest.mark.parametrize(("old", "new", "key", "values"), [
    ("harmless = 25", "harmless = 30", "[[agreement]] two ways: harmless", "25 -> 30"),
    ('method = "bench"', 'method = "gait"', "[[reliability]] days: where.method", "bench -> gait"),
    ("[retirement]", "[retirement]\ncontent = 0.8", "[retirement] content", "0.9 -> 0.8"),
    ('[retirement]\n', '[retirement]\n[recalibration]\ntolerance = "5 %"\n', "[recalibration] tolerance",
     "added, 0.05"),
    ("sensitivity_change = 0.25", "saturation_pressure = \"1400 kPa\"", "[limits] sensitivity_change",
     "taken out, was 0.25")])
def test_a_change_is_named_key_by_key(folder: Path, old: str, new: str, key: str, values: str) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    if "saturation_pressure" in new:
        (folder / "study.toml").write_text(text.replace('scale = "log"', 'scale = "log"\nfull_scale = 1023'),
                                           encoding="utf-8")
    found = check_lock(changed(folder, old, new), None)
    mine = next(f for f in found.findings if f.column == key)
    assert (mine.severity, mine.code) == ("error", "changed-since-lock")
    assert values in mine.message
    table = found.table("changed since the first lock")
    assert key in set(table["setting"])


def test_locking_again_adds_and_never_rewrites(folder: Path) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    first = (folder / LOCK_FILE).read_bytes()
    again = lock_study(changed(folder, "harmless = 25", "harmless = 30"), None, who="Bo",
                       now=EARLY + timedelta(days=30))
    assert (folder / LOCK_FILE).read_bytes().startswith(first)
    assert "Changed since lock 1: 1 settings" in again.answer
    state = lock_state(read_study(folder), None)
    assert [e.who for e in state.entries] == ["Ada", "Bo"]
    assert state.since["[[agreement]] two ways: harmless"] == state.entries[1]
    assert state.since["[limits] sensitivity_change"] == state.entries[0]
    assert lock_study(read_study(folder), None, who="Bo").answer.count("Nothing had changed since lock 2") == 1


def test_a_value_put_back_counts_from_when_it_was_put_back(folder: Path) -> None:
    """The naive way, the first lock that holds the value, would call a limit fixed that was moved and moved back."""
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    lock_study(changed(folder, "harmless = 25", "harmless = 60"), None, who="Ada", now=datetime(2025, 3, 1, tzinfo=UTC))
    lock_study(changed(folder, "harmless = 60", "harmless = 25"), None, who="Ada", now=datetime(2025, 9, 1, tzinfo=UTC))
    state = lock_state(read_study(folder), tables("2025-02-01T10:00", "2025-08-01T10:00"))
    key = "[[agreement]] two ways: harmless"
    naive = next(e for e in state.entries if e.flat[key] == state.flat[key])
    assert naive.number == 1
    assert state.since[key] is not None
    assert state.since[key].number == 3  # type: ignore[union-attr]
    assert state.place(key, state.since[key]) == "after"


@pytest.mark.parametrize(("moment", "place"), [
    ("2025-01-30T00:00", "before"), ("2025-02-01T06:00", "at the start"), ("2025-02-02T03:00", "between"),
    ("2025-05-01T09:00", "at the end"), ("2025-05-02T12:00", "after")])
def test_a_lock_is_set_against_local_times_with_the_doubt_of_their_zone(folder: Path, moment: str, place: str) -> None:
    time = datetime.fromisoformat(moment).replace(tzinfo=UTC)
    lock_study(read_study(folder), None, who="Ada", now=time)
    state = lock_state(read_study(folder), tables("2025-02-01T10:00", "2025-05-01T10:00"))
    assert state.place("[limits] sensitivity_change", state.entries[0]) == place


def test_a_bare_day_may_be_any_hour_of_it() -> None:
    found = dated(tables("2025-02-01", "2025-02-03"))["checks"]
    assert found is not None
    assert found.place(datetime(2025, 2, 4, 11, 59, tzinfo=UTC)) == "at the end"
    assert found.place(datetime(2025, 2, 4, 12, 1, tzinfo=UTC)) == "after"


def test_times_with_a_zone_need_no_doubt() -> None:
    found = dated(tables("2025-02-01T10:00+01:00", "2025-02-03T10:00+01:00"))["checks"]
    assert found is not None
    assert found.place(datetime(2025, 2, 1, 8, 59, tzinfo=UTC)) == "before"
    assert found.place(datetime(2025, 2, 3, 9, 1, tzinfo=UTC)) == "after"


def test_data_without_dates_cannot_tell(folder: Path) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    found = check_lock(read_study(folder), tables(None, None))
    assert "carry no dates" in found.answer
    assert "cannot be set against the data" in str(found.table("fixed in advance")["in words"][0])


def test_a_question_about_trials_is_set_against_trials(folder: Path) -> None:
    lock_study(read_study(folder), None, who="Ada", now=datetime(2025, 4, 1, tzinfo=UTC))
    both = Tables(checks=table(CheckTable, "2025-01-01T09:00", "2025-02-01T09:00"),
                  trials=table(TrialTable, "2025-06-01T09:00", "2025-07-01T09:00"))
    state = lock_state(read_study(folder), both)
    first = state.entries[0]
    assert state.place("[[agreement]] two ways: harmless", first) == "before"
    assert state.place("[limits] sensitivity_change", first) == "after"
    assert state.place("[study] use_is", first) == "after"


@pytest.mark.parametrize(("old", "new", "says"), [
    ("harmless\" = 25", "harmless\" = 20", "its settings are not those that were hashed"),
    ("2025-01-01T08:00:00Z", "2024-01-01T08:00:00Z", "its time, name or hash was changed"),
    ('who = "Ada"', 'who = "Bo"', "its time, name or hash was changed"),
    ("number = 1", "number = 2", "its number is out of order"), ("[[lock]]", "[[lock", "cannot be read"),
    ('drift = ', 'drifts = ', "is incomplete")])
def test_a_file_that_was_edited_is_found_and_not_added_to(folder: Path, old: str, new: str, says: str) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    file = folder / LOCK_FILE
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")
    assert any(says in f.message for f in check_lock(read_study(folder), None).findings)
    with pytest.raises(DriftError, match=r"study\.lock"):
        lock_study(read_study(folder), None, who="Ada")


def test_a_lock_taken_out_of_the_middle_is_found(folder: Path) -> None:
    for _ in range(3):
        lock_study(read_study(folder), None, who="Ada", now=EARLY)
    file = folder / LOCK_FILE
    head, first, _, third = file.read_text(encoding="utf-8").split("\n[[lock]]")
    file.write_text("\n[[lock]]".join((head, first, third)), encoding="utf-8")
    said = " ".join(f.message for f in read_entries(file)[1])
    assert "it does not follow the lock before it" in said


@pytest.mark.parametrize(("toml", "who", "code"), [
    ("[study]\ntitle = \"t\"\n", "Ada", "nothing-to-lock"), (TOML, "  ", "no-name")])
def test_what_cannot_be_locked_is_refused(tmp_path: Path, toml: str, who: str, code: str) -> None:
    (tmp_path / "study.toml").write_text(toml, encoding="utf-8")
    with pytest.raises(DriftError, match=r"nobody is named|asks no question") as refused:
        lock_study(read_study(tmp_path), None, who=who)
    assert [f.code for f in refused.value.findings] == [code]
    assert not (tmp_path / LOCK_FILE).exists()


def test_a_clock_that_runs_behind_and_a_lock_that_is_late_are_said(folder: Path) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    found = lock_study(read_study(folder), tables("2024-01-01", "2024-02-01"), who="Ada", now=EARLY - timedelta(1))
    assert {f.code for f in found.findings} == {"clock-behind", "locked-late"}


names = st.text(st.characters(codec="utf-8"), min_size=1, max_size=12)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(who=names, key=names, value=st.one_of(names, st.floats(allow_nan=False, allow_infinity=False), st.booleans(),
                                            st.integers(-2**60, 2**60), st.lists(names, max_size=3)))
def test_any_text_and_number_survives_the_file(tmp_path_factory: pytest.TempPathFactory, who: str, key: str,
                                               value: Any) -> None:
    from drift.lock.canonical import plain

    file = tmp_path_factory.mktemp("locks") / LOCK_FILE
    made = {"questions": {key: plain(value)}, "limits": {}, "plan": {}}
    append_entry(file, made, who=who, version="1", now=EARLY)
    entries, findings = read_entries(file)
    assert findings == ()
    assert entries[0].who == who
    assert entries[0].settings["questions"] == {key: plain(value)}


WRITER = """
import sys
from pathlib import Path
from drift.lock import append_entry
for i in range(int(sys.argv[2])):
    append_entry(Path(sys.argv[1]), {"questions": {"a": i}, "limits": {}, "plan": {}}, who=sys.argv[3], version="1")
    print("locked", flush=True)
"""


def test_two_writers_lose_nothing_and_a_kill_leaves_a_whole_file(tmp_path: Path) -> None:
    file = tmp_path / LOCK_FILE
    command = [sys.executable, "-c", WRITER, str(file)]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    both = [subprocess.Popen([*command, "8", who], env=environment, stdout=subprocess.DEVNULL) for who in "AB"]
    assert [p.wait() for p in both] == [0, 0]
    entries, findings = read_entries(file)
    assert (len(entries), findings) == (16, ())
    endless = subprocess.Popen([*command, "9999", "C"], env=environment, stdout=subprocess.PIPE)
    assert endless.stdout is not None
    endless.stdout.readline()
    endless.send_signal(signal.SIGKILL if hasattr(signal, "SIGKILL") else signal.SIGTERM)
    endless.wait()
    endless.stdout.close()
    whole, findings = read_entries(file)
    assert findings == ()
    assert len(whole) > 16
    # A guard left behind is taken away.
    append_entry(file, {"questions": {}, "limits": {}, "plan": {}}, who="D", version="1")
    assert len(read_entries(file)[0]) == len(whole) + 1
    assert [p.name for p in tmp_path.iterdir()] == [LOCK_FILE]


def test_two_studies_in_one_folder_have_locks_of_their_own(folder: Path) -> None:
    other = folder / "other.toml"
    other.write_text((folder / "study.toml").read_text(encoding="utf-8").replace("harmless = 25", "harmless = 35"),
                     encoding="utf-8")
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    lock_study(read_study(other), None, who="Bo", now=EARLY)
    assert sorted(p.name for p in folder.glob("*.lock")) == ["other.lock", LOCK_FILE]
    assert [e.who for e in lock_state(read_study(other), None).entries] == ["Bo"]
    assert not check_lock(read_study(folder), None).findings
    other.write_text(other.read_text(encoding="utf-8").replace("harmless = 35", "harmless = 30"), encoding="utf-8")
    assert {f.file for f in check_lock(read_study(other), None).findings} == {"other.toml"}


def test_a_limit_that_no_lock_holds_is_a_caution_beside_the_answers(folder: Path) -> None:
    lock_study(read_study(folder), None, who="Ada", now=EARLY)
    assert changed_findings(lock_state(read_study(folder), None), read_study(folder)) == ()
    toml = folder / "study.toml"
    toml.write_text(toml.read_text(encoding="utf-8").replace("harmless = 25", "harmless = 35"), encoding="utf-8")
    study = read_study(folder)
    (found,) = changed_findings(lock_state(study, None), study)
    assert (found.severity, found.code) == ("warning", "changed-since-lock")
    assert "25 -> 35" in found.message
    table = check_lock(study, None).table("changed since the first lock")
    assert table["changed"][0] == "since the last lock"


def test_what_is_still_to_be_filled_in_is_said(folder: Path) -> None:
    text = (folder / "study.toml").read_text(encoding="utf-8")
    use = next(line for line in text.splitlines() if line.startswith("use_is"))
    (folder / "study.toml").write_text(text.replace(use, 'use_is = "..."'), encoding="utf-8")
    found = lock_study(read_study(folder), None, who="Ada", now=EARLY)
    assert {f.code: f.column for f in found.findings}["not-filled-in"] == "[study] use_is"
