"""Frozen results: estimates, tables, provenance, and how numbers are rounded for print.

A result holds what was found (estimates, tables), what must be known to read it (findings) and where it
came from (provenance). It holds neither the model nor the data, and everything in it survives a round
trip through ``to_dict`` and ``from_dict``.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import TYPE_CHECKING, Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from drift.engine.readonly import frozen_mapping
from drift.errors import MINUS, Finding, with_minus_signs

if TYPE_CHECKING:
    import pandas as pd

ESTIMATE_COLUMNS = ("name", "of", "value", "unit", "std_error", "low", "high", "level", "method", "n", "bound")


def _plain(value: Any) -> Any:
    """Turn numpy scalars, arrays, mappings and NaN into what JSON can hold."""
    if isinstance(value, np.generic):
        value = value.item()
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, np.ndarray):
        return [_plain(v) for v in value.tolist()]
    if isinstance(value, Mapping):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v) for v in value]
    return value


def _number(value: Any) -> float:
    return math.nan if value is None else float(value)


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """One number with its interval.

    Parameters
    ----------
    name : str
        Fixed, documented name, such as ``"ICC(A,1)"`` or ``"retire after"``.
    value, std_error, low, high : float
        NaN where it cannot be computed; a finding then says why. A one-sided bound leaves the other end
        NaN.
    level : float
        Confidence level of the interval (or of the one-sided bound), NaN without one.
    unit : str
        Unit of ``value``; ``""`` for a pure number.
    method : str
        How value and interval were obtained, in words a paper could print.
    n : int, optional
        Number of independent units behind it (sensors, targets, pairs).
    of : mapping
        Labels, such as ``{"question": ..., "construction": ...}``; ``name`` and ``of`` are unique together.
    bound : {"exact", "at least", "at most"}, optional
        Only for counts that may be capped, and for quantities of which a bound alone is known (``value`` is NaN then).
    """

    name: str
    value: float
    unit: str = ""
    std_error: float = math.nan
    low: float = math.nan
    high: float = math.nan
    level: float = math.nan
    method: str = ""
    n: int | None = None
    of: Mapping[str, str] = field(default_factory=dict)
    bound: str | None = None

    def __post_init__(self) -> None:
        for name in ("value", "std_error", "low", "high", "level"):
            object.__setattr__(self, name, _number(getattr(self, name)))
        object.__setattr__(self, "of", frozen_mapping({str(k): str(v) for k, v in self.of.items()}))
        if self.n is not None:
            object.__setattr__(self, "n", int(self.n))

    def __reduce__(self) -> tuple[Any, ...]:
        return (_estimate_from_dict, (self.to_dict(),))

    def __hash__(self) -> int:
        return hash((self.name, tuple(self.of.items()), self.value))

    def text(self) -> str:
        """Value and interval in print, ``0.91 (0.84 to 0.95)``, with the unit."""
        # A pure number of at most 1 is a coefficient or a share, which papers print with two decimals or more.
        least = 2 if self.unit == "" and abs(self.value) <= 1 else 0
        if self.bound in ("at least", "at most") and not math.isfinite(self.value):
            end = self.low if self.bound == "at least" else self.high
            return f"{self.bound} {format_interval(end)} {self.unit}".strip()
        shown = format_interval(self.value, self.low, self.high, least=least)
        return f"{shown} {self.unit}".strip()

    def to_dict(self) -> dict[str, Any]:
        """Return plain values with NaN as None."""
        return {name: _plain(dict(self.of) if name == "of" else getattr(self, name)) for name in ESTIMATE_COLUMNS}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Estimate:
        """Rebuild from :meth:`to_dict`."""
        return cls(**data)


def _estimate_from_dict(data: dict[str, Any]) -> Estimate:
    return Estimate.from_dict(data)


@dataclass(frozen=True, kw_only=True, eq=False)
class Column:
    """One column of a result table: numbers (float64) or words (object), read-only."""

    name: str
    values: NDArray[Any]
    unit: str = ""

    def __post_init__(self) -> None:
        values = np.array(self.values)
        if values.dtype.kind in "iufb":
            values = values.astype(np.float64)
        else:
            raw = np.asarray(self.values, dtype=object)
            values = np.array([None if v is None else (_plain(v) if not isinstance(v, str) else v) for v in raw],
                              dtype=object)
        values.setflags(write=False)
        object.__setattr__(self, "values", values)

    def __setstate__(self, state: dict[str, Any]) -> None:
        for key, value in state.items():
            object.__setattr__(self, key, value)
        self.values.setflags(write=False)


@dataclass(frozen=True, kw_only=True, eq=False)
class ResultTable:
    """A named table with units, written as CSV, shown in the report and carried in the JSON."""

    name: str
    columns: tuple[Column, ...]
    caption: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "columns", tuple(self.columns))
        lengths = {len(c.values) for c in self.columns}
        if len(lengths) > 1:
            raise ValueError(f"columns of table {self.name!r} differ in length: {sorted(lengths)}")

    def __len__(self) -> int:
        return len(self.columns[0].values) if self.columns else 0

    def __getitem__(self, name: str) -> NDArray[Any]:
        for column in self.columns:
            if column.name == name:
                return column.values
        raise KeyError(name)

    @classmethod
    def build(cls, name: str, columns: Mapping[str, Any], *, units: Mapping[str, str] | None = None,
              caption: str = "") -> ResultTable:
        """Make a table from ``{column: values}``."""
        units = units or {}
        made = tuple(Column(name=k, values=v, unit=units.get(k, "")) for k, v in columns.items())
        return cls(name=name, columns=made, caption=caption)

    def to_frame(self) -> pd.DataFrame:
        """Return a pandas data frame (a copy)."""
        import pandas as pd

        return pd.DataFrame({c.name: c.values.copy() for c in self.columns})

    def to_dict(self) -> dict[str, Any]:
        """Return plain values, rows as lists."""
        rows = [[_plain(v) for v in row] for row in zip(*(c.values for c in self.columns), strict=True)]
        return {"name": self.name, "caption": self.caption,
                "columns": [{"name": c.name, "unit": c.unit, "kind": "number" if c.values.dtype.kind == "f" else "text"}
                            for c in self.columns],
                "rows": rows}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> ResultTable:
        """Rebuild from :meth:`to_dict`."""
        made = []
        for j, head in enumerate(data["columns"]):
            cells = [row[j] for row in data["rows"]]
            values: Any = (np.array([_number(c) for c in cells], dtype=np.float64) if head["kind"] == "number"
                           else np.array(cells, dtype=object))
            made.append(Column(name=head["name"], unit=head["unit"], values=values))
        return cls(name=data["name"], caption=data["caption"], columns=tuple(made))


@dataclass(frozen=True, kw_only=True)
class RowAccount:
    """Where every row of a table went for one question: read = used + the four ways out."""

    question: str
    table: str
    read: int
    used: int
    outside_where: int = 0
    unmatched: int = 0
    excluded: int = 0

    def __post_init__(self) -> None:
        total = self.used + self.outside_where + self.unmatched + self.excluded
        if total != self.read:
            raise ValueError(f"row account of {self.question!r} does not close: read {self.read}, accounted {total}")

    def to_dict(self) -> dict[str, Any]:
        """Return all fields."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


