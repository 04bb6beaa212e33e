"""Which sensors' lines may carry the bound, which are left out by name, and when that means refusing.

A short line has a wild slope, and one wild slope inflates the spread of all; but a sensor that is short
because it wore out early is the very evidence that must not be lost.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import SensorLines
from drift.records import Tables
from drift.results import join_words

MINIMUM_SENSORS = 5
MINIMUM_CHECKS = 3
MINIMUM_FULL = 3  # sensors with enough checks that a mixed model needs beside short ones
MINIMUM_SPAN_SHARE = 0.5
NOT_WORN = frozenset({"control", "check standard"})
# Words in a reason that say a sensor left for something other than its state. Anything else counts as wear.
_NOT_WEAR = ("lost", "stolen", "mislaid", "missing", "end of study", "study ended", "planned end", "end of trial",
             "withdrew", "withdrawn participant", "given away", "on loan", "borrowed")
# Failures that jump are counted beside the count, so a sensor that left for one of them is no evidence about lines.
_JUMP = re.compile(r"\bdead (cell|line|row|column)s?\b")


@dataclass(frozen=True, kw_only=True)
class Fitness:
    """Outcome for the sensors of one construction and limit.

    Parameters
    ----------
    use : ndarray of bool, shape (n_sensors,)
        Sensors whose lines enter.
    left_out : tuple of (sensor, reason)
        Sensors that do not, by name.
    refused : str
        Why no count can be given; empty when one can.
    mend : str
        What would make it possible.
    short : ndarray of bool, shape (n_sensors,), optional
        Given where worn sensors have too few checks for a line of their own and a mixed model takes all in: which of
        those that enter are short.
    """

    use: NDArray[np.bool_]
    left_out: tuple[tuple[str, str], ...]
    refused: str = ""
    mend: str = ""
    short: NDArray[np.bool_] | None = None


def worn_sensors(names: NDArray[np.object_], tables: Tables) -> NDArray[np.bool_]:
    """Tell which sensors are used ones (not controls or check standards)."""
    roles = _column(tables.sensors, "role")
    return np.array([roles.get(str(s), "") not in NOT_WORN for s in names], dtype=bool)


def removed_for_wear(tables: Tables) -> frozenset[str]:
    """Sensors taken out of use for their own state, from ``retired_reason``, ``retired_at_use`` or the events.

    A removal without a reason counts as wear: whoever judged the sensor may have seen what no check shows.
    """
    found: dict[str, bool] = {}
    if tables.events is not None:
        notes = tables.events["note"] if "note" in tables.events else [None] * len(tables.events)
        for sensor, event, note in zip(tables.events["sensor"], tables.events["event"], notes, strict=True):
            if event in ("failed", "retired"):
                found[str(sensor)] = found.get(str(sensor), False) or _is_wear(note)
    if tables.sensors is not None:
        reasons, uses = _column(tables.sensors, "retired_reason"), _column(tables.sensors, "retired_at_use")
        for sensor in map(str, tables.sensors["sensor"]):
            reason, at = reasons.get(sensor, ""), uses.get(sensor, "")
            if reason or at:
                found[sensor] = _is_wear(reason) if reason else found.get(sensor, True)
    return frozenset(s for s, wear in found.items() if wear)


def _is_wear(reason: object) -> bool:
    text = str(reason or "").casefold()
    return not any(word in text for word in _NOT_WEAR) and not _JUMP.search(text)


def _column(table: object, name: str) -> dict[str, str]:
    if table is None or name not in table:  # type: ignore[operator]
        return {}
    return {str(s): "" if v is None or (isinstance(v, float) and np.isnan(v)) else str(v)
            for s, v in zip(table["sensor"], table[name], strict=True)}  # type: ignore[index]


def short_or_late(lines: SensorLines, *, relative: bool,
                  exposure_is_use: bool = True) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Tell whose line is too short to carry the bound, and whose fresh value was not seen.

    Parameters
    ----------
    lines : SensorLines
        Shape (..., n_sensors); leading axes are studies.
    relative, exposure_is_use : bool
        As for :func:`judge`.

    Returns
    -------
    short, late : ndarray of bool, shape (..., n_sensors)
    """
    span = np.where(lines.n > 0, lines.last - lines.first, 0.0)
    median = np.median(span, axis=-1, keepdims=True) if span.shape[-1] else np.zeros((*span.shape[:-1], 1))
    short = (lines.n < MINIMUM_CHECKS) | (span < MINIMUM_SPAN_SHARE * median) | ~np.isfinite(lines.slope)
    fresh_by = np.ones_like(median) if exposure_is_use else 0.05 * median
    late = (lines.first > fresh_by) & ~short if relative else np.zeros(short.shape, dtype=bool)
    return short, late


