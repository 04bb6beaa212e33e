"""The gain of a cell enters a budget from exposures, where the reading is that of a cell or cells are equalised."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from drift.budget import budget
from drift.budget.beyond import counts_not_known
from drift.budget.impossible import refuse_impossible
from drift.budget.result import BudgetResult
from drift.calibration import cell_gains
from drift.errors import DriftError
from drift.records import ExposureTable, Tables
from drift.study import CellsQuestion, study_from_dict
from tests.budget.studies import study, tables

SPREAD, ERROR, CELLS, EXPOSURES = 0.06, 0.02, 200, 4


def exposures(sensors: tuple[str, ...] = ("S1",), *, k: int = EXPOSURES, seed: int = 3,
              spread: float = SPREAD) -> ExposureTable:
    rng = np.random.default_rng(seed)
    rows: list[tuple[Any, ...]] = []
    for s in sensors:
        gain = np.exp(spread * rng.standard_normal(CELLS))
        for e in range(k):
            reading = 200 * gain * np.exp(ERROR * rng.standard_normal(CELLS))
            rows += [(s, float(i // 20), float(i % 20), str(e), 200.0, 0.0, float(r)) for i, r in enumerate(reading)]
    names = ("sensor", "row", "col", "exposure", "reference", "use", "reading")
    columns = {n: np.array([r[j] for r in rows], dtype=object if n in ("sensor", "exposure") else np.float64)
               for j, n in enumerate(names)}
    return ExposureTable(columns, np.arange(2, 2 + len(rows)), "exposures.csv",
                         units={"reading": "count", "reference": "kPa"})


def made(asked: dict[str, Any], *, equalised: bool | None = None, shown: ExposureTable | None = None,
         start: float | None = None) -> BudgetResult:
    s = study({"reading": 300, "use": 20, **asked})
    if equalised is not None:
        s = s.model_copy(update={"protocol": study_from_dict({
            "study": {"title": "t"}, "protocol": {"gains_equalised": equalised}}).protocol})
    if start is not None:
        assert s.sensitivity is not None
        s = s.model_copy(update={"sensitivity": s.sensitivity.model_copy(update={"start": start})})
    held: Tables = replace(tables(), exposures=exposures() if shown is None else shown)
    return budget(held, s, draws=20_000)


def component(result: BudgetResult) -> dict[str, Any] | None:
    t = result.table("budget")
    at = [i for i, q in enumerate(t["quantity"]) if q == "gain of the cell"]
    return {c.name: t[c.name][at[0]] for c in t.columns} if at else None


def left_out(result: BudgetResult) -> str | None:
    t = result.table("left out")
    return next((str(h) for c, h in zip(t["component"], t["what would give it"], strict=True)
                 if c == "gain of the cell"), None)


def test_a_cell_that_is_not_equalised_has_the_spread_of_gains() -> None:
    found = component(made({"reading_of": "cell", "sensor": "S1"}, equalised=False))
    assert found is not None
    # SD of a sample of 200 gains about the truth, four standard errors of an SD.
    assert found["standard uncertainty"] / 100 == pytest.approx(SPREAD, abs=4 * SPREAD / math.sqrt(2 * CELLS))
    assert (found["type"], found["distribution"]) == ("A", "t")
    assert found["degrees of freedom"] == pytest.approx(CELLS - 1)


def test_equalised_cells_keep_what_the_exposures_leave() -> None:
    found = component(made({"sensor": "S1"}, equalised=True))
    assert found is not None
    shrunk = cell_gains(exposures(), CellsQuestion()).table("cell gains")["relative SE, shrunk"]
    assert found["standard uncertainty"] / 100 == pytest.approx(float(np.sqrt(np.mean(shrunk**2))), rel=1e-12)
    # Known truth: error variance of a mean of four, shrunk by the ratio of variances.
    error = ERROR**2 / EXPOSURES
    assert found["standard uncertainty"] / 100 == pytest.approx(
        math.sqrt(error * SPREAD**2 / (SPREAD**2 + error)), rel=0.1)


def test_of_what_the_reading_is_decides() -> None:
    assert component(made({"reading_of": "sheet"}, equalised=True)) is None
    assert left_out(made({"reading_of": "sheet"}, equalised=True)) is None
    silent = made({})
    assert component(silent) is None
    told = left_out(silent)
    assert told is not None
    assert 'reading_of = "cell" or "sheet"' in told
    assert "the exposures of S1 tell it" in told


def test_what_is_stated_goes_before_the_exposures() -> None:
    found = component(made({"reading_of": "cell", "cell_gain": "1 %"}))
    assert found is not None
    assert (found["type"], found["standard uncertainty"]) == ("B", pytest.approx(1.0))


def test_one_exposure_leaves_it_out_in_words() -> None:
    told = left_out(made({"reading_of": "cell"}, shown=exposures(k=1)))
    assert told is not None
    assert "one cannot tell gains from chance" in told


def test_the_pressure_is_wider_by_it_and_a_force_over_cells_hardly() -> None:
    plain, cell = made({"reading_of": "sheet", "cells": 100}), made({"reading_of": "cell", "cells": 100},
                                                                    equalised=False)
    wide, narrow = (next(e for e in r.estimates if e.name == "pressure").std_error for r in (cell, plain))
    value = next(e for e in plain.estimates if e.name == "pressure").value
    u = component(cell)
    assert u is not None
    assert wide**2 - narrow**2 == pytest.approx((u["standard uncertainty"] / 100 * value) ** 2, rel=1e-3)
    force = [next(e for e in r.estimates if e.name.startswith("expanded uncertainty of a force")).std_error
             for r in (plain, cell)]
    assert force[1] ** 2 - force[0] ** 2 == pytest.approx(u["standard uncertainty"] ** 2 / 100, rel=1e-3)


def test_a_sensor_that_was_not_exposed_has_the_pooled_gains_of_the_others() -> None:
    two = exposures(("A", "B"))
    result = made({"reading_of": "cell", "sensor": "S2"}, equalised=False, shown=two)
    found = component(result)
    assert found is not None
    each = [cell_gains(exposures(("A", "B")), CellsQuestion()).estimates]
    spread = [e.value for e in each[0] if e.name.startswith("SD of gains between cells")]
    assert found["standard uncertainty"] == pytest.approx(float(np.sqrt(np.mean(np.square(spread)))), rel=1e-9)
    notes = " ".join(f.message for f in result.findings)
    assert "it was not exposed: the gains of cells are those of A and B" in notes
    assert "gains of cells were measured up to use 0" in notes


def test_a_reading_above_full_scale_is_bad_input_and_one_at_it_is_refused_alone() -> None:
    with pytest.raises(DriftError, match="above the full scale of 1023") as caught:
        refuse_impossible(tables(), study({"reading": 1500}), option=True)
    assert str(caught.value.findings[0].place) == "option --reading"
    with pytest.raises(DriftError, match="cannot be below zero"):
        refuse_impossible(tables(), study({"reading": -1}), option=False)
    refuse_impossible(tables(), study({"reading": 1023}), option=True)
    result = made({"reading": 1023})
    assert math.isnan(result.estimate("pressure").value)
    assert all(len(t) == 0 for t in result.tables)
    assert [f.code for f in result.findings] == ["no-pressure"]


def test_drift_counts_from_the_check_that_makes_the_calibration() -> None:
    late = made({"construction": None}, start=10)
    assert "10 uses after its calibration" in late.answer
    plain = made({})
    assert "20 uses after its calibration" in plain.answer
    # The same wear takes the same pressure away whichever check made the calibration.
    assert late.estimate("pressure").value == pytest.approx(plain.estimate("pressure").value, rel=0.02)
    assert any("calibrated at the first checks that count, at 10," in f.message for f in late.findings)
    with pytest.raises(DriftError, match="counts at or before use 3"):
        made({"use": 3}, start=10)


def test_counts_that_a_budget_alone_does_not_know_are_said() -> None:
    s = study({})
    assert counts_not_known(s) is None
    assert s.sensitivity is not None
    late = s.model_copy(update={"sensitivity": s.sensitivity.model_copy(update={"start": 5.0})})
    found = counts_not_known(late)
    assert found is not None
    assert "with start = 5 under [sensitivity]" in found.message
    assert "drift run" in found.mend
