"""The methods paragraph of two calibrations compared on the same raw readings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drift.errors import MINUS
from drift.report.figures import table_of
from drift.results import Result, join_words


def recalculated_paragraph(part: Result, asked: Mapping[str, Any]) -> str:
    """Say how two calibrations were compared without new trials; empty for any other question.

    Parameters
    ----------
    part : Result
    asked : mapping
        The question as the study file holds it.
    """
    table = table_of(part, "limits by pressure")
    if table is None:
        return ""
    a, b = asked.get("a", "a"), asked.get("b", "b")
    source = (asked.get("recalculate") or {}).get("from", (asked.get("recalculate") or {}).get("source", ""))
    whence = "straight lines fitted through bench checks" if source == "checks" else "calibration lines as recorded"
    wanted = [e for e in part.estimates if e.name in ("bias", "lower limit", "upper limit") and e.value == e.value]
    shown = join_words(f"{e.name} {e.text()}" for e in wanted) or "not estimable"
    harmless = f" The largest difference that would not matter was declared as {asked['harmless']}." \
        if asked.get("harmless") else ""
    n = max((e.n or 0 for e in part.estimates), default=0)
    return (f"Calibrations {a} and {b} were compared on the same raw readings, each expressed through both ({whence}), "
            f"differences taken as {a} {MINUS} {b}. As noise of a reading cancels, the difference is a line in the "
            f"pressure for each sensor; limits of agreement (Bland and Altman 1999) hold for a new sensor and rest on "
            f"{n} sensor{'s' if n != 1 else ''}, not on the number of readings (noncentral t, Carkeet 2015; Zou 2013 "
            f"where a sensor was calibrated more than once). Over the pressures met: {shown}.{harmless}")
