"""Concordance beside the limits of agreement: from trial table to words."""

from __future__ import annotations

import json
import math
from pathlib import Path
from time import perf_counter

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from drift.agreement import agreement
from drift.agreement.concordance import NAMES, narrower
from drift.cli import cli
from drift.engine.concordance import concordance
from drift.engine.concordance_strata import estimate, repeated_strata, simple_strata
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table
from tests.published_examples import agrees, load

ROOT = Path(__file__).parents[2]


def ask(**settings) -> AgreementQuestion:
    return AgreementQuestion(**{"name": "agreement", "compare": "method", "a": "a", "b": "b", **settings})


def of_columns(a, b, **settings):
    return agreement(trial_table(long_form(a, b)), ask(**settings))


def codes(result) -> dict[str, str]:
    return {f.code: str(f) for f in result.findings}


def pairs(n=20, seed=1, bias=0.0, noise=1.0):
    rng = np.random.default_rng(seed)
    truth = 50 + 5 * rng.normal(size=n)
    return truth + noise * rng.normal(size=n) + bias, truth + noise * rng.normal(size=n)


def test_peak_flow_from_trial_table_to_printed_digits() -> None:
    # Lin (1989, 2000); printed by epi.ccc of epiR 2.0.57
    example = load("lin-ccc-tdi-pefr")
    printed = example.expected["epiR"]
    frame = example.frame().rename(columns={"pefr": "reading", "subject": "participant", "meter": "method"})
    result = agreement(trial_table(frame, unit="l/min"), ask(a="mini", b="large", pair_by=("participant",)))
    by = {n: result.estimate(n) for n in NAMES}
    assert agrees(by["CCC"].value, printed["rho_c"])
    assert agrees(by["accuracy"].value, printed["C_b"])
    assert agrees(by["location shift"].value, printed["l_shift"])
    assert agrees(by["scale shift"].value, printed["s_shift"])
    assert by["CCC"].std_error == pytest.approx(example.recomputed["se_2000"], rel=1e-9)
    table = result.table("concordance").to_frame()
    published = table[table.method == "Lin 1989, divisor n; Fisher's z (Lin 2000)"].iloc[0]
    assert all(agrees(published[k], p) for k, p in zip(("low", "high"), printed["ci95"], strict=True))
    other = table[table.method.str.startswith("divisor n \N{MINUS SIGN} 1")].iloc[0]
    assert other.value == pytest.approx(example.recomputed["ccc_with_1_over_n_minus_1"], rel=1e-10)
    assert all(e.method for e in by.values())
    assert by["CCC"].low < by["CCC"].value < by["CCC"].high


def test_peak_flow_through_the_command_line() -> None:
    run = CliRunner().invoke(cli, ["agree", str(ROOT / "tests/published/lin-ccc-tdi-pefr.csv"), "--compare", "meter",
                                   "--a", "mini", "--b", "large", "--value", "pefr", "--pair-by", "subject",
                                   "--target", "subject", "--json"])
    assert run.exit_code == 0, run.output
    made = {e["name"]: e for e in json.loads(run.stdout)["estimates"]}
    printed = load("lin-ccc-tdi-pefr").expected["epiR"]
    assert agrees(made["CCC"]["value"], printed["rho_c"])
    assert agrees(made["accuracy"]["value"], printed["C_b"])


def test_blood_pressure_by_variance_components_not_by_pooled_pairs() -> None:
    frame = load("bland-altman-1999-sbp").frame().rename(columns={"sbp": "reading", "subject": "participant"})
    result = agreement(trial_table(frame), ask(a="J", b="S", pair_by=("participant", "replicate"),
                                               target="participant"))
    # lme4, tests/references/concordance.csv
    ccc = result.estimate("CCC")
    assert ccc.value == pytest.approx(0.711583136981, rel=1e-6)
    assert "variance components (Carrasco & Jover 2003), REML" in ccc.method
    assert ccc.n == 85
    wide = frame.pivot(index=["participant", "replicate"], columns="method", values="reading")
    assert abs(ccc.value - concordance(wide["J"], wide["S"]).value) > 1e-4
    assert set(result.table("concordance")["method"][:2]) == {
        "variance components (Carrasco & Jover 2003), REML; pivotal interval",
        "variance components (Carrasco & Jover 2003), REML; Fisher's z (delta method)"}


