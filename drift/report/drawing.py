"""How every figure looks, and how it becomes bytes that are the same on every run."""

from __future__ import annotations

import io
import math
import re
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from drift.report.settled import hold, release, settle

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# One meaning, one colour and one lightness, so that a grey print keeps them apart.
INK = "#1d2733"
DATA = "#5d7f99"
MODEL = "#0b3c5d"
BAND = "#b9cfdd"
LIMIT = "#a63a1e"
BOUND = "#7a4b00"
SAFE = "#dfe9d8"
FAINT = "#8a949e"
# Sensors, methods or constructions side by side: dark to light, each with a marker of its own.
SERIES = ("#0b3c5d", "#b5541c", "#3f7d5a", "#8c6bb1", "#c99a2e", "#6b6f75")
MARKERS = ("o", "s", "^", "D", "v", "P")
DASHES = ("-", "--", "-.", ":", (0, (5, 1, 1, 1)), (0, (1, 1)))

WIDE = 8.0  # inches from which on a figure stands across the page
PNG_DPI = 150.0
EDGE = 3.0  # points left free around the words of a picture
FIRST_EDGES = {"left": 0.14, "right": 0.97, "bottom": 0.14, "top": 0.97}
# A hair from a word to what it names. Left as it is, the library seeks by bisection where it leaves the word's box,
# which costs more than the picture's curves.
HAIR: dict[str, Any] = {"arrowstyle": "-", "patchA": None, "shrinkA": 0, "shrinkB": 0}
SETTINGS: dict[str, Any] = {
    "svg.fonttype": "none", "svg.hashsalt": "drift", "svg.id": "drift", "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 9.0, "axes.labelsize": 9.5, "axes.titlesize": 10.0, "axes.titlelocation": "left",
    "axes.edgecolor": INK, "axes.labelcolor": INK, "text.color": INK, "xtick.color": INK, "ytick.color": INK,
    "xtick.labelsize": 9.0, "ytick.labelsize": 9.0, "axes.grid": True, "grid.color": "#e4e8ec", "grid.linewidth": 0.7,
    "axes.axisbelow": True, "figure.facecolor": "white", "axes.facecolor": "white", "savefig.facecolor": "white",
    "lines.linewidth": 1.6, "legend.frameon": False, "lines.solid_capstyle": "round", "patch.edgecolor": "white",
    "patch.force_edgecolor": True, "axes.spines.top": False, "axes.spines.right": False,
}


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One finished figure: name of its files, caption with the finding, and its bytes."""

    name: str
    title: str
    caption: str
    svg: str
    png: bytes

    @property
    def wide(self) -> bool:
        """Whether it is made to stand across the page."""
        found = re.search(r'viewBox="0 0 ([0-9.]+) ', self.svg)
        return found is not None and float(found[1]) > 72 * WIDE

    @property
    def inline(self) -> str:
        """The picture as it stands inside a page: no prologue, scaled by the page, described for a reader."""
        body = self.svg[self.svg.index("<svg"):]
        head, rest = body.split(">", 1)
        head = re.sub(r'\s(width|height)="[^"]*"', "", head)
        return f'{head} role="img" aria-label="{_attribute(self.title)}">{rest}'


def _attribute(text: str) -> str:
    return text.replace("&", "&amp;").replace('"', "&quot;").replace("<", "&lt;")


@contextmanager
def style() -> Iterator[None]:
    """Plot with the house settings and leave the caller's untouched."""
    import matplotlib as mpl

    with mpl.rc_context():
        mpl.rcParams.update(SETTINGS)  # type: ignore[arg-type]
        yield


