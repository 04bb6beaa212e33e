"""Variants beside the plain limits: what is made, which is proposed and why, and what it would decide."""

import json
import math
import re

import numpy as np
import pytest
from click.testing import CliRunner

from drift.agreement import agreement
from drift.agreement.proposal import as_difference
from drift.cli import cli
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table

SHOWN = "limits, plain and proposed"


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant",), **settings}
    return AgreementQuestion(**given)


def answer(a, b, **settings):
    return agreement(trial_table(long_form(a, b)), ask(**settings))


def rows_of(result, variant, table="limits"):
    frame = result.table(table).to_frame()
    return frame[frame.variant == variant].set_index("limit")


def in_proportion(seed=1, n=80, sd=0.1):
    rng = np.random.default_rng(seed)
    size, logs = np.exp(rng.uniform(np.log(20), np.log(300), n)), 0.05 + sd * rng.normal(size=n)
    return size * np.exp(logs / 2), size * np.exp(-logs / 2)


def along_a_line(seed=2, n=120):
    # the error-free size is the mean of the two, so that the line on the mean is the line that was drawn
    rng = np.random.default_rng(seed)
    x = rng.uniform(50, 350, n)
    d = -20 + 0.1 * x + 6 * rng.normal(size=n)
    return x + d / 2, x - d / 2


def skewed(seed=3, n=200):
    rng = np.random.default_rng(seed)
    x, d = rng.normal(200, 30, n), 8 * rng.exponential(size=n)
    return x + d / 2, x - d / 2


def repeated(rng, n=30, m=4, sd=0.1, between=0.5):
    p = np.repeat(np.arange(n), m)
    size = np.exp(rng.uniform(np.log(30), np.log(300), n))[p] * np.exp(0.05 * rng.normal(size=n * m))
    logs = 0.05 + sd * (math.sqrt(between) * rng.normal(size=n)[p] + math.sqrt(1 - between) * rng.normal(size=n * m))
    return long_form(size * np.exp(logs / 2), size * np.exp(-logs / 2), participant=[f"P{i:02d}" for i in p],
                     replicate=[str(i % m) for i in range(n * m)])


def test_ratio_limits_have_a_bias_and_are_those_of_logs():
    a, b = in_proportion()
    rows = rows_of(answer(a, b), "ratio (log scale)")
    logs = np.log(a / b)
    assert rows.loc["bias", "value"] == pytest.approx(np.exp(logs.mean()), rel=1e-12)
    from scipy import stats

    half = stats.t.ppf(0.975, 79) * stats.sem(logs)
    assert rows.loc["bias", "low"] == pytest.approx(np.exp(logs.mean() - half))
    assert rows.loc["bias", "high"] == pytest.approx(np.exp(logs.mean() + half))
    assert rows.loc["upper limit", "value"] == pytest.approx(np.exp(logs.mean() + 1.96 * logs.std(ddof=1)))


def test_a_spread_in_proportion_proposes_ratios_and_says_what_they_would_decide():
    result = answer(*in_proportion(), harmless=45.0)
    assert "Ratio limits fit better, as bias and spread grow in proportion to the reading" in result.answer
    shown = result.table(SHOWN).to_frame()
    assert list(dict.fromkeys(shown.variant)) == ["plain", "ratio limits", "ratio limits as differences"]
    assert result.verdicts == ("interchangeable",)
    changed, = [f for f in result.findings if f.code == "verdict-by-variant"]
    assert changed.severity == "warning"
    assert "interchangeable by the plain limits and not interchangeable by the ratio limits" in changed.message
    assert "the verdict would be not interchangeable" in result.answer
    # the plain limits stay the estimates
    assert result.estimate("upper limit").method.startswith("bias + 1.96 SD")


def test_ratio_limits_as_differences_are_the_differences_of_readings_with_that_ratio_and_mean():
    a, b = 120.0, 80.0
    assert as_difference(a / b, (a + b) / 2) == pytest.approx(a - b)
    x, y = in_proportion()
    shown = answer(x, y).table(SHOWN).to_frame()
    largest = shown[shown["at"] == shown["at"].max()].set_index("limit")
    ratio = shown[shown.variant == "ratio limits"].set_index("limit")
    m, r = largest.loc["upper limit", "at"], ratio.loc["upper limit", "value"]
    assert largest.loc["upper limit", "value"] == pytest.approx(2 * m * (r - 1) / (r + 1))


