"""Dates and times: ISO text, real dates of a workbook, and other orders only where the study declares them."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.ingest.raw import RawColumn

_ISO = re.compile(r"\d{4}-\d{2}-\d{2}(?:[T ]\d{1,2}:\d{2}(?::\d{2}(?:\.\d+)?)?\s*(?:Z|[+-]\d{2}:?\d{2})?)?")
_LOCAL = re.compile(r"(\d{1,2})([./-])(\d{1,2})\2(\d{4})(?:[T ,]+(\d{1,2}):(\d{2})(?::(\d{2}))?)?")
_SERIAL = re.compile(r"\d{4,6}(?:[.,]\d+)?")
EARLIEST, LATEST = 1950, 2100


@dataclass
class Times:
    """Times of one column.

    Parameters
    ----------
    text : array of object, shape (n_rows,)
        ISO text, None where empty or refused; without a clock time where the file has none.
    seconds : array of float64, shape (n_rows,)
        Seconds since 1970, NaN where there is none; for order only.
    has_clock : array of bool, shape (n_rows,)
    problem : array of str, shape (n_labels,)
        ``""``, ``"empty"``, ``"not a date"``, ``"order"``, ``"serial"``, ``"impossible"``.
    """

    text: NDArray[np.object_]
    seconds: NDArray[np.float64]
    has_clock: NDArray[np.bool_]
    problem: NDArray[np.object_]
    mixed_zones: bool
    serials: int


def to_times(column: RawColumn, *, order: str | None, epoch: dt.datetime | None = None) -> Times:
    """Read a column as dates, each distinct text once.

    Parameters
    ----------
    column : RawColumn
    order : {"iso", "day first", "month first", "serial"} or None
        What the study declares.
    epoch : datetime, optional
        Day 0 of serial numbers.
    """
    m = max(len(column.labels), 1)
    made: list[dt.datetime | None] = [None] * m
    clock = np.zeros(m, dtype=bool)
    problem = np.full(m, "", dtype=object)
    native = np.zeros(m, dtype=bool)
    if column.numbers is not None and len(column.codes):
        native[column.codes[np.isfinite(column.numbers)]] = True
    serial = np.zeros(m, dtype=bool)
    for i, label in enumerate(column.labels):
        if not label:
            problem[i] = "empty"
            continue
        made[i], problem[i], clock[i] = _read(label, order, bool(native[i]), epoch)
        serial[i] = native[i] and made[i] is not None
    zones = {d.tzinfo is not None for d in made if d is not None}
    text = np.array([None if d is None else (d.isoformat() if c else d.date().isoformat())
                     for d, c in zip(made, clock, strict=True)] + [None], dtype=object)[:-1]
    seconds = np.array([np.nan if d is None else (d if d.tzinfo else d.replace(tzinfo=dt.UTC)).timestamp()
                        for d in made])
    codes = column.codes
    return Times(text[codes], seconds[codes], clock[codes], problem, len(zones) > 1, int(serial[codes].sum()))


def _read(label: str, order: str | None, native: bool, epoch: dt.datetime | None,
          ) -> tuple[dt.datetime | None, str, bool]:
    if _ISO.fullmatch(label):
        text = re.sub(r"([T ])(\d):", r"\g<1>0\2:", label).replace(" ", "T", 1).replace(" ", "")
        try:
            return _sane(dt.datetime.fromisoformat(text), ":" in label)
        except ValueError:
            return None, "impossible", False
    local = _LOCAL.fullmatch(label)
    if local:
        if order not in ("day first", "month first"):
            return None, "order", False
        first, second, year = int(local.group(1)), int(local.group(3)), int(local.group(4))
        day, month = (first, second) if order == "day first" else (second, first)
        hour, minute, second_ = (int(g or 0) for g in local.group(5, 6, 7))
        try:
            return _sane(dt.datetime(year, month, day, hour, minute, second_), local.group(5) is not None)
        except ValueError:
            return None, "impossible", False
    if _SERIAL.fullmatch(label):
        if not native and order != "serial":
            return None, "serial", False
        days = float(label.replace(",", "."))
        made = (epoch or dt.datetime(1899, 12, 30)) + dt.timedelta(seconds=round(days * 86400))
        return _sane(made, days != int(days))
    return None, "not a date", False


def _sane(made: dt.datetime, clock: bool) -> tuple[dt.datetime | None, str, bool]:
    if not EARLIEST <= made.year <= LATEST:
        return None, "impossible", False
    return made, "", clock