def make(name: str, title: str, draw: Callable[[Axes], str], *, size: tuple[float, float] = (4.9, 3.5)) -> Figure:
    """Draw one figure and return it as SVG text and PNG bytes.

    ``draw`` gets an empty axes and returns the caption. Text stays text; ids come from a fixed salt and the
    file carries no date, so that the same result gives the same bytes.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Canvas

    with style():
        # One renderer measures the words for the layout and draws the PNG, so that each is measured once.
        canvas = Canvas(figsize=size, dpi=PNG_DPI)
        painter = FigureCanvasAgg(canvas)
        axes = canvas.add_subplot()
        caption = draw(axes)
        _lay_out(canvas)  # once, the same in both files
        for own in canvas.axes:
            settle(own, painter.get_renderer())  # type: ignore[no-untyped-call]
        svg, png = io.StringIO(), io.BytesIO()
        # The two printers themselves: the common entry would draw each picture once more to lay it out.
        pixels = {"metadata": {"Software": None}, "pil_kwargs": {"compress_level": 4}}
        painter.print_png(png, **pixels)  # type: ignore[no-untyped-call]
        FigureCanvasSVG(canvas).print_svg(svg, metadata={"Date": None, "Creator": None})  # type: ignore[no-untyped-call]
    return Figure(name=name, title=title, caption=caption, svg=_own_ids(svg.getvalue(), name), png=png.getvalue())


def _lay_out(canvas: Any) -> None:
    """Give one axes all the paper that its words leave free; several are laid out by the library.

    The library measures every picture twice. Here a second look is taken only where the first moved an edge so far
    that other ticks, and so other words, may stand there.
    """
    if len(canvas.axes) != 1 or canvas.legends or canvas.texts:
        canvas.set_layout_engine("constrained")
        canvas.get_layout_engine().execute(canvas)
        canvas.set_layout_engine("none")
        return
    (axes,), renderer, paper = canvas.axes, canvas.canvas.get_renderer(), canvas.bbox
    placed = FIRST_EDGES
    canvas.subplots_adjust(**placed)
    for _ in range(2):
        hold(axes)
        words, frame = axes.get_tightbbox(renderer, for_layout_only=True), axes.bbox
        pad = EDGE / 72 * canvas.dpi
        edges = {"left": (frame.x0 - words.x0 + pad) / paper.width,
                 "right": 1 - (words.x1 - frame.x1 + pad) / paper.width,
                 "bottom": (frame.y0 - words.y0 + pad) / paper.height,
                 "top": 1 - (words.y1 - frame.y1 + pad) / paper.height}
        if edges["right"] - edges["left"] < 0.2 or edges["top"] - edges["bottom"] < 0.2:
            return  # words wider than the paper: leave the frame readable
        canvas.subplots_adjust(**edges)
        release(axes)
        if max(abs(edges[k] - placed[k]) for k in edges) < 0.05:
            return
        placed = edges


def _own_ids(svg: str, name: str) -> str:
    """Prefix every id with the figure's name, so that several figures can stand in one page."""
    svg = re.sub(r'\bid="([^"]+)"', rf'id="{name}-\1"', svg)
    svg = re.sub(r'(xlink:href="#|url\(#)([^")]+)', rf"\g<1>{name}-\2", svg)
    return svg


def spread(wanted: Sequence[float], gap: float, within: tuple[float, float] | None = None) -> list[float]:
    """Move label positions apart until neighbours are at least ``gap`` away, as little as possible.

    Blocks of colliding labels are centred on the mean of what they wanted, in order. ``within`` bounds where labels
    may stand as long as they fit there: a bundle of curves that ends at the top of a picture hangs its names below it.
    """
    order = sorted(range(len(wanted)), key=lambda i: wanted[i])
    blocks: list[list[int]] = []
    centres: list[float] = []

    def centre(block: list[int]) -> float:
        return sum(wanted[i] for i in block) / len(block)

    for i in order:
        blocks.append([i])
        centres.append(wanted[i])
        while len(blocks) > 1 and (centres[-1] - centres[-2]
                                   < gap * (len(blocks[-1]) + len(blocks[-2])) / 2):
            last = blocks.pop()
            centres.pop()
            blocks[-1] += last
            centres[-1] = centre(blocks[-1])
    placed = [0.0] * len(wanted)
    for block, middle in zip(blocks, centres, strict=True):
        for step, i in enumerate(block):
            placed[i] = middle + gap * (step - (len(block) - 1) / 2)
    if within is None or not order or gap * (len(order) - 1) > within[1] - within[0]:
        return placed
    for rank, i in enumerate(order):  # no lower than leaves room for those below, then no higher than for those above
        placed[i] = max(placed[i], within[0] + gap * rank)
    for rank, i in enumerate(reversed(order)):
        placed[i] = min(placed[i], within[1] - gap * rank)
    return placed


def beside(wanted: Sequence[float], gap: float, lines: Sequence[float]) -> list[float]:
    """Move label positions apart as :func:`spread` does, and off horizontal lines, each to the side it came from."""
    edges = [-math.inf, *sorted(lines), math.inf]
    placed = [0.0] * len(wanted)
    for low, high in pairwise(edges):
        here = [i for i, y in enumerate(wanted) if low <= y < high]
        room = gap * (len(here) + 1)
        bottom = low + 0.75 * gap if math.isfinite(low) else min((wanted[i] for i in here), default=0.0) - room
        top = high - 0.75 * gap if math.isfinite(high) else max((wanted[i] for i in here), default=0.0) + room
        for i, at in zip(here, spread([wanted[i] for i in here], gap, (bottom, top)), strict=True):
            placed[i] = at
    return placed


