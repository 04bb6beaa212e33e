"""The largest harmless difference of a question: in the reading's unit, or as a share of the mean of the two.

A share p is judged on log ratios. Of two positive readings a and b, ``|a - b| <= p (a + b) / 2`` holds exactly when
``|ln(a / b)| <= 2 artanh(p / 2)``, since ``(a - b) / ((a + b) / 2) = 2 tanh(ln(a / b) / 2)``. The bound is the same
whichever of the two is called a; ``ln(1 + p)`` would take b as the truth and is symmetric only to first order.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drift.errors import DriftError, Finding
from drift.study import AgreementQuestion
from drift.study.harmless import HarmlessError, is_percent, said_harmless
from drift.units import UnitError, convert


@dataclass(frozen=True)
class Harmless:
    """The largest harmless difference.

    Parameters
    ----------
    value : float
        In ``unit``; for a share the share itself (0.1 for 10 %).
    unit : str
        Unit of the readings; empty for a share.
    share : bool
        Whether it is a share of the mean of the two readings.
    words : str
        For sentences: ``"25 kPa"`` or ``"10 % of the mean of the two"``.
    """

    value: float
    unit: str
    share: bool
    words: str

    @property
    def on_scale(self) -> float:
        """On the scale that is judged: differences, or log ratios for a share."""
        return log_ratio(self.value) if self.share else self.value

    @property
    def scale(self) -> str:
        """Scale that is judged, as :func:`drift.agreement.structure.analyse` names it."""
        return "log" if self.share else "difference"

    @property
    def in_unit(self) -> float | None:
        """In the unit of the readings; None for a share."""
        return None if self.share else self.value

    @property
    def shown(self) -> float:
        """As tables show it: in ``shown_unit``."""
        return 100 * self.value if self.share else self.value

    @property
    def shown_unit(self) -> str:
        """Unit of what tables show: that of the readings, or percent of the mean of the two."""
        return "%" if self.share else self.unit

    def show(self, value: float) -> float:
        """Turn a value of the judged scale into what tables show."""
        return 100 * share_of_mean(value) if self.share else value


def log_ratio(share: float) -> float:
    """Return |ln(a / b)| of two readings that differ by a share of their mean."""
    return 2 * math.atanh(share / 2)


def share_of_mean(log: float) -> float:
    """Return (a - b) over the mean of a and b from ln(a / b)."""
    return 2 * math.tanh(log / 2)


def read_harmless(question: AgreementQuestion, unit: str) -> Harmless | None:
    """Read the largest harmless difference of a question for readings in a unit; None where none was declared.

    Raises
    ------
    DriftError
        If it cannot be read, is not above zero, or does not measure what the readings measure.
    """
    if question.harmless is None:
        return None

    def error(code: str, message: str, mend: str) -> DriftError:
        return DriftError(Finding(severity="error", code=code, question=question.name, message=message, mend=mend))

    try:
        said = said_harmless(question.harmless)
    except HarmlessError as why:
        code = "harmless-not-positive" if "above zero" in str(why) else "harmless-unreadable"
        raise error(code, str(why), why.mend) from None
    if said.share and not said.plainly and is_percent(unit):
        raise error("harmless-unclear", f"harmless is {question.harmless!r} and the readings are themselves in {unit}, "
                    "so it could be a difference of readings or a share of them",
                    f'Write the number alone for a difference in {unit}, or "{100 * said.value:g} % of the mean".')
    if said.share:
        return Harmless(said.value, "", True, f"{100 * said.value:g} % of the mean of the two")
    value = said.value
    if said.unit and said.unit != unit:
        if not unit:
            raise error("harmless-unit", f"harmless is {question.harmless}, but the table does not say in which unit "
                        "the readings are", f'Name it in the header, as "reading ({said.unit})", or write the number '
                        "alone.")
        try:
            value = float(convert(value, said.unit, unit))
        except UnitError:
            raise error("harmless-unit", f"harmless is {question.harmless}, but the readings are in {unit}, which "
                        "does not measure the same thing", f"Give it in {unit}.") from None
    return Harmless(value, unit, False, f"{value:g} {unit}".strip())
