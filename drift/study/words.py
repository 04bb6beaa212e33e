"""Nearest known words, and places of a study file as its reader would write them."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence


def nearest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the known word nearest to one that is not known, or None."""
    by_fold = {k.casefold(): k for k in known}
    found = difflib.get_close_matches(word.casefold(), list(by_fold), n=1, cutoff=cutoff)
    return by_fold[found[0]] if found else None


def suggestion(word: str, known: Sequence[str], *, noun: str) -> str:
    """Return the mend for a word that is not known: the nearest one, else all of them."""
    near = nearest(word, known)
    if near is not None:
        return f"Did you mean {near!r}?"
    shown = ", ".join(repr(k) for k in known[:12]) + (", ..." if len(known) > 12 else "")
    return f"Known {noun}: {shown}" if known else f"There are no {noun}"


def path_words(path: Sequence[str | int]) -> str:
    """Write a path as a reader of the file would: ``[[reliability]] no. 2, target``."""
    out: list[str] = []
    for i, step in enumerate(path):
        if isinstance(step, int):
            out[-1] = f"[{out[-1]}] no. {step + 1}" if out else str(step)
        elif i == 0:
            out.append(f"[{step}]")
        elif i == 1 and path[0] in ("format", "columns", "units"):
            out[-1] = f"[{path[0]}.{step}]"
        else:
            out.append(step)
    return " ".join(out) if len(path) > 1 or not path else str(path[0])
