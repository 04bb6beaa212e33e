"""Names and sentences: every coefficient in every convention, and the answer as a statistician would give it."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from drift.errors import MINUS
from drift.results import Estimate, decimals_for, ends_text, format_interval
from drift.study import ReliabilityQuestion

Model = Literal["one-way", "two-way random", "two-way mixed"]

# Severity, code, message and mend of a finding before it is placed.
Item = tuple[str, str, str, str]

ORDER: tuple[tuple[str, Model], ...] = (
    ("ICC(A,1)", "two-way random"), ("ICC(A,k)", "two-way random"), ("ICC(C,1)", "two-way random"),
    ("ICC(C,k)", "two-way random"), ("ICC(A,1)", "two-way mixed"), ("ICC(A,k)", "two-way mixed"),
    ("ICC(C,1)", "two-way mixed"), ("ICC(C,k)", "two-way mixed"), ("ICC(1)", "one-way"), ("ICC(k)", "one-way"))

# Shrout & Fleiss (1979) have names for six of the ten cases; the others are given the one they equal in value.
_SHROUT_FLEISS = {
    ("ICC(1)", "one-way"): "ICC(1,1)", ("ICC(k)", "one-way"): "ICC(1,k)",
    ("ICC(A,1)", "two-way random"): "ICC(2,1)", ("ICC(A,k)", "two-way random"): "ICC(2,k)",
    ("ICC(C,1)", "two-way mixed"): "ICC(3,1)", ("ICC(C,k)", "two-way mixed"): "ICC(3,k)",
    ("ICC(A,1)", "two-way mixed"): "none (same value as ICC(2,1))",
    ("ICC(A,k)", "two-way mixed"): "none (same value as ICC(2,k))",
    ("ICC(C,1)", "two-way random"): "none (same value as ICC(3,1))",
    ("ICC(C,k)", "two-way random"): "none (same value as ICC(3,k))"}

_EFFECTS = {"one-way": "one-way random effects", "two-way random": "two-way random effects",
            "two-way mixed": "two-way mixed effects"}


@dataclass(frozen=True)
class Declared:
    """The coefficient that the words of a question pick, and why."""

    coefficient: str
    model: Model
    because: str


def declared(question: ReliabilityQuestion, facet: str) -> Declared:
    """Pick the coefficient from ``facets_are``, ``agree`` and ``use``."""
    kind = "A" if question.agree == "value" else "C"
    count = "1" if question.use == "single" else "k"
    model: Model = "two-way random" if question.facets_are == "sample" else "two-way mixed"
    levels = (f"the {plural(facet)} are a sample from many" if question.facets_are == "sample"
              else f"these are the only {plural(facet)} of interest")
    agree = "readings must agree in value" if kind == "A" else "readings need only keep order and distances"
    use = "one reading will be used" if count == "1" else f"the mean over all {plural(facet)} will be used"
    return Declared(f"ICC({kind},{count})", model, f"{levels}, {agree}, and {use}")


def shrout_fleiss(coefficient: str, model: Model) -> str:
    """Return the Shrout & Fleiss (1979) name of a McGraw-Wong case."""
    return _SHROUT_FLEISS[coefficient, model]


def sentence(coefficient: str, model: Model) -> str:
    """Return the case in words: ``two-way random effects, absolute agreement, single reading``."""
    kind = "consistency" if "C," in coefficient else "absolute agreement"
    count = "single reading" if coefficient.endswith("1)") else "mean of k readings"
    return f"{_EFFECTS[model]}, {kind}, {count}"


_IRREGULAR = {"child": "children", "person": "people", "foot": "feet", "man": "men", "woman": "women", "tooth": "teeth",
              "series": "series"}


def plural(word: str) -> str:
    """Return the English plural of a column name, well enough for a sentence."""
    if word.lower() in _IRREGULAR:
        return _IRREGULAR[word.lower()]
    if word.endswith("y") and word[-2:-1] not in "aeiou":
        return word[:-1] + "ies"
    return word + ("es" if word.endswith(("s", "x", "ch", "sh")) else "s")


def opening(text: str) -> str:
    """Start a sentence with a capital letter; only its first letter changes."""
    return text[:1].upper() + text[1:]


def format_place(labels: Mapping[str, str]) -> str:
    """Return the combination of ``by`` columns as the start of a sentence; empty without one."""
    return ", ".join(f"{k} {v}" for k, v in labels.items()) + ": " if labels else ""


def quantity(value: float, unit: str, low: float = math.nan, high: float = math.nan) -> str:
    """Return a number with its unit, rounded as its interval allows, without printing the interval."""
    if not math.isfinite(value):
        return "not available"
    d = decimals_for(low, high, value)
    if 0 < abs(value) < 1e-5:
        return f"{value:.2g} {unit}".replace("-", MINUS).strip()
    if not math.isfinite(low) and value != 0:
        d = max(0, min(6, 1 - math.floor(math.log10(abs(value)))))
    return f"{value:.{d}f} {unit}".strip()


def interval_text(low: float, high: float) -> str:
    """Return the ends of a coefficient's interval with at least two decimals: ``0.84 to 0.95``."""
    d = _decimals(low, high)
    return ends_text(*(f"{round(x, d) + 0.0:.{d}f}".replace("-", MINUS) if math.isfinite(x) else ""
                       for x in (low, high)))


def _decimals(low: float, high: float) -> int:
    return max(2, decimals_for(low, high)) if high > low else 2


def coefficient_text(value: float, low: float, high: float) -> str:
    """Return a coefficient with its interval and at least two decimals: ``0.91 (0.84 to 0.95)``."""
    if not math.isfinite(value):
        return "not available"
    bounded = math.isfinite(low) or math.isfinite(high)
    d = _decimals(low, high) if bounded else 3
    # Adding 0.0 turns a negative zero, which rounding can make, into a plain one.
    shown = f"{round(value, d) + 0.0:.{d}f}".replace("-", MINUS)
    return f"{shown} ({interval_text(low, high)})" if bounded else shown


def answer_sentence(question: ReliabilityQuestion, facet: str, levels: int, main: Estimate, sem: Estimate | None,
                    mdc: Estimate | None) -> str:
    """Return the answer for one group of readings."""
    what = (f"Reading of the same {question.target} with another {facet}" if question.use == "single" else
            f"Mean reading of the same {question.target} over {levels} {plural(facet)}")
    start = f"{what}: {main.name} {coefficient_text(main.value, main.low, main.high)}"
    if sem is None or mdc is None or not math.isfinite(sem.value):
        return f"{start}."
    size = quantity(mdc.value, mdc.unit, mdc.low, mdc.high)
    if sem.value == 0:
        return f"{start}; no measurement error was seen."
    return (f"{start}; {sem.name} {format_interval(sem.value, sem.low, sem.high)} {sem.unit}".rstrip()
            + f", so a change below {size} (MDC) in one {question.target} is within the noise.")
