"""Numbers as people write them: read right or refused, never guessed.

The decimal sign is the one the study declares; else the one that the file's own numbers prove ("0,5" and "12,25"
prove a comma, "3.75" a point); else a point where the delimiter leaves no doubt. A text such as "1,234", which is a
thousand to one reader and one to another, is refused unless declaration or proof settles it.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.ingest.raw import RawColumn
from drift.study import TextFormat
from drift.units import is_everyday

_PLAIN = re.compile(r"[+-]?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?")
_INTEGER = re.compile(r"[+-]?\d+")
_ONE_SIGN = re.compile(r"[+-]?(\d*)([.,])(\d*)(?:[eE][+-]?\d+)?")
_GROUPED = {s: re.compile(rf"[+-]?\d{{1,3}}(?:{re.escape(s)}\d{{3}})+") for s in (",", ".", " ", "'")}
_MISSING_WORDS = frozenset({"n/a", "na", "nan", "none", "null", "-", "--", ".", "?", "missing", "#n/a", "\u2013",
                            "\u2014"})
Problem = Literal["", "empty", "not a number", "ambiguous", "wrong decimal", "word for missing", "unit in cell",
                  "percent", "not finite", "date", "grouped"]


@dataclass(frozen=True)
class NumberFormat:
    """How the numbers of a file are written, and how that is known.

    Parameters
    ----------
    decimal : {".", ","} or None
        None where neither declaration nor file settles it; only plain whole numbers can be read then.
    thousands : str or None
    declared : bool
        Whether the study says so.
    mixed : tuple of str
        One text that proves a point and one that proves a comma, where the file holds both.
    """

    decimal: str | None
    thousands: str | None
    declared: bool = False
    mixed: tuple[str, ...] = ()


def number_format(text_format: TextFormat, columns: Iterable[RawColumn], delimiter: str) -> NumberFormat:
    """Find how numbers are written from the declaration, else from what the numeric columns prove."""
    if text_format.decimal is not None:
        return NumberFormat(text_format.decimal, text_format.thousands, True)
    proofs: dict[str, list[str]] = {".": [], ",": []}
    cells = {".": 0, ",": 0}
    groups: set[str] = set()
    for column in columns:
        count = np.bincount(column.codes, minlength=len(column.labels))
        for i, label in enumerate(column.labels):
            if not label or _INTEGER.fullmatch(label):
                continue
            sign, group = _proof(label.replace("\u2212", "-").removesuffix("%").strip())
            if sign is not None:
                proofs[sign].append(label)
                cells[sign] += int(count[i])
            groups |= {group} if group else set()
    thousands: str | None = text_format.thousands
    few, many = sorted(cells, key=cells.__getitem__)
    if cells[few] and cells[many] >= 10 * cells[few]:
        proofs[few].clear()  # a slip in a file that is otherwise clear: the odd ones are refused one by one
    if proofs["."] and proofs[","]:
        return NumberFormat(None, thousands, False, (proofs["."][0], proofs[","][0]))
    decimal = "." if proofs["."] else "," if proofs[","] else None
    if decimal is None and thousands in (",", "."):
        decimal = "." if thousands == "," else ","
    if decimal is None and delimiter in (",", "") and "." not in groups:
        # A comma between columns leaves the point for decimals, and so do files written by programs.
        decimal = "."
    if thousands is None:
        proven: set[str] = groups - {decimal} - {" ", "'"}
        thousands = min(proven) if len(proven) == 1 and decimal is not None else None
    return NumberFormat(decimal, thousands)


def _proof(text: str) -> tuple[str | None, str | None]:
    """Return the decimal sign and the thousands sign that one text proves by itself."""
    one = _ONE_SIGN.fullmatch(text)
    if one:
        before, sign, after = one.groups()
        grouped = len(after) == 3 and 1 <= len(before) <= 3 and not before.startswith("0")
        return (None if grouped or not (before or after) else sign), None
    for group, decimal in ((",", "."), (".", ",")):
        if re.fullmatch(rf"[+-]?\d{{1,3}}(\{group}\d{{3}})+\{decimal}\d*", text):
            return decimal, group
        if re.fullmatch(rf"[+-]?\d{{1,3}}(\{group}\d{{3}}){{2,}}", text):
            return decimal, group
    return None, None


@dataclass
class Numbers:
    """Numbers of one column, with what was wrong where.

    Parameters
    ----------
    values : array of float64, shape (n_rows,)
        NaN where empty or refused.
    problem : array of str, shape (n_labels,)
        Per distinct text; see ``Problem``.
    percent : array of bool, shape (n_rows,)
        Cells written with a percent sign; ``values`` holds the number before it.
    """

    values: NDArray[np.float64]
    problem: NDArray[np.object_]
    percent: NDArray[np.bool_]
    codes: NDArray[np.int32]

    def where(self, *problems: str) -> NDArray[np.bool_]:
        """Return the rows with one of these problems, shape (n_rows,)."""
        flags = np.isin(self.problem.astype(str), problems) if len(self.problem) else np.zeros(1, dtype=bool)
        return flags[self.codes] if len(self.codes) else np.zeros(0, dtype=bool)


def to_numbers(column: RawColumn, form: NumberFormat) -> Numbers:
    """Read a column as numbers, each distinct text once."""
    m = len(column.labels)
    values = np.full(max(m, 1), np.nan)
    problem = np.full(max(m, 1), "", dtype=object)
    percent = np.zeros(max(m, 1), dtype=bool)
    plain = form.decimal == "."
    match = _PLAIN.fullmatch if plain else _INTEGER.fullmatch
    for i, label in enumerate(column.labels):
        if match(label):
            values[i] = float(label)
        elif not label:
            problem[i] = "empty"
        elif column.is_date is not None and column.is_date[i]:
            problem[i] = "date"
        else:
            values[i], problem[i], percent[i] = _read(label, form)
    problem[np.isinf(values)] = "not finite"
    values[np.isinf(values)] = np.nan
    codes = column.codes
    if not len(codes):
        return Numbers(np.zeros(0), problem, np.zeros(0, dtype=bool), codes)
    out = values[codes]
    if column.numbers is not None:
        native = np.isfinite(column.numbers)
        out = np.where(native, column.numbers, out)
        by_label = np.zeros(len(problem), dtype=bool)
        by_label[codes[native]] = True
        by_label[codes[~native]] = False
        problem = np.where(by_label, "", problem)
        percent = np.array([(bool(p) and (not b or label.endswith("%"))) or (bool(b) and label.endswith("%"))
                            for p, b, label in zip(percent, by_label, column.labels or [""], strict=True)], dtype=bool)
    return Numbers(out, problem, percent[codes], codes)


def _read(label: str, form: NumberFormat) -> tuple[float, Problem, bool]:
    """Read one text that is not plain."""
    text = label.replace("\u2212", "-")
    if text.startswith("\u2013"):
        text = "-" + text[1:]  # an en dash in front is what a word processor makes of a minus
    if text.casefold() in _MISSING_WORDS:
        return np.nan, "word for missing", False
    if text.casefold().lstrip("+-") in ("inf", "infinity", "\u221e"):
        return np.nan, "not finite", False
    percent = text.endswith("%")
    text = text.removesuffix("%").strip()
    if text[:1] in "+-" and text[1:2] == " ":
        text = text[0] + text[1:].strip()
    value, problem = _number(text, form)
    if problem == "not a number":
        beside = re.fullmatch(r"[+-]?\d[\d.,' ]*?\s*([A-Za-z\u00b0\u00b5].*)", text)
        problem = "unit in cell" if beside and is_everyday(beside.group(1)) else problem
    return value, problem, percent


def _number(text: str, form: NumberFormat) -> tuple[float, Problem]:
    body, exponent = text, ""
    found = re.fullmatch(r"(.*?\d[.,]?)([eE][+-]?\d+)", text)
    if found:
        body, exponent = found.groups()
    if _INTEGER.fullmatch(body):
        return float(body + exponent), ""
    grouped = next((s for s, pattern in _GROUPED.items() if pattern.fullmatch(body)), None)
    if form.thousands is not None and form.thousands in body:
        whole, sign, rest = body.partition(form.decimal or ("." if form.thousands == "," else ","))
        if _GROUPED[form.thousands].fullmatch(whole) and (not sign or rest.isdigit()):
            return float(whole.replace(form.thousands, "") + ("." + rest if sign else "") + exponent), ""
    one = _ONE_SIGN.fullmatch(body)
    if one and (one.group(1) or one.group(3)):
        if one.group(2) == form.decimal:
            return float(body.replace(",", ".") + exponent), ""
        if grouped:
            return np.nan, "ambiguous"
        return np.nan, "wrong decimal"
    if grouped:
        return np.nan, "grouped"
    if re.fullmatch(r"[+-]?[\d.,' ]+", body) and re.search(r"\d", body):
        return np.nan, "ambiguous" if not form.declared else "not a number"
    return np.nan, "not a number"
