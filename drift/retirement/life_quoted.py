"""What simulation says about intervals of lives and of first passages, in the design nearest to the study's own."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence

from drift.errors import Finding
from drift.results import Estimate, ResultTable
from drift.retirement.life_analysis import LifeAnalysis
from drift.simulated import Design
from drift.simulated.quoting import Asked, Quoted, cautions, coverage_table, note, quote

FAMILY, PASSAGE = "lives", "first_passage"
SHARE, CONFIDENCE = 0.10, 0.95  # of the simulation
RATIO, CALIBRATED = "likelihood ratio", "calibrated signed root"
BAND, CAUSES = "percentile band over resampled units", "log(-log), Aalen-Johansen"
REFLECTED = "reflected on the log scale, widened by t over normal"
AT_END = "share failed by nearly the end"


def simulated(a: LifeAnalysis, estimates: Sequence[Estimate],
              question: str) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" of a result about lives and what must be said; nothing for a level not simulated."""
    quoted = quote(FAMILY, _asked(a, estimates), level=a.spec.level)
    if not quoted:
        return (), []
    return ((coverage_table(quoted),),
            [*cautions(quoted, question=question, mend="Follow more units until they fail."),
             *note(quoted, question=question)])


def _asked(a: LifeAnalysis, estimates: Sequence[Estimate]) -> Iterator[Asked]:
    by_name = {e.name: e for e in estimates}
    checked = bool((a.lives.failed & ~a.lives.exact).any())
    kinds = frozenset({"looked at"} if checked else ()) | frozenset({"entered late"} if a.lives.late.any() else ())
    fitted = Design(n=float(max(a.failures - a.at_zero, 1)), kinds=kinds)
    life, tenth = "life by which 10 % fail", abs(a.spec.share - SHARE) < 1e-9
    small = a.best.small
    bound = CALIBRATED if small is not None and len(small.roots) else RATIO
    asked = [(f"lower bound of the {life}", "lower bound of that life", bound)] if (
        tenth and abs(a.spec.confidence - CONFIDENCE) < 1e-9) else []
    asked += [(life, life, RATIO)] if tenth else []
    asked += [(name, name, RATIO) for name in ("Weibull shape", "Weibull scale")]
    for printed, named, method in asked:
        e = by_name.get(printed)
        if e is not None and math.isfinite(e.value):
            yield Asked(quantity=printed, named=named, method=method, design=fitted, printed=e.method,
                        interval=named != "lower bound of that life")
    e = by_name.get("share failed")
    if e is not None and checked:
        yield Asked(quantity=e.name, named=AT_END, method=BAND, printed=e.method,
                    design=Design(n=float(len(a.lives)), kinds=kinds | {"without a model"}))
    for e in estimates:
        if e.name.startswith("share failed, by ") and not checked:
            yield Asked(quantity=e.name, named=f"{AT_END}, one of two causes", method=CAUSES, printed=e.method,
                        design=Design(n=float(len(a.lives)), kinds=kinds))


def quoted_passages(estimates: Sequence[Estimate]) -> list[Quoted]:
    """Look up the intervals of the uses by which a tenth is past the limit, by family of wear.

    Rows of worlds of another family count too: an interval holds no uncertainty about its family.
    """
    def asked() -> Iterator[Asked]:
        for e in estimates:
            if e.name == "use by which 10 % are past the limit" and e.low is not None and math.isfinite(e.low):
                family = e.of["family"]
                of = " against ".join(v for k, v in e.of.items() if k in ("construction", "limit"))
                yield Asked(quantity=f"{e.name}, {family}", named=f"use at which 10 % are past, by {family}", of=of,
                            method=REFLECTED, printed=e.method, design=Design(n=float(e.n or 1)))

    level = next((e.level for e in estimates if e.name.startswith("use by which")), None)
    return quote(PASSAGE, asked(), level=level) if level is not None else []
