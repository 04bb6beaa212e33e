"""Checks of what limits assume, against other libraries and against data made to fail them."""

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from drift.agreement import agreement
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant",), **settings}
    return AgreementQuestion(**given)


def answer(a, b):
    return agreement(trial_table(long_form(a, b)), ask())


def checks(result):
    return result.table("checks").to_frame().set_index("check")


def test_checks_equal_scipy_and_statsmodels():
    from statsmodels.stats.diagnostic import het_breuschpagan

    rng = np.random.default_rng(1)
    b = rng.normal(100, 10, 40)
    a = b + rng.normal(size=40)
    mean, d = (a + b) / 2, a - b
    found = checks(answer(a, b))
    line = stats.linregress(mean, d)
    assert found.loc["trend with size", "value"] == pytest.approx(line.slope, rel=1e-9)
    assert found.loc["trend with size", "p"] == pytest.approx(line.pvalue, rel=1e-9)
    _, p, _, _ = het_breuschpagan(d - line.intercept - line.slope * mean, np.column_stack([np.ones(40), mean]))
    assert found.loc["spread with size", "p"] == pytest.approx(p, rel=1e-8)
    assert found.loc["normality of differences", "p"] == pytest.approx(stats.shapiro(d).pvalue, rel=1e-6)


def test_plain_bias_and_limits_equal_pingouin_and_statsmodels():
    # pingouin and statsmodels draw the same limits; pingouin's intervals of the limits are the approximation
    # t sqrt(3/n) s, not exact, and are therefore not compared
    import statsmodels.stats.api as sms

    rng = np.random.default_rng(2)
    b = rng.normal(100, 10, 25)
    a = b + 1 + rng.normal(size=25)
    result, d = answer(a, b), a - b
    low, high = sms.DescrStatsW(d).tconfint_mean(0.05)
    bias = result.estimate("bias")
    assert (bias.low, bias.high) == pytest.approx((low, high), rel=1e-10)
    assert result.estimate("upper limit").value == pytest.approx(d.mean() + 1.96 * d.std(ddof=1), rel=1e-12)
    import matplotlib as mpl

    mpl.use("Agg")
    import pingouin as pg

    ax = pg.plot_blandaltman(a, b, agreement=1.96, confidence=None)
    drawn = sorted(float(line.get_ydata()[0]) for line in ax.get_lines() if len(line.get_ydata()) == 2)
    for name in ("lower limit", "bias", "upper limit"):
        assert min(abs(v - result.estimate(name).value) for v in drawn) < 1e-9


def test_a_spread_that_grows_proposes_ratio_limits():
    rng = np.random.default_rng(3)
    b = rng.uniform(10, 300, 80)
    result = answer(b * np.exp(0.15 * rng.normal(size=80)), b)
    assert checks(result).loc["spread with size", "holds"] == "no"
    finding, = [f for f in result.findings if f.code == "spread-with-size"]
    assert "ratio limits" in finding.mend
    rows = result.table("limits").to_frame()
    ratio = rows[rows.variant == "ratio (log scale)"].set_index("limit")
    assert ratio.loc["lower limit", "value"] == pytest.approx(np.exp(-1.96 * 0.15), abs=0.06)
    spread = rows[rows.variant == "regression on mean"]
    assert spread.value.max() > 2 * spread[spread["at"] == spread["at"].min()].value.max()


def test_a_spread_that_falls_does_not_propose_ratio_limits():
    rng = np.random.default_rng(4)
    b = rng.uniform(50, 100, 120)
    result = answer(b + (105 - b) / 10 * rng.normal(size=120), b)
    finding, = [f for f in result.findings if f.code == "spread-with-size"]
    assert "falls" in finding.message
    assert "ratio" not in finding.mend


def test_outliers_are_named_and_kept():
    rng = np.random.default_rng(5)
    b = rng.normal(100, 10, 30)
    a = b + rng.normal(size=30)
    a[7] += 12
    result = answer(a, b)
    named = [f for f in result.findings if f.code == "outlier"]
    assert "participant P007 stands out" in named[0].message
    assert result.estimate("bias").n == 30
    assert result.estimate("bias").value == pytest.approx(np.mean(a - b), rel=1e-12)


def test_differences_that_are_not_normal_propose_quantiles():
    rng = np.random.default_rng(6)
    b = rng.normal(100, 10, 150)
    d = rng.exponential(size=150)
    result = answer(b + d, b)
    finding, = [f for f in result.findings if f.code == "not-normal"]
    assert finding.severity == "warning"
    rows = result.table("limits").to_frame()
    lower = rows[(rows.variant == "nonparametric") & (rows.limit == "lower limit")].iloc[0]
    assert lower.value == pytest.approx(np.quantile(d, 0.025, method="weibull"), abs=1e-9)
    assert lower.low < lower.value < lower.high
    # plain limits would expect negative differences where there are none
    assert result.estimate("lower limit").value < 0 < lower.value


def test_type_six_quantiles_equal_the_recomputed_ones():
    from tests.published_examples import load

    example = load("bland-altman-1999-sbp")
    frame = example.frame().query("replicate == 1").pivot_table(index="subject", columns="method", values="sbp")
    d = (frame.S - frame.J).to_numpy()
    from drift.engine.quantile_limits import quantile_interval

    found = [quantile_interval(d, p, 0.95)[0] for p in (0.05, 0.95)]
    assert found == pytest.approx(example.recomputed["nonparametric_first_reading"]["S-J_5th_95th_centile_type6"])


def test_normality_of_repeated_measurements_is_asked_of_each_part():
    rng = np.random.default_rng(7)
    t = np.repeat(np.arange(12), 4)
    x = rng.normal(100, 10, 48)
    rows = long_form(x + rng.normal(size=12)[t] + rng.normal(size=48), x, participant=[f"P{i}" for i in t],
                     replicate=[str(i) for i in np.tile(np.arange(4), 12)])
    found = checks(agreement(trial_table(pd.DataFrame(rows)), ask(pair_by=("participant", "replicate"))))
    assert {"normality of means of participant", "normality of deviations within"} <= set(found.index)
    assert "mixed model" in found.loc["trend with size", "statistic"]
