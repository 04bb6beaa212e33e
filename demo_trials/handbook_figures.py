"""Draw the figures of the handbook from the demo trials: ``python3 -m demo_trials.handbook_figures``.

They are shipped inside the package, because the demo trials are not. Captions hold the numbers of the picture and
are written beside it; a test draws everything again and compares.
"""

from __future__ import annotations

import json
import math
import sys
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from drift.ingest import read_tables
from drift.records import TrialTable
from drift.reliability import ReliabilityResult, reliability
from drift.report import drawing as look
from drift.report.drawing import Figure, make
from drift.report.figures_of_d_study import d_study_figure
from drift.results import format_interval
from drift.study import ReliabilityQuestion, read_study

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HERE = Path(__file__).parent
OUT = HERE.parent / "drift" / "handbook" / "figures"
WHERE = {"method": "bench", "gains": "equalised", "measure": "peak pressure", "region": "forefoot", "sensor": "L04"}
PLUS_MINUS = {1: "+", -1: "\N{MINUS SIGN}"}
QUESTION = ReliabilityQuestion(name="demo", target="participant", facet="session", where=WHERE)


def trials() -> TrialTable:
    """Return the readings that the figures are about: forefoot, one sensor, bench calibration."""
    table = read_tables(read_study(HERE)).tables.trials
    assert table is not None
    keep = np.ones(len(table), dtype=bool)
    for column, value in WHERE.items():
        keep &= table[column] == value
    return TrialTable({k: v[keep] for k, v in table.columns.items()}, table.row[keep], table.file, table.sha256,
                      table.units)


def found(table: TrialTable) -> ReliabilityResult:
    """Answer the question for some of the participants."""
    return reliability(table, QUESTION)


def value(result: ReliabilityResult, name: str) -> float:
    """Return the first estimate of that name."""
    return next(e.value for e in result.estimates if e.name == name)


def by_person(table: TrialTable) -> dict[str, np.ndarray]:
    """Return every participant's readings, those of low means first."""
    people = list(dict.fromkeys(table["participant"]))
    readings = {str(p): table["reading"][table["participant"] == p] for p in people}
    return dict(sorted(readings.items(), key=lambda item: float(item[1].mean())))


def alike(table: TrialTable) -> TrialTable:
    """Return the half of the participants whose means lie in the middle."""
    order = list(by_person(table))
    quarter = len(order) // 4
    chosen = set(order[quarter:len(order) - quarter])
    keep = np.array([p in chosen for p in table["participant"]])
    return TrialTable({k: v[keep] for k, v in table.columns.items()}, table.row[keep], table.file, table.sha256,
                      table.units)


def spread_figure(axes: Axes) -> str:
    """Draw all participants, and among them those who are alike: the same error, another coefficient."""
    table = trials()
    some = alike(table)
    inside = set(some["participant"])
    for x, (person, readings) in enumerate(by_person(table).items(), 1):
        colour = look.MODEL if person in inside else look.FAINT
        axes.vlines(x, readings.min(), readings.max(), color=colour, linewidth=1.0)
        axes.plot([x] * len(readings), readings, look.MARKERS[0 if person in inside else 1], color=colour,
                  markersize=3.2, linestyle="none")
    everyone, few = found(table), found(some)
    n, m = len(by_person(table)), len(inside)
    for result, count, colour, at, words in ((everyone, n, look.INK, 0.98, "all"),
                                             (few, m, look.MODEL, 0.87, "the middle")):
        icc, sem = result.declared, next(e for e in result.estimates if e.name == "SEM (agreement)")
        axes.annotate(f"{words} {count}: ICC(A,1) {icc.value:.2f}, SEM {sem.value:.0f} kPa", (0.02, at),
                      xycoords="axes fraction", va="top", fontsize=8.5, color=colour, fontweight="bold")
    axes.set_xlim(0, n + 1)
    low, high = axes.get_ylim()
    axes.set_ylim(low, high + 0.22 * (high - low))
    axes.set_xlabel("participants, by mean reading")
    axes.set_xticks([])
    axes.grid(visible=False, axis="x")
    axes.set_ylabel("forefoot peak pressure [kPa]")
    return (f"Demo trials (invented), one sensor, three visits: among all {n} participants ICC(A,1) is "
            f"{everyone.declared.value:.2f}, among the {m} in the middle {few.declared.value:.2f}, with an SEM of "
            f"{value(everyone, 'SEM (agreement)'):.0f} and {value(few, 'SEM (agreement)'):.0f} kPa. The sensor is the "
            "same; the people differ less.")


