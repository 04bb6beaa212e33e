"""Trial tables made in memory, without the reading of files."""

import numpy as np
import pandas as pd

from drift.records import NUMBER_COLUMNS, TrialTable


def trial_table(frame: pd.DataFrame, *, unit: str = "kPa") -> TrialTable:
    """Make a trial table; rows are numbered from 2 as an editor does."""
    columns = {}
    for name in frame:
        if name in NUMBER_COLUMNS or name == "exclude":
            columns[str(name)] = frame[name].to_numpy(dtype=float)
        else:
            columns[str(name)] = np.array([None if pd.isna(v) else str(v) for v in frame[name]], dtype=object)
    return TrialTable(columns, np.arange(2, len(frame) + 2), "trials.csv", units={"reading": unit})


def long_form(a, b, **labels) -> pd.DataFrame:
    """Long form of two columns: methods a and b, one row each, with further columns for both."""
    labels = labels or {"participant": [f"P{i:03d}" for i in range(len(a))]}
    parts = [pd.DataFrame({"method": name, "reading": values, **labels}) for name, values in (("a", a), ("b", b))]
    return pd.concat(parts, ignore_index=True)
