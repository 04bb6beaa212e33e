"""The ten coefficients through the public function: published values, pingouin, words, and naive twins."""

from __future__ import annotations

import math
import re
import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.meansquares import agreement_interval, two_way
from drift.reliability import ReliabilityResult
from drift.reliability.words import ORDER
from drift.simulated import Design, nearest
from tests.published_examples import agrees, load
from tests.reliability.tables import ask, drawn, long

SHROUT_FLEISS = {"ICC(1,1)": ("ICC(1)", "one-way"), "ICC(2,1)": ("ICC(A,1)", "two-way random"),
                 "ICC(3,1)": ("ICC(C,1)", "two-way mixed"), "ICC(1,4)": ("ICC(k)", "one-way"),
                 "ICC(2,4)": ("ICC(A,k)", "two-way random"), "ICC(3,4)": ("ICC(C,k)", "two-way mixed"),
                 "ICC(1,k)": ("ICC(k)", "one-way"), "ICC(2,k)": ("ICC(A,k)", "two-way random"),
                 "ICC(3,k)": ("ICC(C,k)", "two-way mixed")}


def case(result: ReliabilityResult, key: str):
    name, model = SHROUT_FLEISS[key]
    return result.estimate(name, model=model)


def ends(result: ReliabilityResult, key: str) -> tuple[float, float]:
    """Return the interval that papers print: F/Satterthwaite for agreement, the exact one for the others."""
    name, model = SHROUT_FLEISS[key]
    table = result.table("coefficients").to_frame().set_index(["coefficient", "model"]).loc[(name, model)]
    kind = ("classical low", "classical high") if name.startswith("ICC(A") else ("low", "high")
    return float(table[kind[0]]), float(table[kind[1]])


def coefficients(result: ReliabilityResult) -> list:
    return [e for e in result.estimates if e.name.startswith("ICC")]


def test_shrout_fleiss_1979_as_printed() -> None:
    example = load("shrout-fleiss-1979-icc")
    r = ask(example.frame(), names={"rating": "reading"}, target="target", facet="judge")
    for key, printed in example.expected["icc"].items():
        assert agrees(case(r, key).value, printed), key
    for key, (low, high) in example.expected["ci95"].items():
        assert agrees(ends(r, key)[0], low), key
        assert agrees(ends(r, key)[1], high), key


@pytest.mark.parametrize("data_set", ["A", "B"])
def test_weir_2005_as_printed(data_set: str) -> None:
    """The two sets differ in people only: the SEM is the same, the ICC is not."""
    example = load("weir-2005-icc-sem")
    frame = example.frame()
    frame = frame[frame["data_set"] == data_set].drop(columns="data_set")
    r = ask(frame, names={"score": "reading"}, target="subject", facet="trial")
    expected = example.expected[f"set_{data_set}"]
    for key in ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)"):
        assert agrees(case(r, key).value, expected[key]), key
    squares = r.table("mean squares").to_frame().set_index("source")["mean square"]
    # Printed 30.2 and 57 stand for 30.25 and 57.107; both are inside half a unit of the last digit.
    assert agrees(squares["trial"], expected["ms_trials"])
    assert agrees(squares["residual"], expected["ms_error"])
    assert agrees(r.estimate("SEM (consistency)").value, example.expected["sem_sqrt_mse"])
    assert agrees(r.estimate("MDC (consistency)").value, example.expected["minimal_difference_95"])


