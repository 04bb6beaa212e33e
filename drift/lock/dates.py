"""When the data were taken, and whether a moment lies before or after them.

Data carry local times without a zone, or bare days; a lock carries UTC. A local time may be up to 14 hours ahead of UTC
and 12 behind it, so that a moment nearer than that to a reading cannot be ordered, and this is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from drift.records import Table, Tables

AHEAD, BEHIND = timedelta(hours=14), timedelta(hours=12)


@dataclass(frozen=True, kw_only=True)
class Dated:
    """First and last moment of one table as written, the moments (UTC) between which each lies, rows without a date."""

    table: str
    first: str
    last: str
    first_between: tuple[datetime, datetime]
    last_between: tuple[datetime, datetime]
    undated: int

    def place(self, moment: datetime) -> str:
        """Say where a moment lies: before, at the start, between, at the end, after."""
        if moment < self.first_between[0]:
            return "before"
        if moment > self.last_between[1]:
            return "after"
        if moment <= self.first_between[1]:
            return "at the start"
        return "at the end" if moment >= self.last_between[0] else "between"


def dated(tables: Tables | None) -> dict[str, Dated | None]:
    """Return the dates of checks and trials; None for a table without dates, no entry for one that is not there."""
    found: dict[str, Dated | None] = {}
    for name in ("checks", "trials"):
        table = getattr(tables, name, None)
        if table is not None and len(table):
            found[name] = _of(name, table)
    return found


def _of(name: str, table: Table) -> Dated | None:
    if "time" not in table:
        return None
    texts = [str(t) for t in table["time"] if t]
    if not texts:
        return None
    between = {t: _between(t) for t in dict.fromkeys(texts)}
    first = min(between, key=lambda t: between[t][0])
    last = max(between, key=lambda t: between[t][1])
    return Dated(table=name, first=first, last=last, first_between=between[first], last_between=between[last],
                 undated=len(table) - len(texts))


def _between(text: str) -> tuple[datetime, datetime]:
    """Return the earliest and the latest moment (UTC) that a date of the data can mean."""
    moment = datetime.fromisoformat(text)
    if moment.tzinfo is not None:
        return moment.astimezone(UTC), moment.astimezone(UTC)
    whole_day = timedelta(days=1) if len(text) <= 10 else timedelta(0)
    moment = moment.replace(tzinfo=UTC)
    return moment - AHEAD, moment + whole_day + BEHIND
