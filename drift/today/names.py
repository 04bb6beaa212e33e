"""The sensor that was meant."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from drift.errors import Finding
from drift.study import suggestion


def unknown_sensor(sensor: str, known: Sequence[str]) -> Finding:
    """Say that a sensor occurs nowhere, with the nearest names."""
    return Finding(severity="error", code="unknown-sensor", value=sensor, message="no such sensor occurs in the tables "
                   "of the study", mend=_meant(sensor, known))


def _meant(sensor: str, known: Sequence[str]) -> str:
    """Suggest the sensor that was meant: signs that look alike first, then the nearest names."""
    alike = str.maketrans("lIoO", "1100")
    for name in known:
        if name.translate(alike).casefold() == sensor.translate(alike).casefold():
            return f"Did you mean {name!r}?"
    near = difflib.get_close_matches(sensor.casefold(), [k.casefold() for k in known], n=3, cutoff=0.6)
    names = [next(repr(k) for k in known if k.casefold() == n) for n in near]
    if not names:
        return suggestion(sensor, known, noun="sensors")
    return f"Did you mean {' or '.join([', '.join(names[:-1]), names[-1]] if len(names) > 1 else names)}?"
