"""The sentence of the methods paragraph about agreement along use."""

from __future__ import annotations

import math

from drift.agreement.along_use_tables import split_method
from drift.errors import MINUS
from drift.report.figures import table_of
from drift.results import Estimate, Result, format_interval


def along_use_sentence(part: Result) -> str:
    """Say how differences were followed along use and what was found; empty where they were not.

    Parameters
    ----------
    part : Result
        Of an agreement question.
    """
    if table_of(part, "along use") is None:
        return ""
    slope = next((e for e in part.estimates if e.name == "trend of difference with use"), None)
    if slope is None:
        return ""
    present = [e for e in part.estimates if e.name.endswith(" at the present use")]
    told = [f"{slope.text()} ({slope.method})"]
    if len({e.of.get("use") for e in present}) == 1 and len(present) == 3:
        told.append(f"at the largest use seen ({present[0].of['use']}) bias and limits were "
                    + "; ".join(_ends(e) for e in present) + f" {present[0].unit}".rstrip())
    protocol = [e for e in part.estimates if e.name == "protocol limit"]
    if len(protocol) == 1:
        told.append(f"protocol limit: {_count(protocol[0])} ({split_method(protocol[0])[0]})")
    return (" Differences were modelled along use with random lines of sensors and random targets where they repeat "
            "(Swamy 1970; Bell and McCaffrey 2002; Zou 2013), limits for a new sensor and target; their trend was "
            + "; ".join(told) + ".")


def _ends(e: Estimate) -> str:
    return format_interval(e.value, e.low, e.high).replace("-", MINUS)


def _count(e: Estimate) -> str:
    if not math.isfinite(e.value):
        return f"none, {split_method(e)[1]}"
    return f"{'at least ' if e.bound == 'at least' else ''}{e.value:g} {e.unit}"
