"""Properties of drift per use: order, names, units and exposure scale change what they must and nothing else."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.records import Tables
from drift.sensitivity import fit_wear
from tests.sensitivity.worlds import checks_of, laboratory, study

SMALL = {"n": 6, "uses": (0, 10, 20, 30), "levels": (100.0, 500.0)}


def columns_of(tables):
    return {k: v.tolist() for k, v in tables.checks.columns.items()}


def numbers_of(result):
    return np.array([[e.value, e.low, e.high] for e in result.estimates])


@settings(max_examples=4, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6))
def test_row_order_changes_nothing(seed):
    tables = laboratory(seed=seed, **SMALL)
    order = np.random.default_rng(seed).permutation(len(tables.checks))
    columns = {k: [v[i] for i in order] for k, v in columns_of(tables).items()}
    a = fit_wear(Tables(checks=tables.checks), study())
    b = fit_wear(Tables(checks=checks_of(columns)), study())
    np.testing.assert_allclose(numbers_of(b), numbers_of(a), rtol=1e-12)
    assert b.answer == a.answer


@settings(max_examples=4, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6))
def test_names_of_sensors_change_nothing(seed):
    tables = laboratory(seed=seed, **SMALL)
    names = dict(zip(sorted(set(tables.checks["sensor"])), ["z", "k", "b", "x", "a", "m"], strict=True))
    columns = columns_of(tables)
    columns["sensor"] = [names[s] for s in columns["sensor"]]
    a = fit_wear(Tables(checks=tables.checks), study())
    b = fit_wear(Tables(checks=checks_of(columns)), study())
    np.testing.assert_allclose(numbers_of(b), numbers_of(a), rtol=1e-6, atol=1e-9)


@settings(max_examples=4, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), factor=st.sampled_from([0.145037737730, 7.50061683]))
def test_the_unit_of_pressure_changes_only_the_start(seed, factor):
    tables = laboratory(seed=seed, **SMALL)
    columns = columns_of(tables)
    columns["reference"] = [factor * p for p in columns["reference"]]
    a = fit_wear(Tables(checks=tables.checks), study())
    b = fit_wear(Tables(checks=checks_of(columns, reference="psi")), study())
    for name in ("drift per use", "drift per use, percent"):
        np.testing.assert_allclose([b.estimate(name).value, b.estimate(name).low, b.estimate(name).high],
                                   [a.estimate(name).value, a.estimate(name).low, a.estimate(name).high], rtol=1e-6)
    start_a, start_b = a.estimate("sensitivity at use 0"), b.estimate("sensitivity at use 0")
    np.testing.assert_allclose(start_b.value * factor, start_a.value, rtol=1e-6)
    assert start_b.unit == "count/psi"


@settings(max_examples=4, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), scale=st.sampled_from([1e-3, 100.0]))
def test_the_scale_of_exposure_rescales_the_drift(seed, scale):
    tables = laboratory(seed=seed, **SMALL)
    columns = columns_of(tables)
    columns["use"] = [scale * u for u in columns["use"]]
    a = fit_wear(Tables(checks=tables.checks), study()).drift()
    b = fit_wear(Tables(checks=checks_of(columns)), study()).drift()
    np.testing.assert_allclose([b.value * scale, b.low * scale, b.high * scale], [a.value, a.low, a.high], rtol=1e-6)


@settings(max_examples=3, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6))
def test_a_higher_level_gives_a_wider_interval(seed):
    tables = laboratory(seed=seed, **SMALL)
    narrow = fit_wear(Tables(checks=tables.checks), study(), level=0.90).drift()
    wide = fit_wear(Tables(checks=tables.checks), study(), level=0.99).drift()
    assert wide.low < narrow.low < narrow.value < narrow.high < wide.high


@settings(max_examples=3, deadline=None, derandomize=True)
@given(seed=st.integers(0, 10**6), factor=st.floats(0.2, 5.0))
def test_a_common_gain_leaves_the_drift_alone(seed, factor):
    tables = laboratory(seed=seed, **SMALL)
    columns = columns_of(tables)
    columns["reading"] = [factor * y for y in columns["reading"]]
    a = fit_wear(Tables(checks=tables.checks), study()).drift()
    b = fit_wear(Tables(checks=checks_of(columns)), study()).drift()
    np.testing.assert_allclose([b.value, b.low, b.high], [a.value, a.low, a.high], rtol=1e-6)
