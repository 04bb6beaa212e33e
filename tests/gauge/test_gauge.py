"""Gauge studies: R's answers, naive twins, a known truth, properties, and designs that cannot answer."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.gauge import crossed_squares, interaction_test, nested_squares, restricted_likelihood
from drift.engine.ranges import d2_star, range_moments
from drift.errors import DriftError
from drift.reliability.gauge.estimates import NAMES, STUDY, TOLERANCE
from tests.gauge.tables import drawn, gauge

HERE = Path(__file__).parents[1] / "references"
EV, AV, INT, GRR, PV, TV = (NAMES[k] for k in ("EV", "AV", "INT", "GRR", "PV", "TV"))


def layout(case: str) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    d = pd.read_csv(HERE / "gauge_layouts.csv", dtype={"part": str, "operator": str})
    d = d[d["case"] == case]
    return d["value"].to_numpy(), pd.factorize(d["part"])[0], pd.factorize(d["operator"])[0]


def from_r(case: str, model: str) -> dict[str, float]:
    with (HERE / "gauge.csv").open() as file:
        return {r["component"]: float(r["variance"]) for r in csv.DictReader(file)
                if (r["case"], r["model"]) == (case, model)}


LME4 = {"part": "part", "operator": "operator", "interaction": "part:operator", "repeatability": "Residual"}


@pytest.mark.parametrize(("case", "interaction"), [("balanced", True), ("balanced", False), ("unbalanced", True),
                                                   ("unbalanced", False)])
def test_crossed_components_are_those_of_lme4(case: str, interaction: bool) -> None:
    """lme4's optimiser stops at about 1e-5 of a variance."""
    want = from_r(case, "interaction" if interaction else "pooled")
    y, p, o = layout(case)
    if case == "balanced":
        got = crossed_squares(y, p, o, interaction=interaction).unbiased()
    else:
        got = restricted_likelihood(y, p, o, "crossed", interaction=interaction)
    for name, value in got.items():
        assert value == pytest.approx(want[LME4[name]], rel=2e-4), name


def test_nested_components_are_those_of_lme4() -> None:
    y, p, o = layout("nested")
    want = from_r("nested", "nested")
    got = restricted_likelihood(y, p, o, "nested")
    assert got["operator"] == pytest.approx(want["operator"], rel=2e-4)
    assert got["part"] == pytest.approx(want["operator:part"], rel=2e-4)
    assert got["repeatability"] == pytest.approx(want["Residual"], rel=2e-4)


def test_balanced_mean_squares_are_those_of_aov() -> None:
    want = from_r("balanced", "aov mean square")
    np.testing.assert_allclose(crossed_squares(*layout("balanced")).ms, list(want.values()), rtol=1e-9)


def test_the_interaction_test_is_exact_with_unequal_numbers() -> None:
    want = from_r("unbalanced", "aov interaction")
    f, p = interaction_test(*layout("unbalanced"))
    assert f == pytest.approx(want["F"], rel=1e-8)
    assert p == pytest.approx(want["p"], rel=1e-8)


def test_nested_squares_of_equal_numbers_are_the_textbook_ones() -> None:
    frame = drawn(3, p=5, o=3, m=2, nested=True)
    cube = frame["reading"].to_numpy().reshape(5, 3, 2)
    cells, ops = cube.mean(axis=2), cube.mean(axis=(0, 2))
    s = nested_squares(frame["reading"], pd.factorize(frame["part"])[0], pd.factorize(frame["operator"])[0])
    want = [10 * np.sum((ops - ops.mean()) ** 2) / 2, 2 * np.sum((cells - ops) ** 2) / 12,
            np.sum((cube - cells[:, :, None]) ** 2) / 15]
    np.testing.assert_allclose(s.ms, want, rtol=1e-12)
    assert s.unbiased()["operator"] == pytest.approx((want[0] - want[1]) / 10, rel=1e-12)


def test_a_gauge_that_forgets_the_interaction_sees_too_little_scatter() -> None:
    """Naive twin: EV from repeats alone passed off as GRR."""
    r = gauge(drawn(2, sd=(8.0, 0.0, 4.0, 0.5)))
    assert r.estimate(GRR).value > 4 * r.estimate(EV).value
    assert r.estimate(INT).low > 0


