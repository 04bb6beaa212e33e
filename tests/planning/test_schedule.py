"""Schedules: balanced, randomised, and analysed by the study they come with."""

from __future__ import annotations

import csv
import itertools
import tomllib
from collections import Counter
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from drift.engine.aliasing import overlaps
from drift.errors import DriftError
from drift.planning.asked import asked_of
from drift.planning.schedule import Schedule, balanced_orders, make_schedule, refuse_confounded
from drift.planning.study_file import study_text

WEAR = {"wear": 0.7, "wear_sd": 0.1, "occasion_sd": 0.5, "mounting_sd": 0.5, "until": 40.0}
PLANS: dict[str, tuple[str, dict[str, Any]]] = {
    "icc": ("icc", {"icc": 0.8, "targets": (12,), "levels": (3,), "repeats": (2,), "width": 0.5}),
    "sessions": ("icc", {"icc": 0.8, "targets": (12,), "levels": (3,), "facet_name": "session", "width": 0.5}),
    "sem": ("sem", {"targets": (12,), "levels": (4,), "within": 50.0, "people": 2}),
    "limits": ("limits", {"sd": 2.0, "within_sd": 1.0, "repeats": (2,), "targets": (12,), "harmless": 9.0,
                          "people": 2}),
    "gauge": ("gauge", {"grr": 30.0, "parts": (8,), "operators": (3,), "repeats": (2,), "within": 90.0}),
    "slope": ("slope", {**WEAR, "sensors": (5,), "checks": (5,), "mountings": (2,), "half_width": 1.0, "groups": 2}),
    "retire": ("retire", {**WEAR, "limit": 20.0, "sensors": (8,), "checks": (6,), "mountings": (2,), "lose": 9.0,
                          "people": 2}),
}


def made(name: str, seed: int = 3) -> tuple[Any, dict[str, int], Schedule, str]:
    """Return question, design, schedule and study.toml of a plan."""
    kind, asked = PLANS[name]
    question = asked_of(kind, asked).question
    design = {f.key: f.values[0] for f in question.factors}
    words = ("participant", str(asked.get("facet_name") or "sensor"))
    schedule = make_schedule(question, design, words, int(asked.get("people") or 1), seed=seed)
    return question, design, schedule, study_text(question, design, schedule, words, "Plan.", asked, seed=seed)


@pytest.mark.parametrize("days", [False, True])
@pytest.mark.parametrize("name", PLANS)
def test_the_filled_schedule_is_analysed(name: str, days: bool, tmp_path: Path) -> None:
    """Fill in readings, and days if they are kept: the study answers its question, and no column is in the way."""
    from drift.study import read_study
    from drift.workflow import check_study, run_study

    question, _, schedule, text = made(name)
    (tmp_path / "study.toml").write_text(text.replace('"..."', '"one visit"'), encoding="utf-8")
    for file, content in schedule.files.items():
        (tmp_path / file).write_text(content, encoding="utf-8")
    rng = np.random.default_rng(1)
    own: dict[tuple[str, str], float] = {}
    with (tmp_path / f"{schedule.table}.csv").open("w", encoding="utf-8", newline="") as file:
        out = csv.DictWriter(file, fieldnames=schedule.columns, extrasaction="ignore")
        out.writeheader()
        for row in schedule.rows:
            day = {"time": f"2026-01-{1 + row['order'] // 10:02d}"} if days else {}
            out.writerow({**row, **_filled(row, own, rng), **day})
    assert not [f for f in check_study(tmp_path).findings if f.severity != "note"]
    result = run_study(read_study(tmp_path))
    assert not [f for f in result.findings if f.severity != "note" and (f.severity == "error" or f.column)]
    command = {"icc": "icc", "sem": "icc", "limits": "agree", "gauge": "gauge", "slope": "wear", "retire": "retire"}
    assert result.part(command[question.kind]) is not None
    if name == "retire":
        count = next(e for e in result.estimates if e.name == "retire after")
        assert count.value > 5


def _filled(row: Any, own: dict[tuple[str, str], float], rng: np.random.Generator) -> dict[str, str]:
    """A reading of the row: levels of every column keep their own effects; wear lowers a check."""
    if "use" in row:
        start = own.setdefault(("sensor", row["sensor"]), float(rng.normal(0.0, 0.02)))
        wear = own.setdefault(("wear", row["sensor"]), float(rng.normal(0.007, 0.0005)))
        value = 500 * np.exp(start - wear * float(row["use"]) + rng.normal(0.0, 0.005))
        return {"reference": "400", "reading": f"{value:.1f}"}
    value = 200.0 + rng.normal(0.0, 2.0)
    for column, size in (("participant", 30.0), ("part", 30.0), ("sensor", 3.0), ("session", 3.0), ("method", 1.0)):
        if column in row:
            value += own.setdefault((column, row[column]), float(rng.normal(0.0, size)))
    return {"reading": f"{value:.1f}"}


