"""What is typed by hand is judged as 'drift today' judges it: the ledger takes nothing that the answer then refuses."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from drift.errors import DriftError, Finding
from drift.ingest.logged import Row

KEPT = "kept anyway: "
SHARED = frozenset({"root", "admin", "administrator", "user", "guest", "lab", "laboratory", "labor", "bench", "shared",
                    "public", "default", "test", "student", "students", "staff", "pi", "ubuntu", "sensor", "sensors"})


def latest_check(rows: Sequence[Row], sensor: str, exposure: str) -> float:
    """Return the use of the latest check of a sensor in the ledger; NaN where there is none."""
    found = math.nan
    for _, kind, body in rows:
        if kind == "check" and body.get("sensor") == sensor:
            try:
                at = float(body.get(exposure, ""))
            except ValueError:
                continue
            found = at if not at <= found else found
    return found


def at_latest_check(body: Mapping[str, str], rows: Sequence[Row], exposure: str) -> dict[str, str]:
    """Return a repeat with the use of the check it repeats.

    Raises
    ------
    DriftError
        Where there is none, or where another use was given.
    """
    sensor, given = body["sensor"], body.get(exposure, "")
    latest = latest_check(rows, sensor, exposure)
    if math.isnan(latest):
        raise DriftError(Finding(severity="error", code="no-check", column="--repeat", message=f"{sensor} has no check "
                                 "on record that could be repeated", mend="Leave --repeat out."))
    try:
        elsewhere = bool(given) and float(given) != latest
    except ValueError:
        elsewhere = False  # what is wrong with the value is said with the row
    if elsewhere:
        raise DriftError(Finding(severity="error", code="repeat-elsewhere", column=exposure, value=given, message="a "
                                 f"repeat is of the latest check, at {exposure} {latest:g}",
                                 mend=f"Leave {exposure}= out, or --repeat."))
    return {**body, exposure: given or f"{latest:g}"}


def as_typed(found: Sequence[Finding], kind: str, bodies: Sequence[Mapping[str, str]], *, anyway: bool
             ) -> list[Finding]:
    """Return findings as errors where 'drift today' refuses what they are about; ``anyway`` leaves them cautions."""
    touched = kind in ("check", "standard") or (kind == "correction" and any("reading" in b for b in bodies))
    if anyway or not touched:
        return list(found)
    mend = ("Correct the reading, or full_scale in [sensitivity]; to write it down all the same say why: "
            "--anyway \"REASON\"")
    return [replace(f, severity="error", mend=mend) if f.code == "above-full-scale" else f for f in found]


def with_reason(body: Mapping[str, str], anyway: str) -> dict[str, str]:
    """Return an entry that bears why it was written all the same."""
    if not anyway:
        return dict(body)
    note = body.get("note", "")
    return {**body, "note": f"{note}; {KEPT}{anyway}" if note else f"{KEPT}{anyway}"}


def shared_name(who: str) -> Finding | None:
    """Return a caution where the account that signs is one that several people use."""
    if who.strip().casefold() not in SHARED:
        return None
    return Finding(severity="warning", code="shared-name", column="--who", value=who, message="this is the name of the "
                   "account on this computer, not of a person: the ledger will not tell who wrote",
                   mend="Say --who NAME, or set DRIFT_WHO=NAME in the environment")
