"""Which companions stand beside the drift per use, in the order in which they are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import fields, replace

import numpy as np

from drift.companion import Companion, joined
from drift.engine.streams import stream
from drift.errors import Finding
from drift.records import Tables
from drift.sensitivity.companion import Maker, Setting, stacked
from drift.sensitivity.design import QUESTION, WearData
from drift.sensitivity.groups import GroupAnalysis
from drift.sensitivity.lines import Occasions, SensorLines


def makers() -> tuple[tuple[str, Maker], ...]:
    """Return name and function of every companion; their modules are imported only here."""
    from drift.sensitivity import autocorrelation, early, exposures, new_batch, reference_error, robust_trend, shapes

    return (("before start", early.companion),
            ("robust trend", robust_trend.companion),
            ("shapes", shapes.companion),
            ("autocorrelation", autocorrelation.companion),
            ("new batch", new_batch.companion),
            ("exposures", exposures.companion),
            ("errors of reference and count", reference_error.companion))


def accompany(data: WearData, occasions: Occasions, lines: SensorLines, groups: Sequence[GroupAnalysis],
              tables: Tables, *, level: float, seed: int) -> Companion:
    """Ask every companion about every construction."""
    made: list[Companion] = []
    for name, make in makers():
        for number, group in enumerate(groups):
            found = make(Setting(data=data, tables=tables, group=group, occasions=_of(occasions, group.construction),
                                 lines=lines, level=level, rng=stream(seed, name, number)))
            if found is not None:
                made.append(found)
    every = joined(made)
    return replace(every, tables=stacked(made), findings=(*every.findings, *_quoted(every, level)))


def _of(occasions: Occasions, construction: str) -> Occasions:
    """Return the occasions of one construction."""
    mine = np.asarray(occasions.construction == construction, dtype=np.bool_)
    columns = {f.name: getattr(occasions, f.name)[mine] for f in fields(occasions) if f.name != "of_mounting"}
    return replace(occasions, **columns)


def _quoted(every: Companion, level: float) -> list[Finding]:
    """Caution where an interval that was printed is too short in simulated studies like this one."""
    from drift.simulated.quoting import cautions, quote

    found = []
    for family in dict.fromkeys(f for f, _ in every.asked):
        quoted = quote(family, [a for f, a in every.asked if f == family], level=level)
        found += cautions(quoted, question=QUESTION, mend="Check more sensors.")
    return found