def test_wine_judges_as_printed_and_as_pingouin_gives_them() -> None:
    """pingouin 0.7 rounds its limits to two digits; values and limits agree as far as it prints them."""
    import pingouin

    example = load("wine-judges-icc")
    r = ask(example.frame(), names={"score": "reading"}, target="wine", facet="judge")
    for printed, key in (("ICC1", "ICC(1,1)"), ("ICC2", "ICC(2,1)"), ("ICC3", "ICC(3,1)"), ("ICC1k", "ICC(1,k)"),
                         ("ICC2k", "ICC(2,k)"), ("ICC3k", "ICC(3,k)")):
        assert agrees(case(r, key).value, example.expected[printed])
    for printed, key in (("ci95_ICC1", "ICC(1,1)"), ("ci95_ICC3", "ICC(3,1)"), ("ci95_ICC1k", "ICC(1,k)")):
        assert agrees(case(r, key).low, example.expected[printed][0])
        assert agrees(case(r, key).high, example.expected[printed][1])
    squares = r.table("mean squares").to_frame().set_index("source")
    assert agrees(squares.loc["wine", "F"], example.expected["F_ICC3"])
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        theirs = pingouin.intraclass_corr(example.frame(), targets="wine", raters="judge", ratings="score")
    values = theirs["ICC"].to_numpy(dtype=float)
    keys = ("ICC(1,1)", "ICC(2,1)", "ICC(3,1)", "ICC(1,k)", "ICC(2,k)", "ICC(3,k)")
    assert [case(r, k).value for k in keys] == pytest.approx(values, rel=1e-8)
    limits = np.array(theirs.filter(regex="CI95").iloc[:, 0].tolist(), dtype=float)
    assert np.array([ends(r, k) for k in keys]) == pytest.approx(limits, abs=0.0051)


def test_ebel_1951_incomplete_ratings_as_printed() -> None:
    example = load("ebel-1951-incomplete-icc")
    r = ask(example.frame(), names={"rating": "reading"}, target="object", facet="rater")
    assert agrees(r.estimate("ICC(1)").value, example.expected["ICC(1)"])
    assert agrees(r.estimate("ICC(k)").value, example.expected["ICC(k)"])
    squares = r.table("mean squares").to_frame().set_index("source")
    assert agrees(squares.loc["between objects, one-way", "sum of squares"], example.expected["ss_between"])
    assert agrees(squares.loc["within objects", "sum of squares"], example.expected["ss_within"])
    assert r.provenance.accounts[0].used == 17


def test_penicillin_complete_table_components() -> None:
    """Bates (2010); mean squares are exact where lme4's optimiser stops 6e-5 away."""
    example = load("lme4-penicillin-crossed")
    r = ask(example.frame(), names={"diameter": "reading"}, target="plate", facet="sample")
    shares = r.table("variance shares").to_frame().set_index("component")
    for part, key in (("plate", "plate"), ("sample", "sample"), ("residual", "residual")):
        assert agrees(shares.loc[part, "SD"], example.expected["reml"][f"sd_{key}"])


@pytest.mark.parametrize(("facets_are", "agree", "use", "name", "model"), [
    ("sample", "value", "single", "ICC(A,1)", "two-way random"),
    ("sample", "value", "mean", "ICC(A,k)", "two-way random"),
    ("sample", "order", "single", "ICC(C,1)", "two-way random"),
    ("sample", "order", "mean", "ICC(C,k)", "two-way random"),
    ("fixed", "value", "single", "ICC(A,1)", "two-way mixed"), ("fixed", "value", "mean", "ICC(A,k)", "two-way mixed"),
    ("fixed", "order", "single", "ICC(C,1)", "two-way mixed"), ("fixed", "order", "mean", "ICC(C,k)", "two-way mixed")])
def test_words_pick_the_coefficient_and_all_ten_are_there(facets_are: str, agree: str, use: str, name: str,
                                                         model: str) -> None:
    r = ask(long(drawn(1)), facets_are=facets_are, agree=agree, use=use)
    first = r.estimates[0]
    assert (first.name, first.of["model"]) == (name, model)
    assert name in r.answer
    found = coefficients(r)
    assert len(found) == 10
    assert {(e.name, e.of["model"]) for e in found} == set(ORDER)
    assert all("interval" in e.method and e.level == 0.95 and e.n == 20 for e in found)
    table = r.table("coefficients").to_frame()
    assert table.loc[table["declared"] == "yes", ["coefficient", "model"]].to_numpy().tolist() == [[name, model]]


def test_every_coefficient_is_named_in_all_conventions() -> None:
    table = ask(long(drawn(1))).table("coefficients").to_frame().set_index(["coefficient", "model"])
    assert table.loc[("ICC(A,1)", "two-way random"), "Shrout-Fleiss"] == "ICC(2,1)"
    assert (table.loc[("ICC(A,1)", "two-way random"), "in words"]
            == "two-way random effects, absolute agreement, single reading")
    assert (table.loc[("ICC(C,k)", "two-way mixed"), "in words"]
            == "two-way mixed effects, consistency, mean of k readings")
    assert table.loc[("ICC(1)", "one-way"), "in words"] == "one-way random effects, absolute agreement, single reading"
    assert "same value as ICC(3,1)" in table.loc[("ICC(C,1)", "two-way random"), "Shrout-Fleiss"]


