"""The ledger takes nothing that 'drift today' then refuses; a check at several loads is one key a load."""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.errors import DriftError
from drift.ingest.log_typed import KEPT, shared_name
from drift.ingest.logbook import LogResult, log
from drift.study import Study, read_study

NOW = datetime(2026, 3, 2, 9, 30)
DEMO = Path(__file__).parents[2] / "demo_trials" / "today"


@pytest.fixture
def study(tmp_path: Path) -> Study:
    shutil.copytree(DEMO, tmp_path / "today")
    return read_study(tmp_path / "today")


def written(study: Study, *, repeat: bool = False, anyway: str = "", **cells: str) -> LogResult:
    body = {"sensor": "T03", "reading": "197", "reference": "200", **cells}
    return log(study, "check", [body], who="Bo", now=NOW, repeat=repeat, anyway=anyway)


def refused(study: Study, **cells: object) -> str:
    with pytest.raises(DriftError) as caught:
        written(study, **cells)  # type: ignore[arg-type]
    return " ".join(f"{f.code}: {f}" for f in caught.value.findings)


def run(*words: object) -> str:
    return " ".join(CliRunner().invoke(cli, [str(w) for w in words]).output.split())


def test_loads_of_one_check_are_told_apart_by_their_reference(study: Study) -> None:
    for reading, load in (("146", "200"), ("360", "500"), ("570", "800")):
        written(study, reading=reading, reference=load)
    assert "only one level" not in run("today", study.folder, "--sensor", "T03")
    assert "duplicated-key" in refused(study, reading="362", reference="500")
    assert "duplicated-key" in refused(study, reading="362", reference="499.6", level="500")


def test_the_mend_names_the_level_where_references_differ(study: Study) -> None:
    written(study, level="200")
    said = refused(study, reading="489", reference="500", level="200")
    assert "give it a level of its own (level=...)" in said
    said = refused(study, reading="199", reference="200.4", level="200")
    assert "level of its own" not in said
    assert "replicate=2" in said


def test_a_reading_above_full_scale_needs_a_reason(study: Study) -> None:
    said = refused(study, reading="1900", reference="800")
    assert "above-full-scale" in said
    assert "--anyway" in said
    kept = written(study, reading="1900", reference="800", anyway="read off a broken display")
    assert f"note={KEPT}read off a broken display" in str(kept.table("entries")["cells"][0])
    assert "above-full-scale" in {f.code for f in kept.findings}
    entry = int(kept.table("entries")["entry"][0])
    with pytest.raises(DriftError):
        log(study, "correction", [{"reading": "1901", "reason": "misread"}], who="Bo", refers=entry, now=NOW)
    log(study, "correction", [{"reading": "901", "reason": "misread"}], who="Bo", refers=entry, now=NOW)


def test_a_repeat_is_of_the_latest_check(study: Study) -> None:
    written(study, reading="146", use="28")
    log(study, "session", [{"sensor": "T03"}], who="Bo", now=NOW)
    assert "repeat-elsewhere" in refused(study, reading="150", use="29", repeat=True)
    assert "repeat is of the latest check, at use 28" in run(
        "today", study.folder, "--sensor", "T03", "--reading", 150, "--reference", 200, "--use", 29, "--repeat")
    again = written(study, reading="150", repeat=True)
    assert "use=28; " in f"{again.table('entries')['cells'][0]}; "
    assert "replicate=repeat" in str(again.table("entries")["cells"][0])


def test_a_sensor_without_a_check_has_none_to_repeat(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("[study]\ntitle = \"t\"\n[files]\nledger = \"l.sqlite\"\n[units.checks]\n"
                                         "reading = \"count\"\nreference = \"kPa\"\n", encoding="utf-8")
    with pytest.raises(DriftError, match="no check on record that could be repeated"):
        written(read_study(tmp_path), repeat=True)


@pytest.mark.parametrize("name", ["root", "Admin", "lab"])
def test_a_shared_account_is_not_a_name(name: str, study: Study, monkeypatch: pytest.MonkeyPatch) -> None:
    said = shared_name(name)
    assert said is not None
    assert "--who" in said.mend
    assert "DRIFT_WHO" in said.mend
    assert shared_name("Bo") is None
    monkeypatch.delenv("DRIFT_WHO", raising=False)
    monkeypatch.setattr("getpass.getuser", lambda: name)
    entry = ("log", study.folder, "session", "sensor=T03")
    assert "the ledger will not tell who wrote" in run(*entry)
    assert "the ledger will not tell" not in run(*entry, "--who", "Bo")
    monkeypatch.setenv("DRIFT_WHO", "Ada")
    assert "by Ada" in run(*entry)


def test_the_help_shows_a_check_at_several_loads() -> None:
    assert "level=500" in run("log", "--help")
