"""The robust trend beside the drift per use: what it says, and when it stands against the model."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from drift.records import CheckTable, Tables
from drift.sensitivity import WearResult, fit_wear
from tests.sensitivity.worlds import events_of, laboratory, study


def fitted(tables: Tables) -> WearResult:
    return fit_wear(tables, study(), seed=1)


def codes(result: WearResult) -> list[str]:
    return [f.code for f in result.findings]


def changed(tables: Tables, change: object) -> Tables:
    checks = tables.checks
    assert checks is not None
    columns = {c: checks[c].copy() for c in checks.columns}
    change(columns)  # type: ignore[operator]
    return replace(tables, checks=CheckTable(columns, checks.row, checks.file, units=dict(checks.units)))


def test_robust_drift_recovers_the_truth_and_stands_in_result_and_table() -> None:
    result = fitted(laboratory(seed=1, n=12))
    e = result.estimate("robust drift per use")
    assert e.low < -0.004 < e.high
    assert e.n == 12
    percent = result.estimate("robust drift per use, percent")
    assert percent.value == pytest.approx(100 * math.expm1(e.value))
    table = result.table("robust trend")
    assert len(table) == 12
    assert set(table["smallest possible p"]) == {2 / math.factorial(6)}
    assert result.estimate("share of sensors that fall").value == 1
    assert result.estimate("p, as many sensors fall as rise").value == pytest.approx(2 / 2**12)
    assert "robust-disagrees" not in codes(result)


def test_replicates_are_averaged_first() -> None:
    # Taken as points of time, five mountings a check would make p small with three checks; averaged they cannot.
    result = fitted(laboratory(seed=1, n=6, uses=(0, 5, 10), mountings=5))
    assert set(result.table("robust trend")["checks"]) == {3}
    assert min(result.table("robust trend")["p"]) >= 1 / 3 - 1e-12
    assert "kendall-powerless" in codes(result)


def test_one_wild_check_moves_the_model_and_not_the_robust_drift() -> None:
    tables = laboratory(seed=2, n=8, slope_sd=0.0, occasion_sd=0.001, mounting_sd=0.001, noise=0.1)

    def spoil(columns: dict[str, np.ndarray]) -> None:
        hit = (columns["sensor"] == "S01") & (columns["use"] == 40)
        columns["reading"][hit] *= 0.3

    plain, spoilt = fitted(tables), fitted(changed(tables, spoil))
    moved = abs(spoilt.drift().value - plain.drift().value)
    e = spoilt.estimate("robust drift per use")
    assert abs(e.value - plain.estimate("robust drift per use").value) < moved / 5


def test_sensitivity_that_rises_is_named_in_one_sentence() -> None:
    result = fitted(laboratory(seed=3, n=8, slope=0.004))
    found = [f for f in result.findings if f.code == "rises-with-use"]
    assert len(found) == 1
    assert "rises with use in 8 of 8 sensors" in found[0].message


def test_constant_readings_are_named() -> None:
    def flatten(columns: dict[str, np.ndarray]) -> None:
        hit = columns["sensor"] == "S02"
        columns["reading"][hit] = 5.0 + 1.5 * columns["reference"][hit]

    result = fitted(changed(laboratory(seed=4, n=8), flatten))
    found = [f for f in result.findings if f.code == "constant-readings"]
    assert len(found) == 1
    assert "S02" in found[0].message


def displayed(tables: Tables, events: dict[str, list[object]], gains: dict[tuple[str, int], float]) -> Tables:
    """Turn readings into pressures displayed under calibrations with gains of their own."""
    def gain(columns: dict[str, np.ndarray]) -> None:
        after: dict[str, list[float]] = {}
        for s, u in zip(events["sensor"], events["use"], strict=True):
            after.setdefault(str(s), []).append(float(u))  # type: ignore[arg-type]
        columns["reading"] *= [gains.get((s, sum(u > e for e in after.get(s, []))), 1.0)
                               for s, u in zip(columns["sensor"], columns["use"], strict=True)]

    made = changed(tables, gain)
    checks = made.checks
    assert checks is not None
    return replace(made, checks=CheckTable({c: checks[c] for c in checks.columns}, checks.row, checks.file,
                                           units={"reading": "kPa", "reference": "kPa"}), events=events_of(events))


def test_displayed_pressures_are_compared_under_one_calibration_only() -> None:
    tables = laboratory(seed=6, n=8, uses=(0, 5, 10, 15, 20, 25), intercept=0.0, noise=0.1)
    names = [f"S{i + 1:02d}" for i in range(8)]
    events = {"sensor": names, "use": [10.0] * 8, "event": ["recalibrated"] * 8}
    plain = fitted(displayed(tables, events, {}))
    moved = fitted(displayed(tables, events, {(s, 1): 1.5 - 0.1 * i for i, s in enumerate(names)}))
    table = plain.table("robust trend")
    assert set(table["pairs"]) == {3 + 3}
    assert set(table["smallest possible p"]) == {2 / 36}
    # The offsets of the second calibration change nothing: not one sign, not one slope.
    assert list(moved.table("robust trend")["S"]) == list(table["S"])
    assert list(moved.table("robust trend")["slope"]) == pytest.approx(list(table["slope"]), rel=1e-3)
    e = moved.estimate("robust drift per use")
    assert e.low < -0.004 < e.high
    assert "under one calibration each" in next(f.message for f in plain.findings if f.code == "kendall-powerless")
    assert "and calibrations" in plain.estimate("p, no sensor drifts").method


def test_a_sensor_recalibrated_between_all_its_checks_is_named() -> None:
    tables = laboratory(seed=6, n=7, uses=(0, 10, 20), intercept=0.0, noise=0.1, mountings=3)
    events = {"sensor": ["S01", "S01"], "use": [0.0, 10.0], "event": ["recalibrated"] * 2}
    result = fitted(displayed(tables, events, {("S01", 1): 1.4}))
    found = [f.message for f in result.findings if f.code == "no-pair-in-a-calibration"]
    assert len(found) == 1
    assert "No two checks of S01 lie under one calibration" in found[0]
    assert "S01" not in set(result.table("robust trend")["sensor"])


def test_the_smallest_p_that_is_possible_stands_beside_a_p_that_cannot_be_small() -> None:
    few = fitted(laboratory(seed=1, n=5, uses=(0, 20), mountings=3)).estimate("p, no sensor drifts")
    assert "no p below 0.062 is possible" in few.method
    assert "possible" not in fitted(laboratory(seed=1, n=8)).estimate("p, no sensor drifts").method


def test_sensors_with_one_check_leave_no_robust_trend() -> None:
    result = fitted(laboratory(seed=5, n=6, uses=(0,)))
    assert not [e for e in result.estimates if e.name.startswith("robust")]
