"""The words of a calibration as options."""

from __future__ import annotations

import re
from collections.abc import Callable

CALIBRATION_CHANGES: list[tuple[str, str | Callable[[re.Match[str]], str]]] = [
    (r"Look at where and exclude", "Look at --where, and at rows marked exclude"),
    (r", or in \[columns\.checks\]", ""),
    (r"Set direction = \"both\" for", "Say --both-directions for"),
    (r"Declare it: (full_scale|floor) = (\S+), and", lambda m: f"Declare it: --{m[1].replace('_', '-')} {m[2]}, and"),
    (r"Give --full-scale, or full_scale in the study", "Say --full-scale"),
    (r"leave the zero loads out with where\b", "leave the zero loads out with --where"),
    (r"Number mountings in the column replicate and mount", "Number mountings in a column, name it with --replicate, "
     "and mount"),
]
