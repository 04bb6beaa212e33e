"""Findings and the one exception that carries them.

A finding is a sentence about the data, the settings or the result, located as precisely as it can be.
Everything the package has to say about bad input is a list of findings, shown all at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Any, Literal

Severity = Literal["error", "warning", "note"]

SEVERITIES: tuple[Severity, ...] = ("error", "warning", "note")


MINUS = "\N{MINUS SIGN}"

# A hyphen that stands for a minus: before a digit, neither within a word or date nor at the start of a quotation.
_HYPHEN_AS_MINUS = re.compile(r"(?<![\w'\"-])-(?=\.?\d)")


def with_minus_signs(text: str) -> str:
    """Write negative numbers in a sentence with a true minus sign; quoted values stay as they are."""
    return _HYPHEN_AS_MINUS.sub(MINUS, text)


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One located statement about input, settings or result.

    Parameters
    ----------
    severity : {"error", "warning", "note"}
        ``error`` stops a run (exit code 1); ``warning`` is a caution a reader must see, refusals of a
        question included; ``note`` is context.
    code : str
        Stable lower-case identifier with hyphens, such as ``"unknown-sensor"``.
    message : str
        One sentence that says what was found.
    mend : str
        One sentence that says what to do about it; empty when there is nothing to do.
    file, column, value, expected : str, optional
        Where it stands and what was expected there. ``value`` is the text as it stands in the file.
    row : int, optional
        Row as the user's editor numbers it: the header of a table is row 1.
    question : str, optional
        Name of the question it belongs to.
    """

    severity: Severity
    code: str
    message: str
    mend: str = ""
    file: str | None = None
    row: int | None = None
    column: str | None = None
    value: str | None = None
    expected: str | None = None
    question: str | None = None

    def __post_init__(self) -> None:
        if self.severity not in SEVERITIES:
            raise ValueError(f"severity must be one of {SEVERITIES}, not {self.severity!r}")
        object.__setattr__(self, "message", with_minus_signs(self.message))

    @property
    def place(self) -> str:
        """Location in words: ``checks.csv, row 12, column reading``."""
        parts = [self.file] if self.file else []
        if self.row is not None:
            parts.append(f"row {self.row}")
        if self.column:
            kind = "option " if self.column.startswith("--") else "" if self.column.startswith("[") else "column "
            parts.append(f"{kind}{self.column}")
        return ", ".join(p for p in parts if p)

    def __str__(self) -> str:
        place = f"{self.place}: " if self.place else ""
        value = f" (found {self.value!r})" if self.value is not None else ""
        expected = f"; expected {self.expected}" if self.expected else ""
        mend = f" {self.mend}" if self.mend else ""
        message = self.message.removesuffix(".") if value or expected else self.message
        stop = "" if not (value or expected) and message.endswith((".", "?", "!")) else "."
        return f"{self.severity}: {place}{message}{value}{expected}{stop}{mend}"

    def to_dict(self) -> dict[str, Any]:
        """Return all fields as plain values."""
        return asdict(self)

    @classmethod
    def from_dict(cls, data: dict[str, Any]) -> Finding:
        """Rebuild a finding from :meth:`to_dict`."""
        return cls(**data)


class DriftError(Exception):
    """Raised when input or settings cannot be used; carries every finding at once.

    Parameters
    ----------
    findings : iterable of Finding
        At least one; those of severity ``error`` are the reason.
    """

    def __init__(self, findings: Iterable[Finding] | Finding) -> None:
        self.findings: tuple[Finding, ...] = (findings,) if isinstance(findings, Finding) else tuple(findings)
        if not self.findings:
            raise ValueError("DriftError needs at least one finding")
        super().__init__("\n".join(str(f) for f in self.findings))

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (self.findings,))


def raise_on_error(findings: Iterable[Finding]) -> None:
    """Raise :class:`DriftError` with all findings if any of them is an error."""
    found = tuple(findings)
    if any(f.severity == "error" for f in found):
        raise DriftError(found)
