"""ICC and SEM along use in sliding windows of facet levels."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.engine.paired_reliability import VarianceTest, independent_variances
from drift.reliability.along_use import Along, piece
from drift.reliability.components import Components, Refusal, analyse
from drift.reliability.icc import coefficients
from drift.reliability.measurement_error import error_sizes
from drift.study import ReliabilityQuestion


@dataclass(frozen=True, kw_only=True)
class Window:
    """Coefficient, SEM and SD between targets of some consecutive facet levels; ``why`` says why there is none."""

    first: str
    last: str
    use_from: float
    use_to: float
    targets: int
    readings: int
    icc: tuple[float, float, float]
    sem: tuple[float, float, float]
    spread: tuple[float, float, float]
    ss: float = math.nan
    df: int = 0
    why: str = ""


CONSISTENCY = "ICC(C,1)"
NONE = (math.nan, math.nan, math.nan)


def window_size(levels: int, asked: int | None) -> int:
    """Return how many levels stand in one window: as asked, else a quarter of them, three to eight (two of three)."""
    if asked is not None:
        return min(asked, levels)
    if levels <= 3:
        return 2
    return min(8, max(3, math.ceil(levels / 4)))


def windows(found: Along, question: ReliabilityQuestion, facet: str, *, level: float) -> tuple[Window, ...]:
    """Analyse every run of consecutive levels along use as a table of its own.

    Parameters
    ----------
    found : Along
    question : ReliabilityQuestion
    facet : str
    level : float

    Notes
    -----
    ICC(C,1) and SEM (consistency), with the exact intervals they have in any table without replicates: what changes
    from level to level inside a window, drift included, is not counted, and a few levels suffice. Agreement would be
    judged from the few levels of one window and hardly be known. Windows overlap, so neighbours share readings.
    """
    k = len(found.group.facet_names)
    size = window_size(k, question.window)
    if size < 2 or k < 3:
        return ()
    return tuple(_one(found, start, start + size, question, facet, level) for start in range(k - size + 1))


def _one(found: Along, start: int, stop: int, question: ReliabilityQuestion, facet: str, level: float) -> Window:
    group = found.group
    keep = (group.facets >= start) & (group.facets < stop)
    part = piece(group, keep)
    uses = found.uses[keep]
    made = {"first": group.facet_names[start], "last": group.facet_names[stop - 1], "use_from": float(uses.min()),
            "use_to": float(uses.max()), "targets": len(part.target_names), "readings": int(keep.sum())}
    parts = analyse(part, level=level, average=question.average_replicates, target=question.target, facet=facet)
    if isinstance(parts, Refusal):
        return Window(**made, icc=NONE, sem=NONE, spread=NONE, why=parts.message)  # type: ignore[arg-type]
    c = next(c for c in coefficients(parts, level=level) if c.name == CONSISTENCY)
    e = next(e for e in error_sizes(parts, part, level=level) if e.name == "SEM (consistency)")
    low, high = (math.sqrt(max(x, 0.0)) if math.isfinite(x) else math.nan for x in parts.intervals["target"])
    return Window(**made, icc=(c.value, c.low, c.high),  # type: ignore[arg-type]
                  sem=(e.value, e.low, e.high), **_residual(parts),  # type: ignore[arg-type]
                  spread=(math.sqrt(parts.variances["target"]), low, high))


def _residual(parts: Components) -> dict[str, float]:
    """Residual sum of squares and its degrees of freedom, where the SEM is its root (no replicates)."""
    p = parts.pivots
    return {} if p is None or p.df_within else {"ss": p.ss_inner, "df": p.df_inner}


def sem_ratio(first: Window, last: Window, level: float) -> VarianceTest | None:
    """Compare the residual variances of two windows that share no level: exact F, last over first.

    Residuals of different levels are independent, the same targets or not, once targets and levels are taken off.
    """
    if not (first.df and last.df and first.ss > 0 and last.ss > 0):
        return None
    return independent_variances(last.ss, last.df, first.ss, first.df, level)


def first_and_last(made: tuple[Window, ...]) -> tuple[Window, Window] | None:
    """Return the first and the last window that could be analysed, where they share no level."""
    good = [w for w in made if np.isfinite(w.icc[0])]
    if len(good) < 2 or good[-1].use_from <= good[0].use_to:
        return None
    return good[0], good[-1]
