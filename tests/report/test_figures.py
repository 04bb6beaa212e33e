"""Figures: intervals drawn, units on every axis, a finding in every caption, the same bytes every time."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import matplotlib as mpl
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Canvas

from drift.report import drawing, figures, figures_of_agreement, figures_of_trials
from drift.report.drawing import make, spread
from tests.report.example_results import agreement_result, reliability_result, retirement_result, wear_result

DRAWINGS: dict[str, Callable[[Axes], str]] = {
    "drift": partial(figures.drift_figure, wear_result(), construction="plain", retired=retirement_result()),
    "limit": partial(figures.limit_figure, retirement_result(), wear_result(), construction="plain",
                     limit="sensitivity_change"),
    "agreement": partial(figures_of_agreement.agreement_figure, agreement_result()),
    "shares": partial(figures_of_trials.shares_figure, reliability_result()),
}


def axes_of(draw: Callable[[Axes], str]) -> tuple[Axes, str]:
    axes = Canvas().add_subplot()
    return axes, draw(axes)


@pytest.mark.parametrize("name", DRAWINGS)
def test_every_axis_of_numbers_has_its_unit(name: str) -> None:
    axes, _ = axes_of(DRAWINGS[name])
    labels = [axes.get_xlabel()] if name == "shares" else [axes.get_xlabel(), axes.get_ylabel()]
    for label in labels:
        # A count of uses is its own unit.
        assert label == "completed uses" or re.search(r"\[.+\]$", label), label


@pytest.mark.parametrize(("name", "finding"), [
    ("drift", "Plain sensors: sensitivity fell by 0.40 (0.34 to 0.46) % per use"), ("limit", "retire after 20 uses"),
    ("agreement", "the difference is 4.0 (1.6 to 6.4) kPa on average"),
    ("shares", "86 to 91 % of the variance of one reading comes from participant")])
def test_the_caption_is_a_sentence_with_the_finding(name: str, finding: str) -> None:
    _, caption = axes_of(DRAWINGS[name])
    assert finding in caption
    assert caption.endswith(".")
    assert caption[0].isupper()


def test_limit_and_count_are_labelled_on_the_drift_figure() -> None:
    axes, _ = axes_of(DRAWINGS["drift"])
    words = [t.get_text() for t in axes.texts]
    assert "retire after 20" in words
    assert "limit 10 % below mean new" in words
    assert {"P01", "P06"} <= set(words)


def test_checks_have_their_intervals() -> None:
    wear = wear_result()
    axes, _ = axes_of(partial(figures.drift_figure, wear, construction="plain"))
    drawn = [c for c in axes.collections if type(c).__name__ == "LineCollection"]
    n = int((wear.table("occasions")["construction"] == "plain").sum())
    assert any(len(c.get_segments()) == n for c in drawn)


def test_an_interval_that_holds_zero_is_not_called_a_fall() -> None:
    wear = wear_result()
    flat = tuple(replace(e, value=-0.1, low=-0.3, high=0.1) for e in wear.estimates)
    _, caption = axes_of(partial(figures.drift_figure, replace(wear, estimates=flat), construction="plain"))
    assert "no certain change" in caption
    assert "fell" not in caption


def test_constructions_share_their_axes() -> None:
    both = [axes_of(partial(figures.drift_figure, wear_result(), construction=c))[0] for c in ("plain", "laminated")]
    assert both[0].get_ylim() == both[1].get_ylim()
    assert both[0].get_xlim() == both[1].get_xlim()


def test_the_same_result_gives_the_same_bytes_and_leaves_settings_alone() -> None:
    before = dict(mpl.rcParams)
    first, second = (make("a", "t", DRAWINGS["agreement"]) for _ in range(2))
    assert first.svg == second.svg
    assert first.png == second.png
    assert dict(mpl.rcParams) == before
    assert "<dc:date>" not in first.svg
    assert "<text" in first.svg  # words stay words


def test_colours_of_series_differ_in_lightness() -> None:
    """Read in grey, no two of the first four series are alike; markers and dashes differ in all six."""
    from matplotlib.colors import to_rgb

    grey = sorted(float(np.dot(to_rgb(c), (0.2126, 0.7152, 0.0722))) for c in drawing.SERIES[:2])
    assert min(np.diff(grey)) > 0.1
    assert len(set(drawing.MARKERS)) == len(set(map(str, drawing.DASHES))) == len(drawing.SERIES)


@given(st.lists(st.floats(-100, 100), min_size=1, max_size=20), st.floats(0.1, 10))
@settings(max_examples=100, deadline=None, derandomize=True)
def test_labels_end_up_apart_and_in_order(wanted: list[float], gap: float) -> None:
    placed = spread(wanted, gap)
    order = np.argsort(wanted, kind="stable")
    assert np.all(np.diff(np.array(placed)[order]) >= gap * (1 - 1e-9) - 1e-9)
    assert np.mean(placed) == pytest.approx(np.mean(wanted), abs=1e-6)


@pytest.mark.parametrize("wanted", [[5.0], [4.9, 5.1], [5.0, 5.0, 5.0, 4.0], [1.0, 9.0]])
def test_labels_stand_apart_and_off_a_limit_on_the_side_they_came_from(wanted: list[float]) -> None:
    placed = drawing.beside(wanted, 1.0, [5.0])
    assert all(abs(p - 5.0) >= 0.74 for p in placed)
    assert all((p < 5.0) == (w < 5.0) for p, w in zip(placed, wanted, strict=True))
    assert all(abs(a - b) >= 0.999 for i, a in enumerate(placed) for b in placed[:i])


def test_a_limit_outside_the_picture_is_told_inside_it() -> None:
    axes, _ = axes_of(lambda a: a.set_ylim(0.5, 0.7) and "")
    assert figures._limit_line(axes, 0.6, "limit", "kPa") == [0.6]
    assert figures._limit_line(axes, 0.4, "limit", "kPa") == []
    told = next(t for t in axes.texts if "picture" in t.get_text())
    assert told.get_text() == "limit: 0.4 kPa, below this picture"
    assert 0 <= told.xy[1] <= 1