def test_listwise_deletion_would_change_the_answer() -> None:
    """Naive twin: dropping every participant with an empty cell."""
    y = drawn(3, 14, 3)
    for i in range(9):
        y[i, i % 3] = np.nan
    r = ask(long(y))
    naive = ask(long(y[np.isfinite(y).all(axis=1)]))
    assert r.provenance.accounts[0].used == 14 * 3 - 9
    assert r.estimates[0].n == 14
    assert abs(r.estimates[0].value - naive.estimates[0].value) > 0.01
    assert "REML" in r.estimates[0].method
    assert any(f.code == "missing-cells" for f in r.findings)


def test_two_facet_levels_are_told_in_the_answer_with_an_interval_that_holds() -> None:
    r = ask(long(drawn(5, 30, 2, sd=(8, 3, 2))))
    caution = next(f for f in r.findings if f.code == "few-facet-levels")
    assert caution.severity == "warning"
    known = nearest("reliability", "ICC(A,1)", "ANOVA, F/Satterthwaite interval", Design(n=30, k=2))
    assert known is not None
    assert known.lowest < 0.90
    assert f"in as few as {100 * known.lowest:.0f} % of" in caution.message
    assert "only 2 sensors" in r.answer
    assert "shortest calibrated" in r.estimates[0].method
    table = r.table("coefficients").to_frame().iloc[0]
    # Where two sensors differ the classical interval is the naive one: shorter than what holds.
    assert table["classical high"] - table["classical low"] < r.estimates[0].high - r.estimates[0].low


def test_sentences_start_with_a_capital_and_no_interval_is_not_given_a_method() -> None:
    for table in (drawn(1, 6, 3), np.repeat(drawn(1, 12, 1), 3, axis=1), np.full((8, 3), 5.0)):
        r = ask(long(table))
        assert all(not f.message[0].islower() and not f.mend[:1].islower() for f in r.findings)
        for e in r.estimates:
            if e.name == "variance component, SD":
                assert ("no interval" in e.method) == math.isnan(e.low)


@pytest.mark.parametrize(("n", "k"), [(30, 2), (60, 5)])
def test_coverage_of_the_classical_interval_that_the_caution_quotes(n: int, k: int) -> None:
    """Simulated again in the design of its smallest coverage: within four Monte-Carlo errors of the quoted table."""
    told = nearest("reliability", "ICC(A,1)", "ANOVA, F/Satterthwaite interval", Design(n=n, k=k))
    assert told is not None
    icc, share = (float(x) for x in re.findall(r"(?:ICC|share) ([0-9.]+)", told.lowest_text))
    rng, hits = np.random.default_rng(100 + k), 0
    for _ in range(500):
        y = (math.sqrt(icc) * rng.standard_normal((n, 1)) + math.sqrt(share) * rng.standard_normal((1, k))
             + math.sqrt(1 - icc - share) * rng.standard_normal((n, k)))
        low, high = agreement_interval(two_way(y), 0.95)
        hits += low <= icc <= high
    assert abs(hits / 500 - told.lowest) < 4 * math.sqrt(told.lowest * (1 - told.lowest) / 500)


@pytest.mark.parametrize("which", ["lower", "upper"])
def test_one_sided_bound_lies_inside_the_interval_of_the_same_level(which: str) -> None:
    for words in ({}, {"agree": "order"}):
        r = ask(long(drawn(5, 20, 4)), bound=which, **words)
        two, one = r.estimates[0], next(e for e in r.estimates if e.name.endswith(f"{which} bound"))
        assert one.value == two.value
        assert math.isnan(one.high if which == "lower" else one.low)
        bound, own = (one.low, two.low) if which == "lower" else (one.high, two.high)
        # Equal tails: tighter than the end of the interval. The calibrated interval: its end is the bound.
        assert bound == own if not words else (bound > own) == (which == "lower")
        assert "one side only" in one.method