def test_unlinked_replicates_have_a_coefficient_of_single_readings() -> None:
    rng = np.random.default_rng(4)
    truth = 100 + 10 * rng.normal(size=12)
    rows = [{"participant": f"P{i}", "method": m, "replicate": str(j), "reading": truth[i] + rng.normal()}
            for i in range(12) for m, k in (("a", 3), ("b", 2)) for j in range(k)]
    result = agreement(trial_table(pd.DataFrame(rows)), ask(truth="constant", target="participant"))
    ccc = result.estimate("CCC")
    assert 0.9 < ccc.low < ccc.value < ccc.high < 1
    assert ccc.method == "variance components (Carrasco & Jover 2003); pivotal interval"


def test_swapping_a_and_b_turns_the_shifts_and_leaves_ccc() -> None:
    a, b = pairs(bias=3)
    there, back = of_columns(a, b), of_columns(b, a)
    for name in ("CCC", "precision", "accuracy"):
        assert there.estimate(name).value == pytest.approx(back.estimate(name).value, rel=1e-12)
    assert there.estimate("location shift").value == pytest.approx(-back.estimate("location shift").value, rel=1e-12)
    assert there.estimate("scale shift").low == pytest.approx(1 / back.estimate("scale shift").high, rel=1e-9)


def test_the_unit_changes_no_number_and_the_seed_only_the_ends() -> None:
    a, b = pairs()
    first, again = of_columns(a, b), of_columns(6.894757 * a, 6.894757 * b)
    for name in NAMES:
        one, two = first.estimate(name), again.estimate(name)
        np.testing.assert_allclose([one.value, one.low, one.high], [two.value, two.low, two.high], rtol=1e-6)
    table = trial_table(long_form(a, b))
    other = agreement(table, ask(), seed=5).estimate("CCC")
    assert other.value == first.estimate("CCC").value
    assert other.low == pytest.approx(first.estimate("CCC").low, abs=0.01)


def test_it_is_said_what_the_spread_of_the_targets_makes() -> None:
    a, b = pairs(n=4000)
    result = of_columns(a, b)
    half = narrower(simple_strata(a, b))
    assert f"half the spread the same two methods would have {half:.2f}" in codes(result)["concordance-spread"]
    assert "Limits of agreement decide" in codes(result)["concordance-spread"]
    # the same methods on people half as different, simulated
    rng = np.random.default_rng(9)
    truth = 50 + 2.5 * rng.normal(size=40_000)
    c = concordance(truth + rng.normal(size=40_000), truth + rng.normal(size=40_000)).value
    assert half == pytest.approx(c, abs=0.03)
    assert "among targets as different as these" in result.answer


def test_targets_far_from_the_rest_are_said_to_spoil_the_interval() -> None:
    rng = np.random.default_rng(12)
    truth = 20 + 30 * rng.exponential(size=60)
    a, b = truth + 4 * rng.normal(size=60), truth + 4 * rng.normal(size=60)
    found = codes(of_columns(a, b))
    assert "A few targets seem to lie far from the rest" in found["concordance-skewed"]
    assert "jackknife interval beside it comes nearer" in found["concordance-skewed"]
    assert "concordance-skewed" not in codes(of_columns(*pairs(n=60)))
    even = np.linspace(20, 120, 60)  # short tails make the interval longer than need be, not shorter
    assert "concordance-skewed" not in codes(of_columns(even + rng.normal(size=60), even + rng.normal(size=60)))


def test_a_negative_concordance_is_said() -> None:
    rng = np.random.default_rng(3)
    x = rng.normal(size=15)
    result = of_columns(50 + x, 50 - x + 0.1 * rng.normal(size=15))
    assert result.estimate("CCC").value < -0.5
    assert "where a reads high, b reads low" in codes(result)["concordance-negative"]
    assert "concordance-spread" not in codes(result)


def test_a_method_that_reads_the_same_everywhere_is_named() -> None:
    a, _ = pairs()
    result = of_columns(a, np.full(20, 50.0))
    assert result.estimate("CCC").value == 0.0
    assert math.isnan(result.estimate("CCC").low)
    assert math.isnan(result.estimate("precision").value)
    assert result.estimate("precision").method == "not computed"
    assert "Readings by b are the same on every target" in codes(result)["concordance-flat"]


def test_four_pairs_have_a_value_without_an_interval() -> None:
    a, b = pairs(n=4)
    result = of_columns(a, b)
    ccc = result.estimate("CCC")
    assert math.isfinite(ccc.value)
    assert math.isnan(ccc.low)
    assert math.isnan(ccc.level)
    assert ccc.method == "Lin 1989, divisor n; no interval"
    assert "there are only 4 pairs" in codes(result)["concordance-few"]
    assert not any("Fisher" in m for m in result.table("concordance")["method"])