def label_gap(axes: Axes, points: float) -> float:
    """Return a distance on paper [pt] along the vertical axis, in data units, or in their logs on a log axis."""
    low, high = axes.get_ylim()
    if axes.get_yscale() == "log":
        low, high = math.log(low), math.log(high)
    return (high - low) * points / max(axes.get_window_extent().height * 72 / axes.figure.dpi, 1.0)


def end_labels(axes: Axes, x: Sequence[float], y: Sequence[float], words: Sequence[str], *, colour: str = FAINT,
               size: float = 8.0, lines: float = 1) -> None:
    """Write words at the right edge beside the ends of lines, moved apart where they would collide."""
    gap = label_gap(axes, 1.15 * size * lines)
    on_log = axes.get_yscale() == "log"
    low, high = sorted(axes.get_ylim())
    heights = ([math.exp(v) for v in spread([math.log(v) for v in y], gap, (math.log(low), math.log(high)))] if on_log
               else spread(y, gap, (low, high)))
    for at, y0, placed, word in zip(x, y, heights, words, strict=True):
        axes.annotate(word, xy=(at, y0), xytext=(1.01, placed), xycoords="data",
                      textcoords=axes.get_yaxis_transform(), fontsize=size, color=colour, va="center",
                      annotation_clip=False,
                      arrowprops={**HAIR, "relpos": (0, 0.5), "color": "#c9d0d6", "lw": 0.5})


def own_labels(axes: Axes, x: Sequence[float], y: Sequence[float], words: Sequence[str], *, size: float = 7.5,
               free_of: Sequence[float] = ()) -> None:
    """Write words just behind the end of each line, joined to it by a hair.

    Those that end together stand in a column, moved apart; none stands on a horizontal line at a height in ``free_of``.
    """
    gap = label_gap(axes, 1.5 * size)
    for at in sorted(set(x)):
        here = [i for i in range(len(x)) if x[i] == at]
        for i, placed in zip(here, beside([y[i] for i in here], gap, free_of), strict=True):
            # The text is placed in points from the end of its own line, so that a later change of size keeps it there.
            shift = (placed - y[i]) / gap * 1.5 * size
            axes.annotate(words[i], (at, y[i]), xytext=(9, shift), textcoords="offset points", fontsize=size, color=INK,
                          va="center", annotation_clip=False, zorder=4,
                          bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.2},
                          arrowprops={**HAIR, "relpos": (0, 0.5), "color": INK, "lw": 0.4})


def note_line(axes: Axes, y: float, words: str, *, colour: str = LIMIT, dashes: Any = "--", at: float = 0.01,
              above: bool = True, align: str = "left") -> None:
    """Draw a horizontal line with its words on it."""
    axes.axhline(y, color=colour, linestyle=dashes, linewidth=1.3)
    axes.annotate(words, xy=(at, y), xycoords=axes.get_yaxis_transform(), xytext=(0, 3 if above else -3),
                  textcoords="offset points", fontsize=8.5, color=colour, va="bottom" if above else "top", ha=align,
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.75, "pad": 0.8})


def note_count(axes: Axes, x: float, words: str, *, colour: str = INK) -> None:
    """Draw a vertical line with its words at the top, on the side with room; an arrow where it lies outside."""
    left, right = axes.get_xlim()
    if not left <= x <= right:
        told, at, side = (f"{words} \N{RIGHTWARDS ARROW}", 0.99, "right") if x > right else (
            f"\N{LEFTWARDS ARROW} {words}", 0.01, "left")
        axes.annotate(told, xy=(at, 0.98), xycoords="axes fraction", fontsize=9, fontweight="bold", color=colour,
                      va="top", ha=side, bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.0})
        return
    axes.axvline(x, color=colour, linewidth=1.3)
    room_right = (x - left) / (right - left) < 0.6
    axes.annotate(words, xy=(x, 0.98), xycoords=axes.get_xaxis_transform(), xytext=(4 if room_right else -4, 0),
                  textcoords="offset points", fontsize=9, fontweight="bold", color=colour, va="top",
                  ha="left" if room_right else "right",
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.85, "pad": 1.0})
