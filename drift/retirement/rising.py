"""A sensitivity that rises is not wear: said first, with its size, likely causes and limits that do not judge it."""

from __future__ import annotations

import math
from collections.abc import Mapping

from drift.results import Estimate, Result, decimals_for, ends_text
from drift.retirement.evaluate import ConstructionAnswer
from drift.retirement.groups import EXTRAPOLATION, Exposure

CAUSES = "reference, contamination, temperature, cells, the rig"
Ends = tuple[float, float, float]  # change per unit of exposure in per cent, low, high


def drifts_of(wear: Result) -> dict[str, Estimate]:
    """Return the drift of each construction in per cent, as the wear model states it."""
    return {e.of.get("construction", ""): e for e in wear.estimates
            if e.name == "drift per use, percent" and "sensor" not in e.of}


def rise_of(a: ConstructionAnswer, drifts: Mapping[str, Estimate]) -> Ends | None:
    """Return the rise against a limit on a fall of sensitivity, where its whole interval is one; else None.

    By the wear model where that states the drift, so that one number is said; else by the mean of the sensors' lines.
    """
    x = next((x for x in a.limits if x.group.limit.key == "sensitivity_change"), None)
    if x is None or not x.slope[0] < 0:
        return None
    stated = drifts.get(a.construction)
    if stated is not None and math.isfinite(stated.low):
        found = stated.value, stated.low, stated.high
    else:
        value, low, high = (100 * math.expm1(-v) if x.group.limit.log else -100 * v for v in (
            x.slope[0], x.slope[2], x.slope[1]))
        found = value, low, high
    return found if found[1] > 0 else None


def rise_words(a: ConstructionAnswer, rise: Ends | None, name: str, exposure: Exposure, level: float) -> str:
    """Return the sentences on a rise, with a blank after them; "" where none is shown."""
    if rise is None:
        return ""
    value, low, high = rise
    d = decimals_for(low, high, value)
    ends = ends_text(f"{low:.{d}f}", f"{high:.{d}f}")
    last, log = a.cap / EXTRAPOLATION, a.limits[0].group.limit.log
    total = 100 * math.expm1(math.log1p(value / 100) * last) if log else value * last
    by_then = f"; about {total:.2g} % after {exposure.show(last)}" if math.isfinite(last) else ""
    toward = [o.group.limit.words for o in a.limits if not o.refused and o.slope[0] > 0]
    judged = ("no limit declared judges a rise" if not toward else f"a limit on a fall does not judge it (the "
              f"{' and the '.join(toward)} may)")
    unit = "use" if exposure.is_use else exposure.unit
    return (f"{name}: sensitivity rises by {value:.{d}f} % per {unit} ({100 * level:g} % interval {ends}{by_then}). A "
            f"rise is not wear: readings become too high by as much, and {judged}. Look for its cause ({CAUSES}). ")
