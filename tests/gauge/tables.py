"""Trial tables for the tests of gauge and interlaboratory studies."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from drift.records import TrialTable
from drift.reliability.gauge import GaugeResult, gauge_study
from drift.reliability.interlaboratory import InterlaboratoryResult, interlaboratory
from drift.study import GaugeQuestion, InterlaboratoryQuestion


def table_of(frame: pd.DataFrame, unit: str = "kPa") -> TrialTable:
    """Make a validated table; reading and reference are numbers, everything else words."""
    numbers = {"reading", "reference", "use", "exclude"}
    columns = {c: frame[c].to_numpy(dtype=float) if c in numbers
               else np.array([None if pd.isna(v) else str(v) for v in frame[c]], dtype=object) for c in frame}
    return TrialTable(columns, np.arange(2, len(frame) + 2), "trials.csv", "", {"reading": unit})


def gauge(frame: pd.DataFrame, *, level: float = 0.95, unit: str = "kPa", **question: Any) -> GaugeResult:
    """Put a gauge question, by default part over operator."""
    words = {"name": "g", "part": "part", "operator": "operator", **question}
    return gauge_study(table_of(frame, unit), GaugeQuestion(**words), level=level)


def laboratories(frame: pd.DataFrame, *, level: float = 0.95, unit: str = "kPa",
                 **question: Any) -> InterlaboratoryResult:
    """Put an interlaboratory question, by default over ``laboratory``."""
    words = {"name": "i", "laboratory": "laboratory", **question}
    return interlaboratory(table_of(frame, unit), InterlaboratoryQuestion(**words), level=level)


def drawn(seed: int = 1, p: int = 10, o: int = 3, m: int = 2, *,
          sd: tuple[float, float, float, float] = (8.0, 2.0, 1.0, 1.0), nested: bool = False) -> pd.DataFrame:
    """Return rows of a drawn study: SDs of part, operator, interaction, repeatability."""
    rng = np.random.default_rng(seed)
    part = sd[0] * rng.normal(size=(p, o, 1) if nested else (p, 1, 1))
    y = (60 + part + sd[1] * rng.normal(size=(1, o, 1)) + sd[2] * rng.normal(size=(p, o, 1)) * (not nested)
         + sd[3] * rng.normal(size=(p, o, m)))
    i, j, r = (x.reshape(-1) for x in np.indices(y.shape))
    label = [f"P{a}" + (f"-{b}" if nested else "") for a, b in zip(i, j, strict=True)]
    return pd.DataFrame({"part": label, "operator": [f"O{b}" for b in j], "replicate": [str(c) for c in r],
                         "reading": y.reshape(-1)})