@dataclass(frozen=True, kw_only=True)
class Exclusion:
    """One row that did not enter a question, and why (a line of ``excluded.csv``).

    ``kind`` is one of ``"outside where"``, ``"unmatched"``, ``"excluded"``.
    """

    question: str
    table: str
    file: str
    row: int
    kind: str
    reason: str
    key: str = ""

    def to_dict(self) -> dict[str, Any]:
        """Return all fields."""
        return {f.name: getattr(self, f.name) for f in fields(self)}


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """Where a result came from: inputs by hash, rows by fate, seed and versions."""

    accounts: tuple[RowAccount, ...] = ()
    inputs: Mapping[str, str] = field(default_factory=dict)
    seed: int | None = None
    level: float = 0.95
    versions: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        object.__setattr__(self, "accounts", tuple(self.accounts))
        for name in ("inputs", "versions"):
            object.__setattr__(self, name, frozen_mapping({str(k): str(v) for k, v in getattr(self, name).items()}))
        object.__setattr__(self, "settings", frozen_mapping(_plain(self.settings)))

    def __reduce__(self) -> tuple[Any, ...]:
        return (_provenance_from_dict, (self.to_dict(),))

    def to_dict(self) -> dict[str, Any]:
        """Return plain values; ``rows`` sums the accounts, ``questions`` lists them."""
        keys = ("read", "used", "outside_where", "unmatched", "excluded")
        return {"rows": {k: sum(getattr(a, k) for a in self.accounts) for k in keys},
                "questions": [a.to_dict() for a in self.accounts],
                "inputs": dict(self.inputs), "seed": self.seed, "level": self.level,
                "versions": dict(self.versions),
                "settings": [{"name": str(k), "value": _text(v)} for k, v in self.settings.items()]}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Provenance:
        """Rebuild from :meth:`to_dict`."""
        return cls(accounts=tuple(RowAccount(**a) for a in data["questions"]), inputs=data["inputs"],
                   seed=data["seed"], level=data["level"], versions=data["versions"],
                   settings={s["name"]: s["value"] for s in data["settings"]})


