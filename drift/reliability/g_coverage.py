"""What the table of simulated coverage says about intervals of a several-facet study, for the nearest design."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence

from drift.errors import Finding
from drift.reliability.g_study import GStudy
from drift.results import ResultTable
from drift.simulated import Design, rows_of
from drift.simulated.quoting import Asked, Quoted, cautions, coverage_table, note
from drift.simulated.tables import Row, Simulated
from drift.study import ReliabilityQuestion

FAMILY = "generalizability"
_LEVELS = re.compile(r"(\d+) (?!targets|replicates|%)[a-z]+")
_SIMULATED_LEVEL = 0.95


def simulated(studies: Sequence[GStudy], question: ReliabilityQuestion, *, level: float,
              ) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said about the printed intervals of all groups.

    Notes
    -----
    Nearest by kind of design (crossed or nested), missing readings, the fewest levels of a facet, replicates, then
    the number of targets: with few levels their number decides about coverage.
    """
    rows = rows_of(FAMILY)
    if not rows or abs(level - _SIMULATED_LEVEL) > 1e-9:
        return (), []
    merged: dict[tuple[str, str], Quoted] = {}
    for study in studies:
        for quoted in _quoted(study, question, rows):
            merged.setdefault((quoted.asked.quantity, quoted.found.design_text), quoted)
    found = list(merged.values())
    if not found:
        return (), []
    return (coverage_table(found),), [
        *cautions(found, question=question.name, mend="Take its ends as a rough guide, and plan more levels"),
        *note(found, question=question.name)]


def _quoted(study: GStudy, question: ReliabilityQuestion, rows: Sequence[Row]) -> Iterator[Quoted]:
    mine = Design(n=study.numbers[0], k=min(study.numbers[1:]), m=study.replicates,
                  missing=_missing(study) if study.fit is not None else 0.0)
    nested = any(study.group.parents)
    design = min(dict.fromkeys(r.text for r in rows), key=lambda text: _distance(mine, nested, text, rows))
    far = _distance(mine, nested, design, rows)
    base = design.removesuffix(", levels alike")
    kind = "absolute" if question.agree == "value" else "relative"
    coefficient = "Phi coefficient" if question.agree == "value" else "G coefficient"
    of = ", ".join(study.group.labels.values())
    of_mean = ", of the mean" if question.use == "mean" else ""
    for quantity in (f"{coefficient}{of_mean}", f"SEM ({kind}){of_mean}"):
        found = [r for r in rows if r.quantity == quantity and r.text.removesuffix(", levels alike") == base]
        best = next((r for r in found if r.text == design), None)
        if best is None:
            continue
        worst = min(found, key=lambda r: r.coverage)
        yield Quoted(asked=Asked(quantity=quantity, named=quantity, method=study.method, design=mine, of=of),
                     found=Simulated(quantity=quantity, method=best.method, coverage=best.coverage,
                                     lowest=worst.coverage, lowest_text=worst.text, mean_width=best.width,
                                     studies=best.studies, nominal=best.nominal, design_text=best.text, distance=far,
                                     apart=0.0, table=best.table, date=best.date), of=(of,) if of else ())


def _missing(study: GStudy) -> float:
    """Return the share of the combinations that the design allows which were not measured."""
    layout, parents = study.layout, study.group.parents
    size = dict(zip(layout.effects, layout.sizes, strict=True))
    whole = math.prod(size[parents[f] | {f}] / size.get(parents[f], 1) for f in range(len(parents)))
    most = float(layout.counts.max())
    return max(0.0, 1 - layout.n_readings / (whole * most))


def _distance(mine: Design, nested: bool, text: str, rows: Sequence[Row]) -> float:
    other = next(r.design for r in rows if r.text == text)
    levels = [float(x) for x in _LEVELS.findall(text.split(" % ")[0])]
    few = min(levels, default=2.0)
    kind = 1.0 if (" in " in text.replace("in each", " in ")) != nested else 0.0
    n, k = mine.n or 1.0, mine.k or 2.0
    return math.sqrt(kind**2 + (2 * math.log(few / k)) ** 2 + math.log((other.n or n) / n) ** 2
                     + (0.5 * math.log((2.0 if "replicates" in text else 1.0) / max(mine.m, 1.0))) ** 2
                     + (3 * (other.missing - mine.missing)) ** 2 + (0.2 if "alike" in text else 0.0) ** 2)
