"""The names of estimates are fixed: what the demo study prints stands in the handbook page of names."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import drift
from drift.items import chosen_lists
from drift.report.study_result import StudyResult
from drift.workflow import run_study

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "drift" / "handbook" / "estimates.md").read_text(encoding="utf-8")
NAMES = re.findall(r"`([^`]+)`", PAGE.split("## Drift per use", 1)[1])
PATTERNS = [re.compile(re.sub(r"<[^>]+>|\\<[^>]+\\>", ".+", re.escape(n).replace(r"\<", "<").replace(r"\>", ">")))
            for n in NAMES]


@pytest.mark.parametrize("folder", ["demo_trials", "analyses/laser-degradation", "analyses/resistivity-probes"])
def test_estimates_of_a_shipped_study_have_documented_names_and_a_method(folder: str, made_once: None) -> None:
    result = run_study(drift.read_study(ROOT / folder), seed=1)
    unknown = {e.name for e in result.estimates if not any(p.fullmatch(e.name) for p in PATTERNS)}
    assert unknown == set()
    assert len(result.estimates) > 10
    assert all(e.method for e in result.estimates)
    if folder == "demo_trials":  # run once, since that takes its time
        only_what_no_data_tell_is_open(result)


def only_what_no_data_tell_is_open(result: StudyResult) -> None:
    """Of the reporting items of the demo none that the data could fill is left to the user."""
    items = result.table("reporting items")
    open_ = [str(n) for n, s in zip(items["item"], items["state"], strict=True) if s == "needs you"]
    who = {f"{one.family} {i.id}": i.who for one in chosen_lists() for i in one.items}
    assert open_ == ["GRRAS 5"]
    assert all(who[n] == "person" for n in open_)
    assert len(items) == len(who)
    assert "protocol remarks" in {t.name for t in result.tables}