def test_an_average_over_replicates_is_not_a_gauge_study() -> None:
    """Naive twin: with repeats averaged, EV is the interaction and the scatter of a mean, and the output says both."""
    frame = drawn(4)
    means = frame.groupby(["part", "operator"], as_index=False, sort=False)["reading"].mean()
    whole, averaged = gauge(frame), gauge(means)
    assert averaged.estimate(EV).of["holds"] == "repeatability and part x operator interaction"
    assert any(f.code == "no-replicates" for f in averaged.findings)
    assert not any(f.code == "no-replicates" for f in whole.findings)


def test_the_known_truth_is_recovered_from_a_large_study() -> None:
    r = gauge(drawn(5, p=60, o=40, m=3, sd=(8.0, 2.0, 1.0, 1.5)))
    for name, true in ((EV, 1.5), (AV, 2.0), (INT, 1.0), (PV, 8.0)):
        e = r.estimate(name)
        assert e.low <= true <= e.high
        assert e.value == pytest.approx(true, rel=0.25)


def test_range_constants_come_from_the_distribution_of_the_range() -> None:
    """Two values: mean 2 / sqrt(pi), SD sqrt(2 - 4 / pi), and d2* of one range sqrt(2)."""
    d2, d3 = range_moments(2)
    assert d2 == pytest.approx(2 / math.sqrt(math.pi), rel=1e-12)
    assert d3 == pytest.approx(math.sqrt(2 - 4 / math.pi), rel=1e-6)
    assert d2_star(2, 1) == pytest.approx(math.sqrt(2), rel=1e-6)
    assert [round(1 / d2_star(n, 1), 4) for n in (2, 3, 10)] == [0.7071, 0.5231, 0.3146]


def figures(r: Any) -> dict[str, tuple[float, float, float]]:
    return {e.name: (e.value, e.low, e.high) for e in r.estimates if "part" not in e.of}


@given(seed=st.integers(0, 50), gone=st.integers(0, 12))
@settings(max_examples=12, deadline=None)
def test_rows_may_stand_in_any_order_and_labels_are_only_labels(seed: int, gone: int) -> None:
    frame = drawn(seed, p=6)
    frame = frame.drop(index=np.random.default_rng(seed).choice(len(frame), gone, replace=False))
    moved = frame.sample(frac=1, random_state=seed).replace({"operator": {"O0": "Zoe", "O1": "Al", "O2": "Mia"}})
    a, b = figures(gauge(frame)), figures(gauge(moved))
    assert a.keys() == b.keys()
    for name in a:
        np.testing.assert_allclose(a[name], b[name], rtol=2e-6, atol=1e-6)


@given(seed=st.integers(0, 50), scale=st.sampled_from([1e-3, 0.5, 6.894757, 1e4]), shift=st.sampled_from([0.0, -60.0,
                                                                                                          1e6]))
@settings(max_examples=12, deadline=None)
def test_a_change_of_unit_rescales_sds_and_leaves_shares(seed: int, scale: float, shift: float) -> None:
    frame = drawn(seed, p=6)
    a, b = figures(gauge(frame)), figures(gauge(frame.assign(reading=scale * (frame["reading"] + shift))))
    for name, values in a.items():
        factor = 1.0 if "percent" in name or "ndc" in name or "1.41" in name else scale
        np.testing.assert_allclose(np.array(values) * factor, b[name], rtol=1e-6, atol=1e-7 * scale)


def test_a_higher_level_gives_wider_intervals_that_hold_the_estimate() -> None:
    frame = drawn(8)
    for e, wide in zip(gauge(frame).estimates, gauge(frame, level=0.99).estimates, strict=True):
        assert e.low <= e.value <= e.high
        assert wide.low <= e.low
        assert wide.high >= e.high


def test_two_operators_get_a_warning_and_one_gets_repeatability_alone() -> None:
    two, one = gauge(drawn(9, o=2)), gauge(drawn(9, o=1))
    assert any(f.code == "two-operators" and f.severity == "warning" for f in two.findings)
    assert any(f.code == "one-operator" for f in one.findings)
    assert one.answer.startswith("Repeatability alone takes")
    assert not any(e.name.startswith("reproducibility") for e in one.estimates)


