"""Repeated measurements: rows of one target are never independent pairs."""

import numpy as np
import pandas as pd
import pytest

from drift.agreement import agreement
from drift.engine.limits_of_agreement import mean_interval, one_stratum, upper_limit_bound
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant", "replicate"), **settings}
    return AgreementQuestion(**given)


def repeated(rng, targets=10, times=10, share=0.5, bias=0.0):
    """Differences of total variance one, a share of it between targets."""
    t = np.repeat(np.arange(targets), times)
    d = bias + rng.normal(size=targets)[t] * np.sqrt(share) + rng.normal(size=len(t)) * np.sqrt(1 - share)
    x = rng.normal(50, 5, len(t))
    return long_form(x + d / 2, x - d / 2, participant=[f"P{i}" for i in t],
                     replicate=[str(j) for j in np.tile(np.arange(times), targets)])


def test_limits_of_repeated_measurements_hold_the_truth_and_pooled_rows_do_not():
    # ten targets measured ten times: pooled as a hundred pairs the bias interval covers about 0.58 to 0.66
    ours, pooled = np.zeros(2), np.zeros(2)
    studies = 50
    for child in np.random.SeedSequence(5).spawn(studies):
        rows = repeated(np.random.default_rng(child), share=0.5)
        wide = rows.pivot_table(index=["participant", "replicate"], columns="method", values="reading")
        d = (wide.a - wide.b).to_numpy()
        result = agreement(trial_table(rows), ask())
        bias, limit = result.estimate("bias"), result.estimate("upper limit")
        ours += [bias.low <= 0 <= bias.high, limit.low <= 1.96 <= limit.high]
        naive = one_stratum(d)
        low, high = mean_interval(naive, 0.95)
        pooled += [low <= 0 <= high,
                   upper_limit_bound(naive, 0.025) <= 1.96 <= upper_limit_bound(naive, 0.975)]
    four_errors = 4 * np.sqrt(0.95 * 0.05 / studies)
    assert np.all(ours / studies > 0.95 - four_errors)
    assert np.all(pooled / studies < 0.82)


def test_total_sd_is_not_the_pooled_sd_when_numbers_differ():
    rng = np.random.default_rng(3)
    rows = pd.concat([long_form([9.0 + e for e in rng.normal(size=30)], [0.0] * 30, participant=["P0"] * 30,
                                replicate=[str(i) for i in range(30)]),
                      *(long_form([m + e for e in rng.normal(size=2)], [0.0] * 2, participant=[f"P{k}"] * 2,
                                  replicate=["0", "1"]) for k, m in enumerate((0.0, 1.0, -1.0, 0.5, 2.0), start=1))],
                     ignore_index=True)
    result = agreement(trial_table(rows), ask())
    pooled = rows[rows.method == "a"].reading
    assert abs(result.estimate("bias").value - pooled.mean()) > 2  # the busy target does not pull the mean
    assert result.estimate("bias").value < 3


def test_balanced_total_variance_equals_the_analysis_of_variance():
    # Bland & Altman (2007), true value varying: between + within components
    rows = repeated(np.random.default_rng(4), targets=8, times=5)
    wide = rows.pivot_table(index="participant", columns=["method", "replicate"], values="reading", sort=False)
    d = (wide["a"] - wide["b"]).to_numpy()
    between, within = 5 * np.var(d.mean(1), ddof=1), np.mean(np.var(d, axis=1, ddof=1))
    total = (between - within) / 5 + within
    result = agreement(trial_table(rows), ask())
    assert result.estimate("SD of differences").value == pytest.approx(np.sqrt(total), rel=1e-7)
    assert result.estimate("bias").std_error == pytest.approx(np.sqrt(between / 40), rel=1e-7)


def test_the_structure_is_said_in_words():
    result = agreement(trial_table(repeated(np.random.default_rng(1))), ask())
    said = [f.message for f in result.findings if f.code == "structure"]
    assert said == ["100 linked pairs on 10 levels of participant; the true value may vary between the pairs of a "
                    "target (default for linked pairs)"]
    declared = agreement(trial_table(repeated(np.random.default_rng(1))), ask(truth="varying"))
    assert not any("default" in f.message for f in declared.findings if f.code == "structure")


