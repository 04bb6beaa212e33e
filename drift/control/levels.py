"""Occasions on which a check standard was read at only some of its levels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drift.calibration import numbers, words
from drift.control.occasions import Occasions
from drift.errors import Finding
from drift.records import CheckTable
from drift.results import join_words

SAME_LEVEL = 0.02  # set-points are measured: loads this share of the largest apart are one level
MOST_NAMED = 4


def levels_missing(checks: CheckTable, standard: NDArray[np.bool_], occasions: tuple[Occasions, ...], exposure: str
                   ) -> tuple[Finding, ...]:
    """Say which occasions of a check standard lack a load that most of its others have.

    Its value is a slope through the loads of an occasion, or a ratio at one of them: where the curve bends, a value
    from other loads is another value, and stands in the chart as if the rig had moved.

    Parameters
    ----------
    checks : CheckTable
    standard : array of bool, shape (n_rows,)
        Rows of check standards; those marked ``exclude`` do not enter.
    occasions : tuple of Occasions
        As charted.
    exposure : str
    """
    if "reference" not in checks:
        return ()
    load, use, name = numbers(checks, "reference"), numbers(checks, exposure), words(checks, "sensor")
    keep = standard & ~(np.nan_to_num(numbers(checks, "exclude")) > 0) & np.isfinite(load) & np.isfinite(
        numbers(checks, "reading"))
    unit = str(checks.units.get("reference", ""))
    return tuple(f for o in occasions if (f := _of_one(o, load, use, keep & (name == o.standard), unit)) is not None)


def _of_one(occasions: Occasions, load: NDArray[np.float64], use: NDArray[np.float64], rows: NDArray[np.bool_],
            unit: str) -> Finding | None:
    x = np.sort(load[rows])
    if not len(x):
        return None
    apart = SAME_LEVEL * float(np.abs(x).max())
    place = np.cumsum(np.r_[False, np.diff(x) > apart])
    level = np.bincount(place, weights=x) / np.bincount(place)
    has = np.array([[bool((np.abs(load[rows & (use == u)] - v) <= apart).any()) for v in level] for u in occasions.use])
    usual = has.mean(axis=0) > 0.5
    short = np.flatnonzero(~has[:, usual].all(axis=1))
    if not len(short):
        return None
    named = [f"{occasions.label[i]} (not at {join_words([f'{v:.4g}' for v in level[usual & ~has[i]]])} {unit}".rstrip()
             + ")" for i in short[:MOST_NAMED]]
    more = f" and {len(short) - MOST_NAMED} more" if len(short) > MOST_NAMED else ""
    who = occasions.standard or "the check standard"
    return Finding(
        severity="warning", code="levels-missing", message=f"{who} was read at only some of its loads on "
        f"{join_words(named) if not more else ', '.join(named) + more}: what is charted there is made from the others, "
        "and where its calibration line bends that looks like a change of the rig",
        mend="Read it at all its loads on every occasion; a point that stands out for this reason alone is no alarm.")