def test_a_tolerance_with_one_limit_counts_half_the_spread_to_the_limit() -> None:
    frame = drawn(10)
    mean = frame["reading"].mean()
    r = gauge(frame, upper=mean + 30.0)
    sd = r.estimate(GRR).value
    assert r.estimate(GRR + TOLERANCE).value == pytest.approx(100 * 3 * sd / 30.0, rel=1e-12)
    both = gauge(frame, lower=mean - 20, upper=mean + 30)
    assert both.estimate(GRR + TOLERANCE).value == pytest.approx(100 * 6 * sd / 50.0, rel=1e-12)
    beyond = gauge(frame, upper=mean - 5)
    assert any(f.code == "limit-not-beyond-mean" for f in beyond.findings)
    assert not any(TOLERANCE in e.name for e in beyond.estimates)


def test_nested_parts_are_found_by_their_labels_or_by_saying_so() -> None:
    own = drawn(11, p=5, nested=True)
    shared = own.assign(part=[p.split("-")[0] for p in own["part"]])
    assert figures(gauge(own)) == figures(gauge(shared, nested=True))
    assert any(f.code == "nested" for f in gauge(own).findings)
    assert not any(f.code == "nested" for f in gauge(shared).findings)


def test_grr_of_nested_parts_is_not_stated_as_near_zero() -> None:
    """Naive twin: the bound of its linear combination alone is zero, far below the repeatability that GRR holds."""
    r = gauge(drawn(3, p=5, nested=True))
    assert r.estimate(AV).value == 0
    assert r.estimate(GRR).low > 0.6 * r.estimate(EV).value


def refusal(r: Any) -> str:
    assert math.isnan(r.estimate(GRR).value)
    found = [f for f in r.findings if f.severity == "warning" and f.mend]
    assert found
    assert r.answer.startswith("No gauge study: ")
    return str(found[0].code)


def test_designs_that_cannot_answer_say_why() -> None:
    frame = drawn(12, p=6)
    assert refusal(gauge(frame.assign(reading=3.0))) == "constant-readings"
    once = frame[frame["replicate"] == "0"]
    assert refusal(gauge(once[once["operator"] == "O0"])) == "no-repeatability"
    apart = frame[(frame["operator"] == "O0") & frame["part"].isin(["P0", "P1"])
                  | (frame["operator"] != "O0") & ~frame["part"].isin(["P0", "P1"])]
    assert refusal(gauge(apart)) == "disconnected"
    lone = frame[[(p, o) in {("P0", "O0"), ("P1", "O1"), ("P2", "O2")}
                  for p, o in zip(frame["part"], frame["operator"], strict=True)]]
    assert refusal(gauge(lone)) == "one-part-each"


def test_repeats_without_scatter_are_a_matter_of_resolution() -> None:
    frame = drawn(13, sd=(8.0, 2.0, 1.0, 0.0)).round({"reading": 0})
    r = gauge(frame)
    assert any(f.code == "no-scatter" for f in r.findings)
    assert all(math.isfinite(e.value) for e in r.estimates)


def test_one_part_has_no_study_variation_but_a_tolerance() -> None:
    r = gauge(drawn(14, p=1, m=4), tolerance=40)
    assert any(f.code == "one-part" for f in r.findings)
    assert r.estimate(GRR + TOLERANCE).value > 0
    assert not any(STUDY in e.name for e in r.estimates)
    assert "of the tolerance" in r.answer


def test_offsets_of_a_thousand_million_cost_no_digits_the_readings_hold() -> None:
    frame = drawn(15).round({"reading": 1})
    far = frame.assign(reading=frame["reading"] + 1e9)
    a, b = figures(gauge(frame)), figures(gauge(far))
    for name in a:
        np.testing.assert_allclose(a[name], b[name], rtol=1e-5, atol=1e-6)


