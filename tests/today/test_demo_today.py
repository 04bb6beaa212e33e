"""The invented ledger: made again it ends alike, and its known truth is found."""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import pytest

from drift.ledger import Ledger
from drift.workflow_today import today_of_study

ROOT = Path(__file__).parents[2]
FOLDER = ROOT / "demo_trials" / "today"
TRUTH = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))


def test_made_again_the_ledger_ends_alike(tmp_path: Path) -> None:
    spec = importlib.util.spec_from_file_location("today_world", ROOT / "demo_trials" / "today_world.py")
    assert spec is not None
    assert spec.loader is not None
    world = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(world)
    world.main(tmp_path)
    with Ledger(tmp_path / "ledger.sqlite") as new, Ledger(FOLDER / "ledger.sqlite") as old:
        assert new.last() == old.last()
        assert old.verify() == ()
    assert (tmp_path / "truth.json").read_text(encoding="utf-8") == (FOLDER / "truth.json").read_text(encoding="utf-8")
    assert not [p for p in FOLDER.iterdir() if p.name.startswith("ledger.sqlite-")]


@pytest.mark.parametrize(("what", "said"), [("fine", "Use "), ("off its path", "Check "), ("worn", "Do not use ")])
def test_the_known_sensors_get_the_right_answer(what: str, said: str) -> None:
    sensor = TRUTH[what]
    assert today_of_study(FOLDER, sensor).answer.startswith(f"{said}{sensor}")


def test_the_bad_day_of_the_rig_is_seen_on_both_standards() -> None:
    chart = today_of_study(FOLDER, None).parts[0].table("control chart")
    out = {(s, o) for s, o, c in zip(chart["standard"], chart["occasion"], chart["signals"], strict=True)
           if c and "individuals" in c}
    assert out == {(s, TRUTH["rig shift on"]) for s in ("CS1", "CS2")}
