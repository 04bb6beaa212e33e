"""Any question, and data that lack things, are filled without a stumble; the demo's locks are those of its study."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from demo_trials import make_lock
from drift.items.filled import GRADES
from drift.lock import LOCK_FILE
from drift.records import TrialTable
from tests.items.made import BASE, evidence, lines, trials

DAYS = BASE["reliability"][0]
THREE = ("gait", "bench", "stance")
SEVERAL = {"name": "all methods", "compare": "method", "methods": "all", "target": "participant",
           "pair_by": ["participant", "session", "replicate"], "harmless": "10 %"}
KINDS: dict[str, dict[str, Any]] = {
    "two facets": {"reliability": [{**DAYS, "facet": ["session", "operator"]}]},
    "mean of sessions": {"reliability": [{**DAYS, "use": "mean", "facets_are": "fixed", "agree": "order"}]},
    "by operator": {"reliability": [{**DAYS, "by": ["operator"]}]},
    "compared": {"reliability": [{**DAYS, "compare": "operator"}]},
    "gauge": {"reliability": [], "gauge": [{"name": "g", "part": "participant", "operator": "session"}]},
    "laboratories": {"reliability": [], "interlaboratory": [{"name": "i", "laboratory": "session",
                                                             "material": "participant"}]},
    "averaged": {"reliability": [{**DAYS, "average_replicates": True}]}}


@pytest.mark.parametrize("kind", KINDS)
def test_any_question_is_filled(kind: str) -> None:
    found = lines(evidence(trials(sessions=4), **KINDS[kind]))
    assert len(found) == 53
    for x in found.values():
        assert x.filled.state in ("filled", "needs you", "not applicable")
        assert x.filled.text or x.filled.needs, x.name
        assert "nan" not in x.filled.text.split(), x.name
        assert x.filled.grade in ("", *GRADES)


def test_several_methods_at_once_are_filled() -> None:
    found = lines(evidence(trials(methods=THREE), agreement=[SEVERAL], reliability=[]))
    assert "bench" in found["Bland-Altman 3"].filled.text
    assert "10 %" in found["Bland-Altman 1"].filled.text
    assert {x.filled.state for n, x in found.items() if n.startswith("Bland-Altman")} <= {"filled", "needs you"}


def test_a_study_of_nothing_but_readings_is_filled() -> None:
    table = trials(timed=False)
    bare = TrialTable({k: table[k] for k in ("participant", "session", "reading")}, table.row, "t.csv", "", {})
    kept = bare.take(np.arange(len(bare)) % 2 == 0)
    found = lines(evidence(kept))  # type: ignore[arg-type]
    assert found["COSMIN 3"].filled.grade == "adequate"
    assert found["ICC 6"].filled.state == "filled"


def test_one_session_alone_is_filled_with_what_is_there() -> None:
    found = lines(evidence(trials(people=4, sessions=2, repeats=1)))
    assert found["GRRAS 11"].filled.text.startswith("Days: 4 participants, 2 sessions and 8 readings")


def test_the_locks_of_the_demo_are_those_of_its_study(tmp_path: Path) -> None:
    make_lock.write_lock(tmp_path)
    assert (tmp_path / LOCK_FILE).read_bytes() == (make_lock.HERE / LOCK_FILE).read_bytes(), (
        "demo_trials/study.toml was changed: run python demo_trials/make_lock.py")
