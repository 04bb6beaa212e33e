"""Ticks and names that stand still after the layout leave a figure as it was."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from drift.report import drawing
from drift.report.drawing import Figure, make


def plain(axes: Any) -> str:
    axes.plot([0, 3, 9], [1.0, 250.0, 90.0])
    axes.set_xlabel("use")
    axes.set_ylabel("drift [%]")
    return "A line."


def on_logs(axes: Any) -> str:
    axes.plot([1, 30, 900], [0.002, 1.0, 40.0])
    axes.set_yscale("log")
    axes.set_ylabel("SD [kPa]")
    axes.set_title("On a log axis")
    return "Logs."


def with_a_factor(axes: Any) -> str:
    axes.plot([0, 1, 2], [1e9, 1.2e9, 4e9])
    axes.set_xlabel("use")
    axes.set_ylabel("count")
    return "A common factor stands beside the axis."


def two_axes(axes: Any) -> str:
    axes.figure.delaxes(axes)
    left, right = axes.figure.subplots(1, 2)
    plain(left)
    right.barh(["laminated", "plain"], [3, 5])
    right.set_xlabel("share [%]")
    return "Two."


def bare(axes: Any) -> str:
    axes.set_axis_off()
    axes.text(0.5, 0.5, "no ticks")
    return "None."


@pytest.fixture
def unsettled(monkeypatch: pytest.MonkeyPatch) -> Callable[[Callable[[Any], str]], Figure]:
    """Draw as the library does by itself."""
    def draw(picture: Callable[[Any], str]) -> Figure:
        for name in ("settle", "hold", "release"):
            monkeypatch.setattr(drawing, name, lambda *_: None)
        made = make("p", "P", picture)
        monkeypatch.undo()
        return made

    return draw


@pytest.mark.parametrize("picture", [plain, on_logs, with_a_factor, two_axes, bare])
def test_pixels_are_the_same_and_lines_move_by_less_than_half_a_point(picture: Callable[[Any], str],
                                                                      unsettled: Any) -> None:
    before, after = unsettled(picture), make("p", "P", picture)
    assert after.png == before.png
    numbers = [np.array([float(v) for v in re.findall(r"-?\d+\.?\d*", f.svg)]) for f in (before, after)]
    assert np.abs(numbers[0] - numbers[1]).max() < 0.5
    assert re.sub(r"-?\d+\.?\d*", "", before.svg) == re.sub(r"-?\d+\.?\d*", "", after.svg)


def test_ticks_are_worked_out_a_few_times_and_not_at_every_look(monkeypatch: pytest.MonkeyPatch) -> None:
    """The library by itself does so a dozen times a figure and axis."""
    from matplotlib.axis import Axis

    seen = []
    original = Axis._update_ticks
    monkeypatch.setattr(Axis, "_update_ticks", lambda self: seen.append(self) or original(self))
    make("p", "P", plain)
    assert 2 <= len(seen) <= 8