def band_figure(axes: Axes) -> str:
    """Draw the change of every participant between two visits against the band of the MDC."""
    table = trials()
    visits = sorted(set(table["session"]))[:2]
    means = {v: {p: float(table["reading"][(table["participant"] == p) & (table["session"] == v)][0])
                 for p in table["participant"][table["session"] == v]} for v in visits}
    both = [p for p in by_person(table) if all(p in means[v] for v in visits)]
    change = np.array([means[visits[1]][p] - means[visits[0]][p] for p in both])
    level = np.array([(means[visits[1]][p] + means[visits[0]][p]) / 2 for p in both])
    mdc = next(e for e in found(table).estimates if e.name == "MDC (agreement)")
    axes.axhspan(-mdc.value, mdc.value, color=look.BAND, alpha=0.55, linewidth=0)
    axes.axhline(0, color=look.INK, linewidth=0.8)
    inside = np.abs(change) <= mdc.value
    axes.plot(level[inside], change[inside], look.MARKERS[0], color=look.MODEL, markersize=4, linestyle="none")
    axes.plot(level[~inside], change[~inside], look.MARKERS[2], color=look.LIMIT, markersize=5, linestyle="none")
    edge = 1.35 * max(mdc.value, float(np.abs(change).max()))
    axes.set_ylim(-edge, edge)
    for sign, va in ((1, "bottom"), (-1, "top")):
        axes.annotate(f"{PLUS_MINUS[sign]} MDC {mdc.value:.0f} kPa", (0.99, sign * mdc.value),
                      xycoords=axes.get_yaxis_transform(), xytext=(0, 2 * sign), textcoords="offset points",
                      ha="right", va=va, fontsize=8.5, color=look.MODEL)
    axes.set_xlabel("mean of the two readings [kPa]")
    axes.set_ylabel(f"change, {visits[1]} \N{MINUS SIGN} {visits[0]} [kPa]")
    shown = format_interval(mdc.value, mdc.low, mdc.high)
    return (f"Demo trials (invented): change of one forefoot reading between {visits[0]} and {visits[1]} in "
            f"{len(both)} participants without a change. The band is \N{PLUS-MINUS SIGN}MDC (agreement), {shown} kPa; "
            f"{int(inside.sum())} of {len(both)} changes lie inside.")


def sessions_figure(axes: Axes) -> str:
    """Draw the error of means over sessions and sensors, from all sensors of the demo trials."""
    table = read_tables(read_study(HERE)).tables.trials
    assert table is not None
    where = {k: v for k, v in WHERE.items() if k != "sensor"}
    result = reliability(table, ReliabilityQuestion(name="demo trials (invented)", target="participant",
                                                    facet=("sensor", "session"), where=where, agree="order",
                                                    plan={"sensor": (1, 2, 4), "session": (1, 2, 3, 4)}))
    return d_study_figure(result, axes, of={}, what="SEM")


DRAW = {"icc-spread": ("Same sensor, other people, another ICC", spread_figure),
        "mdc-band": ("Changes of people who did not change, and the MDC", band_figure),
        "d-study": ("Error of means over sessions and sensors", sessions_figure)}


def figures() -> tuple[Figure, ...]:
    """Draw every figure."""
    return tuple(make(name, title, partial(draw), size=(5.2, 3.4)) for name, (title, draw) in DRAW.items())


def main() -> int:
    """Write figures and captions into the package."""
    OUT.mkdir(parents=True, exist_ok=True)
    drawn = figures()
    for one in drawn:
        (OUT / f"{one.name}.svg").write_text(one.svg, encoding="utf-8")
    text = json.dumps({f.name: f.caption for f in drawn}, indent=1, ensure_ascii=False)
    (OUT / "captions.json").write_text(text + "\n", encoding="utf-8")
    for one in drawn:
        print(f"{one.name}: {len(one.svg) / 1024:.0f} kB; {one.caption}")
    return 0 if all(math.isfinite(value(found(trials()), n)) for n in ("ICC(A,1)",)) else 1


if __name__ == "__main__":
    sys.exit(main())
