"""Published worked examples of agreement, from trial table to printed digits."""

import numpy as np
import pytest

from drift.agreement import agreement
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import trial_table
from tests.published_examples import agrees, load


def ask(a, b, **settings):
    return AgreementQuestion(name="agreement", compare="method", a=a, b=b, **settings)


def limits_of(result, variant="plain", **more):
    table = result.table("limits").to_frame()
    return table[table.variant == variant].set_index("limit")


def test_peak_flow_1986():
    # Bland & Altman (1986), Table 1, first readings; limits with 2 SD
    example = load("bland-altman-1986-pefr")
    frame = example.frame().rename(columns={"pefr": "reading", "subject": "participant", "meter": "method"})
    question = ask("large", "mini", pair_by=("participant",), target="participant", where={"replicate": "1"})
    result = agreement(trial_table(frame, unit="l/min"), question, multiplier=2.0)
    bias = result.estimate("bias")
    assert agrees(bias.value, example.expected["bias"])
    assert agrees(bias.std_error, example.expected["se_bias"])
    assert agrees(result.estimate("SD of differences").value, example.expected["sd_diff"])
    np.testing.assert_allclose([bias.low, bias.high], example.recomputed["ci_bias"], rtol=1e-6)
    # the printed interval comes from the rounded SE 9.4 and t 2.12
    for value, printed in zip((bias.low, bias.high), example.expected["ci_bias"], strict=True):
        assert agrees(value, printed, units=1)
    found = [result.estimate(f"{side} limit").value for side in ("lower", "upper")]
    np.testing.assert_allclose(found, example.recomputed["loa_2sd"], rtol=1e-9)
    # the printed limits come from the rounded SD 38.8
    for value, printed in zip(found, example.expected["loa_2sd"], strict=True):
        assert agrees(value, printed, units=1)
    account, = result.provenance.accounts
    assert (account.read, account.used, account.outside_where) == (68, 34, 34)


def test_peak_flow_both_limits_together_equal_the_exact_pair():
    # Carkeet (2015) by two-sided tolerance factors at content 0.95 (multiplier 1.95996, not 1.96)
    from drift.engine.limits_of_agreement import normal_quantile

    example = load("bland-altman-1986-pefr")
    frame = example.frame().rename(columns={"pefr": "reading", "subject": "participant", "meter": "method"})
    question = ask("large", "mini", pair_by=("participant",), where={"replicate": "1"})
    result = agreement(trial_table(frame), question, multiplier=normal_quantile(0.975))
    rows = limits_of(result, "both limits together")
    outer, inner = example.recomputed["loa_exact_pair_outer"], example.recomputed["loa_exact_pair_inner"]
    np.testing.assert_allclose(rows.loc["lower limit", ["low", "high"]].astype(float), [outer[0], inner[0]], rtol=1e-7)
    np.testing.assert_allclose(rows.loc["upper limit", ["low", "high"]].astype(float), [inner[1], outer[1]], rtol=1e-7)


def test_blood_pressure_1999_single_readings():
    example = load("bland-altman-1999-sbp")
    frame = example.frame().rename(columns={"sbp": "reading", "subject": "participant"})
    question = ask("J", "S", pair_by=("participant",), where={"replicate": "1"})
    result = agreement(trial_table(frame, unit="mmHg"), question)
    printed = example.expected["single_J_minus_S"]
    bias = result.estimate("bias")
    assert agrees(bias.value, printed["bias"])
    assert agrees(result.estimate("SD of differences").value, printed["sd"])
    for value, text in zip((bias.low, bias.high), printed["ci_bias"], strict=True):
        assert agrees(value, text)
    for side, text in zip(("lower", "upper"), printed["loa"], strict=True):
        limit = result.estimate(f"{side} limit")
        assert agrees(limit.value, text)
        # the paper's intervals are the usual approximation; the exact ones reach further out and less far in
        low, high = example.recomputed["single"][f"ci_{side}_loa_1.71"]
        outward = (low - limit.low, high - limit.high) if side == "lower" else (limit.high - high, limit.low - low)
        assert all(0.4 < x < 1.2 for x in outward)


def test_blood_pressure_1999_replicates():
    # section 5.1, equal replicates, true value constant
    example = load("bland-altman-1999-sbp")
    frame = example.frame().rename(columns={"sbp": "reading", "subject": "participant"})
    result = agreement(trial_table(frame), ask("J", "S", target="participant", truth="constant"))
    printed = example.expected["replicated_J_minus_S"]
    assert agrees(result.estimate("bias").value, printed["bias"])
    assert agrees(result.estimate("SD of differences").value, printed["corrected_sd"])
    for side, text in zip(("lower", "upper"), printed["loa"], strict=True):
        assert agrees(result.estimate(f"{side} limit").value, text)
    # limits of the means of three readings, taken for limits of single ones, would be narrower
    naive = example.recomputed["replicated"]["naive_loa_of_means"]
    assert result.estimate("lower limit").value < naive[0] - 3


