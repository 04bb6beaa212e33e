"""What questions ask of the trials is checked at the door, each slip with the nearest name."""

from __future__ import annotations

from pathlib import Path

import pytest

from drift.errors import DriftError
from drift.ingest import select_where
from tests.ingest.helpers import TRIALS, errors, only, read

RELIABILITY = """[[reliability]]
name = "another day"
target = "participant"
facet = "session"
where = { method = "bench" }
by = ["region"]
"""
AGREEMENT = """[[agreement]]
name = "gait and bench"
compare = "method"
a = "gait"
b = "bench"
target = "participant"
pair_by = ["participant", "session"]
where = { session = "1" }
"""

# (text to replace, replacement, code, severity, value, words of the mend)
SLIPS = [
    (RELIABILITY, 'facet = "session"', 'facet = "sesion"', "unknown-column", "error", "sesion", "'session'"),
    (RELIABILITY, '"participant"', '"particpant"', "unknown-column", "error", "particpant", "'participant'"),
    (RELIABILITY, 'by = [', 'replicate = "walk"\nby = [', "unknown-column", "error", "walk", "'replicate'"),
    (RELIABILITY, '["region"]', '["regoin"]', "unknown-column", "error", "regoin", "'region'"),
    (RELIABILITY, '"bench"', '"bnch"', "unknown-value", "error", "bnch", "'bench'"),
    (RELIABILITY, '"bench"', '["bench", "stance"]', "unknown-value", "warning", "stance", "'bench', 'gait'"),
    (RELIABILITY, 'method = "bench"', 'method = "bench", session = "2", participant = "C"', "unknown-value", "error",
     "C", "'A', 'B'"),
    (RELIABILITY, 'method = "bench"', 'method = "bench", reading = 7', "no-rows", "error", None, "combination"),
    (RELIABILITY, 'method = "bench"', 'method = "bench", reading = "high"', "wrong-type", "error", "high", "quotes"),
    (RELIABILITY, 'where = { method = "bench" }\n', "", "column-varies", "error", "gait", 'method = "bench"'),
    (AGREEMENT, '"method"', '"metod"', "unknown-column", "error", "metod", "'method'"),
    (AGREEMENT, '"session"]', '"sesion"]', "unknown-column", "error", "sesion", "'session'"),
    (AGREEMENT, 'a = "gait"', 'a = "gate"', "unknown-value", "error", "gate", "'gait'"),
    (AGREEMENT, 'b = "bench"', 'b = "stance"', "unknown-value", "error", "stance", "'bench', 'gait'"),
    (AGREEMENT, 'session = "1"', 'session = "2"', "unknown-value", "error", "gait", "combination"),
]


@pytest.mark.parametrize(("toml", "old", "new", "code", "severity", "value", "words"), SLIPS)
def test_a_slip_in_a_question_is_found_with_its_mend(toml: str, old: str, new: str, code: str, severity: str,
                                                    value: str | None, words: str, tmp_path: Path) -> None:
    assert old in toml
    f = only(read(tmp_path, trials=TRIALS, toml=toml.replace(old, new, 1)).findings, code)
    assert (f.severity, f.value, f.file) == (severity, value, "trials.csv")
    assert words in f.mend
    assert f.question in ("another day", "gait and bench")


def test_sound_questions_say_nothing(tmp_path: Path) -> None:
    assert read(tmp_path, trials=TRIALS, toml=RELIABILITY + AGREEMENT).findings == ()


def test_one_agreement_question_takes_one_measure(tmp_path: Path) -> None:
    table = TRIALS.replace("B,1,S1,bench,heel,peak", "B,1,S1,bench,heel,force")
    f = only(errors(read(tmp_path, trials=table, toml=AGREEMENT)), "several-measures")
    assert f.value == "force, peak"
    assert 'by = ["measure"]' in f.mend
    assert errors(read(tmp_path, trials=table, toml=AGREEMENT + 'by = ["measure"]\n')) == []


def test_a_mapped_column_that_is_not_there_suggests_the_nearest_header(tmp_path: Path) -> None:
    f = only(errors(read(tmp_path, trials=TRIALS, toml='[columns.trials]\nreading = "Readng"\n')), "missing-column")
    assert (f.row, f.value) == (1, "Readng")
    assert "'reading'" in f.mend


def test_a_selection_picks_words_numbers_and_lists(tmp_path: Path) -> None:
    trials = read(tmp_path, trials=TRIALS).tables.trials
    assert trials is not None
    assert select_where(trials, {"method": "gait"}).sum() == 2
    assert select_where(trials, {"session": 2}).tolist() == select_where(trials, {"session": "2"}).tolist()
    assert select_where(trials, {"participant": ["A", "B"], "reading": [210.5, 192.75]}).sum() == 2
    with pytest.raises(DriftError, match="'method'"):
        select_where(trials, {"metod": "gait"})
