"""Gains of the cells of a matrix sensor from several exposures to a uniform load."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from drift.calibration.cell_words import cell_answer, cell_findings
from drift.calibration.cells_quoted import simulated
from drift.calibration.sensitivity_of_mountings import codes_of, numbers, words
from drift.engine.cell_gains import (
    LOADED,
    Interaction,
    Line,
    Shrunk,
    TwoWay,
    cell_slopes,
    dead_lines,
    far_below,
    median_polish,
    rig_bias,
    shrink,
    two_way,
)
from drift.engine.static_errors import sd_interval
from drift.errors import DriftError, Finding
from drift.ingest import account_rows, excluded_rows, select_where
from drift.records import ExposureTable
from drift.results import Estimate, Provenance, Result, ResultTable, run_versions
from drift.study import CellsQuestion

Floats = NDArray[np.float64]
SPREAD, WITHIN, SHARE_DEAD = "SD of gains between cells, percent", "SD of an exposure, percent", "share of dead cells"
RIG, ALONG_USE = "SD of the rig's bias between places, percent", "SD of gain drift per use between cells, percent"
FORCE = "uncertainty of total force from gains, percent"


@dataclass(frozen=True, kw_only=True, eq=False)
class CellGainsResult(Result):
    """Gains of cells with dead cells and lines."""

    command: ClassVar[str] = "cells"

    def gains(self, sensor: str = "") -> dict[tuple[int, int], float]:
        """Return the shrunk gain of each live cell by (row, column)."""
        t = self.table("cell gains")
        here = [i for i in range(len(t)) if not sensor or t["sensor"][i] == sensor]
        return {(int(t["row"][i]), int(t["col"][i])): float(t["shrunk gain"][i]) for i in here
                if math.isfinite(t["shrunk gain"][i])}


@dataclass(frozen=True, kw_only=True, eq=False)
class Sheet:
    """The exposures of one sensor: cells in rows, exposures in columns; NaN where not read."""

    sensor: str
    row: Floats
    col: Floats
    reading: Floats
    load: Floats
    use: Floats
    orientation: NDArray[np.int64]
    orientations: tuple[str, ...]


@dataclass(frozen=True, kw_only=True, eq=False)
class Gains:
    """What was found about one sheet; ``state`` is "live", "dead" or "intermittent" for each cell."""

    sheet: Sheet
    fit: TwoWay
    shrunk: Shrunk
    robust: Floats
    state: NDArray[np.object_]
    lines: tuple[Line, ...]
    offset: Interaction | None
    rig: Interaction | None
    along_use: Interaction | None
    force: float


def cell_gains(exposures: ExposureTable, question: CellsQuestion, *, level: float = 0.95,
               seed: int = 0) -> CellGainsResult:
    """Estimate the gain of every cell, and which cells and lines are dead.

    Parameters
    ----------
    exposures : ExposureTable
    question : CellsQuestion
    level : float
    seed : int
        Recorded; nothing here is random.

    Returns
    -------
    CellGainsResult

    Raises
    ------
    DriftError
        If no row is usable, or no cell ever reads above the noise floor.

    References
    ----------
    J. W. Tukey (1977), Exploratory Data Analysis, ch. 10-11; C. N. Morris (1983), JASA 78, 47-55.
    """
    n = len(exposures)
    outside = ~select_where(exposures, question.where, question=question.name)
    y = numbers(exposures, "reading")
    missing = ~np.isfinite(y)
    account, exclusions, used = account_rows(question.name, "exposures", exposures, outside=outside,
                                             excluded=excluded_rows(exposures), unmatched=missing,
                                             reasons=np.where(missing, "no reading", "").astype(object))
    if not used.any():
        raise DriftError(Finding(severity="error", code="no-rows", file=exposures.file, question=question.name,
                                 message=f"none of {n} rows can be used", mend="Look at where and exclude"))
    done = _done(exposures, used, question, level)
    if not any(np.isfinite(g.fit.gamma).any() for g in done):
        raise DriftError(Finding(severity="error", code="no-rows", file=exposures.file, question=question.name,
                                 message="no cell ever reads above the noise floor", mend="Look at the noise floor"))
    coverage, told = simulated(done, question.name, level=level)
    return CellGainsResult(
        question=question.name, answer=" ".join(cell_answer(g) for g in done),
        estimates=tuple(e for g in done for e in _estimates(g, level)), tables=(*_tables(done), *coverage),
        findings=(*(f for g in done for f in cell_findings(g, question.name)), *told), exclusions=exclusions,
        provenance=Provenance(accounts=(account,), seed=seed, level=level, versions=run_versions(),
                              inputs={exposures.file: exposures.sha256} if exposures.sha256 else {},
                              settings=question.model_dump()))


def sheets_of(exposures: ExposureTable, question: CellsQuestion, *, level: float = 0.95) -> list[Gains]:
    """Return what was found about each sheet, for those who need the gains and not the answer about them.

    Raises
    ------
    DriftError
        Where the selection of the question cannot be made.
    """
    used = select_where(exposures, question.where, question=question.name) & ~excluded_rows(exposures) & np.isfinite(
        numbers(exposures, "reading"))
    return _done(exposures, used, question, level)


def _done(exposures: ExposureTable, used: NDArray[np.bool_], question: CellsQuestion, level: float) -> list[Gains]:
    return [gains_of(sheet, noise_floor=question.noise_floor, level=level)
            for sheet in _sheets(exposures, np.flatnonzero(used))]


def _sheets(table: ExposureTable, rows: NDArray[np.intp]) -> list[Sheet]:
    sensor = words(table, "sensor")
    made = []
    for name in sorted(set(sensor[rows])):
        at = rows[sensor[rows] == name]
        label = words(table, "exposure" if "exposure" in table else "reference")[at]
        load, use = numbers(table, "reference")[at], numbers(table, "use")[at]
        turned = words(table, "orientation")[at]
        which, first = codes_of([label, np.nan_to_num(use, nan=-1.0), turned])
        cell, cell_first = codes_of([numbers(table, "row")[at], numbers(table, "col")[at]])
        reading = np.full((len(cell_first), len(first)), np.nan)
        reading[cell, which] = numbers(table, "reading")[at]
        names, orientation = np.unique(turned[first].astype(str), return_inverse=True)
        made.append(Sheet(sensor=str(name), row=numbers(table, "row")[at][cell_first], reading=reading,
                          col=numbers(table, "col")[at][cell_first], load=load[first], use=use[first],
                          orientation=orientation.astype(np.int64), orientations=tuple(names)))
    return made


def gains_of(sheet: Sheet, *, noise_floor: float = 0.0, level: float = 0.95) -> Gains:
    """Fit one sheet: dead and intermittent cells first, then gains over the live ones."""
    y = sheet.reading
    shows = y > noise_floor
    size = sheet.load if np.isfinite(sheet.load).all() else np.nan_to_num(np.nanmedian(y, axis=0))
    loaded = size >= LOADED * float(size.max())
    read = np.isfinite(y) & loaded[None, :]
    silent = read.any(axis=1) & ~(shows & read).any(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(shows, np.log(np.where(shows, y, 1.0)), np.nan)
    state = np.full(len(y), "live", dtype=object)
    if (~silent & np.isfinite(logs).any(axis=1)).sum() >= 2:
        polished = np.full(len(y), np.nan)
        polished[~silent] = median_polish(logs[~silent])
        silent = silent | far_below(polished)
    faint = ~silent & (read & ~shows).any(axis=1)
    state[silent], state[faint] = "dead", "intermittent"
    live = state == "live"
    fit = two_way(np.where(live[:, None], logs, np.nan))
    rig = (rig_bias(np.where(live[:, None], logs, np.nan), sheet.orientation)
           if len(sheet.orientations) > 1 and live.sum() > 1 else None)
    bias = rig.sd if rig is not None and math.isfinite(rig.sd) else 0.0
    if rig is not None and math.isfinite(rig.F):  # what the rig adds is no scatter of exposures
        fit = replace(fit, sigma=rig.error, df=rig.df2)
    shrunk = shrink(fit, rig=bias, orientations=len(sheet.orientations), level=level)
    robust = np.full(len(y), np.nan)
    if live.any():
        robust[live] = np.exp(median_polish(logs[live]))
        robust = robust / np.nanmean(robust)
    spread = len(np.unique(np.round(np.log(np.maximum(size, 1e-300)), 6))) >= 3
    offset = cell_slopes(fit, np.log(np.maximum(size, 1e-300))) if spread else None
    used = np.unique(sheet.use[np.isfinite(sheet.use)])
    along = cell_slopes(fit, sheet.use) if len(used) > 1 and np.isfinite(sheet.use).all() else None
    force = (float(np.sqrt(np.nansum(shrunk.shrunk_se**2)) / live.sum()) if np.isfinite(shrunk.shrunk_se).any() else
             math.nan)
    return Gains(sheet=sheet, fit=fit, shrunk=shrunk, robust=robust, state=state, offset=offset, rig=rig,
                 lines=tuple(dead_lines(sheet.row, sheet.col, state == "dead")), along_use=along, force=force)


def _estimates(g: Gains, level: float) -> list[Estimate]:
    from scipy.special import betaincinv

    of = {"sensor": g.sheet.sensor}
    cells, dead = len(g.state), int((g.state == "dead").sum())
    live = int(np.isfinite(g.fit.gamma).sum())
    a = (1 - level) / 2
    low, high = sd_interval(100 * g.fit.sigma, g.fit.df, level)
    made = [
        Estimate(name=SPREAD, value=100 * g.shrunk.tau, low=100 * g.shrunk.tau_low, high=100 * g.shrunk.tau_high,
                 unit="%", of=of, n=live, level=level if math.isfinite(g.shrunk.tau_low) else math.nan,
                 method="SD of the true gains, relative: median and quantiles of its restricted likelihood, flat over "
                        "the SD"),
        Estimate(name=WITHIN, value=100 * g.fit.sigma, low=low, high=high, unit="%", of=of, n=live,
                 level=level if math.isfinite(low) else math.nan,
                 method="residual SD of the two-way fit of log readings; chi-square interval"),
        Estimate(name=SHARE_DEAD, value=100 * dead / cells, unit="%", of=of, n=cells, level=level,
                 low=100 * float(betaincinv(dead, cells - dead + 1, a)) if dead else 0.0,
                 high=100 * float(betaincinv(dead + 1, cells - dead, 1 - a)) if dead < cells else 100.0,
                 method="dead cells over all; exact binomial interval (Clopper-Pearson)"),
        Estimate(name=FORCE, value=100 * g.force, unit="%", of=of, n=live,
                 method="errors of the shrunk gains in quadrature over the live cells, uniform load; common errors of "
                        "the reference come on top")]
    for name, found, per in ((RIG, g.rig, ""), (ALONG_USE, g.along_use, " along use")):
        if found is not None and math.isfinite(found.F):
            made.append(Estimate(name=name, value=100 * found.sd, unit="%", of=of, n=live,
                                 method=f"cells' differences{per} beyond chance: F = {found.F:.2f} on {found.df1:g} "
                                     f"and "
                                        f"{found.df2:g} df, p {'< 0.001' if found.p < 0.001 else f'= {found.p:.3f}'}"))
    return made


def _tables(done: list[Gains]) -> tuple[ResultTable, ...]:
    cells: list[Mapping[str, object]] = []
    lines: list[Mapping[str, object]] = []
    for g in done:
        s = g.sheet
        for i in range(len(s.row)):
            cells.append({"sensor": s.sensor, "row": float(s.row[i]), "col": float(s.col[i]), "state": g.state[i],
                          "exposures": float(g.fit.count[i]), "gain": float(g.shrunk.gain[i]),
                          "relative SE": float(g.shrunk.gain_se[i]), "weight": float(g.shrunk.weight[i]),
                          "shrunk gain": float(g.shrunk.shrunk[i]), "relative SE, shrunk": float(g.shrunk.shrunk_se[i]),
                          "shrunk low": float(g.shrunk.low[i]), "shrunk high": float(g.shrunk.high[i]),
                          "gain by medians": float(g.robust[i])})
        lines += [{"sensor": s.sensor, "line": f"{x.of} {x.number}", "cells": float(x.cells), "dead": float(x.dead),
                   "p": x.p, "p, adjusted": x.adjusted, "dead line": "yes" if x.adjusted < 0.01 else "no"}
                  for x in g.lines]
    made = [("cell gains", "Gains of cells, mean 1 over the live ones", cells),
            ("dead lines", "Rows and columns with dead cells: is it more than chance?", lines)]
    return tuple(ResultTable.build(name, {k: np.array([r[k] for r in rows], dtype=np.float64 if isinstance(
        rows[0][k], float) else object) for k in rows[0]}, caption=caption) for name, caption, rows in made if rows)
