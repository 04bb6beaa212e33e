"""The gain of a cell as a component of a budget, from exposures of whole sheets to a uniform load."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.budget.quantities import Quantity
from drift.budget.stated import NAMES
from drift.budget.subjects import Subject
from drift.errors import DriftError
from drift.records import Tables
from drift.results import join_words
from drift.study import CellsQuestion, Study
from drift.study.budgets import BudgetSpec

KEY = "cell_gain"


@dataclass(frozen=True, kw_only=True)
class SheetGain:
    """What the exposures of one sheet tell of the gain of its cells, relative.

    Parameters
    ----------
    sensor : str
    spread, spread_df : float
        SD of the true gains between cells: the error of a reading that is not equalised.
    left, left_df : float
        Root mean square standard uncertainty of the shrunk gains: the error that equalising with them leaves.
    use : float
        Largest use at which it was exposed; NaN where none is recorded.
    """

    sensor: str
    spread: float
    spread_df: float
    left: float
    left_df: float
    use: float


@dataclass(frozen=True, kw_only=True)
class CellGains:
    """Gains of all sheets that were exposed; ``equalised`` is what ``[protocol]`` says, None where it says nothing."""

    sheets: tuple[SheetGain, ...]
    equalised: bool | None


def gains_of_study(tables: Tables, study: Study, *, level: float) -> CellGains | None:
    """Return what the exposures of a study tell; None where there are none, or none can be used."""
    if tables.exposures is None:
        return None
    from drift.calibration.cells import sheets_of

    question = study.cells or CellsQuestion()
    try:
        found = sheets_of(tables.exposures, question, level=level)
    except DriftError:  # said where the gains themselves are asked for
        return None
    made = []
    for g in found:
        se = g.shrunk.shrunk_se[np.isfinite(g.shrunk.shrunk_se)]
        if g.fit.df >= 1 and len(se) > 1 and math.isfinite(g.shrunk.tau):
            use = g.sheet.use[np.isfinite(g.sheet.use)]
            made.append(SheetGain(sensor=g.sheet.sensor, spread=float(g.shrunk.tau), spread_df=float(len(se) - 1),
                                  left=float(np.sqrt(np.mean(se**2))), left_df=float(g.fit.df),
                                  use=float(use.max()) if len(use) else math.nan))
    protocol = study.protocol
    return CellGains(sheets=tuple(made), equalised=None if protocol is None else protocol.gains_equalised)


def gain_quantity(gains: CellGains | None, subject: Subject, spec: BudgetSpec
                  ) -> tuple[tuple[Quantity, ...], tuple[str, ...]]:
    """Return the gain of a cell as an input quantity, and what a reader should know of it.

    It is one where the reading is that of a cell (``reading_of``), or of cells that are equalised; what is stated goes
    before it. A sensor that was not exposed itself has the gains of those that were, pooled.

    Notes
    -----
    Relative: a reading of one cell is wrong by the share by which its gain is. It is independent from cell to cell, so
    that it averages out over the cells of a force (JCGM 100, 5.1.2).
    """
    if gains is None or not gains.sheets or spec.cell_gain is not None or spec.reading_of == "sheet":
        return (), ()
    if spec.reading_of is None and not gains.equalised:
        return (), ()
    u, df, names = _pooled(gains, subject)
    of = f"exposures{f' of {names}' if names else ''}"
    source = (f"{of}: standard uncertainty of the gains that readings are equalised with (root mean square over live "
              "cells)" if gains.equalised else f"{of}: SD of the true gains between cells, readings not equalised")
    made = Quantity(name=NAMES[KEY], u=u, kind="A", distribution="t", df=df, place="relative", per_cell=True,
                    source=source)
    return (made,), _said(gains, subject, spec, names)


def _pooled(gains: CellGains, subject: Subject) -> tuple[float, float, str]:
    """Return relative standard uncertainty, its degrees of freedom by Satterthwaite, and whose exposures tell it."""
    sheets = _sheets(gains, subject)
    key = "left" if gains.equalised else "spread"
    squares = [getattr(s, key) ** 2 for s in sheets]
    df = [getattr(s, f"{key}_df") for s in sheets]
    total = sum(squares)
    free = total**2 / sum(q**2 / d for q, d in zip(squares, df, strict=True)) if total > 0 else sum(df)
    return math.sqrt(total / len(sheets)), float(free), join_words([s.sensor for s in sheets if s.sensor])


def _sheets(gains: CellGains, subject: Subject) -> list[SheetGain]:
    return [s for s in gains.sheets if s.sensor == subject.sensor] or list(gains.sheets)


def _said(gains: CellGains, subject: Subject, spec: BudgetSpec, names: str) -> tuple[str, ...]:
    said = []
    if spec.reading_of == "cell" and gains.equalised is None:
        said.append("[protocol] does not say whether readings are equalised by the gains of cells (gains_equalised): "
                    "they are taken as not, and the cell as any of the sheet")
    if subject.sensor and all(s.sensor != subject.sensor for s in gains.sheets):
        said.append(f"it was not exposed: the gains of cells are those of {names}")
    used = max((s.use for s in _sheets(gains, subject) if math.isfinite(s.use)), default=0.0)
    if subject.use > used:
        said.append(f"gains of cells were measured up to use {used:g}: how far they drift apart by use {subject.use:g} "
                    "is in no component")
    return tuple(said)


def not_in_it(gains: CellGains | None, subject: Subject, spec: BudgetSpec) -> str | None:
    """Return what would give the component where exposures are there and it is left out; None where it is not missing.

    Empty where the exposures have nothing to do with it.
    """
    if spec.reading_of == "sheet":
        return None
    if gains is None:
        return ""
    if not gains.sheets:
        return ("a second and a third exposure of the whole sheet, since one cannot tell gains from chance; or the SD "
                "of the cells' gains: cell_gain = \"1 %\"")
    u, _, names = _pooled(gains, subject)
    return (f"the exposures{f' of {names}' if names else ''} tell it, {100 * u:.2g} % for a cell that is not "
            "equalised, once the study says of what the reading is: reading_of = \"cell\" or \"sheet\"; "
            "gains_equalised = true under [protocol] where readings are equalised with these gains")