def test_a_line_with_one_spread_proposes_regression_limits_with_bands_over_the_range():
    a, b = along_a_line()
    result = answer(a, b)
    assert "Regression limits fit better, as the difference changes with the reading along a line" in result.answer
    table = result.table("regression limits").to_frame()
    assert len(table) == 25
    mean = (a + b) / 2
    assert table["mean"].iloc[[0, -1]].tolist() == pytest.approx([mean.min(), mean.max()])
    for name in ("bias", "lower limit", "upper limit"):
        assert (table[f"{name} low"] < table[name]).all()
        assert (table[name] < table[f"{name} high"]).all()
    truth = -20 + 0.1 * table["mean"]
    assert ((table["bias low"] < truth) & (truth < table["bias high"])).all()
    outer = truth + 1.96 * 6
    assert ((table["upper limit low"] < outer) & (outer < table["upper limit high"])).all()


def test_one_sd_stands_beside_the_sd_that_may_change():
    rows = rows_of(answer(*along_a_line()), "regression on mean, constant SD")
    assert len(rows) == 6
    assert rows.method.str.contains("constant SD; exact noncentral t").all()


def test_skewed_differences_propose_quantiles():
    result = answer(*skewed())
    assert "Nonparametric limits fit better, as the differences are not normal" in result.answer
    shown = rows_of(result, "nonparametric limits", SHOWN)
    assert list(shown.index) == ["median", "lower limit", "upper limit"]
    assert np.isfinite(shown[["low", "high"]].to_numpy(dtype=float)).all()
    assert shown.loc["lower limit", "value"] > 0 > result.estimate("lower limit").value


def test_few_pairs_have_quantiles_without_outer_ends_and_the_number_needed_is_said():
    result = answer(*skewed(n=60))
    rows = rows_of(result, "nonparametric")
    assert math.isnan(rows.loc["upper limit", "high"])
    assert "needs 146 independent pairs or more" in rows.loc["upper limit", "method"]
    assert "no outer end, which takes 146 independent pairs or more" in result.answer
    other = agreement(trial_table(long_form(*skewed(n=60))), ask(), level=0.9)
    assert "needs 119 independent pairs" in rows_of(other, "nonparametric").loc["upper limit", "method"]


def test_checks_that_hold_propose_nothing():
    rng = np.random.default_rng(11)
    x = rng.normal(100, 10, 40)
    d = rng.normal(size=40)
    result = answer(x + d / 2, x - d / 2, harmless=10.0)
    assert not any(t.name == SHOWN for t in result.tables)
    assert "fit better" not in result.answer


def test_repeated_pairs_have_every_variant():
    result = agreement(trial_table(repeated(np.random.default_rng(1))), ask(pair_by=("participant", "replicate")))
    found = set(result.table("limits")["variant"])
    assert {"ratio (log scale)", "percent of mean", "regression on mean", "nonparametric"} <= found
    assert "Ratio limits fit better" in result.answer
    rows = rows_of(result, "regression on mean")
    assert rows.method.str.contains("mixed model").all()
    assert "effective pairs" in rows_of(result, "nonparametric").loc["upper limit", "method"]


def test_regression_limits_of_repeated_pairs_know_their_own_spread():
    # a slope that explains most of what differs between targets: limits about the line must not carry it
    rng = np.random.default_rng(5)
    p = np.repeat(np.arange(25), 3)
    x = rng.uniform(50, 350, 25)[p] + rng.normal(size=75)
    d = -30 + 0.3 * x + rng.normal(size=75) + rng.normal(size=25)[p]
    rows = long_form(x + d / 2, x - d / 2, participant=[f"P{i}" for i in p], replicate=[str(i % 3) for i in range(75)])
    result = agreement(trial_table(rows), ask(pair_by=("participant", "replicate")))
    own = rows_of(result, "regression on mean")
    plain = result.estimate("upper limit")
    width = (own.high - own.low).max()
    assert width < 4
    assert plain.high - plain.low > 20