def test_an_operator_whose_repeats_scatter_more_is_named() -> None:
    frame = drawn(16, m=3)
    own = frame["operator"] == "O1"
    noise = np.random.default_rng(1).normal(0, 6, own.sum())
    r = gauge(frame.assign(reading=frame["reading"] + np.where(own, 0, 0)).assign(
        reading=lambda d: d["reading"].mask(own, d["reading"] + np.pad(noise, (0, 0))[np.cumsum(own) - 1])))
    assert any(f.code == "uneven-scatter" and "operator O1" in f.message for f in r.findings)


def test_bias_that_bends_is_told_by_lack_of_fit() -> None:
    x = np.repeat(np.arange(1.0, 9.0), 4)
    y = x + 0.05 * (x - 4.5) ** 2 + np.random.default_rng(2).normal(0, 0.05, len(x))
    frame = pd.DataFrame({"part": [f"P{v:g}" for v in x], "replicate": np.tile(list("1234"), 8), "reference": x,
                          "reading": y})
    r = gauge(frame, operator=None, reference="reference")
    assert any(f.code == "not-a-line" for f in r.findings)
    lines = {e.of["through"]: e for e in r.estimates if e.name.startswith("linearity, slope")}
    assert lines["part means"].high - lines["part means"].low > 2 * (lines["readings"].high - lines["readings"].low)


def test_a_line_over_operators_takes_operators_as_units() -> None:
    """Offsets and slopes of their own: the interval over three operators is far wider than that of all readings."""
    rng = np.random.default_rng(3)
    frame = drawn(1, p=6, m=3, sd=(0.0, 0.0, 0.0, 0.1))
    x = frame["part"].map({f"P{i}": 10.0 * (i + 1) for i in range(6)})
    slope, offset = (frame["operator"].map(dict(zip(["O0", "O1", "O2"], rng.normal(0, s, 3), strict=True)))
                     for s in (0.05, 0.2))
    y = (1 + slope) * x + offset + frame["reading"] - 60
    r = gauge(frame.assign(reference=x, reading=y), reference="reference")
    found = {e.of["through"]: e for e in r.estimates if e.name.startswith("linearity, slope")}
    wide, narrow = (found[k].high - found[k].low for k in ("operators' own lines", "readings"))
    assert found["operators' own lines"].value == pytest.approx(found["readings"].value, rel=1e-9)
    assert wide > 2 * narrow


def test_references_far_apart_for_one_part_are_an_error() -> None:
    frame = drawn(17, p=4).assign(reference=1.0)
    frame["reference"] = [float(i % 7) for i in range(len(frame))]
    with pytest.raises(DriftError, match="too far apart to be of one part"):
        gauge(frame, reference="reference")


def test_limits_that_contradict_each_other_are_refused() -> None:
    with pytest.raises(DriftError, match="lower limit is not below"):
        gauge(drawn(1), lower=5.0, upper=1.0)
    with pytest.raises(DriftError, match="not the distance of its limits"):
        gauge(drawn(1), lower=0.0, upper=10.0, tolerance=20.0)


def test_references_that_differ_a_little_are_taken_reading_by_reading() -> None:
    """A load is never set exactly: bias is each reading less its own reference."""
    frame = drawn(18, p=6)
    level = frame["part"].map({f"P{i}": 10.0 * (i + 1) for i in range(6)})
    load = level + np.random.default_rng(4).normal(0, 0.3, len(frame))
    r = gauge(frame.assign(reference=load, reading=load + 2.0), reference="reference")
    assert r.estimate("mean bias").value == pytest.approx(2.0, abs=1e-9)


def test_readings_and_references_in_different_units_have_no_bias() -> None:
    from drift.records import TrialTable
    from drift.reliability.gauge import gauge_study
    from drift.study import GaugeQuestion
    from tests.gauge.tables import table_of

    table = table_of(drawn(19).assign(reference=60.0))
    table = TrialTable(dict(table.columns), table.row, table.file, "", {"reading": "count", "reference": "kPa"})
    r = gauge_study(table, GaugeQuestion(name="g", part="part", operator="operator", reference="reference"))
    assert any(f.code == "units-differ" for f in r.findings)
    assert not any(e.name.startswith("bias") for e in r.estimates)
