"""Other clocks of wear beside the declared one, recalibration among them, and the drift of a new batch."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from drift.records import CheckTable, Tables
from drift.sensitivity import WearResult, fit_wear
from tests.sensitivity.worlds import events_of, laboratory, study

Columns = dict[str, np.ndarray]


def changed(tables: Tables, change: Callable[[Columns], None]) -> Tables:
    checks = tables.checks
    assert checks is not None
    columns = {c: checks[c].copy() for c in checks.columns}
    change(columns)
    return replace(tables, checks=CheckTable(columns, checks.row, checks.file, units=dict(checks.units)))


def said(result: WearResult, code: str) -> list[str]:
    return [f.message for f in result.findings if f.code == code]


def test_an_exposure_in_step_with_uses_cannot_be_told_apart_and_a_design_is_named() -> None:
    def add(columns: Columns) -> None:
        columns["impulse"] = 3.5 * columns["use"]

    result = fit_wear(changed(laboratory(seed=1), add), study(also=["impulse"]), seed=1)
    found = [f for f in result.findings if f.code == "exposures-collinear"]
    assert len(found) == 1
    assert "impulse and use cannot be told apart" in found[0].message
    assert "heavy and light sessions take turns" in found[0].mend
    assert np.isnan(result.estimate("drift by exposure", exposure="use", model="together").value)
    alone = result.estimate("drift by exposure", exposure="impulse", model="alone")
    assert 3.5 * alone.value == pytest.approx(result.estimate("drift by exposure", exposure="use", model="alone").value)


def test_the_clock_that_wears_is_found_where_sensors_differ() -> None:
    rng = np.random.default_rng(4)

    def add(columns: Columns) -> None:
        # Cycles since fresh: sensors and stretches differ in how many cycles a use holds.
        pace = {(s, u): p for s in sorted(set(columns["sensor"])) for u, p in zip(
            sorted(set(columns["use"])), np.cumsum(rng.choice([1.0, 30.0], 6)), strict=True)}
        first = {s: pace[s, 0.0] for s in set(columns["sensor"])}
        columns["cycles"] = np.array([pace[s, u] - first[s] for s, u in zip(columns["sensor"], columns["use"],
                                                                            strict=True)])
        columns["reading"] = 5 + (columns["reading"] - 5) * np.exp(0.004 * columns["use"] - 0.004 * columns["cycles"])

    result = fit_wear(changed(laboratory(seed=2, n=12), add), study(also=["cycles"]), seed=1)
    assert "wear may go by cycles" in said(result, "exposures-compared")[0]
    e = result.estimate("drift by exposure", exposure="cycles", model="together")
    assert e.low < -0.004 < e.high
    assert abs(result.estimate("drift by exposure", exposure="use", model="together").value) < 0.002
    table = result.table("exposures")
    assert list(table["exposure"]) == ["use", "cycles"]
    assert table["gain over the declared"][1] > 0
    assert len(result.table("correlations of exposures")) == 1


def test_days_are_counted_from_the_first_check_and_a_missing_column_is_named() -> None:
    def add(columns: Columns) -> None:
        start = np.datetime64("2025-01-01")
        number = np.array([int(s[1:]) for s in columns["sensor"]])
        days = (columns["use"] * (1 + number % 3) + 3 * number).astype(int)
        columns["time"] = np.array([str(start + int(d)) for d in days], dtype=object)

    result = fit_wear(changed(laboratory(seed=3), add), study(also=["days", "impulse"]), seed=1)
    assert "days" in set(result.table("exposures")["exposure"])
    assert "no column of numbers impulse" in said(result, "exposure-missing")[0]


def test_two_clocks_of_recalibration_come_by_themselves_and_keep_the_wear() -> None:
    tables = laboratory(seed=5, n=8)
    events = events_of({"sensor": ["S01", "S02", "S03", "S04"], "use": [10.0, 20.0, 10.0, 5.0],
                        "event": ["recalibrated"] * 4})
    result = fit_wear(replace(tables, events=events), study(), seed=1)
    table = result.table("exposures")
    assert list(table["exposure"]) == ["use", "uses since recalibration"]
    e = result.estimate("drift by exposure", exposure="use", model="together")
    assert e.low < -0.004 < e.high  # wear goes by total uses
    since = result.estimate("drift by exposure", exposure="uses since recalibration", model="together")
    assert since.low < 0 < since.high


def test_displayed_pressures_cannot_tell_the_two_clocks() -> None:
    tables = laboratory(seed=5, n=8)
    checks = tables.checks
    assert checks is not None
    displayed = replace(tables, checks=CheckTable({c: checks[c] for c in checks.columns}, checks.row, checks.file,
                                                  units={"reading": "kPa", "reference": "kPa"}),
                        events=events_of({"sensor": ["S01", "S02"], "use": [10.0, 20.0],
                                          "event": ["recalibrated", "recalibrated"]}))
    result = fit_wear(displayed, study(), seed=1)
    assert "both clocks advance together" in said(result, "one-clock")[0]


def test_three_clocks_that_differ_in_pairs_are_judged_together() -> None:
    rng = np.random.default_rng(6)

    def add(columns: Columns) -> None:
        light = {(s, u): k for s in sorted(set(columns["sensor"])) for u, k in zip(
            sorted(set(columns["use"])), np.cumsum(rng.choice([0.0, 4.0], 6)), strict=True)}
        columns["light"] = np.array([light[s, u] for s, u in zip(columns["sensor"], columns["use"], strict=True)])
        columns["heavy"] = columns["use"] - columns["light"]

    result = fit_wear(changed(laboratory(seed=1, n=8), add), study(also=["light", "heavy"]), seed=1)
    found = said(result, "exposures-collinear-together")
    assert len(found) == 1
    assert "use, light and heavy cannot be told apart together, although each other clock by itself differs" in found[0]
    # By pairs they could: that was the naive verdict.
    assert not said(result, "exposures-compared")
    assert set(result.table("exposures")["verdict"]) == {"cannot be told apart"}
    assert np.isnan(result.estimate("drift by exposure", exposure="use", model="together").value)


def test_other_clocks_of_displayed_pressures_are_compared_under_one_calibration_only() -> None:
    rng = np.random.default_rng(3)
    tables = laboratory(seed=5, n=8, uses=(0, 5, 10, 15, 20, 25), intercept=0.0, noise=0.1)

    def add(gain: dict[str, float]) -> Callable[[Columns], None]:
        paces = {(s, u): k for s in sorted(set(tables.checks["sensor"])) for u, k in zip(  # type: ignore[index]
            (0.0, 5.0, 10.0, 15.0, 20.0, 25.0), np.cumsum(rng.choice([1.0, 20.0], 6)), strict=True)}

        def change(columns: Columns) -> None:
            columns["cycles"] = np.array([paces[s, u] for s, u in zip(columns["sensor"], columns["use"], strict=True)])
            columns["reading"] *= np.where(columns["use"] > 10, [gain.get(s, 1.0) for s in columns["sensor"]], 1.0)
        return change

    names = [f"S{i + 1:02d}" for i in range(8)]
    events = events_of({"sensor": names, "use": [10.0] * 8, "event": ["recalibrated"] * 8})
    results = []
    for gain in ({}, {s: 1.5 - 0.1 * i for i, s in enumerate(names)}):
        rng = np.random.default_rng(3)
        made = changed(tables, add(gain))
        checks = made.checks
        assert checks is not None
        shown = CheckTable({c: checks[c] for c in checks.columns}, checks.row, checks.file,
                           units={"reading": "kPa", "reference": "kPa"})
        made = replace(made, events=events, checks=shown)
        results.append(fit_wear(made, study(also=["cycles"], load="cycles"), seed=1))
    for model in ("alone", "together"):
        a, b = (r.estimate("drift by exposure", exposure="cycles", model=model) for r in results)
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=0.05)
        assert "offsets of calibrations taken out" in a.method
    gains = [r.table("exposures")["gain over the declared"][1] for r in results]
    assert gains[1] == pytest.approx(gains[0], abs=0.05)
    assert said(results[0], "load-not-looked-at")


def test_a_load_column_gives_the_exponent_or_says_why_not() -> None:
    rng = np.random.default_rng(1)

    def add(columns: Columns) -> None:
        pace = {(s, u): float(np.exp(rng.normal(0, 0.5))) for s in sorted(set(columns["sensor"]))
                for u in sorted(set(columns["use"]))}
        columns["peak"] = np.array([pace[s, u] for s, u in zip(columns["sensor"], columns["use"], strict=True)])

    made = changed(laboratory(seed=6), add)
    assert [e.n for e in fit_wear(made, study(load="peak"), seed=1).estimates if e.name == "load exponent"] == [8]

    def flat(columns: Columns) -> None:
        columns["peak"] = np.full(len(columns["use"]), 2.0)

    assert "does not vary" in said(fit_wear(changed(laboratory(seed=6), flat), study(load="peak"), seed=1),
                                   "load-constant")[0]


def test_a_new_batch_is_predicted_from_four_batches_and_refused_from_three() -> None:
    result = fit_wear(laboratory(seed=7, n=15, batches=5, batch_sd=0.001), study(), seed=1)
    mean, one = (result.estimate(f"drift per use, {w} of a new batch") for w in ("mean", "sensor"))
    percent = result.estimate("drift per use, percent")
    assert mean.high - mean.low > percent.high - percent.low
    assert one.high - one.low > mean.high - mean.low
    assert mean.n == 5
    few = fit_wear(laboratory(seed=7, n=12, batches=3), study(), seed=1)
    assert np.isnan(few.estimate("drift per use, mean of a new batch").value)
    assert "conditional on these 3 batches" in said(few, "conditional-on-batches")[0]
