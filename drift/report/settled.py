"""Axes whose ticks and names stand still between the layout and the last drawing of a figure.

A figure is measured once or twice and drawn twice, as pixels and as lines. Left to itself the library works out ticks,
their words and the place of each axis' name anew four to eight times on the way, always with the same outcome.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

# What an axis is asked for on every drawing. Should a later version of the library ask otherwise, figures are drawn as
# before, only slower.
_TICKS, _BOXES = "_update_ticks", "_get_ticklabel_bboxes"


def hold(axes: Any) -> None:
    """Work out ticks and the room of their words now, and keep them until :func:`release`."""
    for axis in (axes.xaxis, axes.yaxis):
        if hasattr(axis, _TICKS) and hasattr(axis, _BOXES):
            ticks, measure = getattr(axis, _TICKS)(), getattr(axis, _BOXES)
            setattr(axis, _TICKS, lambda ticks=ticks: ticks)
            setattr(axis, _BOXES, _once(measure))


def release(axes: Any) -> None:
    """Let ticks be worked out anew."""
    for axis in (axes.xaxis, axes.yaxis):
        for name in (_TICKS, _BOXES):
            vars(axis).pop(name, None)


def settle(axes: Any, renderer: Any) -> None:
    """Keep ticks and the place of the axes' names for good: nothing of the figure moves any more."""
    if not axes.axison:
        return
    hold(axes)
    to_axes = axes.transAxes.inverted()
    for axis, across in ((axes.xaxis, True), (axes.yaxis, False)):
        if not axis.get_visible():
            continue
        # Puts the name where it belongs: along the axis in shares of its length, across it in pixels.
        axis.get_tightbbox(renderer)
        x, y = axis.label.get_position()
        placed = (x, to_axes.transform((0.0, y))[1]) if across else (to_axes.transform((x, 0.0))[0], y)
        axis.set_label_coords(*placed, transform=axes.transAxes)
        if not axis.offsetText.get_text() and _BOXES in vars(axis):
            setattr(axis, _BOXES, lambda *_: ([], []))  # asked only to place a common factor, and there is none
        else:
            vars(axis).pop(_BOXES, None)  # measured in pixels of this drawing, not of the next


def _once(measure: Callable[..., Any]) -> Callable[..., Any]:
    """Keep the first answer, and hand out boxes of its own to everybody who asks."""
    known: list[Any] = []

    def answer(*asked: Any) -> Any:
        if not known:
            known.append(measure(*asked))
        return tuple([box.frozen() for box in boxes] for boxes in known[0])

    return answer
