"""Draw the figures of the handbook from the demo trials: ``python3 -m demo_trials.handbook_figures``.

They are shipped inside the package, because the demo trials are not. Captions hold the numbers of the picture and
are written beside it; a test draws everything again and compares.
"""

from __future__ import annotations

import json
import math
import sys
from functools import cache, partial
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from drift.agreement import AgreementResult, agreement
from drift.ingest import read_tables
from drift.records import TrialTable
from drift.reliability import ReliabilityResult, reliability
from drift.report import drawing as look
from drift.report.drawing import Figure, make
from drift.report.figures_of_agreement import agreement_figure
from drift.report.figures_of_agreement_along import along_figure
from drift.report.figures_of_concordance import spread_figure as concordance_figure
from drift.report.figures_of_d_study import d_study_figure
from drift.report.figures_of_several import pairs_figure
from drift.report.figures_of_survival import survival_figure
from drift.results import format_interval
from drift.simulated import rows_of
from drift.study import AgreementQuestion, ReliabilityQuestion, read_study

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


def along_use(axes: Axes) -> str:
    """Draw differences of gait and bench calibration along use, and how long they stay harmless."""
    study = read_study(HERE)
    table = read_tables(study).tables.trials
    assert table is not None
    question = next(q for q in study.agreement if q.name == "gait against bench")
    caption = along_figure(agreement(table, question), axes)
    return f"Demo trials (invented), {caption[:1].lower()}{caption[1:]}"


def concordance(axes: Axes) -> str:
    """Draw pairs of gait and bench calibration, all participants and those who are alike."""
    table = read_tables(read_study(HERE)).tables.trials
    assert table is not None
    where = {k: v for k, v in WHERE.items() if k not in ("sensor", "method")}
    question = AgreementQuestion(name="demo", compare="method", a="gait", b="bench", target="participant", where=where,
                                 pair_by=("participant", "session", "sensor", "replicate"))
    middle = sorted(set(alike(trials())["participant"]))
    everyone, some = agreement(table, question), agreement(table, question.model_copy(
        update={"where": {**where, "participant": middle}}))
    caption = concordance_figure(everyone, some, axes, a="gait", b="bench", unit="kPa")
    return f"Demo trials (invented), forefoot peak pressure, {caption}"


@cache
def one_pair_each() -> AgreementResult:
    """Compare gait with bench on one pair of each walker: one sensor, one visit, one walk."""
    table = read_tables(read_study(HERE)).tables.trials
    assert table is not None
    where = {**{k: v for k, v in WHERE.items() if k != "method"}, "session": "visit 1", "replicate": 1}
    return agreement(table, AgreementQuestion(name="demo trials (invented), gait against bench", compare="method",
                                              a="gait", b="bench", target="participant", where=where, harmless=25.0,
                                              pair_by=("participant", "replicate")))


def limits(axes: Axes) -> str:
    """Draw differences against means with limits, their intervals and the harmless band."""
    return agreement_figure(one_pair_each(), axes)


def several(axes: Axes) -> str:
    """Draw the limits of every pair of three calibrations against the harmless band."""
    table = read_tables(read_study(HERE)).tables.trials
    assert table is not None
    where = {k: v for k, v in WHERE.items() if k not in ("sensor", "method")}
    result = agreement(table, AgreementQuestion(
        name="demo trials (invented), three calibrations", compare="method", methods=("bench", "stance", "gait"),
        target="participant", where=where, harmless=25.0, pair_by=("participant", "session", "sensor", "replicate")))
    return pairs_figure(result, axes)


def survival(axes: Axes) -> str:
    """Draw the share of differences beyond a distance."""
    return survival_figure(one_pair_each(), axes)


def pooled(axes: Axes) -> str:
    """Draw how often intervals hold where pairs of one sensor are pooled, and where they are modelled."""
    rows = [r for r in rows_of("agreement") if r.text.startswith("10 sensors x 10 uses")]
    ends, found = [], {}
    for i, (quantity, method, words) in enumerate((
            ("upper limit", "MOVER", "limit, by the model"), ("bias", "t", "bias, by the model"),
            ("upper limit", "rows pooled as independent", "limit, pooled"),
            ("bias", "rows pooled as independent", "bias, pooled"))):
        own = sorted((100 * (r.design.share or 0.0), 100 * r.coverage) for r in rows
                     if (r.quantity, r.method) == (quantity, method))
        x, y = zip(*own, strict=True)
        found[words] = dict(own)
        axes.plot(x, y, color=look.MODEL if i < 2 else look.LIMIT, linestyle=look.DASHES[i], marker=look.MARKERS[i],
                  markersize=4.5, markerfacecolor="white" if i % 2 else None)
        ends.append((float(x[-1]), float(y[-1]), words))
    axes.axhline(95, color=look.INK, linewidth=0.7)
    axes.annotate("promised: 95 %", (34, 95), xytext=(0, -5), textcoords="offset points", fontsize=8, va="top")
    axes.set_ylim(40, 100)
    axes.set_xlabel("share of the variance between sensors [%]")
    axes.set_ylabel("intervals that hold the truth [%]")
    look.end_labels(axes, *zip(*((x, y) for x, y, _ in ends), strict=True), [w for _, _, w in ends], colour=look.INK,
                    size=8)
    at = {words: values[50.0] for words, values in found.items()}
    return ("Ten sensors, ten pairs on each, simulated: pooled as a hundred pairs, the 95 % interval of the bias holds "
            f"the truth in {at['bias, pooled']:.0f} % and that of a limit in {at['limit, pooled']:.0f} % of studies "
            "where half of the variance lies between sensors; the model of repeated pairs holds throughout.")


def recalculated(axes: Axes) -> str:
    """Draw the differences of two calibrations on the same raw readings, sensor by sensor."""
    from drift.report.figures_of_recalculated import recalculated_figure
    from drift.workflow import run_study

    study = read_study(Path(__file__).resolve().parent / "recalculated")
    one = study.model_copy(update={"agreement": tuple(q for q in study.agreement if q.name.startswith("gait"))})
    return recalculated_figure(run_study(one).parts[0], axes)


DRAW = {"icc-spread": ("Same sensor, other people, another ICC", spread_figure),
        "mdc-band": ("Changes of people who did not change, and the MDC", band_figure),
        "d-study": ("Error of means over sessions and sensors", sessions_figure),
        "concordance-spread": ("Same methods, other people, another CCC", concordance),
        "agreement-along-use": ("Agreement along use", along_use),
        "limits-of-agreement": ("Limits of agreement, one pair of each walker", limits),
        "several-methods": ("Limits of agreement of every pair", several),
        "agreement-survival": ("Share of differences beyond a distance", survival),
        "repeated-pairs": ("Pairs of ten sensors pooled, and modelled", pooled),
        "recalculated": ("Two calibrations on the same raw readings", recalculated)}
SIZE, SIZES = (5.2, 3.4), {"agreement-along-use": (5.6, 4.4), "several-methods": (5.2, 2.4)}


def figures() -> tuple[Figure, ...]:
    """Draw every figure."""
    return tuple(make(name, title, partial(draw), size=SIZES.get(name, SIZE)) for name, (title, draw) in DRAW.items())


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