def test_five_pairs_have_an_interval() -> None:
    ccc = of_columns(*pairs(n=5)).estimate("CCC")
    assert ccc.low < ccc.value < ccc.high


def test_two_sensors_have_no_interval_and_three_have() -> None:
    rng = np.random.default_rng(6)
    for k in (2, 3):
        target, sensor = np.repeat(np.arange(12), 2 * k), np.tile(np.repeat(np.arange(k), 2), 12)
        truth = 50 + 5 * rng.normal(size=12)[target]
        labels = {"participant": [f"P{t:02d}" for t in target], "sensor": [f"S{s}" for s in sensor],
                  "replicate": [str(j % 2) for j in range(len(target))]}
        frame = long_form(truth + rng.normal(size=len(target)), truth + rng.normal(size=len(target)), **labels)
        result = agreement(trial_table(frame), ask(pair_by=("participant", "sensor", "replicate"),
                                                   target="participant"))
        assert math.isnan(result.estimate("CCC").low) == (k == 2)
        assert ("there are only 2 levels of sensor" in codes(result).get("concordance-few", "")) == (k == 2)


def test_identical_columns_are_left_to_the_words_of_the_limits() -> None:
    a, _ = pairs()
    result = of_columns(a, a)
    assert "identical in all 20 pairs" in codes(result)["no-spread"]
    assert not any(e.name == "CCC" for e in result.estimates)


def test_rows_taken_as_independent_get_the_coefficient_of_independent_pairs() -> None:
    rng = np.random.default_rng(2)
    truth = 50 + 5 * rng.normal(size=30)
    a, b = truth + rng.normal(size=30), truth + rng.normal(size=30)
    labels = {"participant": [f"P{i // 3}" for i in range(30)], "replicate": [str(i % 3) for i in range(30)]}
    result = agreement(trial_table(long_form(a, b, **labels)), ask(
        pair_by=("participant", "replicate"), target="participant", rows_are_independent=True))
    assert result.estimate("CCC").value == pytest.approx(concordance(a, b).value, rel=1e-12)
    beside = agreement(trial_table(long_form(a, b, **labels)), ask(pair_by=("participant", "replicate"),
                                                                   target="participant"))
    code = np.arange(30) // 3
    assert beside.estimate("CCC").value == pytest.approx(float(estimate(repeated_strata(a, b, [code])).value), rel=1e-9)


def test_every_group_has_a_coefficient_of_its_own() -> None:
    a, b = pairs(n=40)
    labels = {"participant": [f"P{i % 20}" for i in range(40)], "region": ["heel"] * 20 + ["toe"] * 20}
    result = agreement(trial_table(long_form(a, b, **labels)), ask(pair_by=("participant",), by=("region",)))
    for region, part in (("heel", slice(0, 20)), ("toe", slice(20, 40))):
        assert result.estimate("CCC", region=region).value == pytest.approx(concordance(a[part], b[part]).value)
    assert set(result.table("concordance")["region"]) == {"heel", "toe"}


def test_simulated_coverage_is_quoted_for_a_design_like_this_one() -> None:
    result = of_columns(*pairs(n=20))
    table = result.table("coverage").to_frame()
    row = table[table.quantity == "CCC"].iloc[0]
    assert row.method == "pivotal interval"
    assert row["nearest design"].startswith("20 targets, one pair each, CCC 0.9")
    assert row.coverage > 93
    assert set(NAMES) <= set(table.quantity)


def test_five_thousand_pairs_take_less_than_a_second() -> None:
    from drift.agreement.bland_altman import _answer
    from drift.agreement.companion import Setting
    from drift.agreement.concordance import companion
    from drift.agreement.pairs import form_pairs

    rng = np.random.default_rng(1)
    code = np.repeat(np.arange(500), 10)
    truth = 50 + 5 * rng.normal(size=500)[code] + rng.normal(size=5000)
    labels = {"participant": [f"P{i}" for i in code], "replicate": [str(i % 10) for i in range(5000)]}
    table = trial_table(long_form(truth + rng.normal(size=5000), truth + rng.normal(size=5000), **labels))
    question = ask(pair_by=("participant", "replicate"), target="participant")
    pairing = form_pairs(table, question)
    x = _answer(pairing.groups[0], pairing, question, level=0.95, multiplier=1.96, rng=rng)
    setting = Setting(group=x.group, structure=x.structure, analysis=x.analysis, pairing=pairing, question=question,
                      of=x.of, label="", level=0.95, multiplier=1.96, harmless=None, rng=rng)
    start = perf_counter()
    found = companion(setting)
    assert perf_counter() - start < 1.0
    assert found is not None
    assert len(found.estimates) == 5
