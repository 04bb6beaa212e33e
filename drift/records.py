"""Validated, immutable tables. Holding one is the proof that its rows passed the door.

Only ``drift.ingest`` (and tests) make them. Column names and units are ours: pressure in kPa, raw
readings in counts, exposure as the study says. ``row`` numbers rows as the user's editor does.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.readonly import frozen_mapping

if TYPE_CHECKING:
    import pandas as pd

CHECK_COLUMNS = ("sensor", "use", "reading", "reference", "replicate", "time", "operator", "rig", "level", "cal_id",
                 "direction", "order", "hold_s", "temperature", "saturated", "dead", "exclude", "exclude_reason")
TRIAL_COLUMNS = ("reading", "participant", "session", "time", "sensor", "use", "side", "operator", "method",
                 "condition", "region", "measure", "replicate", "reference", "reading_sd", "reading_n", "saturated",
                 "dead", "exclude", "exclude_reason")
SENSOR_COLUMNS = ("sensor", "construction", "batch", "role", "rows", "cols", "full_scale", "cost", "first_used",
                  "retired_at_use", "retired_reason")
EVENT_COLUMNS = ("sensor", "use", "event", "note", "time")
CALIBRATION_COLUMNS = ("sensor", "calibration", "use", "time", "slope", "intercept", "slope_se", "intercept_se",
                       "correlation", "from", "to", "note")
EXPOSURE_COLUMNS = ("sensor", "use", "exposure", "row", "col", "reading", "reference", "orientation", "exclude",
                    "exclude_reason")

CHECK_KEYS = ("sensor", "use", "replicate", "level", "direction", "order", "cal_id")
TRIAL_KEYS = ("participant", "session", "sensor", "side", "operator", "method", "condition", "region", "measure",
              "replicate")
NUMBER_COLUMNS = frozenset({"use", "reading", "reference", "level", "order", "hold_s", "temperature", "saturated",
                            "dead", "reading_sd", "reading_n", "rows", "cols", "full_scale", "cost",
                            "retired_at_use", "slope", "intercept", "slope_se", "intercept_se", "correlation",
                            "from", "to", "row", "col"})


@dataclass(frozen=True, eq=False)
class Table:
    """A table whose rows are valid: numbers float64, words object (missing: NaN and None), all read-only.

    Parameters
    ----------
    columns : mapping of str to array, each shape (n_rows,)
        Our names. Numeric columns are float64 with NaN for missing; the others hold str or None.
        ``time`` holds ISO date-time text. ``exclude`` is float64 0/1.
    row : array of int, shape (n_rows,)
        Row number in the file, header included.
    file : str
        File name, without folders.
    sha256 : str
        Hash of the file's bytes; empty for a table made in memory.
    units : mapping of str to str
        Unit of each numeric column after conversion (``reading`` of trials may be a mapping of measure
        to unit, held under ``"reading[<measure>]"``).
    """

    columns: Mapping[str, NDArray[Any]]
    row: NDArray[np.int64]
    file: str
    sha256: str = ""
    units: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        held: dict[str, NDArray[Any]] = {}
        for name, values in self.columns.items():
            array = np.array(values)
            array = array.astype(np.float64) if array.dtype.kind in "iufb" else np.array(values, dtype=object)
            array.setflags(write=False)
            held[str(name)] = array
        row = np.array(self.row, dtype=np.int64)
        row.setflags(write=False)
        if any(len(v) != len(row) for v in held.values()):
            raise ValueError("columns and row numbers differ in length")
        object.__setattr__(self, "columns", frozen_mapping(held))
        object.__setattr__(self, "row", row)
        object.__setattr__(self, "units", frozen_mapping(self.units))

    def __reduce__(self) -> tuple[Any, ...]:
        return (type(self), (dict(self.columns), self.row, self.file, self.sha256, dict(self.units)))

    def __len__(self) -> int:
        return len(self.row)

    def __contains__(self, name: str) -> bool:
        return name in self.columns

    def __getitem__(self, name: str) -> NDArray[Any]:
        return self.columns[name]

    def to_frame(self) -> pd.DataFrame:
        """Return a pandas copy, with ``row`` as its last column; ``file_row`` where ``row`` is a column of its own."""
        import pandas as pd

        number = "file_row" if "row" in self.columns else "row"
        return pd.DataFrame({**{k: v.copy() for k, v in self.columns.items()}, number: self.row.copy()})

    def take(self, mask: NDArray[np.bool_]) -> Table:
        """Return the rows where ``mask`` holds, as the same kind of table."""
        return type(self)({k: v[mask] for k, v in self.columns.items()}, self.row[mask], self.file, self.sha256,
                          self.units)

    def _repr_html_(self) -> str:
        return str(self.to_frame()._repr_html_())  # type: ignore[operator]


class CheckTable(Table):
    """Bench readings of a known load."""


class TrialTable(Table):
    """Values reported on people or objects."""


class SensorTable(Table):
    """One row a sensor."""


class EventTable(Table):
    """What happened to a sensor, and after which use."""


class CalibrationTable(Table):
    """Straight lines from pressure to raw reading, one a sensor, calibration and date; slopes per kPa."""


class ExposureTable(Table):
    """Readings of single cells under a uniform load: one row a sensor, use, exposure and cell."""


@dataclass(frozen=True, kw_only=True)
class Tables:
    """All tables of a study; an absent one is None.

    Parameters
    ----------
    checks, trials, sensors, events, calibrations, exposures : Table or None
    people : tuple of (str, tuple of str, tuple of str)
        Role, column headers and names of the people met in the files, those of refused tables included, so that
        findings about them can be pseudonymised.
    """

    checks: CheckTable | None = None
    trials: TrialTable | None = None
    sensors: SensorTable | None = None
    events: EventTable | None = None
    calibrations: CalibrationTable | None = None
    exposures: ExposureTable | None = None
    people: tuple[tuple[str, tuple[str, ...], tuple[str, ...]], ...] = ()
