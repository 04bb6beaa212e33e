"""The one loader of published worked examples, and the comparison by printed digits.

Each example is a TOML file (citation, values as printed, values recomputed at full precision) with its
data beside it in ``tests/published``.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

import pandas as pd

FOLDER = Path(__file__).parent / "published"


@dataclass(frozen=True)
class Example:
    """One published example."""

    name: str
    meta: dict[str, Any]

    @property
    def expected(self) -> dict[str, Any]:
        """Values as printed (strings)."""
        return self.meta.get("expected", {})

    @property
    def recomputed(self) -> dict[str, Any]:
        """The same at full precision, not in the source."""
        return self.meta.get("recomputed", {})

    @property
    def unprinted(self) -> dict[str, Any]:
        """Further full-precision values, not in the source."""
        return self.meta.get("unprinted", {})

    def frame(self, which: int = 0) -> pd.DataFrame:
        """Return the data as a frame."""
        data = self.meta["data"]
        names = [data] if isinstance(data, str) else list(data)
        return pd.read_csv(FOLDER / names[which])


def load(name: str) -> Example:
    """Load the example ``name`` (its file name without ending)."""
    return Example(name, tomllib.loads((FOLDER / f"{name}.toml").read_text(encoding="utf-8")))


def half_unit(printed: str) -> float:
    """Return half a unit of the last printed digit."""
    digits = Decimal(re.sub(r"[<>=~ ]", "", str(printed)).replace("\N{MINUS SIGN}", "-"))
    return float(Decimal(5).scaleb(int(digits.as_tuple().exponent) - 1))


def agrees(value: float, printed: str, *, units: float = 0.0) -> bool:
    """Tell whether ``value`` rounds to ``printed``.

    ``units`` widens by that many units of the last printed digit; a caller that uses it says why.
    """
    target = float(str(printed).replace("\N{MINUS SIGN}", "-"))
    half = half_unit(printed)
    return abs(value - target) <= half * (1 + 2 * units) * (1 + 1e-9) + 1e-12 * abs(target)
