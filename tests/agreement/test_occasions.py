"""Pairs of one target and sensor on one occasion share more than target and sensor."""

import numpy as np
import pandas as pd
import pytest

from drift.agreement import agreement
from drift.engine.limits_of_agreement import sd_interval
from drift.engine.paired_components import fit_occasions, fit_paired
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table
from tests.coverage.agreement_designs import balanced_strata, designs, fitted_strata, simulate


def ask(pair_by=("participant", "sensor", "session", "replicate"), **settings):
    return AgreementQuestion(name="q", compare="method", a="a", b="b", pair_by=pair_by, **settings)


def walks(rng, targets=8, sensors=5, sessions=3, times=2, visit_sd=2.0, missing=0.0):
    t, s, v, r = (x.ravel() for x in np.indices((targets, sensors, sessions, times)))
    cell = (t * sensors + s) * sessions + v
    visits = visit_sd * rng.normal(size=cell.max() + 1)
    d = rng.normal(size=targets)[t] + 0.5 * rng.normal(size=sensors)[s] + visits[cell] + rng.normal(size=len(t))
    keep = rng.random(len(t)) >= missing
    rows = long_form(50 + d, np.full(len(t), 50.0), participant=[f"P{i}" for i in t], sensor=[f"S{i}" for i in s],
                     session=[f"V{i}" for i in v], replicate=[str(i) for i in r])
    return rows[np.tile(keep, 2)] if missing else rows


def test_a_session_is_a_part_of_the_spread_of_its_own():
    result = agreement(trial_table(walks(np.random.default_rng(1), targets=15)), ask())
    parts = result.table("variance components")
    assert list(parts["component"]) == ["between levels of participant", "between levels of sensor",
                                        "between occasions (participant x sensor x session)", "within (residual)"]
    assert parts["sd"][2] == pytest.approx(2.0, abs=0.4)
    assert parts["sd"][3] == pytest.approx(1.0, abs=0.15)
    assert parts["low"][2] < 2.0 < parts["high"][2]
    said, = [f.message for f in result.findings if f.code == "structure"]
    assert "225 occasions (participant x sensor x session) a part of their own within them" in said


def test_a_balanced_design_gives_the_analysis_of_variance():
    # nested analysis of variance by hand: occasions within targets
    rng = np.random.default_rng(2)
    y = rng.normal(size=(6, 1, 1)) + rng.normal(size=(6, 4, 1)) + rng.normal(size=(6, 4, 3))
    codes = np.indices(y.shape)
    fit = fit_occasions(y.ravel(), [codes[0].ravel()], (codes[0] * 4 + codes[1]).ravel())
    ms_t = 12 * y.mean((1, 2)).var(ddof=1)
    ms_o = 3 * y.mean(2).var(1, ddof=1).mean()
    ms_e = y.var(2, ddof=1).mean()
    assert fit.variances == pytest.approx([(ms_t - ms_o) / 12, (ms_o - ms_e) / 3, ms_e], rel=1e-6)
    assert fit.strata.variance == pytest.approx(fit.variances.sum(), rel=1e-9)
    assert fit.strata.mean_variance == pytest.approx(ms_t / 72, rel=1e-6)


def test_leaving_occasions_out_would_make_spread_look_too_sure():
    held = {"ours": 0, "ignored": 0}
    studies = 200
    t, o = np.repeat(np.arange(10), 18), np.repeat(np.arange(30), 6)
    truth = np.sqrt(0.25 + 9 + 1)
    for child in np.random.SeedSequence(3).spawn(studies):
        rng = np.random.default_rng(child)
        d = 0.5 * rng.normal(size=10)[t] + 3 * rng.normal(size=30)[o] + rng.normal(size=180)
        for name, fit in (("ours", fit_occasions(d, [t], o)), ("ignored", fit_paired(d, [t]))):
            low, high = sd_interval(fit.strata, 0.95)
            held[name] += low <= truth <= high
    assert held["ours"] >= 0.95 * studies - 4 * np.sqrt(studies * 0.05 * 0.95)
    assert held["ignored"] < 0.88 * studies  # 0.81 in a longer run


def test_however_the_pairs_of_an_occasion_resemble_each_other_the_total_is_right():
    # pairs of one session that alternate: the total variance is that of the differences, not more
    rng = np.random.default_rng(4)
    t, o = np.repeat(np.arange(40), 6), np.repeat(np.arange(120), 2)
    sign = np.tile([1.0, -1.0], 120)
    d = rng.normal(size=40)[t] + rng.normal(size=120)[o] + 0.8 * sign + 0.5 * rng.normal(size=240)
    fit = fit_occasions(d, [t], o)
    assert fit.strata.variance == pytest.approx(1 + 1 + 0.64 + 0.25, rel=0.2)


def test_without_a_session_the_keys_above_the_replicate_are_the_occasion():
    rows = walks(np.random.default_rng(5), sessions=1, times=3).drop(columns="session")
    result = agreement(trial_table(rows), ask(("participant", "sensor", "replicate")))
    assert "between occasions (participant x sensor)" in list(result.table("variance components")["component"])


@pytest.mark.parametrize("pair_by", [("participant", "replicate"), ("participant", "sensor")])
def test_no_occasion_where_the_keys_show_none(pair_by):
    rows = walks(np.random.default_rng(6), sensors=1 if "sensor" not in pair_by else 5, sessions=1,
                 times=1 if "sensor" in pair_by else 4).drop(columns="session")
    parts = agreement(trial_table(rows), ask(pair_by)).table("variance components")["component"]
    assert not any("occasions" in p for p in parts)


def test_too_few_occasions_to_tell_are_a_caution_not_a_silence():
    rows = walks(np.random.default_rng(7), targets=6, sensors=1, sessions=1, times=4)
    second = walks(np.random.default_rng(8), targets=1, sensors=1, sessions=1, times=4).assign(session="V2")
    result = agreement(trial_table(pd.concat([rows, second], ignore_index=True)),
                       ask(("participant", "session", "replicate")))
    caution, = [f for f in result.findings if f.code == "occasions-not-estimated"]
    assert "7 occasions (participant x session)" in caution.message
    assert caution.mend


def test_missing_pairs_and_row_order_do_no_harm():
    rows = walks(np.random.default_rng(9), missing=0.2)
    one = agreement(trial_table(rows), ask(harmless=10.0))
    two = agreement(trial_table(rows.sample(frac=1.0, random_state=1)), ask(harmless=10.0))
    for name in ("bias", "upper limit", "SD of differences"):
        assert two.estimate(name).value == pytest.approx(one.estimate(name).value, rel=1e-8)
        assert two.estimate(name).high == pytest.approx(one.estimate(name).high, rel=1e-8)


@pytest.mark.parametrize("design", [d for d in designs() if d.shape and d.shares[0] in (0.0, 0.3)],
                         ids=lambda d: f"{d.name}; {d.label}")
def test_strata_of_the_simulation_are_those_of_the_package(design):
    d, ours = simulate(design, np.random.default_rng(10))
    fitted = fitted_strata(design, d)
    for name in ("mean_squares", "df", "total", "of_mean"):
        assert getattr(ours, name) == pytest.approx(getattr(fitted, name), rel=1e-5, abs=1e-9)
    assert balanced_strata(design, d).mean == pytest.approx(fitted.mean, abs=1e-9)
