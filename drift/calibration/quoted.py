"""What simulation says about the intervals of a calibration, in the design nearest to the study's own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import Finding
from drift.results import ResultTable
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import CalibrationQuestion

if TYPE_CHECKING:
    from drift.calibration.curves import Answered
    from drift.calibration.saturation import Saturation

FAMILY = "calibration"
SIMULATED = ("line", "through-zero", "quadratic")  # curves of which there are rows
EXACT, T, LOG_T = "exact set by inversion", "t interval", "t interval of the log"
HULL = "hull of the curves not rejected"
WORLDS = {"power": "power law", "power of logs": "power law", "quadratic": "quadratic", "saturating": "saturating"}
FAR = 0.65  # share of the saturation pressure below which a top level counts as far from it
NEAR = 0.2  # share of the range that counts as near its end


def design_of(one: Answered) -> Design:
    """Return the design of one curve: levels and readings a level, or mountings and levels."""
    f = one.fitted
    fit, s = f.fit, f.series
    assert fit is not None
    levels = len(np.unique(s.level[s.exact]))
    kinds: set[str] = set() if fit.model == "line" else {fit.model}
    if fit.mountings > 1:
        return Design(n=float(fit.mountings), k=float(levels), m=max(1.0, fit.n / (levels * fit.mountings)),
                      kinds=frozenset(kinds))
    if fit.sides or fit.spread.theta:
        kinds |= {"SD proportional to load" if fit.spread.theta > 0.5 else "power estimated"}
    return Design(n=float(levels), m=max(1.0, fit.n / levels), kinds=frozenset(kinds))


def simulated(done: Sequence[Answered], question: CalibrationQuestion, *,
              level: float) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing for a level or a curve that was not simulated."""
    quoted = quote(FAMILY, [a for one in done for a in _asked(one, question)], level=level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),), [*cautions(quoted, question=question.name, mend="Read more loads, and each more "
                                                  "often."), *note(quoted, question=question.name)])


def _asked(one: Answered, question: CalibrationQuestion) -> Iterator[Asked]:
    """Yield the printed intervals of one curve: loads, saturation pressure, coefficients."""
    fit = one.fitted.fit
    if fit is None or not fit.df >= 1:
        return
    at = one.saturation
    if at is not None and at.sets and math.isfinite(at.low):
        yield Asked(quantity="saturation pressure", named="saturation pressure", method=HULL, design=_chosen(one, at),
                    of=one.fitted.series.label)
    if fit.model not in SIMULATED:
        return
    design, of = design_of(one), one.fitted.series.label
    if question.problem == "calibration" and question.mean_of == 1 and not question.simultaneous:
        for _, found, mark in one.loads:
            if mark in ("inside", "below lowest", "above highest") and found.kind == "interval":
                yield Asked(quantity="load at a reading", named=f"load at a reading, {_place(one, found.estimate)}",
                            method=EXACT, design=design, of=of)
    if at is not None and at.of_fit.kind == "interval":
        yield Asked(quantity="saturation pressure", named="saturation pressure, curve alone", method=EXACT,
                    design=design, of=of)
    if at is not None and not at.sets:
        yield Asked(quantity="saturation pressure", named="saturation pressure", method=LOG_T, design=design, of=of)
    for name in ("a", "s", "q")[:fit.q] if fit.q > 1 else ("s",):
        yield Asked(quantity=f"coefficient {name}", named=f"coefficient {name}", method=T, design=design, of=of)


def _chosen(one: Answered, at: Saturation) -> Design:
    """Return the design of a saturation pressure beyond the levels: of a curve that is chosen."""
    found, fit = design_of(one), one.fitted.fit
    assert fit is not None
    kinds = {"curve chosen"} | ({WORLDS[fit.model]} if fit.model in WORLDS else set())
    kinds |= {"top level at 50 %"} if at.ratio < FAR else set()
    return replace(found, kinds=frozenset(kinds))


def _place(one: Answered, load: float) -> str:
    fit = one.fitted.fit
    assert fit is not None
    share = (load - fit.low) / (fit.high - fit.low) if fit.high > fit.low else 0.5
    if share > 1:
        return "beyond the top level"
    return "near the lowest level" if share < NEAR else "near the top level" if share > 1 - NEAR else "middle"
