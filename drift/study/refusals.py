"""What is refused while a study file is read, worded with its place and its mend."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from typing import Any, cast, get_args

from pydantic import BaseModel

from drift.errors import Finding
from drift.study.lines import Lines
from drift.study.models import Study, TextFormat
from drift.study.takes import bare_mend, number_mend
from drift.study.words import path_words, suggestion


def _model_at(path: Sequence[str | int]) -> type[BaseModel] | None:
    """Return the model whose key the last step of a path is."""
    model: Any = Study
    for step in path[:-1]:
        if isinstance(step, int):
            continue
        if model is Study and step in ("format",):
            return TextFormat if len(path) > 2 else None
        field = model.model_fields.get(step) if model is not None else None
        options = [] if field is None else [field.annotation, *get_args(field.annotation)]
        model = next((o for o in options if isinstance(o, type) and issubclass(o, BaseModel)), None)
        if model is None:
            return None
    return cast("type[BaseModel] | None", model)


_EXPECTED = {"string_type": "text in quotes", "float_type": "a number", "int_type": "a whole number",
             "bool_type": "true or false", "tuple_type": "a list in square brackets", "dict_type": "a table",
             "model_type": "a table", "model_attributes_type": "a table", "int_from_float": "a whole number",
             "float_parsing": "a number", "finite_number": "a finite number"}


NUMBERS = ("float_type", "int_type", "float_parsing", "int_from_float", "finite_number")


def model_finding(error: dict[str, Any], path: tuple[str | int, ...], file: str | None,
                   lines: Lines | None) -> Finding:
    """Word one error of the validation library."""
    kind, key = error["type"], str(path[-1]) if path else ""
    if path and isinstance(path[-1], int):
        key = f"{path[-2]} no. {path[-1] + 1}"
    where = path_words(path[:-1])
    common: dict[str, Any] = {"severity": "error", "file": file, "row": lines.find(path) if lines else None,
                              "column": path_words(path)}
    if kind == "extra_forbidden":
        model = _model_at(path)
        known = [k for k in (model.model_fields if model else {}) if k != "folder"]
        return Finding(code="unknown-key", message=f"{key!r} is not a key of {where or 'a study'}", value=key,
                       mend=suggestion(key, known, noun="keys"), **common)
    if kind == "missing":
        return Finding(code="missing-key", message=f"{key!r} is missing in {where or 'the study'}",
                       mend=f"Add it to {where or 'the file'}", **common)
    value = error.get("input")
    shown = value if isinstance(value, str) else json.dumps(value, default=str)
    if kind == "literal_error":
        allowed = [w.strip(" '\"") for w in error["ctx"]["expected"].replace(" or ", ", ").split(", ")]
        return Finding(code="unknown-choice", message=f"{key!r} has a value that is not offered", value=shown,
                       expected="one of " + ", ".join(repr(a) for a in allowed),
                       mend=suggestion(str(value), allowed, noun="choices"), **common)
    expected = _EXPECTED.get(kind, error["msg"].removeprefix("Input should be ").removeprefix("Value error, "))
    code = "wrong-type" if kind in _EXPECTED else "out-of-range"
    return Finding(code=code, message=f"{key!r} cannot be used as it stands", value=shown, expected=expected,
                   mend=_type_mend(kind, key, value, expected, path), **common)


def _type_mend(kind: str, key: str, value: Any, expected: str, path: tuple[str | int, ...]) -> str:
    """Say how a value of the wrong type or size is written."""
    if kind in NUMBERS or (expected.startswith("greater than") and isinstance(value, (int, float))):
        mend = number_mend(_model_at(path), path, value)
        if mend:
            return mend
    if kind == "tuple_type":
        return (f"Write the section's name in double brackets: [[{key}]]" if isinstance(value, Mapping) else
                f"Write it as {key} = [{json.dumps(value, default=str)}]")
    if kind == "string_type":
        bare = isinstance(value, (int, float)) and " no. " not in key
        return f'Put it in quotes: {key} = "{json.dumps(value)}"' if bare else "Write text in quotes"
    if kind == "bool_type":
        return f"Write {key} = true or {key} = false, without quotes"
    if kind in NUMBERS:
        return "Write a bare number, with a decimal point and without quotes or unit; a percentage as a share, 0.10"
    if kind in ("dict_type", "model_type", "model_attributes_type"):
        return f"Write it in braces, such as {key} = {{ name = \"value\" }}, or as a section of its own"
    if expected.startswith("less than") and isinstance(value, (int, float)) and 1 < value <= 100:
        return f"Write a share: {value:g} % is {value / 100:g}"
    return "Write it in the form expected"


def syntax_finding(message: str, file: str, text: str) -> Finding:
    """Locate an error of TOML itself."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    row = int(found.group(1)) if found else text.count("\n") + 1
    line = text.split("\n")[row - 1].strip() if row <= text.count("\n") + 1 else ""
    return Finding(severity="error", code="toml-syntax", file=file, row=row, value=line or None,
                   message=f"the file is not valid TOML ({message.split(' (at')[0]})",
                   mend=_syntax_mend(line, message, _section_of(text, row)))


def _section_of(text: str, row: int) -> tuple[str, ...]:
    """Return the section that a line stands in."""
    for line in reversed(text.split("\n")[:row - 1]):
        found = re.match(r"\s*\[+\s*([\w.-]+)\s*\]+", line)
        if found:
            return tuple(found.group(1).split("."))
    return ()


def _syntax_mend(line: str, message: str, section: tuple[str, ...]) -> str:
    """Say what is likely meant by a line that is no TOML."""
    bare = re.fullmatch(r"([\w.-]+)\s*=\s*(\w[\w .%/,€$£-]*|[€$£].*)", line.split("#")[0].strip())
    number = re.fullmatch(r"[\w.-]+\s*=\s*([+-]?\d+),(\d+)\s*", line)
    if re.search("[\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb]", line):
        return "Use straight quotation marks"
    if "\\" in line:
        return "Write folders with forward slashes, or put the text in single quotes"
    if "twice" in message or "overwrite" in message:
        return "The same name stands above already: keep one, and put all keys of a section together"
    if number:
        return f"Write decimals with a point: {number.group(1)}.{number.group(2)}"
    empty = re.fullmatch(r"([\w.-]+)\s*=\s*(?:\.\.\.|\u2026)?", line.split("#")[0].strip())
    if empty:
        path = (*section, empty.group(1))
        return number_mend(_model_at(path), path, None) or "Write a value behind the sign, or take the line out"
    if bare:
        path = (*section, bare.group(1))
        return bare_mend(_model_at(path), path, bare.group(2).strip())
    return "Mend the line; text stands in quotes, lists in square brackets, each key once"
