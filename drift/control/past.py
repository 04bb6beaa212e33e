"""Which occasions of a check standard are past a limit, each with its value against the limits, in words."""

from __future__ import annotations

import math

from drift.control.charts import StandardChart

MOST_NAMED, MOST_DIGITS = 3, 8
PLAIN = {"individuals": "", "precision": "SD within the occasion ", "EWMA": "EWMA ", "CUSUM": "CUSUM "}


def past_words(charts: list[StandardChart]) -> str:
    """Return sentences that name the occasions past a limit: the latest ones, and those before.

    What signals at the latest occasion decides; one that signalled before tells the day to look at.
    """
    latest = [at_occasion(c, len(c.occasions) - 1, who=len(charts) > 1) for c in charts if c.latest]
    before = [(c, i) for c in charts for i in sorted({s.occasion for s in c.signals}) if i < len(c.occasions) - 1]
    said = f" There: {'; '.join(latest)}." if latest else ""
    if not before:
        return said
    named = [at_occasion(c, i, who=len(charts) > 1, day=True) for c, i in before[:MOST_NAMED]]
    more = len(before) - len(named)
    lead = "1 earlier occasion was" if len(before) == 1 else f"{len(before)} earlier occasions were"
    return (f"{said} {lead} past a limit: {'; '.join(named)}"
            + (f"; and {more} more, in the table of signals" if more else "") + ".")


def at_occasion(c: StandardChart, occasion: int, *, who: bool, day: bool = False) -> str:
    """Name what one standard shows at an occasion past a limit: ``2026-02-04 (524 against 489 to 510)``."""
    here = [s for s in c.signals if s.occasion == occasion]
    # The occasion itself says most; averages and sums are named where it is inside its limits.
    s = next((s for s in here if s.chart == "individuals"), here[0])
    ends = (c.lower, c.upper) if s.chart == "individuals" else (s.limit,)
    digits = _digits(c.sd)
    while digits < MOST_DIGITS and f"{s.value:.{digits}f}" in [f"{e:.{digits}f}" for e in ends]:
        digits += 1
    found = f"{PLAIN[s.chart]}{s.value:.{digits}f} against {' to '.join(f'{e:.{digits}f}' for e in ends)}"
    unit = f" {c.occasions.unit}" if c.occasions.unit else ""
    name = f"{c.occasions.standard} " if who and c.occasions.standard else ""
    text = f"{found}{unit}"
    return f"{name}{'on ' if name else ''}{c.occasions.label[occasion]} ({text})" if day else f"{name}{text}"


def _digits(sd: float) -> int:
    """Decimals that show a tenth of an SD."""
    if not (math.isfinite(sd) and sd > 0):
        return 4
    return max(0, -math.floor(math.log10(sd / 10)))
