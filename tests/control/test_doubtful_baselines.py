"""The verdict names every check standard, and says what is wrong with a baseline where it stands."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest

from drift.control import ChartSpec, Occasions, chart_standard, chart_table, judge_rig
from drift.control.rig_age import newest_day, with_age
from drift.results import join_words

DAYS = np.array([str(np.datetime64("2026-01-05") + i) for i in range(30)], dtype=object)


def read(x, name):
    none = np.full(len(x), np.nan)
    return Occasions(standard=name, label=DAYS[:len(x)], mean=np.asarray(x), within_sd=none,
                     within_df=np.zeros(len(x)), use=np.arange(float(len(x))), time=DAYS[:len(x)])


def steady(seed, first=0.0, n=30):
    x = 500 + np.random.default_rng(seed).normal(0, 3, n)
    x[0] += first
    return x


def rig_of(*columns):
    return judge_rig(tuple(chart_standard(read(x, f"CS{i + 1}"), ChartSpec()) for i, x in enumerate(columns)))


def test_standards_that_all_changed_after_the_first_occasion_leave_the_rig_in_doubt():
    found = rig_of(steady(1, -40), steady(2, -40))
    assert found.status == "unclear"
    for name in ("CS1", "CS2"):
        assert f"the baseline of {name}" in found.sentence
    assert found.sentence.endswith("whether the rig is in control cannot be said")


def test_one_with_a_doubtful_baseline_is_named_and_does_not_count():
    found = rig_of(steady(1, -40), steady(2))
    assert found.status == "fit"
    assert "(2026-02-03: CS2); " in found.sentence
    assert found.sentence.endswith("so that CS1 does not count")


def test_an_odd_occasion_in_the_middle_is_said_and_the_standard_counts():
    x = steady(1)
    x[3] += 45  # before the sixth occasion nothing is judged
    found = rig_of(x, steady(2))
    assert found.status == "fit"
    assert "(2026-02-03: CS1 and CS2)" in found.sentence
    assert "occasion 2026-01-08 of the baseline of CS1 lies far from the others, which widens" in found.sentence


def test_sound_standards_are_all_named_and_nothing_is_added():
    assert rig_of(steady(1), steady(2)).sentence == (
        f"the rig is in control at its latest occasion (2026-02-03: {join_words(['CS1', 'CS2'])})")


def test_a_baseline_that_steps_is_a_finding_also_where_the_latest_occasion_signals():
    x, y = steady(1, n=30), steady(2)
    x[0] -= 40
    x[1] -= 40
    x[-1] += 200
    found = rig_of(x, y)
    assert found.status != "fit"
    assert [f.code for f in found.findings].count("baseline-step") == len([c for c in found.charts if c.step])


def test_the_chart_says_it_in_its_answer():
    told = chart_table((read(steady(1, -40), "CS1"), read(steady(2, -40), "CS2")), ChartSpec(), question="q")
    assert told.answer.startswith("Check again before use: ")
    assert "CS1" in told.answer
    assert "CS2" in told.answer


@pytest.mark.parametrize(("on", "said"), [
    (date(2026, 2, 4), "1 day ago"), (date(2026, 11, 26), "296 days ago"), (date(2026, 2, 3), ""),
    (date(2026, 1, 1), ""), (None, "")])
def test_the_age_of_the_newest_reading_is_said(on, said):
    rig = rig_of(steady(1), steady(2))
    found = with_age(rig, on)
    assert found.status == rig.status  # no limit is drawn
    assert (f"(2026-02-03, {said}: CS1 and CS2)" in found.sentence) if said else found.sentence == rig.sentence
    assert [f.code for f in found.findings if f.code == "standard-read-before"] == ["standard-read-before"] * bool(said)


def test_the_age_stands_in_every_kind_of_sentence():
    x = steady(1)
    x[-1] += 60
    for rig in (rig_of(x), rig_of(x, steady(2)), rig_of(steady(1, -40), steady(2, -40))):
        assert "2026-02-03, 296 days ago" in with_age(rig, date(2026, 11, 26)).sentence


@pytest.mark.parametrize("times", [[], [""], ["no date"], ["", "12"]])
def test_times_that_are_none_have_no_newest_day(times):
    assert newest_day(times) is None
    assert with_age(judge_rig(()), date(2026, 1, 1)).sentence == "no check standard is read"


def test_the_newest_day_is_that_of_any_record():
    assert newest_day(["2026-01-05T10:00", "", "2026-03-01"]) == date(2026, 3, 1)
    assert "before the newest reading on record" in with_age(rig_of(steady(1)), date(2026, 3, 1), record=True).sentence