def judge(sensors: NDArray[np.object_], lines: SensorLines, *, relative: bool, per: str, removed: frozenset[str],
          exposure_is_use: bool, modelled: bool = False, seen: frozenset[str] = frozenset()) -> Fitness:
    """Apply the conditions of the rule to the sensors of one construction.

    Parameters
    ----------
    sensors : ndarray of str, shape (n_sensors,)
        Names.
    lines : SensorLines
        Their lines, shape (n_sensors,).
    relative : bool
        The limit is relative to the sensor's own fresh value.
    per : str
        Plural of the exposure, such as ``"uses"``.
    removed : frozenset of str
        Sensors removed for wear.
    exposure_is_use : bool
        Where the exposure is not a count of uses, "fresh" means within a twentieth of the median span.
    modelled : bool
        Short lines of worn sensors may enter a mixed model instead of being refused.
    seen : frozenset of str
        Sensors whose fresh value was seen although their line begins later.
    """
    short, late = short_or_late(lines, relative=relative, exposure_is_use=exposure_is_use)
    late = late & np.array([str(s) not in seen for s in sensors], dtype=bool)
    span = np.where(lines.n > 0, lines.last - lines.first, 0.0)
    median = float(np.median(span)) if len(span) else 0.0
    fresh_by = 1.0 if exposure_is_use else 0.05 * median
    left = []
    for i in np.flatnonzero(short | late):
        if short[i]:
            why = (f"{lines.n[i]:.0f} checks over {span[i]:g} {per}, where {MINIMUM_CHECKS} checks over at least "
                   f"{MINIMUM_SPAN_SHARE * median:g} {per} (half of the median span) are needed")
        else:
            limit = "use 1" if exposure_is_use else f"{fresh_by:g} {per}"
            why = f"first checked at {lines.first[i]:g}, after {limit}, so its fresh value was not seen"
        left.append((str(sensors[i]), why))
    worn_short = [str(s) for s, b in zip(sensors, short, strict=True) if b and str(s) in removed]
    use = ~(short | late)
    if worn_short and modelled:
        return _with_short(sensors, lines, short, late, [w for w in left if w[0] not in worn_short], removed)
    refused, mend = _refusal(int(use.sum()), len(sensors), worn_short, per)
    return Fitness(use=use, left_out=tuple(left), refused=refused, mend=mend)


def _with_short(sensors: NDArray[np.object_], lines: SensorLines, short: NDArray[np.bool_], late: NDArray[np.bool_],
                left: list[tuple[str, str]], removed: frozenset[str]) -> Fitness:
    """Let the sensors that are short enter a mixed model, if it has what it needs."""
    two = np.isfinite(lines.slope)
    use = two & ~late
    single = [str(s) for s, ok in zip(sensors, two, strict=True) if not ok and str(s) in removed]
    out = tuple((s, why) for s, why in left if not use[np.flatnonzero(sensors == s)[0]])
    full = int((use & ~short).sum())
    refused = mend = ""
    if single:
        refused = (f"{join_words(single)} {'were' if len(single) > 1 else 'was'} removed for wear after a single "
                   "check, which says nothing about how fast, and leaving out the sensors that wore fastest would make "
                   "the count unsafe")
        mend = "Check every sensor when fresh and once more before it is removed."
    elif use.sum() < MINIMUM_SENSORS or full < MINIMUM_FULL:
        refused = (f"only {full} of {len(sensors)} sensors have {MINIMUM_CHECKS} or more checks, beside "
                   f"{int((use & short).sum())} with fewer, and {MINIMUM_FULL} of {MINIMUM_SENSORS} are needed")
        mend = f"Add sensors until {MINIMUM_FULL} or more have {MINIMUM_CHECKS} or more checks."
    return Fitness(use=use, left_out=out, refused=refused, mend=mend, short=short & use)


def _refusal(n: int, total: int, worn_short: list[str], per: str) -> tuple[str, str]:
    if worn_short:
        many = len(worn_short) > 1
        return (f"{join_words(worn_short)} {'were' if many else 'was'} removed for wear with too few checks for a line "
                "of its own, and leaving out the sensors that wore fastest would make the count unsafe",
                f"Check sensors oftener early on: {MINIMUM_CHECKS} or more checks before removal, spread over at least "
                "half of the median span; or record the reason if a sensor was not removed for wear.")
    if n < MINIMUM_SENSORS:
        if n == 0:
            some = f"none of {total} sensors has" if total > 1 else "the only sensor does not have"
        elif n < total:
            some = f"only {n} of {total} sensors {'have' if n != 1 else 'has'}"
        else:
            some = f"only {n} sensor{'s have' if n != 1 else ' has'}"
        do = "Add" if total < MINIMUM_SENSORS else "Check again, or add,"
        return (f"{some} {MINIMUM_CHECKS} or more checks over enough {per}, and {MINIMUM_SENSORS} are needed",
                f"{do} {MINIMUM_SENSORS - n} or more sensors, so that each has {MINIMUM_CHECKS} or more checks over "
                "the same span; each further sensor also raises the count that can be promised.")
    return "", ""
