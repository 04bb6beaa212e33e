"""What a relation is: data. Its equations are text over the symbols of the vocabulary."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

Kind = Literal["E", "B", "N", "A", "I", "V"]

KINDS: dict[Kind, str] = {
    "E": "exact identity", "B": "exact for a complete balanced analysis of variance",
    "N": "exact under normal theory", "A": "approximate", "I": "inequality", "V": "depends on the convention",
}


@dataclass(frozen=True, eq=False)
class Case:
    """One way a relation can hold: equations that hold together, and the convention they belong to.

    Parameters
    ----------
    equations : tuple of str
    convention : mapping
        Keys and words of :data:`drift.reported.claims.CONVENTIONS`, or ``level``.
    said : str
        The convention in words.
    usual : bool
        Whether the relation agrees without a remark under it; others are "only under".
    extra : bool
        Whether it is tried only where all its numbers are printed.
    """

    equations: tuple[str, ...]
    convention: Mapping[str, str] = field(default_factory=dict)
    said: str = ""
    usual: bool = True
    extra: bool = False


@dataclass(frozen=True, eq=False)
class Relation:
    """One relation between printed numbers.

    Parameters
    ----------
    number : int
        Its number in the list of 47 (0: what an interval is; 48 and above: what the paper states itself).
    part : str
        Letter of the part.
    name : str
        What it says, in words.
    kind : {"E", "B", "N", "A", "I", "V"}
    cases : tuple of Case
        Ways it can hold.
    target : str
        Symbol that is worked out from the others for print.
    needs : tuple of str
        Conventions that must be stated in the file before a mismatch is more than a question.
    source : str
        Reference.
    finder : str
        Name of a function in :mod:`drift.reported.finders` for what equations cannot say; empty otherwise.
    unless : tuple of str
        Symbols that put another relation in its place where they are printed.
    partial : bool
        Whether it may be tried on those cases alone whose numbers are all printed.
    when_two : bool
        Whether it holds for two measurements per unit only, and k = 2 must be said.
    printed : tuple of str
        Symbols that must be printed for it to be meant at all: a p of F without its F belongs to no F in particular.
    """

    number: int
    part: str
    name: str
    kind: Kind
    cases: tuple[Case, ...]
    target: str = ""
    needs: tuple[str, ...] = ()
    source: str = ""
    finder: str = ""
    unless: tuple[str, ...] = ()
    partial: bool = False
    when_two: bool = False
    printed: tuple[str, ...] = ()

    @property
    def label(self) -> str:
        """Number and letter."""
        return f"{self.number}{self.part}"


def exact(number: int, part: str, name: str, kind: Kind, *equations: str, target: str = "", source: str = "",
          needs: tuple[str, ...] = (), unless: tuple[str, ...] = (), method: str = "",
          when_two: bool = False, printed: tuple[str, ...] = ()) -> Relation:
    """Make a relation without variants; its target is what stands alone on the left, if anything does."""
    left = equations[0].split("==")[0].split("<=")[0].split(">=")[0].strip()
    cases = (Case(equations, {"method": method} if method else {}),)
    return Relation(number, part, name, kind, cases, target or (left if left.isidentifier() else ""), needs, source,
                    unless=unless, when_two=when_two, printed=printed)


def p_of_t(number: int, part: str, name: str, p: str, t: str, df: str, source: str = "",
           method: str = "") -> Relation:
    """Make the relation of a p to its t: two-sided as usual, one-sided as another convention."""
    way = {"method": method} if method else {}
    return varied(number, part, name, "N", Case((f"{p} == pt({t}, {df})",), way),
                  Case((f"2*{p} == pt({t}, {df})",), way, "a one-sided test", usual=False), target=p, source=source)


def varied(number: int, part: str, name: str, kind: Kind, *cases: Case, target: str = "",
           needs: tuple[str, ...] = (), source: str = "", unless: tuple[str, ...] = (),
           partial: bool = False, when_two: bool = False) -> Relation:
    """Make a relation with variants."""
    return Relation(number, part, name, kind, cases, target, needs, source, unless=unless, partial=partial,
                    when_two=when_two)
