"""The handbook page of columns and settings names every column and key there is."""

from __future__ import annotations

from pathlib import Path

import pytest

from drift.records import (
    CALIBRATION_COLUMNS,
    CHECK_COLUMNS,
    EVENT_COLUMNS,
    EXPOSURE_COLUMNS,
    SENSOR_COLUMNS,
    TRIAL_COLUMNS,
)
from drift.study import (
    AgreementQuestion,
    CalibrationQuestion,
    CellsQuestion,
    Costs,
    Files,
    GaugeQuestion,
    InterlaboratoryQuestion,
    Limits,
    PolicySpec,
    ProtocolSpec,
    Recalculate,
    RecalibrationSpec,
    ReportingSpec,
    RetirementSpec,
    ScreeningSpec,
    SensitivitySpec,
    TextFormat,
    TodaySpec,
)
from drift.study.budgets import BudgetSpec, Stated

PAGE = (Path(__file__).parents[2] / "drift" / "handbook" / "columns.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("columns", [CHECK_COLUMNS, TRIAL_COLUMNS, SENSOR_COLUMNS, EVENT_COLUMNS,
                                     CALIBRATION_COLUMNS, EXPOSURE_COLUMNS])
def test_every_column_is_on_the_page(columns: tuple[str, ...]) -> None:
    assert [c for c in columns if f"`{c}`" not in PAGE] == []


@pytest.mark.parametrize("part", [AgreementQuestion, BudgetSpec, CalibrationQuestion, CellsQuestion, Stated,
                                  Costs, Files, GaugeQuestion,
                                  InterlaboratoryQuestion, Limits,
                                  RecalibrationSpec,
                                  Recalculate,
                                  RetirementSpec,
                                  ScreeningSpec,
                                  SensitivitySpec,
                                  TextFormat,
                                  TodaySpec,
                                  PolicySpec,
                                  ProtocolSpec,
                                  ReportingSpec])
def test_every_setting_is_on_the_page(part: type) -> None:
    assert [k for k in part.model_fields if f"`{k}" not in PAGE] == []  # type: ignore[attr-defined]
