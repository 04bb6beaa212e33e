"""The declared coefficient in every convention, and why it is the one that fits."""

from __future__ import annotations

from dataclasses import dataclass

from drift.errors import Finding
from drift.reliability.words import ORDER, Declared, Model, declared, plural, sentence, shrout_fleiss
from drift.study import ReliabilityQuestion

WHY = "why-this-coefficient"


@dataclass(frozen=True, kw_only=True)
class Names:
    """One case in all conventions.

    Parameters
    ----------
    mcgraw_wong : str
        ``"ICC(A,1)"``.
    model : {"one-way", "two-way random", "two-way mixed"}
    shrout_fleiss : str
        ``"ICC(2,1)"``; empty where that convention has no name for the case.
    sentence : str
        ``"two-way random effects, absolute agreement, single reading"``.
    same_value : tuple of str
        Cases whose value is computed by the same formula.
    """

    mcgraw_wong: str
    model: Model
    shrout_fleiss: str
    sentence: str
    same_value: tuple[str, ...]


def names_of(coefficient: str, model: Model) -> Names:
    """Return the names of a case.

    Parameters
    ----------
    coefficient : str
        In McGraw & Wong's notation.
    model : {"one-way", "two-way random", "two-way mixed"}

    References
    ----------
    McGraw & Wong (1996), Psychological Methods 1:30-46, Table 4 (the ten cases; random and mixed columns share
    their formulas). Shrout & Fleiss (1979), Psychological Bulletin 86:420-428.
    """
    theirs = shrout_fleiss(coefficient, model)
    same = tuple(f"{c}, {m}" for c, m in ORDER if c == coefficient and m != model)
    return Names(mcgraw_wong=coefficient, model=model, shrout_fleiss="" if theirs.startswith("none") else theirs,
                 sentence=sentence(coefficient, model), same_value=same)


def why(question: ReliabilityQuestion, facet: str, pick: Declared | None = None) -> Finding:
    """Return the note that names the declared coefficient in every convention and gives the reason for it."""
    pick = pick or declared(question, facet)
    called = names_of(pick.coefficient, pick.model)
    if called.shrout_fleiss:
        beside = f", {called.shrout_fleiss} in Shrout & Fleiss (1979)"
        other = ("the only ones of interest" if question.facets_are == "sample" else "a sample from many")
        same = f"Were the {plural(facet)} {other}, its value would be the same in a complete table"
    else:
        beside = ""
        equal = shrout_fleiss(pick.coefficient, pick.model).split("same value as ")[-1].removesuffix(")")
        same = f"Shrout & Fleiss (1979) do not name this case; their {equal} has the same value in a complete table"
    return Finding(severity="note", code=WHY, question=question.name,
                   message=f"{called.mcgraw_wong} in McGraw & Wong (1996){beside}: {called.sentence}. It fits because "
                           f"{pick.because}. {same}")
