"""A check given by hand, or the latest on record, counts or the answer says why it does not."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.errors import DriftError
from drift.workflow_today import today_of_study
from tests.today.levels import LEVELS, write


def test_one_level_of_several_is_never_answered_from_the_check_before(tmp_path: Path) -> None:
    found = today_of_study(write(tmp_path), "P01", readings=[180.0], references=["200"], use=30)
    assert found.answer.startswith("Check P01 again before use: the check given here cannot be used (only one level")
    assert "400, 600 and 800 kPa are missing). Read it at 200, 400, 600 and 800 kPa." in found.answer
    row = list(found.parts[0].table("reasons")["reason"]).index("latest check")
    assert found.parts[0].table("reasons")["means"][row] == "check again"


def test_a_check_on_record_at_one_level_of_several_asks_for_the_others(tmp_path: Path) -> None:
    found = today_of_study(write(tmp_path, ("P01,30,1,170,200",)), "P01")
    assert found.answer.startswith("Check P01 again before use: its check at use 30 cannot be used (only one level")
    whole = today_of_study(str(tmp_path), None).parts[0].table("sensors today")
    told = dict(zip(whole["sensor"], zip(whole["verdict"], whole["why"], strict=True), strict=True))
    assert told["P01"][0] == "check again"
    assert "its check at use 30 cannot be used" in told["P01"][1]
    assert told["P02"][0] == "use"


def test_a_first_check_that_cannot_be_used_says_why(tmp_path: Path) -> None:
    path = Path(write(tmp_path, ("N01,0,1,197,200",)))
    with (path / "sensors.csv").open("a", encoding="utf-8") as file:
        file.write("N01,plain,worn\n")
    found = today_of_study(path, "N01")
    assert found.answer.startswith("Check N01 before use: it has no usable check yet: its check at use 0 cannot")


def test_all_levels_count_and_some_are_said(tmp_path: Path) -> None:
    path = write(tmp_path)
    given = [p * 0.8435 + 3 for p in LEVELS]
    full = today_of_study(path, "P01", readings=given, references=[str(p) for p in LEVELS], use=30)
    assert "its latest check (use 30)" in full.answer
    assert "levels-missing" not in [f.code for f in full.findings]
    part = today_of_study(path, "P01", readings=given[:2], references=["200", "400"], use=30)
    assert "its latest check (use 30)" in part.answer
    assert any(f.code == "levels-missing" and "not at 600 and 800 kPa" in f.message for f in part.findings)


def test_readings_all_at_the_ceiling_or_all_zero_are_said(tmp_path: Path) -> None:
    path = write(tmp_path)
    high = today_of_study(path, "P01", readings=[1023.0, 1023.0], references=["600", "800"], use=30)
    assert "the check given here cannot be used (every reading of this mounting is at the ceiling" in high.answer
    dead = today_of_study(path, "P01", readings=[0.0, 0.0], references=["600", "800"], use=30)
    assert "the check given here cannot be used (sensitivity not above zero" in dead.answer


@pytest.mark.parametrize(("readings", "references", "use", "repeat", "said"), [
    ([1500.0, 360.0], ["200", "400"], 30, False, r"--reading: the reading is above the full scale of 1023"),
    ([-40.0, 360.0], ["200", "400"], 30, False, "--reading: a raw reading cannot be below zero"),
    ([float("nan"), 360.0], ["200", "400"], 30, False, "--reading: this is no reading"),
    ([170.0, 360.0], ["-200", "400"], 30, False, "--reference: a reference load cannot be below zero"),
    ([170.0, 360.0], ["inf", "400"], 30, False, "--reference: this is no load"),
    ([170.0, 360.0], ["200", "400"], 20, False, "--use: P01 has use 25 on record already .*expected 25 or more"),
    ([170.0, 360.0], ["200", "400"], 30.5, False, "--use: a use count is a whole number"),
    ([170.0, 360.0], ["200", "400"], 25, False, "P01 was checked at use 25 already"),
    ([170.0, 360.0], ["200", "400"], None, False, "P01 was checked at use 25 already"),
    ([170.0, 360.0], ["200", "400"], 30, True, "a repeat is of the latest check, at use 25"),
    ([], [], 3, False, "P01 has use 25 on record already"),
])
def test_what_cannot_be_is_one_clear_error(tmp_path: Path, readings: list[float], references: list[str],
                                           use: float | None, repeat: bool, said: str) -> None:
    with pytest.raises(DriftError, match=said):
        today_of_study(write(tmp_path), "P01", readings=readings, references=references, use=use, repeat=repeat)


def test_all_faults_are_named_at_once(tmp_path: Path) -> None:
    with pytest.raises(DriftError) as caught:
        today_of_study(write(tmp_path), "P01", readings=[1500.0, -4.0], references=["bananas", "400"], use=3)
    assert {f.code for f in caught.value.findings} == {"above-full-scale", "impossible-value", "bad-reference",
                                                       "use-below-record"}


def test_a_reading_of_an_unknown_sensor_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DriftError, match=r"Did you mean 'P01'\?"):
        today_of_study(write(tmp_path), "P0l", readings=[180.0], references=["200"])


def test_a_check_standard_at_one_of_its_levels_is_refused(tmp_path: Path) -> None:
    with pytest.raises(DriftError, match="CS1 is read at several loads, 200 to 800"):
        today_of_study(write(tmp_path, standards=1), "CS1", readings=[200.0], references=["200"], use=25)


def test_the_advice_bears_the_reference(tmp_path: Path) -> None:
    path = Path(write(tmp_path))
    plain = CliRunner().invoke(cli, ["today", str(path), "--sensor", "P01", "--reading", "170", "--reference",
                                     "200 kPa", "--use", "30"]).output
    assert "Write it into checks.csv." in " ".join(plain.split())
    toml = (path / "study.toml").read_text(encoding="utf-8")
    (path / "study.toml").write_text(toml.replace('[files]\n', '[files]\nledger = "l.sqlite"\n'), encoding="utf-8")
    shown = " ".join(CliRunner().invoke(cli, [
        "today", str(path), "--sensor", "P01", "--reading", "170", "--reference", "200 kPa", "--reading", "337",
        "--reference", "400", "--use", "30"]).output.split())
    assert ('drift log STUDY check sensor=P01 use=30 reading=170 reference="200 kPa" --who NAME; then the same with '
            "reading=337 reference=400.") in shown
