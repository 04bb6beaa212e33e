"""The study.toml of a planned study: it asks the question the plan was made for."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from typing import Any

from drift.planning.question import Design, Question
from drift.planning.schedule import Schedule

FILL = "..."  # what a new study has where something is still blank


def study_text(question: Question, d: Design, schedule: Schedule, words: tuple[str, str], answer: str,
               asked: Mapping[str, Any], *, seed: int) -> str:
    """Return the text of ``study.toml``.

    Parameters
    ----------
    question, d, schedule
        What was planned.
    words : tuple of str
        Names of target and facet.
    answer : str
        The plan in a sentence, kept as a comment.
    asked : mapping
        Values the plan was asked with.
    seed : int
        Of the schedule.
    """
    lines = [f"# {answer}", f"# Schedule of {question.worded(d)}, randomised with seed {seed}. Fill in the readings in "
             "the order given,", "# then: drift check . and drift run .", "", "[study]",
             f'title = "{FILL}"', f'use_is = "{FILL}"' if schedule.table == "checks" else "", "", "[files]",
             f'{schedule.table} = "{schedule.table}.csv"',
             *(f'{name.removesuffix(".csv")} = "{name}"' for name in schedule.files), ""]
    unit = asked.get("unit")
    if schedule.table == "trials":
        lines += ["[units.trials]", f'reading = "{unit or "kPa"}"' + ("" if unit else "   # say which"),
                  'order = "count"   # place in the order of work: a number, and no part of any question', ""]
    else:
        lines += ["[units.checks]", 'reading = "count"', 'reference = "kPa"', ""]
    lines += _ASKED[question.kind](question, d, words, asked)
    # What reporting items ask of the size of a study, and what "drift lock" fixes of it.
    lines += ["", "[reporting]", f"sample_size = {json.dumps(answer, ensure_ascii=False)}"]
    return "\n".join(line for line in _once_blank(lines)) + "\n"


def _once_blank(lines: list[str]) -> list[str]:
    return [line for i, line in enumerate(lines) if line or (i and lines[i - 1])]


def _reliability(q: Question, d: Design, words: tuple[str, str], asked: Mapping[str, Any]) -> list[str]:
    consistency = getattr(q, "form", "") == "ICC(C,1)" or getattr(q, "error", "") == "consistency"
    return ["[[reliability]]", f'name = "{words[0]} over {words[1]}"', f'target = "{words[0]}"',
            f'facet = "{words[1]}"', f'agree = "{"order" if consistency else "value"}"']


def _agreement(q: Question, d: Design, words: tuple[str, str], asked: Mapping[str, Any]) -> list[str]:
    by = [words[0], *(["replicate"] if d["repeats"] > 1 else [])]
    harmless = asked.get("harmless")
    return ["[[agreement]]", 'name = "a against b"', 'compare = "method"', 'a = "method a"', 'b = "method b"',
            f'target = "{words[0]}"', f"pair_by = [{', '.join(repr(c).replace(chr(39), chr(34)) for c in by)}]",
            *([f"harmless = {harmless:g}"] if harmless else ["# harmless = ...  # largest difference that would not "
                                                             "matter, in the reading's unit"])]


def _gauge(q: Question, d: Design, words: tuple[str, str], asked: Mapping[str, Any]) -> list[str]:
    return ["[[gauge]]", 'name = "gauge study"', 'part = "part"', 'operator = "operator"']


def _wear(q: Question, d: Design, words: tuple[str, str], asked: Mapping[str, Any]) -> list[str]:
    two = ['covariates = ["construction"]'] if getattr(q, "groups", 1) == 2 else []
    lines = ["[sensitivity]", 'exposure = "use"', 'scale = "log"', *two]
    limit = getattr(q, "limit", None)
    if limit is not None:
        lines += ["", "[limits]", f"sensitivity_change = {1 - math.exp(-limit):.4g}", "", "[retirement]",
                  f"content = {q.content:g}", f"confidence = {q.confidence:g}"]  # type: ignore[attr-defined]
    return lines


_ASKED = {"icc": _reliability, "sem": _reliability, "limits": _agreement, "gauge": _gauge, "slope": _wear,
          "retire": _wear}
