"""What became of one item: filled, open, or not applicable, with the sentence that a paper can print."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from drift.items.evidence import Evidence

State = Literal["filled", "needs you", "not applicable"]
GRADES = ("very good", "adequate", "doubtful", "inadequate")
Filler = Callable[["Evidence"], "Filled"]


@dataclass(frozen=True, kw_only=True)
class Filled:
    """One item as far as it goes.

    Parameters
    ----------
    state : {"filled", "needs you", "not applicable"}
    text : str
        A sentence or two to print; where something is still open, what is known already; where the item does not
        apply, why.
    needs : tuple of str
        Keys of ``study.toml`` that would fill it, or better it where it is filled.
    source : str
        "data", "study.toml", "data and study.toml", or "draft" where a person has to stand by it.
    grade : str
        One of :data:`GRADES` for lines that are scored.
    """

    state: State
    text: str
    needs: tuple[str, ...] = ()
    source: str = "data"
    grade: str = ""


def filled(*sentences: str, source: str = "data", grade: str = "", needs: Sequence[str] = ()) -> Filled:
    """Make a filled item of sentences."""
    return Filled(state="filled", text=paragraph(*sentences), source=source, grade=grade, needs=tuple(needs))


def needs_you(*keys: str, known: Sequence[str] = (), grade: str = "") -> Filled:
    """Make an open item: the keys to fill in, and what is known already."""
    return Filled(state="needs you", text=paragraph(*known), needs=keys, grade=grade,
                  source="data" if any(known) else "")


def not_applicable(why: str) -> Filled:
    """Make an item that does not apply."""
    return Filled(state="not applicable", text=paragraph(why), source="data")


def paragraph(*sentences: str) -> str:
    """Join sentences, each with a capital and a full stop."""
    told = [s.strip() for s in sentences if s and s.strip()]
    return " ".join((s[0].upper() + s[1:]) + ("" if s.endswith((".", "!", "?")) else ".") for s in told)


def worst(grades: Sequence[str]) -> str:
    """Return the worst of several grades; empty where there is none."""
    there = [g for g in grades if g]
    return max(there, key=GRADES.index) if there else ""