@pytest.mark.parametrize("name", PLANS)
def test_every_reading_is_planned_once_in_random_order(name: str) -> None:
    """No row twice, the same seed the same rows, another seed another order of the same rows."""
    _, _, schedule, _ = made(name)
    keys = _keys(schedule)
    assert len(set(keys)) == len(keys)
    assert made(name)[2].csv() == schedule.csv()
    other = made(name, seed=4)[2]
    assert other.csv() != schedule.csv()
    assert sorted(_keys(other)) == sorted(keys)


def _keys(schedule: Schedule) -> list[tuple[Any, ...]]:
    own = {"operator"} & set(schedule.effects if "part" in schedule.effects else ())
    left_out = {"order", "reading", "time", "operator"} - own
    kept = [*(c for c in schedule.columns if c not in left_out), *({"visit"} & set(schedule.effects))]
    return [tuple((c, r[c]) for c in kept) for r in schedule.rows]


def test_each_method_comes_first_in_half_of_the_targets() -> None:
    """Within one reading; and the other way round at the next pair of the same target."""
    _, _, schedule, _ = made("limits")
    first = {}
    for row in schedule.rows:
        first.setdefault((row["participant"], row["replicate"]), row["method"])
    assert Counter(m for (_, r), m in first.items() if r == 1) == {"method a": 6, "method b": 6}
    assert all(first[p, 1] != first[p, 2] for p, _ in first)


def test_operators_share_the_work_evenly() -> None:
    """Every operator takes every sensor at some check, and the same number of sensors at each."""
    _, _, schedule, _ = made("retire")
    worn = [r for r in schedule.rows if not r["sensor"].startswith("stored")]
    assert len({(r["sensor"], r["operator"]) for r in worn}) == 8 * 2
    assert set(Counter((r["use"], r["replicate"], r["operator"]) for r in worn).values()) == {4}


def test_stored_sensors_are_checked_at_every_visit_and_never_used() -> None:
    """Without them the rig's own change cannot be told from wear, which goes with time."""
    _, _, schedule, text = made("slope")
    stored = [r for r in schedule.rows if r["sensor"].startswith("stored")]
    assert len(stored) == 2 * 5 * 2
    assert {r["use"] for r in stored} == {"0"}
    assert schedule.files["sensors.csv"].count("control") == 2
    assert "sensors.csv" in text


def test_operators_are_not_the_place_in_the_order() -> None:
    """Who reads first is not always the same person: fatigue and operator can be told apart."""
    for n, k, o in ((12, 2, 2), (12, 4, 2), (12, 4, 4), (10, 3, 2)):
        question = asked_of("sem", {"targets": (n,), "levels": (k,), "within": 500.0}).question
        schedule = make_schedule(question, {"targets": n, "levels": k, "repeats": 1}, ("participant", "sensor"), o,
                                 seed=2)
        codes = {c: np.unique([str(r[c]) for r in schedule.rows], return_inverse=True)[1]
                 for c in ("operator", "place", "sensor")}
        found = overlaps(codes)
        assert found["operator", "place"] < 0.5
        assert found["operator", "sensor"] < 0.5


def _apart(rows: Any, *within: str) -> int:
    """Return the largest difference between the numbers of two operators' rows, over the levels of some columns."""
    who = sorted({r["operator"] for r in rows})
    found = Counter((*(r[c] for c in within), r["operator"]) for r in rows)
    return max(max(at) - min(at) for levels in {key[:-1] for key in found} for at in [[found[*levels, w] for w in who]])


@pytest.mark.parametrize(("n", "k", "o", "m"), [(10, 3, 2, 1), (10, 3, 3, 1), (10, 3, 3, 2), (12, 4, 4, 1),
                                                (7, 5, 2, 1), (20, 4, 3, 1), (10, 3, 5, 1), (6, 2, 3, 1)])
@pytest.mark.parametrize("facet", ["sensor", "session"])
def test_operators_are_balanced_over_levels_and_targets(n: int, k: int, o: int, m: int, facet: str) -> None:
    """Within each they differ by one cell at most (of m repeats); and by two over places in the order."""
    question = asked_of("sem", {"targets": (n,), "levels": (k,), "within": 500.0}).question
    for seed in range(4):
        rows = make_schedule(question, {"targets": n, "levels": k, "repeats": m}, ("participant", facet), o,
                             seed=seed).rows
        assert _apart(rows, facet) <= m
        assert _apart(rows, "participant") <= m
        assert _apart(rows) <= m
        assert _apart(rows, "place") <= 2 * m
        assert len(rows) == n * k * m


