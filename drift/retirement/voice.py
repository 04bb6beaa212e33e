"""How a question of this package words its findings."""

from __future__ import annotations

from dataclasses import dataclass

from drift.errors import Finding


@dataclass(frozen=True)
class Voice:
    """Findings of one question."""

    question: str

    def note(self, code: str, message: str, mend: str = "") -> Finding:
        """Say what is good to know."""
        return Finding(severity="note", code=code, message=message, mend=mend, question=self.question)

    def warn(self, code: str, message: str, mend: str = "") -> Finding:
        """Say what must be known before the answer is used."""
        return Finding(severity="warning", code=code, message=message, mend=mend, question=self.question)
