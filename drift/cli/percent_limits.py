"""A limit in percent without a reference: on readings that are percent themselves, or a mistake."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from drift.errors import Finding
    from drift.records import CheckTable

PERCENT = ("%", "percent")


def percent_of_reading(checks: CheckTable | None, options: Mapping[str, Any]) -> Finding | None:
    """Say that readings were taken to be in percent, as the limit is.

    Parameters
    ----------
    checks : CheckTable or None
        None where the table has faults, which are said when the question is answered.
    options : mapping
        As the command line names them; a limit in percent with a reference is on the fall of sensitivity.

    Raises
    ------
    click.BadParameter
        Where they cannot be: another unit is stated, one of them is beyond 100, or fresh sensors are past the limit.
    """
    import rich_click as click

    from drift.cli.one_table import LIMIT
    from drift.errors import Finding

    found = LIMIT.match(options["limit"])
    if not found or (found.group(2) or "").strip() not in PERCENT or options["reference"]:
        return None
    text, value = options["limit"].strip(), float(found.group(1).replace("\N{MINUS SIGN}", "-"))
    stated = options["unit"] or (checks.units.get("reading") if checks is not None else None)
    mend = "for a fall of sensitivity give --reference COL, the known load; readings in percent take --unit %"
    if stated in PERCENT:
        return None
    if stated:
        raise click.BadParameter(f"{text!r} is no limit on a reading in {stated}; {mend}", param_hint="--limit")
    if checks is None or "reading" not in checks:
        return None
    reading = np.asarray(checks["reading"], dtype=np.float64)
    reading = reading[np.isfinite(reading)]
    if len(reading) and np.abs(reading).max() > 100:
        raise click.BadParameter(f"{text!r} without --reference would be a limit on readings in percent, and they "
                                 f"reach {np.abs(reading).max():g}; {mend}", param_hint="--limit")
    fresh = _fresh(checks, reading)
    if np.isfinite(fresh) and (fresh > value if options["direction"] == "above" else fresh < value):
        raise click.BadParameter(f"{text!r} without --reference would be a limit on readings in percent, and sensors "
                                 f"read {fresh:g} when fresh, past it already; {mend}", param_hint="--limit")
    return Finding(severity="warning", code="limit-in-percent", message=f"--limit {text} was read as a limit on the "
                   "reading itself, taken to be in percent", mend="For a fall of sensitivity give --reference COL, the "
                   "known load; else say --unit %.")


def _fresh(checks: CheckTable, reading: NDArray[np.float64]) -> float:
    """Return the median reading at the smallest use."""
    if "use" not in checks or checks["use"].dtype.kind != "f" or not len(reading):
        return float("nan")
    use, all_readings = checks["use"], np.asarray(checks["reading"], dtype=np.float64)
    good = np.isfinite(use) & np.isfinite(all_readings)
    if not good.any():
        return float("nan")
    return float(np.median(all_readings[good & (use == use[good].min())]))
