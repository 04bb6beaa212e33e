"""Limits a sensor must keep, and the values of its occasions against each of them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.errors import DriftError, Finding
from drift.records import Tables
from drift.results import ResultTable
from drift.study import Study
from drift.units import parse_quantity

Floats = NDArray[np.float64]

QUESTION = "retire after"


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One continuous limit.

    Parameters
    ----------
    key : str
        Key in ``[limits]``.
    value : float
        As declared, in ``unit``.
    unit : str
        Unit of ``value`` (``""`` for the relative fall).
    relative : bool
        Distance from the sensor's own fitted value at use 0 (only slopes vary), else start and slope vary.
    log : bool
        Lines are straight on the log scale.
    sign : float
        1 where wear raises the value towards the limit, -1 where it lowers it.
    words : str
        What is past the limit, in words.
    """

    key: str
    value: float
    unit: str
    relative: bool
    log: bool
    sign: float
    words: str

    def threshold(self, factor: float = 1.0) -> float:
        """Limit on the upward scale of the lines, the declared value times ``factor``."""
        v = self.value * factor
        if self.relative:
            return -math.log1p(-v) if self.log and v < 1 else v if not self.log else math.inf
        return self.sign * (math.log(v) if self.log else v)

    def shown(self, upward: Floats) -> Floats:
        """Turn upward values into values of the analysis scale (log ratio for a relative limit)."""
        if self.relative and not self.log:
            with np.errstate(invalid="ignore", divide="ignore"):
                return np.log1p(np.where(upward < 1, -upward, np.nan))
        return np.asarray(self.sign * upward)


def declared_limits(study: Study, tables: Tables) -> tuple[Limit, ...]:
    """Return the continuous limits in ``[limits]``, in the order of the study file's documentation."""
    declared, scale = study.limits, study.sensitivity.scale if study.sensitivity else "log"
    log = scale == "log"
    found = []
    if declared.sensitivity_change is not None:
        c = declared.sensitivity_change
        found.append(Limit(key="sensitivity_change", value=c, unit="", relative=True, log=log, sign=-1.0,
                           words=f"fall of sensitivity of {100 * c:g} % from the sensor's own fresh value"))
    if declared.saturation_pressure is not None:
        units = tables.checks.units if tables.checks is not None else {}
        quantity = parse_quantity(declared.saturation_pressure)
        # A reference without any stated unit is in the limit's unit, or the limit would mean nothing.
        unit = str(units.get("reference") or quantity.unit)
        value = quantity.to(unit)
        found.append(Limit(key="saturation_pressure", value=value, unit=unit, relative=False, log=True, sign=1.0,
                           words=f"saturation pressure of {declared.saturation_pressure}"))
    if declared.reading is not None:
        r = declared.reading
        units = tables.checks.units if tables.checks is not None else {}
        unit = str(units.get("reading") or "")
        if log and not r.value > 0:
            raise DriftError(Finding(severity="error", code="limit-not-positive", file="study.toml", value=str(r.value),
                                     message="a limit on the reading must be above zero on the log scale",
                                     mend="Set scale = \"linear\" in [sensitivity], or change the limit."))
        found.append(Limit(key="reading", value=r.value, unit=unit, relative=False, log=log,
                           sign=1.0 if r.direction == "above" else -1.0,
                           words=f"reading {r.direction} {r.value:g} {unit}".strip()))
    return tuple(found)


@dataclass(frozen=True, kw_only=True, eq=False)
class Paths:
    """Occasion values of all sensors against one limit, on the analysis scale (not turned upwards).

    ``x`` and ``y`` have shape (n_sensors, n_occasions) with NaN where a sensor has no occasion there;
    labels have shape (n_sensors,).
    """

    sensor: NDArray[np.object_]
    construction: NDArray[np.object_]
    batch: NDArray[np.object_]
    x: Floats
    y: Floats
    n_lost: int


def paths_of(limit: Limit, occasions: ResultTable, sensitivities: ResultTable) -> Paths:
    """Collect each sensor's occasion means: the quantity the limit is about, averaged over mountings.

    The fall of sensitivity uses the responses of the wear analysis; saturation pressure and reading are means
    over mountings of the value (of its log on the log scale). ``n_lost`` counts mountings without a usable
    value.
    """
    if limit.key == "sensitivity_change":
        table, values = occasions, np.asarray(occasions["response"], dtype=np.float64)
    else:
        table = sensitivities
        raw = np.asarray(table["saturation_pressure" if limit.key == "saturation_pressure" else "reading"], np.float64)
        with np.errstate(invalid="ignore", divide="ignore"):
            values = np.where(raw > 0, np.log(np.where(raw > 0, raw, 1.0)), np.nan) if limit.log else raw
    use = np.asarray(table["use"], dtype=np.float64)
    names, first, code = np.unique(table["sensor"].astype(str), return_index=True, return_inverse=True)
    usable = np.isfinite(values) & np.isfinite(use)
    cell = np.unique(np.column_stack([code[usable], use[usable]]), axis=0)
    x = np.full((len(names), int(np.bincount(cell[:, 0].astype(int)).max(initial=1)) if len(cell) else 1), np.nan)
    y = x.copy()
    place: dict[tuple[int, float], tuple[int, int]] = {}
    filled = np.zeros(len(names), dtype=int)
    for c, u in cell:
        i = int(c)
        place[(i, float(u))] = (i, int(filled[i]))
        x[i, filled[i]] = u
        filled[i] += 1
    total, count = np.zeros_like(x), np.zeros_like(x)
    for i, u, v in zip(code[usable], use[usable], values[usable], strict=True):
        at = place[(int(i), float(u))]
        total[at] += v
        count[at] += 1
    y = np.where(count > 0, total / np.maximum(count, 1), np.nan)

    def label(column: str) -> NDArray[np.object_]:
        return np.array([_word(v) for v in table[column][first]], dtype=object)

    return Paths(sensor=names.astype(object), construction=label("construction"), batch=label("batch"), x=x, y=y,
                 n_lost=int((~usable).sum()))


def _word(value: object) -> str:
    return "" if value is None or (isinstance(value, float) and math.isnan(value)) else str(value)