def _provenance_from_dict(data: dict[str, Any]) -> Provenance:
    return Provenance.from_dict(data)


def _text(value: Any) -> str:
    import json

    return value if isinstance(value, str) else json.dumps(_plain(value), ensure_ascii=False)


@dataclass(frozen=True, kw_only=True, eq=False)
class Result:
    """What a procedure found. Subclasses add no fields, only names for what is in the tables.

    Parameters
    ----------
    question : str
        Name of the question that was answered.
    answer : str
        The answer in one or two sentences.
    estimates, tables, findings, exclusions : tuple
        Numbers, tables, cautions, and rows that did not enter.
    provenance : Provenance
        Inputs, row accounts, seed, versions.
    """

    command: ClassVar[str] = "result"

    question: str
    answer: str
    estimates: tuple[Estimate, ...] = ()
    tables: tuple[ResultTable, ...] = ()
    findings: tuple[Finding, ...] = ()
    exclusions: tuple[Exclusion, ...] = ()
    provenance: Provenance = field(default_factory=Provenance)

    def __post_init__(self) -> None:
        for name in ("estimates", "tables", "findings", "exclusions"):
            object.__setattr__(self, name, tuple(getattr(self, name)))
        object.__setattr__(self, "answer", with_minus_signs(self.answer))
        seen: set[tuple[str, tuple[tuple[str, str], ...]]] = set()
        for e in self.estimates:
            key = (e.name, tuple(sorted(e.of.items())))
            if key in seen:
                raise ValueError(f"estimate {e.name!r} of {dict(e.of)} appears twice")
            seen.add(key)

    def table(self, name: str) -> ResultTable:
        """Return the table of that name (KeyError names those there are)."""
        for t in self.tables:
            if t.name == name:
                return t
        raise KeyError(f"no table {name!r}; there are {[t.name for t in self.tables]}")

    def estimate(self, name: str, **of: str) -> Estimate:
        """Return the first estimate of that name whose labels include ``of``."""
        for e in self.estimates:
            if e.name == name and all(e.of.get(k) == v for k, v in of.items()):
                return e
        raise KeyError(f"no estimate {name!r} with {of}")

    def to_frame(self) -> pd.DataFrame:
        """Return the estimates as a tidy frame with fixed columns."""
        import pandas as pd

        rows = [{**e.to_dict(), "of": "; ".join(f"{k}: {v}" for k, v in e.of.items())} for e in self.estimates]
        return pd.DataFrame(rows, columns=list(ESTIMATE_COLUMNS))

    def summary(self) -> str:
        """Return answer, estimates and cautions as text."""
        lines = [self.answer, ""]
        for e in self.estimates:
            of = f" [{'; '.join(f'{k}: {v}' for k, v in e.of.items() if k != 'question')}]" if e.of else ""
            lines.append(f"{e.name}{of.replace(' []', '')}: {e.text()}")
        lines += ["", *(str(f) for f in self.findings)] if self.findings else []
        return "\n".join(lines).rstrip() + "\n"

    def _repr_html_(self) -> str:
        import html

        return f"<p>{html.escape(self.answer)}</p>{self.to_frame().to_html(index=False)}"

    def to_dict(self) -> dict[str, Any]:
        """Return the output contract: command, version, answer, estimates, findings, provenance, tables."""
        from drift._version import __version__

        return {"command": self.command, "version": __version__, "question": self.question, "answer": self.answer,
                "estimates": [e.to_dict() for e in self.estimates],
                "findings": [f.to_dict() for f in self.findings],
                "exclusions": [x.to_dict() for x in self.exclusions],
                "tables": [t.to_dict() for t in self.tables],
                "provenance": self.provenance.to_dict()}

    @classmethod
    def from_dict(cls, data: Mapping[str, Any]) -> Self:
        """Rebuild from :meth:`to_dict`."""
        return cls(question=data["question"], answer=data["answer"],
                   estimates=tuple(Estimate.from_dict(e) for e in data["estimates"]),
                   tables=tuple(ResultTable.from_dict(t) for t in data["tables"]),
                   findings=tuple(Finding.from_dict(f) for f in data["findings"]),
                   exclusions=tuple(Exclusion(**x) for x in data["exclusions"]),
                   provenance=Provenance.from_dict(data["provenance"]))