def test_rows_are_independent_only_when_told_so_and_it_is_said():
    rows = repeated(np.random.default_rng(2), share=0.8)
    ours, told = agreement(trial_table(rows), ask()), agreement(trial_table(rows), ask(rows_are_independent=True))
    wide = [r.estimate("bias").high - r.estimate("bias").low for r in (ours, told)]
    assert wide[0] > 2 * wide[1]
    assert any(f.code == "rows-as-independent" and f.severity == "warning" for f in told.findings)
    assert told.estimate("bias").n == 100
    assert ours.estimate("bias").n == 10


def crossed(rng, targets=12, sensors=6, sensor_sd=2.0):
    t, s = np.repeat(np.arange(targets), sensors), np.tile(np.arange(sensors), targets)
    d = rng.normal(size=targets)[t] + sensor_sd * rng.normal(size=sensors)[s] + rng.normal(size=len(t))
    return long_form(50 + d, np.full(len(t), 50.0), participant=[f"P{i}" for i in t], sensor=[f"S{i}" for i in s])


def test_shared_sensors_are_a_part_of_their_own():
    rows = crossed(np.random.default_rng(6))
    result = agreement(trial_table(rows), ask(pair_by=("participant", "sensor")))
    parts = list(result.table("variance components")["component"])
    assert parts == ["between levels of participant", "between levels of sensor", "within (residual)"]
    d = rows[rows.method == "a"].reading.to_numpy().reshape(12, 6) - 50
    ms_t, ms_s = 6 * np.var(d.mean(1), ddof=1), 12 * np.var(d.mean(0), ddof=1)
    ms_e = (np.sum((d - d.mean()) ** 2) - 11 * ms_t - 5 * ms_s) / 55
    assert result.estimate("bias").std_error == pytest.approx(np.sqrt((ms_t + ms_s - ms_e) / 72), rel=1e-6)


def test_n_counts_the_targets_and_the_method_names_what_repeats():
    # few sensors do not turn into the number of people behind an estimate, nor do the pairs
    result = agreement(trial_table(crossed(np.random.default_rng(6))), ask(pair_by=("participant", "sensor"),
                                                                           harmless=20.0))
    counts = {e.name: e.n for e in result.estimates}
    assert {counts[n] for n in ("bias", "lower limit", "upper limit", "SD of differences",
                                "share of differences inside", "total deviation index")} == {12}
    assert counts["SD between levels of participant"] == 12
    assert counts["SD between levels of sensor"] == 6
    assert "on 12 levels of participant and 6 levels of sensor" in result.estimate("bias").method


def test_a_target_that_tells_every_pair_apart_does_not_hide_repeated_people():
    rows = repeated(np.random.default_rng(2), share=0.8)
    rows["visit"] = rows.participant + "/" + rows.replicate
    hidden = agreement(trial_table(rows), ask(target="visit", pair_by=("visit",)))
    plain = agreement(trial_table(rows), ask(target="participant"))
    assert hidden.estimate("bias").to_dict()["low"] == pytest.approx(plain.estimate("bias").low, rel=1e-12)
    assert hidden.estimate("bias").n == 10
    assert any(f.code == "target-repeats" for f in hidden.findings)
    twice = pd.concat([rows.assign(region="heel"), rows.assign(region="toes")], ignore_index=True)
    by = agreement(trial_table(twice), ask(target="visit", pair_by=("visit",), by=("region",)))
    assert {e.n for e in by.estimates if e.name == "bias"} == {10}
    told = agreement(trial_table(rows), ask(target="visit", pair_by=("visit",), rows_are_independent=True))
    assert told.estimate("bias").n == 100
    assert any(f.code == "rows-as-independent" for f in told.findings)


def test_leaving_shared_sensors_out_would_make_the_bias_look_too_sure():
    held = {"ours": 0, "targets only": 0}
    studies = 50
    for child in np.random.SeedSequence(9).spawn(studies):
        table = trial_table(crossed(np.random.default_rng(child)))
        bias = agreement(table, ask(pair_by=("participant", "sensor"))).estimate("bias")
        held["ours"] += bias.low <= 0 <= bias.high
        alone = type(table)({k: v for k, v in table.columns.items() if k != "sensor"} | {"day": table["sensor"]},
                            table.row, table.file)
        naive = agreement(alone, ask(pair_by=("participant", "day"), target="participant")).estimate("bias")
        held["targets only"] += naive.low <= 0 <= naive.high
    assert held["ours"] >= 42  # 0.95 less four Monte-Carlo errors
    assert held["targets only"] < 38


