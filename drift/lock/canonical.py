"""What a lock holds: the settings that decide an answer, one flat key each, and their SHA-256.

Left out is what decides nothing (title, file names, names of columns, reporting texts, protocol notes). A value equal
to its default is left out too, but for the few that say what is claimed, which always stand there: so that writing a
default down, reordering questions, comments and blanks change no hash.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Mapping
from typing import Any

from drift.study import Study

GROUPS = ("questions", "limits", "plan")
_QUESTIONS = ("sensitivity", "reliability", "gauge", "interlaboratory", "agreement", "calibration", "cells", "budget")
_LIMITS = ("limits", "retirement", "recalibration", "screening")
_PLAN = ("policy", "costs", "plan", "planning")
_OF_STUDY = ("use_is", "count_uses", "duplicates", "checks_are_uses")
_OF_REPORTING = {"important_change": "limits", "planned": "plan", "sample_size": "plan"}
# Inside a question these are limits: what would be called good enough.
_LIMITS_OF_QUESTIONS = ("harmless", "tolerance", "lower", "upper", "usable_at")
# Said even where they are the defaults: a reader of the lock should not have to know these.
_ALWAYS = {"retirement": ("content", "confidence"), "sensitivity": ("exposure", "scale"),
           "reliability": ("facets_are", "agree", "use")}

Value = str | int | float | bool | list[Any]


def fixed_settings(study: Study) -> dict[str, dict[str, Value]]:
    """Return what a lock fixes: by group, the settings by key as a reader of the file would name them.

    Parameters
    ----------
    study : Study

    Returns
    -------
    dict of str to dict of str to value
        Groups "questions", "limits", "plan"; keys such as ``"[limits] sensitivity_change"`` and
        ``"[[agreement]] stance against bench: where.method"``, sorted.
    """
    data = study.model_dump(mode="json", exclude_none=True, exclude_defaults=True, by_alias=True, exclude={"folder"})
    for section, names in _ALWAYS.items():
        parts = getattr(study, section)
        for i, part in enumerate(parts if isinstance(parts, tuple) else [parts] if parts is not None else []):
            held = data.setdefault(section, {}) if not isinstance(parts, tuple) else data[section][i]
            held.update({n: plain(getattr(part, n)) for n in names})
    found: dict[str, dict[str, Value]] = {group: {} for group in GROUPS}
    for group, sections in (("questions", _QUESTIONS), ("limits", _LIMITS), ("plan", _PLAN)):
        for section in sections:
            for key, last, value in _settings(section, data.get(section)):
                found["limits" if group == "questions" and last in _LIMITS_OF_QUESTIONS else group][key] = value
    for name in _OF_STUDY:
        if name in data.get("study", {}):
            found["questions"][f"[study] {name}"] = plain(data["study"][name])
    for name, group in _OF_REPORTING.items():
        for key, value in _flat(data.get("reporting", {}).get(name)):
            found[group][f"[reporting] {name}{'.' if key else ''}{key}"] = value
    return {group: dict(sorted(values.items())) for group, values in found.items()}


def _settings(section: str, part: Any) -> Iterator[tuple[str, str, Value]]:
    """Yield (key, last step, value) of a section, or of a list of questions by their names."""
    if isinstance(part, Mapping):
        empty = True
        for path, value in _flat(part):
            empty = False
            yield f"[{section}] {path}", path.rsplit(".", 1)[-1], value
        if empty:
            # A section with nothing but defaults still asks its question.
            yield f"[{section}]", "", True
    for number, question in enumerate(part if isinstance(part, list) else (), 1):
        name = str(question.get("name", f"no. {number}"))
        rest = {k: v for k, v in question.items() if k != "name"}
        yield f"[[{section}]] {name}", "", True
        for path, value in _flat(rest):
            yield f"[[{section}]] {name}: {path}", path.rsplit(".", 1)[-1], value


def _flat(value: Any, path: str = "") -> Iterator[tuple[str, Value]]:
    if isinstance(value, Mapping):
        for key in value:
            yield from _flat(value[key], f"{path}.{key}" if path else str(key))
    elif value is not None:
        yield path, plain(value)


def plain(value: Any) -> Value:
    """Return a value as the file of locks holds it: 25.0 and 25 are one number, tables inside lists are text."""
    if isinstance(value, (bool, str, int)):
        return value
    if isinstance(value, float):
        return int(value) if value.is_integer() and abs(value) < 2**53 else value
    if isinstance(value, (list, tuple)):
        return [plain(v) for v in value]
    return json.dumps(value, ensure_ascii=False, sort_keys=True)


def sha256_of(settings: Mapping[str, Any]) -> str:
    """Return the SHA-256 of settings: of their JSON with sorted keys, no blanks, as UTF-8."""
    text = json.dumps(settings, ensure_ascii=False, sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def shown(value: Any) -> str:
    """Return a value as a person reads it; nothing where there is none."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list):
        return ", ".join(shown(v) for v in value)
    return f"{value:g}" if isinstance(value, float) else str(value)