def test_variants_of_every_group_stand_in_one_table():
    (a, b), (c, d) = in_proportion(), in_proportion(seed=9)
    import pandas as pd

    rows = pd.concat([long_form(a, b).assign(region="heel"), long_form(c, d).assign(region="toes")], ignore_index=True)
    result = agreement(trial_table(rows), ask(by=("region",)))
    assert set(result.table(SHOWN)["region"]) == {"heel", "toes"}
    assert len(result.table("regression limits")) == 50


@pytest.mark.parametrize("make", [in_proportion, along_a_line, skewed])
def test_swapping_the_methods_turns_every_variant(make):
    a, b = make()
    one, other = answer(a, b), answer(b, a)
    for variant in ("percent of mean", "regression on mean", "nonparametric", "regression on mean, constant SD"):
        x, y = rows_of(one, variant), rows_of(other, variant)
        np.testing.assert_allclose(y.loc["lower limit", "value"], -x.loc["upper limit", "value"], rtol=1e-4, atol=1e-6)
        np.testing.assert_allclose(y.loc["lower limit", "high"], -x.loc["upper limit", "low"], rtol=1e-4, atol=1e-6)
    x, y = rows_of(one, "ratio (log scale)"), rows_of(other, "ratio (log scale)")
    assert y.loc["lower limit", "value"] == pytest.approx(1 / x.loc["upper limit", "value"])
    assert y.loc["bias", "low"] == pytest.approx(1 / x.loc["bias", "high"])


@pytest.mark.parametrize("make", [in_proportion, along_a_line, skewed])
def test_units_scale_and_the_order_of_rows_does_not_matter(make):
    a, b = make()
    base, scaled = answer(a, b).table("limits").to_frame(), answer(10 * a, 10 * b).table("limits").to_frame()
    pure = base.variant.isin(["ratio (log scale)", "percent of mean"])
    factor = np.where(pure, 1.0, 10.0)
    for column in ("value", "low", "high"):
        np.testing.assert_allclose(scaled[column], base[column] * factor, rtol=1e-6)
    rows = long_form(a, b).sample(frac=1, random_state=4)
    mixed = agreement(trial_table(rows), ask()).table("limits").to_frame()
    np.testing.assert_allclose(mixed[["value", "low", "high"]], base[["value", "low", "high"]], rtol=1e-9)


def test_a_wider_level_gives_wider_intervals_of_every_variant():
    a, b = along_a_line()
    narrow, wide = (agreement(trial_table(long_form(a, b)), ask(), level=v).table("limits").to_frame()
                    for v in (0.9, 0.99))
    mine = narrow.variant.isin(["ratio (log scale)", "percent of mean", "regression on mean"])
    assert (wide[mine].high - wide[mine].low > narrow[mine].high - narrow[mine].low).all()


def test_the_command_prints_plain_and_proposed_in_one_table(tmp_path):
    import pandas as pd

    a, b = in_proportion()
    pd.DataFrame({"new": a, "old": b}).to_csv(tmp_path / "t.csv", index=False)
    words = ["agree", str(tmp_path / "t.csv"), "--a-column", "new", "--b-column", "old", "--harmless", "45"]
    done = CliRunner().invoke(cli, words)
    assert done.exit_code == 0
    text = done.output
    assert "Limits, plain and proposed" in text
    assert re.search(r"plain +bias .+\n +lower limit .+\n +upper limit .+\n +ratio limits +bias ", text)
    assert "Read the ratio limits beside the plain ones." in " ".join(text.split())
    tables = {t["name"]: t for t in json.loads(CliRunner().invoke(cli, [*words, "--json"]).output)["tables"]}
    assert {SHOWN, "regression limits", "limits"} <= set(tables)


@pytest.mark.parametrize("n", [500, 5000])
def test_variants_stay_quick(n):
    import time

    from drift.agreement.pairs import form_pairs
    from drift.agreement.proposal import variants_of
    from drift.agreement.structure import Structure

    a, b = in_proportion(n=n)
    group = form_pairs(trial_table(long_form(a, b)), ask()).groups[0]
    structure = Structure("simple", (), (), "", n)
    start = time.process_time()
    variants_of(structure, group, 0.95)
    assert time.process_time() - start < 1.0
