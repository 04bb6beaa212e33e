"""A retire-after count or a limit that lies beyond what is drawn keeps its words inside the figure."""

from __future__ import annotations

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from drift.report import drawing as look


@pytest.mark.parametrize(("x", "arrow"), [(37.0, "\N{RIGHTWARDS ARROW}"), (-3.0, "\N{LEFTWARDS ARROW}"), (12.0, "")])
def test_the_words_stay_inside_the_axes(x: float, arrow: str) -> None:
    figure = Figure(figsize=(4.9, 3.5), dpi=100)
    painter = FigureCanvasAgg(figure)
    axes = figure.add_subplot()
    axes.set_xlim(0, 31.8)
    look.note_count(axes, x, "retire after at least 37")
    (words,) = axes.texts
    box, frame = words.get_window_extent(painter.get_renderer()), axes.get_window_extent()
    assert frame.x0 <= box.x0
    assert box.x1 <= frame.x1
    assert (arrow in words.get_text()) if arrow else (words.get_text() == "retire after at least 37")
    assert axes.get_xlim() == (0, 31.8)
    assert len(axes.lines) == (0 if arrow else 1)
