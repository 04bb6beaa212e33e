"""Autocorrelated errors beside the drift per use: seen, not seen, and not identifiable."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from drift.records import CheckTable, Tables
from drift.report.drawing import make
from drift.report.figures_of_shapes import shape_drawings
from drift.sensitivity import fit_wear
from drift.sensitivity.autocorrelation import both
from tests.sensitivity.worlds import laboratory, study

MANY = tuple(range(0, 40, 3))


def wandering(seed: int = 1) -> Tables:
    """Simulate sensors whose sensitivity wanders between near checks."""
    tables = laboratory(seed=seed, n=10, uses=MANY, occasion_sd=0.002, mounting_sd=0.002, noise=0.2, slope_sd=0.0)
    checks = tables.checks
    assert checks is not None
    columns = {c: checks[c].copy() for c in checks.columns}
    rng = np.random.default_rng(seed)
    u = np.array(MANY, dtype=float)
    root = np.linalg.cholesky(0.9 ** np.abs(u[:, None] - u[None, :]))
    walk = {f"S{i + 1:02d}": 0.03 * root @ rng.standard_normal(len(u)) for i in range(10)}
    at = np.searchsorted(u, columns["use"])
    columns["reading"] = 5 + (columns["reading"] - 5) * np.exp([walk[s][k] for s, k in zip(columns["sensor"], at,
                                                                                             strict=True)])
    return replace(tables, checks=CheckTable(columns, checks.row, checks.file, units=dict(checks.units)))


def test_wandering_sensors_are_found_and_their_drift_gets_a_wider_error() -> None:
    result = fit_wear(wandering(), study(), seed=1)
    near = result.estimate("correlation of residuals one use apart")
    assert near.low < 0.9 < near.high
    said = next(f.message for f in result.findings if f.code == "autocorrelation")
    assert f"one use apart are correlated {near.value:.2f}, 3 uses apart, as neighbouring checks are, 0." in said
    assert result.estimate("gain of autocorrelated errors").value > 2
    table = result.table("autocorrelation")
    assert table["AIC"][1] < table["AIC"][0]
    assert near.value == pytest.approx((1 - table["nugget"][1]) * table["decay"][1])
    variogram = result.table("residual variogram")
    assert variogram["variogram"][0] < variogram["independent"][0]
    assert any(f.code == "autocorrelation" for f in result.findings)
    name, title, draw, size = next(d for d in shape_drawings(result) if d[0].startswith("variogram"))
    assert "near checks are alike" in make(name, title, draw, size=size).caption


def test_the_correlation_of_readings_is_less_than_the_decay_where_a_part_does_not_decay() -> None:
    rng = np.random.default_rng(3)
    u = np.arange(0, 24.0)
    v = 0.4 * np.eye(24) + 0.6 * 0.9 ** np.abs(u[:, None] - u[None, :])
    e = rng.standard_normal((20, 24)) @ np.linalg.cholesky(v).T
    x, code = np.tile(u, 20), np.repeat(np.arange(20), 24)
    b = both(x, (0.02 * e - 0.005 * u).ravel(), code, level=0.95)
    assert b.low < 0.54 < b.high
    assert not b.low < b.correlated.phi < b.high  # what was printed as the correlation of residuals
    assert b.spacing == 1


def test_independent_errors_show_none() -> None:
    result = fit_wear(laboratory(seed=2, n=8, uses=MANY), study(), seed=1)
    assert any(f.code == "no-autocorrelation" for f in result.findings)
    e = result.estimate("drift per use with autocorrelated errors")
    assert e.low < 100 * np.expm1(-0.004) < e.high


def test_five_checks_a_sensor_cannot_identify_it() -> None:
    result = fit_wear(laboratory(seed=3, uses=(0, 5, 10, 20, 30)), study(), seed=1)
    found = [f for f in result.findings if f.code == "autocorrelation-not-identifiable"]
    assert len(found) == 1
    assert "from 5 checks a sensor" in found[0].message
    assert len(result.table("residual variogram"))
    assert not [e for e in result.estimates if "autocorrelated" in e.name]