def test_two_levels_are_not_always_read_by_one_operator() -> None:
    """As they would be in a plain rotation: what operators differ by would enter some differences of sensors only."""
    question = asked_of("sem", {"targets": (30,), "levels": (3,), "within": 500.0}).question
    design = {"targets": 30, "levels": 3, "repeats": 1}
    rows = make_schedule(question, design, ("participant", "sensor"), 2, seed=1).rows
    who = {(r["participant"], r["sensor"]): r["operator"] for r in rows}
    people, sensors = (sorted({key[i] for key in who}) for i in (0, 1))
    for a, b in itertools.combinations(sensors, 2):
        assert 3 <= sum(who[p, a] == who[p, b] for p in people) <= 20


@pytest.mark.parametrize(("n", "checks", "m", "groups", "o"), [(8, 6, 2, 1, 9), (10, 6, 1, 1, 9), (5, 5, 2, 2, 3),
                                                               (12, 7, 1, 2, 4)])
def test_operators_share_checks_evenly(n: int, checks: int, m: int, groups: int, o: int) -> None:
    """At every visit, of every sensor and of each construction at a visit they differ by one check at most."""
    question = asked_of("slope", {**WEAR, "sensors": (n,), "checks": (checks,), "mountings": (m,), "half_width": 1.0,
                                  "groups": groups}).question
    rows = make_schedule(question, {"sensors": n, "checks": checks, "mountings": m}, ("participant", "sensor"), o,
                         seed=3).rows
    rows = [{"replicate": 1, **r} for r in rows]
    assert _apart(rows) <= 1
    assert _apart(rows, "sensor") <= 1
    assert _apart(rows, "visit", "replicate") <= 1
    first = [r for r in rows if r["sensor"].startswith("S") and (int(r["sensor"][1:]) - 1) % groups == 0]
    assert _apart(first, "visit", "replicate") <= 1


@pytest.mark.parametrize("name", PLANS)
def test_a_sorted_sheet_can_be_put_back_into_order(name: str) -> None:
    _, _, schedule, _ = made(name)
    assert schedule.columns[:2] == ("order", "time")
    assert [r["order"] for r in schedule.rows] == list(range(1, len(schedule.rows) + 1))


def test_an_operator_takes_both_readings_of_a_pair() -> None:
    """Otherwise a difference of operators is part of the difference of methods."""
    _, _, schedule, _ = made("limits")
    hands = {}
    for row in schedule.rows:
        hands.setdefault((row["participant"], row["replicate"]), set()).add(row["operator"])
    assert all(len(h) == 1 for h in hands.values())
    first = Counter(row["operator"] for row in schedule.rows if row["replicate"] == 1)
    assert set(first.values()) == {12}


def test_a_schedule_of_levels_of_ones_own_is_refused() -> None:
    """ICC(1) is not the coefficient of the table that would be scheduled."""
    question = asked_of("icc", {"icc": 0.8, "targets": (12,), "levels": (3,), "form": "ICC(1)", "width": 0.5}).question
    with pytest.raises(DriftError, match=r"ICC\(A,1\)"):
        make_schedule(question, {"targets": 12, "levels": 3, "repeats": 1}, ("participant", "sensor"), 1, seed=1)


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
def test_orders_are_balanced_for_what_comes_before(k: int) -> None:
    """Williams (1949): each treatment follows each other one equally often, and stands in every place equally often."""
    orders = balanced_orders(k, np.random.default_rng(1))
    after = Counter(pair for row in orders for pair in itertools.pairwise(row))
    assert len(after) == k * (k - 1)
    assert len(set(after.values())) == 1
    assert all(len(set(Counter(row[p] for row in orders).values())) == 1 for p in range(k))


def test_confounded_schedules_are_refused() -> None:
    """Each operator has sensors of her own: the two are named."""
    rows = [{"sensor": s, "operator": "A" if s in "12" else "B"} for s in "1234" for _ in range(3)]
    with pytest.raises(DriftError) as caught:
        refuse_confounded(rows, ("sensor", "operator"), file="checks.csv")
    finding = caught.value.findings[0]
    assert finding.code == "confounded-schedule"
    assert "sensor with operator" in finding.message


def test_as_many_operators_as_would_alias_are_refused() -> None:
    """Two targets, two levels, two operators: who read what is then the same as which level on which target."""
    question = asked_of("sem", {"targets": (3,), "levels": (2,), "within": 500.0}).question
    with pytest.raises(DriftError, match="cannot be told"):
        make_schedule(question, {"targets": 3, "levels": 2, "repeats": 1}, ("participant", "sensor"), 6, seed=1)


def test_a_facet_that_a_pilot_calls_use_has_no_schedule() -> None:
    """Uses are numbers that come one after another, which no order of levels U1, U2, U3 is."""
    question = asked_of("sem", {"targets": (8,), "levels": (3,), "within": 500.0}).question
    with pytest.raises(DriftError, match="'use'"):
        make_schedule(question, {"targets": 8, "levels": 3, "repeats": 1}, ("participant", "use"), 1, seed=1)


def test_the_plan_stands_where_reporting_items_and_locks_look_for_it() -> None:
    assert tomllib.loads(made("icc")[3])["reporting"] == {"sample_size": "Plan."}
