"""Who checked, and on which rig: whether readings differ by them where that can be told from use."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.calibration import words
from drift.errors import Finding
from drift.records import CheckTable
from drift.results import join_words
from drift.sensitivity.assumptions import LOOK, p_words
from drift.sensitivity.design import QUESTION, WearData
from drift.sensitivity.engine_calls import joint_test
from drift.sensitivity.model import GroupRows, assemble

Floats = NDArray[np.float64]



@dataclass(frozen=True, kw_only=True)
class Departure:
    """Readings of one construction that differ by ``handler`` (operator or rig)."""

    handler: str
    file: str
    values: tuple[str, ...]
    worst: str
    words: str
    where: str
    p: float


def departures(data: WearData, checks: CheckTable, rows: NDArray[np.bool_], group: GroupRows, *, construction: str,
               unit: str, confounded: tuple[str, ...]) -> list[Departure]:
    """Test operators and rigs in the wear model by a Kenward-Roger F test, where they can be told from use.

    The estimate of drift is not changed; a difference that shows is a caution with a mend.
    """
    found: list[Departure] = []
    for name in ("operator", "rig"):
        if name in confounded or name in data.spec.covariates:
            continue
        label = words(checks, name)[data.kept_rows[rows]]
        values = sorted(set(label.tolist()))
        if len(values) < 2 or "" in values:
            continue
        # Sum-to-zero columns: each effect is a value against the mean of all.
        last = (label == values[-1]).astype(np.float64)
        extra = {f"{name} {v}": (label == v).astype(np.float64) - last for v in values[:-1]}
        laid = assemble(replace(group, extra={**group.extra, **extra}))
        place = [laid.names.index(k) for k in extra]
        try:
            effects, p = joint_test(group.response, laid.columns, laid.levels, place)
        except ValueError:
            continue
        if p >= LOOK:
            continue
        by_value = dict(zip(values, [*effects.tolist(), -float(effects.sum())], strict=True))
        worst = max(by_value, key=lambda v: abs(by_value[v]))
        size = f"{100 * np.expm1(by_value[worst]):+.2f} %" if data.log else f"{by_value[worst]:+.4g} {unit}".rstrip()
        found.append(Departure(handler=name, file=checks.file, values=tuple(values), worst=worst,
                               words=f"{worst} lies {size} from the mean of {join_words(values)}",
                               where=construction, p=p))
    return found


def handler_findings(found: Sequence[Departure]) -> list[Finding]:
    """Word the departures, all constructions of one handler in one finding."""
    said = []
    for name in dict.fromkeys(d.handler for d in found):
        mine = [d for d in found if d.handler == name]
        parts = "; ".join(f"{'in ' + d.where + ' sensors ' if d.where else ''}{d.words} (p {p_words(d.p)})"
                          for d in mine)
        who = join_words(list(dict.fromkeys(d.worst for d in mine)))
        work = "works" if name == "operator" else "measures"
        how = f"{who} {work}" if " and " not in who else f"{who} {work.removesuffix('s')}"
        said.append(Finding(
            severity="warning", code=f"{name}s-differ", question=QUESTION, column=name, file=mine[0].file,
            message=f"Readings differ by {name} (Kenward-Roger F test): {parts}; the {name} is not in the model, so "
                    "this is part of the scatter",
            mend=f'Add "{name}" to covariates under [sensitivity] to take it out, and look into how {how}.'))
    return said
