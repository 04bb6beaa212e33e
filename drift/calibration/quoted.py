"""What simulation says about the intervals of a calibration, in the design nearest to the study's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import Finding
from drift.results import ResultTable
from drift.simulated import Design
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote
from drift.study import CalibrationQuestion

if TYPE_CHECKING:
    from drift.calibration.curves import Answered

FAMILY = "calibration"
SIMULATED = ("line", "through-zero", "quadratic")  # curves of which there are rows
EXACT, T, LOG_T = "exact set by inversion", "t interval", "t interval of the log"
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
    if fit is None or fit.model not in SIMULATED or not fit.df >= 1:
        return
    design, of = design_of(one), one.fitted.series.label
    if question.problem == "calibration" and question.mean_of == 1 and not question.simultaneous:
        for _, found, mark in one.loads:
            if mark in ("inside", "below lowest", "above highest") and found.kind == "interval":
                yield Asked(quantity="load at a reading", named=f"load at a reading, {_place(one, found.estimate)}",
                            method=EXACT, design=design, of=of)
    if one.saturation is not None:
        yield Asked(quantity="saturation pressure", named="saturation pressure", method=LOG_T, design=design, of=of)
    for name in ("a", "s", "q")[:fit.q] if fit.q > 1 else ("s",):
        yield Asked(quantity=f"coefficient {name}", named=f"coefficient {name}", method=T, design=design, of=of)


def _place(one: Answered, load: float) -> str:
    fit = one.fitted.fit
    assert fit is not None
    share = (load - fit.low) / (fit.high - fit.low) if fit.high > fit.low else 0.5
    if share > 1:
        return "beyond the top level"
    return "near the lowest level" if share < NEAR else "near the top level" if share > 1 - NEAR else "middle"