def test_one_pair_per_target_on_shared_sensors_is_not_independent_either():
    rng = np.random.default_rng(7)
    s = np.arange(24) % 4
    d = 3 * rng.normal(size=4)[s] + rng.normal(size=24)
    rows = long_form(50 + d, np.full(24, 50.0), participant=[f"P{i}" for i in range(24)], sensor=[f"S{i}" for i in s])
    result = agreement(trial_table(rows), ask(pair_by=("participant",)))
    assert result.table("variance components")["component"][0] == "between levels of sensor"
    assert any(f.code == "few-levels" and "4 levels of sensor" in f.message for f in result.findings)


def test_a_sensor_of_its_own_for_each_target_is_one_part_with_it():
    rows = repeated(np.random.default_rng(8))
    rows["sensor"] = rows.participant.str.replace("P", "S")
    result = agreement(trial_table(rows), ask())
    assert any(f.code == "sensor-is-target" for f in result.findings)
    assert len(result.table("variance components")) == 2


def test_unlinked_repeats_with_constant_truth_keep_all_readings():
    rng = np.random.default_rng(14)
    rows = []
    for i in range(15):
        true = rng.normal(50, 5)
        rows += [("a", f"P{i}", true + rng.normal()) for _ in range(1 + i % 4)]
        rows += [("b", f"P{i}", true + 2 + rng.normal()) for _ in range(1 + i % 3)]
    frame = pd.DataFrame(rows, columns=["method", "participant", "reading"])
    result = agreement(trial_table(frame), ask(target="participant", pair_by=(), truth="constant"))
    assert result.provenance.accounts[0].used == len(frame)
    assert len(result.table("pairs")) == 15
    assert any("unlinked readings on 15 targets" in f.message for f in result.findings)
    # limits are for single readings, whose differences spread more than those of the target means
    spread = np.std(result.table("pairs")["difference"], ddof=1)
    assert result.estimate("SD of differences").value > 1.2 * spread


def test_repeats_without_a_link_are_an_error_that_offers_both_ways_out():
    from drift.errors import DriftError

    rows = repeated(np.random.default_rng(1)).drop(columns="replicate")
    with pytest.raises(DriftError, match="Add a replicate column and name it in pair_by, or set truth"):
        agreement(trial_table(rows), ask(pair_by=("participant",)))


def test_the_difference_is_followed_along_use_by_sensor():
    rng = np.random.default_rng(11)
    s, use = np.repeat(np.arange(6), 8), np.tile(np.arange(0, 40, 5), 6)
    slopes = 0.2 + 0.05 * rng.normal(size=6)
    d = slopes[s] * use + 0.5 * rng.normal(size=48)
    rows = long_form(50 + d, np.full(48, 50.0), participant=[f"P{i}" for i in range(48)], sensor=[f"S{i}" for i in s],
                     use=use)
    result = agreement(trial_table(rows), ask(pair_by=("participant",)))
    trend = result.estimate("trend of difference with use")
    each = [np.polyfit(use[:8], d[s == k], 1)[0] for k in range(6)]
    assert trend.value == pytest.approx(np.mean(each), rel=1e-9)
    assert trend.std_error == pytest.approx(np.std(each, ddof=1) / np.sqrt(6), rel=1e-9)
    assert trend.n == 6
    assert trend.unit == "kPa per use"
    assert any(f.code == "agreement-drifts" for f in result.findings)


def test_use_trends_that_differ_between_sensors_are_not_overstated():
    # slopes vary between sensors about zero: least squares over rows would find a trend far too often
    found = 0
    for child in np.random.SeedSequence(12).spawn(50):
        rng = np.random.default_rng(child)
        s, use = np.repeat(np.arange(5), 8), np.tile(np.arange(0, 40, 5), 5)
        d = (0.2 * rng.normal(size=5))[s] * use + 0.5 * rng.normal(size=40)
        rows = long_form(50 + d, np.full(40, 50.0), participant=[f"P{i}" for i in range(40)],
                         sensor=[f"S{i}" for i in s], use=use)
        trend = agreement(trial_table(rows), ask(pair_by=("participant",))).estimate("trend of difference with use")
        found += not trend.low <= 0 <= trend.high
    assert found <= 8  # 5 % of 50 plus four binomial errors