def test_plasma_volume_1999_ratio_limits():
    example = load("bland-altman-1999-plasma-volume-log")
    frame = example.frame().rename(columns={"plasma_volume_pct": "reading", "subject": "participant"})
    result = agreement(trial_table(frame), ask("Nadler", "Hurley", pair_by=("participant",)))
    rows = limits_of(result, "ratio (log scale)")
    for side, text, exact in zip(("lower limit", "upper limit"), example.expected["loa_ratio"],
                                 example.recomputed["loa_ratio"], strict=True):
        assert agrees(rows.loc[side, "value"], text)
        assert rows.loc[side, "value"] == pytest.approx(exact, rel=1e-9)
    for side, text in zip(("lower limit", "upper limit"), example.expected["loa_log"], strict=True):
        assert agrees(np.log(rows.loc[side, "value"]), text)
    assert any(f.code == "trend-with-size" for f in result.findings)


def test_milk_fat_1999_regression_limits():
    example = load("bland-altman-1999-milk-fat-regression")
    frame = example.frame().rename(columns={"fat_g_per_100ml": "reading", "sample": "participant"})
    result = agreement(trial_table(frame), ask("Trig", "Gerber", pair_by=("participant",)))
    for side, text in zip(("lower", "upper"), example.expected["simple_loa"], strict=True):
        assert agrees(result.estimate(f"{side} limit").value, text)
    rows = limits_of(result, "regression on mean, constant SD")
    middle = rows.iloc[2:4]
    at = float(middle["at"].iloc[0])
    centre = float(middle["value"].mean())
    b0, b1, sd = (example.recomputed[k] for k in ("intercept", "slope", "residual_sd"))
    assert centre == pytest.approx(b0 + b1 * at, rel=1e-6)
    assert float(middle.loc["upper limit", "value"]) == pytest.approx(b0 + b1 * at + 1.96 * sd, rel=1e-6)
    checks = result.table("checks").to_frame().set_index("check")
    assert checks.loc["trend with size", "p"] == pytest.approx(example.recomputed["p_slope"], rel=1e-5)
    assert checks.loc["trend with size", "holds"] == "no"
    assert any(f.code == "trend-with-size" for f in result.findings)


def test_unequal_replicates_of_zou_2013():
    # printed intervals use a normal quantile for the mean; ours the t quantile, so ours are wider
    example = load("zou-2013-mover-loa")
    frame = example.frame().rename(columns={"value": "reading", "subject": "participant"})
    result = agreement(trial_table(frame), ask("x", "y", target="participant", truth="constant"))
    assert result.estimate("bias").value == pytest.approx(example.recomputed["bias"], rel=1e-9)
    for side, text in zip(("lower", "upper"), example.expected["loa"], strict=True):
        limit = result.estimate(f"{side} limit")
        assert agrees(limit.value, text)
        printed = [float(v) for v in example.expected[f"ci95_{side}_loa"]]
        assert limit.low < printed[0]
        assert limit.high > printed[1]


def test_oximetry_linked_replicates():
    example = load("oximetry-linked-replicates")
    frame = example.frame().rename(columns={"o2_saturation": "reading", "child": "participant"})
    question = ask("CO", "pulse", pair_by=("participant", "replicate"))
    result = agreement(trial_table(frame, unit="%"), question)
    lme4 = example.recomputed["lme4_reml_on_differences"]
    assert result.estimate("bias").value == pytest.approx(lme4["mean"], rel=1e-6)
    parts = result.table("variance components")
    np.testing.assert_allclose(np.array(parts["sd"]) ** 2, [lme4["var_child"], lme4["var_residual"]], rtol=1e-5)
    printed = example.expected["MethComp_BA_est"]
    assert agrees(result.estimate("bias").value, printed["bias_CO_minus_pulse"])
    sd = result.estimate("SD of differences").value
    assert sd == pytest.approx(float(printed["sd_pred"]), abs=1e-3)  # its REML stops a little earlier
    # limits by the analysis of variance (Bland & Altman 2007) differ a little, as numbers are unequal
    anova = example.recomputed["anova_bland_altman_2007"]["loa_1.96"]
    found = [result.estimate(f"{s} limit").value for s in ("lower", "upper")]
    np.testing.assert_allclose(found, anova, atol=0.06)
    assert any("linked pairs" in f.message and "default" in f.message for f in result.findings)
