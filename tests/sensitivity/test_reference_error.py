"""Errors of the reference and of the count: what moves the drift and what does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drift.records import CheckTable, Tables
from drift.sensitivity import fit_wear
from tests.sensitivity.worlds import laboratory, study


def gauged(tables: Tables, factor: object) -> Tables:
    checks = tables.checks
    assert checks is not None
    columns = {c: checks[c].copy() for c in checks.columns}
    columns["reference"] = columns["reference"] * factor(columns["use"])  # type: ignore[operator]
    return replace(tables, checks=CheckTable(columns, checks.row, checks.file, units=dict(checks.units)))


def test_a_constant_gauge_error_moves_no_drift_and_a_moving_one_does_as_told() -> None:
    tables = laboratory(seed=1, n=8)
    asked = study(reference_u=0.002, gauge_u=0.01)
    result = fit_wear(tables, asked, seed=1)
    slope = result.drift().value
    assert fit_wear(gauged(tables, lambda u: 1.01 + 0 * u), asked, seed=1).drift().value == pytest.approx(slope)
    # The gauge reads 1 % more at the end: sensitivity seems to fall by so much more.
    moved = fit_wear(gauged(tables, lambda u: 1.01 ** (u / 40)), asked, seed=1).drift().value
    table = result.table("errors of the reference")
    told = dict(zip(table["error of the reference"], table["drift per use"], strict=True))
    assert 100 * np.expm1(moved) == pytest.approx(told["common, gauge falls by its uncertainty over the study"],
                                                  rel=0.01)
    assert told["common to all checks, constant"] == pytest.approx(100 * np.expm1(slope))


def test_the_scatter_of_a_mounting_is_that_of_simulated_references() -> None:
    result = fit_wear(laboratory(seed=2), study(reference_u=0.01), seed=1)
    told = float(result.table("errors of the reference")["scatter of a mounting"][0])
    p = np.array([100, 200, 300, 400, 500.0])
    rng = np.random.default_rng(1)
    x = p * (1 + 0.01 * rng.standard_normal((4000, 5)))
    dx = x - x.mean(axis=1, keepdims=True)
    slopes = (dx * p).sum(axis=1) / (dx**2).sum(axis=1)
    assert told == pytest.approx(100 * slopes.std(), rel=0.06)


def test_uses_missing_from_the_log_stretch_the_count() -> None:
    result = fit_wear(laboratory(seed=3), study(), seed=1)
    table = result.table("errors of the count")
    assert table["count times"][:3] == pytest.approx([1 / 0.95, 1 / 0.9, 1 / 0.8])
    random = [i for i, w in enumerate(table["if"]) if "at random" in w]
    slope = 100 * np.expm1(result.drift().value)
    assert all(table["drift per use"][i] < slope for i in random)  # steeper than what the wrong counts show


def test_a_reading_without_reference_is_told_so() -> None:
    tables = laboratory(seed=4)
    checks = tables.checks
    assert checks is not None
    bare = {c: checks[c] for c in checks.columns if c != "reference"}
    keep = checks["reference"] == 500
    made = replace(tables, checks=CheckTable({c: v[keep] for c, v in bare.items()}, checks.row[keep], checks.file,
                                             units={"reading": "count"}))
    result = fit_wear(made, study(reference_u=0.01), seed=1)
    assert any(f.code == "reference-error-skipped" for f in result.findings)