def decimals_for(low: float, high: float, value: float = math.nan, significant: int = 2) -> int:
    """Decimals that show an interval's width with that many significant digits (0 to 6).

    With one finite end (a bound) the width is taken as twice the distance to it; without any the value itself is shown
    with four significant digits.
    """
    width = high - low if math.isfinite(low) and math.isfinite(high) else math.nan
    if math.isfinite(value) and math.isfinite(low) != math.isfinite(high):
        width = 2 * abs(value - (low if math.isfinite(low) else high))
    if math.isfinite(width) and width > 0:
        return int(min(6, max(0, significant - 1 - math.floor(math.log10(width)))))
    if math.isfinite(value) and value != 0:
        return int(min(6, max(0, 3 - math.floor(math.log10(abs(value))))))
    return 2


def format_interval(value: float, low: float = math.nan, high: float = math.nan, *, least: int = 0) -> str:
    """Format ``value (low to high)``; rounding follows the interval's width, with ``least`` decimals or more.

    Examples
    --------
    >>> format_interval(0.9132, 0.84, 0.951)
    '0.91 (0.84 to 0.95)'
    >>> format_interval(23.1, high=30.6)
    '23 (31 or less)'
    """
    if not math.isfinite(value):
        return "not available"
    d = max(least, decimals_for(low, high, value))
    # A unit that is far too large for the reading: decimals would be a row of zeros.
    tiny = 0 < max(abs(x) for x in (value, low, high) if math.isfinite(x)) < 1e-5

    def show(x: float) -> str:
        if tiny and math.isfinite(x):
            return f"{x:.2g}".replace("-", MINUS)
        # Adding 0.0 turns a negative zero, which rounding can make, into a plain one.
        return f"{round(x, d) + 0.0:.{d}f}".replace("-", MINUS) if math.isfinite(x) else ""

    if not math.isfinite(low) and not math.isfinite(high):
        d = 0 if value == round(value) and not least else d
        return show(value)
    return f"{show(value)} ({ends_text(show(low), show(high))})"


def ends_text(low: str, high: str) -> str:
    """Put the ends of an interval in words; an empty one is open: ``3 or more``."""
    return f"{low} to {high}" if low and high else f"{low} or more" if low else f"{high} or less"


def join_words(words: Sequence[str] | Iterable[str]) -> str:
    """Join words as a sentence does: ``a, b and c``."""
    items = [str(w) for w in words]
    return items[0] if len(items) == 1 else ", ".join(items[:-1]) + " and " + items[-1] if items else ""


def run_versions() -> dict[str, str]:
    """Versions of this package, Python and the numerical libraries already loaded, for provenance."""
    import platform
    import sys

    from drift._version import __version__

    found = {"drift": __version__, "python": platform.python_version()}
    for name in ("numpy", "scipy", "pandas", "statsmodels", "pingouin"):
        module = sys.modules.get(name)
        if module is not None:
            found[name] = str(getattr(module, "__version__", "unknown"))
    return found
