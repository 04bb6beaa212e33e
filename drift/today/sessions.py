"""Uses on record in the ledger."""

from __future__ import annotations

from collections.abc import Sequence

from drift.ingest.logged import Row, ledger_path, read_ledger
from drift.study import Study


def ledger_rows(study: Study) -> tuple[list[Row] | None, str]:
    """Read the ledger once for everything; None where there is none to read."""
    path = ledger_path(study)
    return read_ledger(study) if path is not None and path.is_file() else (None, "")


def sessions_of(rows: Sequence[Row]) -> dict[str, tuple[float, int]]:
    """Return the latest use count among each sensor's logged sessions, and how many sessions after it bear none."""
    found: dict[str, tuple[float, int]] = {}
    for _, kind, body in rows:
        sensor = body.get("sensor") if kind == "session" else None
        if not sensor:
            continue
        most, more = found.get(sensor, (0.0, 0))
        text = body.get("use", "")
        found[sensor] = (max(most, float(text)), 0) if text else (most, more + 1)
    return found
