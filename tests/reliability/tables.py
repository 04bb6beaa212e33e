"""Trial tables for the reliability tests."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd

from drift.records import TrialTable
from drift.reliability import ReliabilityResult, reliability
from drift.study import ReliabilityQuestion


def table_of(frame: pd.DataFrame, names: Mapping[str, str] | None = None, unit: str = "kPa") -> TrialTable:
    """Make a validated table; ``names`` maps the frame's columns to ours. Keys become words."""
    frame = frame.rename(columns=dict(names or {}))
    numbers = {"reading", "reading_sd", "reading_n", "saturated", "exclude", "use"}
    columns = {c: frame[c].to_numpy(dtype=float) if c in numbers or frame[c].dtype.kind == "f"
               else np.array([None if pd.isna(v) else str(v) for v in frame[c]], dtype=object) for c in frame}
    return TrialTable(columns, np.arange(2, len(frame) + 2), "trials.csv", "", {"reading": unit})


def long(cube: np.ndarray, target: str = "participant", facet: str = "sensor") -> pd.DataFrame:
    """Return an array (n, k) or (n, k, m) as rows; NaN cells have no row."""
    cube = np.asarray(cube, dtype=float)
    cube = cube[:, :, None] if cube.ndim == 2 else cube
    i, j, r = np.nonzero(np.isfinite(cube))
    frame = pd.DataFrame({target: [f"P{a + 1:02d}" for a in i], facet: [f"S{a + 1}" for a in j],
                          "reading": cube[i, j, r]})
    return frame.assign(replicate=[str(a + 1) for a in r]) if cube.shape[2] > 1 else frame


def ask(frame: pd.DataFrame, *, level: float = 0.95, names: Mapping[str, str] | None = None, unit: str = "kPa",
        **question: Any) -> ReliabilityResult:
    """Put a question, by default participant over sensor."""
    words = {"name": "q", "target": "participant", "facet": "sensor", **question}
    return reliability(table_of(frame, names, unit), ReliabilityQuestion(**words), level=level, seed=1)


def drawn(seed: int, n: int = 20, k: int = 4, *, sd: tuple[float, float, float] = (8.0, 2.0, 3.0)) -> np.ndarray:
    """Return a table of normal readings about 60: SDs of target, facet and residual."""
    rng = np.random.default_rng(seed)
    return 60 + sd[0] * rng.normal(size=(n, 1)) + sd[1] * rng.normal(size=(1, k)) + sd[2] * rng.normal(size=(n, k))
