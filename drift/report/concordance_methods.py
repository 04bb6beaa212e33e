"""The methods sentence of concordance."""

from __future__ import annotations

import math
from collections.abc import Mapping

from drift.results import Result, join_words


def concordance_sentence(part: Result) -> str:
    """Return a sentence on the concordance correlation, with a leading blank; empty without one."""
    found = [e for e in part.estimates if e.name == "CCC" and math.isfinite(e.value)]
    if not found:
        return ""
    shown = join_words(f"{e.text()}{_of(e.of)}" for e in found[:3])
    more = f" and {len(found) - 3} further groups" if len(found) > 3 else ""
    factors = ""
    if len(found) == 1:
        each = [e for e in part.estimates if e.name in ("precision", "accuracy") and math.isfinite(e.value)]
        factors = f", the product of {join_words(f'{e.name} {e.text()}' for e in each)}" if len(each) == 2 else ""
    return (f" The concordance correlation ({found[0].method}) was {shown}{more}{factors}; it depends on the spread of "
            "the targets and decided nothing.")


def _of(labels: Mapping[str, str]) -> str:
    words = [v for k, v in labels.items() if k != "question"]
    return f" ({join_words(words)})" if words else ""