def test_statsmodels_crossed_fit_agrees_as_far_as_its_optimiser_goes() -> None:
    """statsmodels fits the crossed model as one group with two variance components; it stops within about 1e-3."""
    import statsmodels.formula.api as smf

    y = drawn(8, 10, 3)
    y[2, 1] = y[7, 0] = np.nan
    frame = long(y)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = smf.mixedlm("reading ~ 1", frame.assign(one=1), groups="one",
                          vc_formula={"participant": "0 + C(participant)", "sensor": "0 + C(sensor)"}).fit(reml=True)
    shares = ask(frame).table("variance shares").to_frame().set_index("component")["variance"]
    place = list(fit.model.exog_vc.names).index("participant")
    assert shares["participant"] == pytest.approx(fit.vcomp[place], rel=5e-3)
    assert shares["residual"] == pytest.approx(fit.scale, rel=5e-3)


def test_true_reliability_is_recovered() -> None:
    """Mean of 12 estimates of ICC(C,1), truth 0.8 (its small-sample bias at 40 targets is below 0.01)."""
    values = [ask(long(drawn(s, 40, 3, sd=(2, 0.5, 1))), agree="order").estimate("ICC(C,1)").value for s in range(12)]
    assert abs(np.mean(values) - 0.8) < 0.01 + 4 * np.std(values) / math.sqrt(12)


@settings(deadline=None, max_examples=6, derandomize=True)
@given(st.integers(0, 1000), st.floats(0.01, 100), st.booleans())
def test_order_labels_and_unit_leave_coefficients_alone(seed: int, factor: float, missing: bool) -> None:
    y = drawn(seed, 9, 3)
    if missing:
        y[seed % 9, seed % 3] = np.nan
    frame = long(y)
    rng = np.random.default_rng(seed)
    other = frame.sample(frac=1, random_state=seed).reset_index(drop=True)
    labels = {p: f"x{v}" for p, v in zip(frame["participant"].unique(), rng.permutation(9), strict=True)}
    other = other.assign(participant=other["participant"].map(labels), reading=other["reading"] * factor)
    a, b = ask(frame), ask(other)
    for one, two in zip(coefficients(a), coefficients(b), strict=True):
        assert (two.value, two.low, two.high) == pytest.approx((one.value, one.low, one.high), rel=1e-5, abs=1e-7)
    assert b.estimate("SEM (agreement)").value == pytest.approx(factor * a.estimate("SEM (agreement)").value, rel=1e-5)


@settings(deadline=None, max_examples=6, derandomize=True)
@given(st.integers(0, 1000), st.floats(-40, 40))
def test_a_shifted_sensor_leaves_consistency_alone(seed: int, shift: float) -> None:
    y = drawn(seed, 10, 3)
    moved = y + np.array([0, shift, 0])
    for name in ("ICC(C,1)", "SEM (consistency)", "MDC (consistency)"):
        assert ask(long(moved)).estimate(name).value == pytest.approx(ask(long(y)).estimate(name).value, rel=1e-8)


@settings(deadline=None, max_examples=8, derandomize=True)
@given(st.integers(0, 1000), st.floats(0.6, 0.95), st.sampled_from(["complete", "missing", "replicates"]))
def test_a_higher_level_widens_every_interval(seed: int, level: float, kind: str) -> None:
    y = drawn(seed, 9, 3)
    if kind == "missing":
        y[0, 1] = y[3, 2] = np.nan
    if kind == "replicates":
        y = y[:, :, None] + np.random.default_rng(seed).normal(size=(9, 3, 2))
    for a, b in zip(ask(long(y), level=level).estimates, ask(long(y), level=level + 0.03).estimates, strict=True):
        assert a.name == b.name
        assert b.low <= a.low <= a.high <= b.high
        assert a.low <= a.value + 1e-9 or a.name.startswith(("ICC(A", "variance"))


def test_frame_and_round_trip_carry_everything() -> None:
    r = ask(long(drawn(2)))
    assert type(r).from_dict(r.to_dict()).to_dict() == r.to_dict()
    assert r.to_dict()["command"] == "icc"
    assert isinstance(r.to_frame(), pd.DataFrame)
    assert [t.name for t in r.tables] == ["coefficients", "variance shares", "mean squares", "measurement error",
                                          "coverage"]
