"""Shapes of drift beside the drift per use: what is said, refused and drawn, and what ``start`` leaves out."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from drift.records import CheckTable, Tables
from drift.report.drawing import make
from drift.report.figures_of_shapes import shape_drawings
from drift.retirement import retire
from drift.sensitivity import WearResult, fit_wear
from drift.sensitivity.shapes import _kept, _missed, claimed, judge_rows
from drift.study import Study
from tests.sensitivity.worlds import laboratory, study

MANY = (0, 2, 5, 10, 15, 20, 25, 30, 40)


def bent(kind: str, **more: object) -> Tables:
    """Simulate wear that breaks, breaks in or accelerates on top of a straight line."""
    tables = laboratory(**{"seed": 1, "n": 10, "uses": MANY, **more})  # type: ignore[arg-type]
    checks = tables.checks
    assert checks is not None
    columns = {c: checks[c].copy() for c in checks.columns}
    u = columns["use"]
    extra = {"break": -0.008 * np.maximum(u - 20, 0), "break-in": -0.08 * (1 - np.exp(-u / 4)),
             "accelerating": -0.00015 * u**2, "straight": 0 * u}[kind]
    columns["reading"] = 5 + (columns["reading"] - 5) * np.exp(extra)
    return replace(tables, checks=CheckTable(columns, checks.row, checks.file, units=dict(checks.units)))


@cache
def fitted(kind: str) -> WearResult:
    return fit_wear(bent(kind), study(), seed=1)


def chosen(result: WearResult) -> str:
    table = result.table("shapes of drift")
    return str(table["shape"][table["chosen"] == "yes"][0])


def codes(result: WearResult) -> list[str]:
    return [f.code for f in result.findings]


def test_a_break_is_located_and_said_in_the_answer() -> None:
    result = fitted("break")
    assert chosen(result) == "broken line"
    assert "changes its rate near use 2" in result.answer
    e = result.estimate("break at use")
    assert e.low < 20 < e.high
    assert result.estimate("p, no break").value == pytest.approx(0.001)
    after = result.estimate("drift per use after the break")
    assert after.low < 100 * np.expm1(-0.012) < after.high
    assert "drift-not-straight" in codes(result)


def test_a_straight_line_is_kept_and_no_break_is_located() -> None:
    result = fitted("straight")
    assert chosen(result) == "straight line"
    assert "drift-straight" in codes(result)
    assert np.isnan(result.estimate("break at use").value)
    assert "break-not-located" in codes(result)
    assert not [e for e in result.estimates if e.name.endswith("the break")]
    assert "not straight" not in result.answer


def test_drift_on_either_side_takes_a_break_that_is_bounded_at_97_5_percent_too() -> None:
    tables = laboratory(seed=1, n=7, uses=MANY)
    checks = tables.checks
    assert checks is not None
    columns = {c: checks[c].copy() for c in checks.columns}
    columns["reading"] = 5 + (columns["reading"] - 5) * np.exp(-0.002 * np.maximum(columns["use"] - 20, 0))
    made = CheckTable(columns, checks.row, checks.file, units=dict(checks.units))
    result = fit_wear(replace(tables, checks=made), study(), seed=1)
    e = result.estimate("break at use")
    assert np.isfinite([e.low, e.high]).all()  # the printed set is bounded: the naive twin would tell both slopes
    assert not [e for e in result.estimates if e.name.endswith("the break")]
    told = next(f for f in result.findings if f.code == "break-slopes-not-told")
    assert told.message.endswith("is not told: it takes a break that is bounded on both sides at 97.5 % too")


def test_what_is_said_of_a_straight_line_that_is_kept_is_so_of_every_shape() -> None:
    rng = np.random.default_rng(3)
    x, code = np.tile(np.array(MANY) / 40, 6), np.repeat(np.arange(6), len(MANY))
    y = -0.2 * x + rng.normal(0, 0.03, 6)[code] + rng.normal(0, 0.01, len(x))
    s = judge_rows(x, y, code, sign=-1.0, first=1 / 40, span=40.0, level=0.95, rng=rng, located=False)
    names = [j.name for j in s.judged]
    first = replace(s, gain=np.array([0.0, -0.2, -0.1, -0.3, -0.1, -0.1, -0.1]), se=np.full(7, 0.1))
    assert _kept(first, names) == "it predicts left-out sensors better than any of 6 other shapes"
    # The best is ahead by less than its standard error, another by more than its own: "none is ahead" would be false.
    second = replace(s, gain=np.array([0.0, 0.3, -0.1, 0.2, -0.1, -0.1, -0.1]), se=np.array([0, 0.4] + [0.1] * 5))
    said = _kept(second, names)
    assert f"the best of 6 other shapes, {names[1]}, predicts left-out sensors better by 0.30" in said
    assert f"ahead by more than theirs, though less than the best: {names[3]} by 0.20 (standard error 0.10)" in said
    # Six sensors miss bends in a fifth of studies or more, which is told beside the line.
    assert "was missed in" in _missed(s)
    assert "6 sensors" in _missed(s)


def test_three_uses_tell_no_break_and_two_no_shape() -> None:
    result = fit_wear(laboratory(seed=2, uses=(0, 10, 20)), study(), seed=1)
    assert "no-break-looked-for" in codes(result)
    assert "broken line" not in set(result.table("shapes of drift")["shape"])
    result = fit_wear(laboratory(seed=2, uses=(0, 20), mountings=3), study(), seed=1)
    found = [f for f in result.findings if f.code == "shapes-refused"]
    assert len(found) == 1
    assert "cannot be told from 2 use counts" in found[0].message


def test_the_figure_marks_the_chosen_shape_and_the_break() -> None:
    result = fitted("break")
    drawn = shape_drawings(result)
    assert [d[0] for d in drawn] == ["shapes ", "variogram "]
    figure = make("shapes", drawn[0][1], drawn[0][2], size=drawn[0][3])
    assert "broken line predicts left-out sensors better" in figure.caption
    assert "broken line (chosen)" in figure.svg


def test_start_leaves_early_uses_out_of_the_slope_and_says_so() -> None:
    tables = bent("break-in")
    plain, later = fitted("break-in"), fit_wear(tables, study(start=15), seed=1)
    assert chosen(plain) in ("break-in", "broken line")
    assert later.drift().low < -0.004 < later.drift().high
    assert plain.drift().high < -0.004  # with the break-in in it the slope is too steep
    assert "from use 15 on" in later.answer
    e = later.estimate("change before start")
    assert e.low < 100 * np.expm1(-0.08) < e.high
    account = later.provenance.accounts[0]
    assert account.excluded == sum(1 for x in later.exclusions if "start" in x.reason) > 0


def test_retirement_counts_from_fresh_and_uses_the_later_lines() -> None:
    tables = bent("break-in", slope_sd=0.0004)
    parts = {"study": {"title": "t", "use_is": "a walk"}, "limits": {"sensitivity_change": 0.2}}
    counts = {}
    for start in (None, 15):
        s = Study.model_validate({**parts, "sensitivity": {"start": start} if start else {}})
        wear = fit_wear(tables, s, seed=1)
        result = retire(wear, s, tables, seed=1)
        counts[start] = result.estimate("average sensor reaches the limit (not a policy)").value
        assert ("lines begin at 15" in result.answer) is (start == 15)
    # Truth: 0.08 + 0.004 u = log(1/0.8), u = 35.8; a line through the break-in misses that the fall slows down.
    assert counts[15] == pytest.approx((0.22314 - 0.08) / 0.004, rel=0.06)


def test_another_seed_moves_only_what_is_drawn() -> None:
    tables = bent("straight")
    a, b = fitted("straight"), fit_wear(tables, study(), seed=2)
    moved = {e.name for e, f in zip(a.estimates, b.estimates, strict=True) if e.to_dict() != f.to_dict()}
    assert moved <= {"p, no break"}


@cache
def without_change() -> WearResult:
    """Noise alone, with a seed by which the rule of one standard error chooses a bend."""
    tables = laboratory(seed=2, n=6, slope=0.0, slope_sd=0.0003, mountings=1, uses=(0, 5, 10, 15, 20, 25, 30),
                        levels=(200.0, 400.0))
    return fit_wear(tables, study(), seed=1)


def test_no_shape_is_claimed_where_no_change_is_shown() -> None:
    result = without_change()
    assert chosen(result) != "straight line"  # the table keeps the choice
    assert "is not shown to change" in result.answer
    assert "not straight" not in result.answer
    assert "shape-not-claimed" in codes(result)
    assert "drift-not-straight" not in codes(result)


def test_the_figure_of_a_choice_that_is_not_claimed_says_so() -> None:
    first = shape_drawings(without_change())[0]
    assert "no shape is claimed" in make("shapes", first[1], first[2], size=first[3]).caption


@pytest.mark.parametrize(("slope", "gain", "se", "place", "said"), [
    ((-0.01, 0.001, 7.0), 0.2, 0.15, 2, True),  # a change is shown
    ((0.0001, 0.001, 7.0), 0.17, 0.13, 2, False),  # none is
    ((0.0001, 0.001, 7.0), 2.4, 0.44, 2, True),  # it goes and comes back, plainly
    ((0.0001, 0.001, 7.0), 0.4, 0.14, 2, False),
    ((-0.01, 0.001, 7.0), 0.0, 0.0, 0, False),  # the straight line itself
])
def test_what_is_claimed(slope: Any, gain: float, se: float, place: int, said: bool) -> None:
    setting: Any = SimpleNamespace(group=SimpleNamespace(fit=SimpleNamespace(slope=slope)), level=0.95)
    shapes: Any = SimpleNamespace(chosen=place, gain=[0.0, 0.0, gain], se=[0.0, 0.0, se])
    assert claimed(setting, shapes) is said
