"""Which use each reading was made at, and readings put in the order of use.

Readings along use are not exchangeable: before any coefficient over uses the order must be known. It is read from the
facet itself (a use count), from a ``use`` or ``time`` column, or from the numbers in the labels; it is never guessed
from the order of rows.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossed import CrossedDesign
from drift.errors import Finding
from drift.records import TrialTable
from drift.reliability.rows import Group
from drift.results import join_words
from drift.study import ReliabilityQuestion

FloatArray = NDArray[np.float64]
SPARSE = 0.5  # below this share of filled cells uses are put together in bins


@dataclass(frozen=True, kw_only=True, eq=False)
class Along:
    """A group with its facet levels in the order of use.

    ``uses`` holds a number a reading, in the unit named by ``unit`` ("use", "day", "step"). ``linked`` is False where
    facet levels are bins made here, in which targets share nothing but about the same use. ``source`` says where the
    order was read.
    """

    group: Group
    uses: FloatArray
    unit: str
    source: str
    linked: bool = True

    @property
    def level_uses(self) -> FloatArray:
        """Mean use of each facet level, ascending."""
        counts = np.bincount(self.group.facets)
        return np.asarray(np.bincount(self.group.facets, weights=self.uses) / counts)


def is_ordered(question: ReliabilityQuestion, facet: str) -> bool:
    """Tell whether the facet's levels follow each other: as declared, else where the facet is the use count."""
    return facet == "use" if question.ordered is None else question.ordered


def along(trials: TrialTable, group: Group, question: ReliabilityQuestion, facet: str) -> Along | Finding:
    """Put a group in the order of use.

    Parameters
    ----------
    trials : TrialTable
    group : Group
        With ``rows``.
    question : ReliabilityQuestion
    facet : str

    Returns
    -------
    Along or Finding
        A warning where the order cannot be told.
    """
    found = _uses(trials, group, facet)
    if found is None:
        shown = join_words(group.facet_names[:4]) + (", ..." if len(group.facet_names) > 4 else "")
        return Finding(severity="warning", code="order-unknown", question=question.name, column=facet,
                       message=f"the order of {facet} {shown} cannot be told: no use count or time was recorded with "
                       "them and their labels hold no numbers, so no trend along them can be given",
                       mend="Add a use or time column, or number the labels")
    uses, unit, source = found
    ordered = _sorted(group, uses)
    counts = _counts(group)
    if facet != "use" and unit != facet:
        return Along(group=ordered[0], uses=ordered[1], unit=unit, source=source)
    share = float((counts > 0).mean())
    if share >= SPARSE:
        return Along(group=ordered[0], uses=ordered[1], unit=unit, source=source)
    return _binned(ordered[0], ordered[1], unit, source)


def _counts(group: Group) -> FloatArray:
    return CrossedDesign.build(group.values, group.targets, group.facets).counts


def _uses(trials: TrialTable, group: Group, facet: str) -> tuple[FloatArray, str, str] | None:
    """Return the use of each reading, its unit and where it was read."""
    if trials[facet].dtype.kind == "f":
        return np.asarray(trials[facet][group.rows], dtype=np.float64), facet, f"the {facet} column"
    cells = group.targets * (int(group.facets.max()) + 1) + group.facets
    if "use" in trials:
        uses = np.asarray(trials["use"][group.rows], dtype=np.float64)
        if np.all(np.isfinite(uses)) and np.ptp(uses) > 0:
            return _cell_means(uses, cells), "use", "the use column"
    if "time" in trials:
        days = _days(trials["time"][group.rows])
        if days is not None and np.ptp(days) > 0:
            return _cell_means(days, cells), "day", "the time column"
    numbers = [_numbers(name) for name in group.facet_names]
    if all(numbers) and len(set(numbers)) == len(numbers):
        rank = np.empty(len(numbers))
        rank[sorted(range(len(numbers)), key=lambda i: numbers[i])] = np.arange(1.0, len(numbers) + 1)
        return rank[group.facets], f"{facet}", f"the numbers in the labels of {facet}"
    return None


def _numbers(label: str) -> tuple[float, ...]:
    return tuple(float(x) for x in re.findall(r"\d+(?:\.\d+)?", label))


def _days(times: NDArray[np.object_]) -> FloatArray | None:
    if any(t is None or t == "" for t in times):
        return None
    try:
        stamps = np.array([np.datetime64(str(t)[:19], "s") for t in times])
    except ValueError:
        return None
    return np.asarray((stamps - stamps.min()).astype(np.float64) / 86_400)


def _cell_means(uses: FloatArray, cells: NDArray[np.intp]) -> FloatArray:
    code = np.unique(cells, return_inverse=True)[1]
    return np.asarray((np.bincount(code, weights=uses) / np.bincount(code))[code])


def _sorted(group: Group, uses: FloatArray) -> tuple[Group, FloatArray]:
    """Renumber facet levels by their mean use; rows keep their places."""
    means = np.bincount(group.facets, weights=uses) / np.bincount(group.facets)
    order = np.argsort(means, kind="stable")
    place = np.empty(len(order), dtype=np.intp)
    place[order] = np.arange(len(order))
    names = tuple(group.facet_names[i] for i in order)
    return replace(group, facets=place[group.facets], facet_names=names), uses


def _binned(group: Group, uses: FloatArray, unit: str, source: str) -> Along:
    """Put uses that few targets share into bins of about equal numbers, one reading a target in each."""
    each = np.array([len(np.unique(uses[group.targets == i])) for i in range(len(group.target_names))])
    bins = max(2, round(float(np.median(each))))
    edges = np.unique(np.quantile(uses, np.linspace(0, 1, bins + 1)[1:-1]))
    codes = np.unique(np.searchsorted(edges, uses, side="left"), return_inverse=True)[1]
    names = []
    for b in range(int(codes.max()) + 1):
        low, high = float(uses[codes == b].min()), float(uses[codes == b].max())
        names.append(f"{low:g} to {high:g}" if high > low else f"{low:g}")
    return Along(group=replace(group, facets=codes.astype(np.intp), facet_names=tuple(names)), uses=uses, unit=unit,
                 source=source, linked=False)


def piece(group: Group, keep: NDArray[np.bool_]) -> Group:
    """Return the readings where ``keep`` holds as a group of their own, unused targets and levels left out."""
    t_used, targets = np.unique(group.targets[keep], return_inverse=True)
    f_used, facets = np.unique(group.facets[keep], return_inverse=True)
    return replace(group, values=group.values[keep], targets=targets.astype(np.intp), facets=facets.astype(np.intp),
                   target_names=tuple(group.target_names[i] for i in t_used),
                   facet_names=tuple(group.facet_names[i] for i in f_used), reading_sd=group.reading_sd[keep],
                   reading_n=group.reading_n[keep], rows=group.rows[keep] if len(group.rows) else group.rows)
