"""Nested components: CLSI EP05 glucose, NIST resistivity probes, Oxide, and unequal numbers against a twin."""

from __future__ import annotations

import math

import numpy as np
import pytest

from drift.reliability import combine_uncertainty, nested_components, nested_levels, relative_bias
from tests.published_examples import agrees, load


def test_glucose_as_printed() -> None:
    example = load("clsi-ep05-glucose-20x2x2")
    d, expected = example.frame(), example.expected
    r = nested_components(d["result"], [d["day"], d["run"]])
    assert agrees(r.mean, expected["mean"])
    for i, part in enumerate(("day", "day_run", "error")):
        e = expected[part]
        assert r.df[i] == float(e["df"])
        for found, key in ((r.ss[i], "ss"), (r.ms[i], "ms"), (r.variances[i], "vc"), (r.sds[i], "sd"),
                           (100 * r.sds[i] / r.mean, "cv_pct"), (100 * r.variances[i] / r.total_variance, "pct_total")):
            assert agrees(found, e[key]), (part, key)
    total = expected["total"]
    assert agrees(r.total_variance, total["vc"])
    assert agrees(math.sqrt(r.total_variance), total["sd"])
    assert agrees(r.total_df, total["df"])
    assert r.total_sd == pytest.approx(example.recomputed["ci95_sd_total"], rel=1e-8)
    assert r.repeatability_sd == pytest.approx(example.recomputed["ci95_sd_repeatability"], rel=1e-8)


def test_oxide_closed_form() -> None:
    """Pinheiro & Bates (2000), section 4.2.3: wafers in lots, balanced."""
    example = load("nlme-oxide")
    d = example.frame()
    lower = {c.lower(): c for c in d.columns}
    value = lower.get("thickness", d.columns[-1])
    r = nested_components(d[value], [d[lower["lot"]], d[lower["wafer"]]])
    assert r.variances == pytest.approx([129.907186949, 35.8657407407, 12.5694444444], rel=1e-9)


def test_unequal_numbers_give_unbiased_components() -> None:
    """Recovery of known variances (4, 1, 0.25) over 400 draws of an unbalanced layout."""
    rng = np.random.default_rng(1)
    outer = np.repeat(np.arange(8), rng.integers(3, 9, 8))
    inner = np.concatenate([np.sort(rng.integers(0, 3, (outer == g).sum())) for g in range(8)])
    sums = []
    for _ in range(400):
        y = (2 * rng.normal(size=8)[outer] + rng.normal(size=(8, 3))[outer, inner] + 0.5 * rng.normal(size=len(outer)))
        sums.append(nested_components(y, [outer, inner]).variances)
    error = np.std(sums, axis=0) / 20
    assert np.all(np.abs(np.mean(sums, axis=0) - [4, 1, 0.25]) < 4 * error)


def probes():
    example = load("nist-gauge-study-resistivity")
    return example, example.frame()


def test_nist_probe_2362_as_printed() -> None:
    example, d = probes()
    expected = example.expected["probe_2362"]
    one = d[d["probe"] == 2362]
    r = nested_levels(one["average"], one["stddev"], np.full(len(one), 6), one["wafer"], one["run"])
    for found, key in ((r.s1, "s1"), (r.s2, "s2"), (r.s3, "s3")):
        assert agrees(found, expected[key]), key
    # The handbook's script prints eight decimals from level SDs that it had rounded by run to five: differences of
    # squares keep the first four significant digits of them.
    for found, key in ((r.s_days, "s_days"), (r.s_runs, "s_runs")):
        assert found == pytest.approx(float(expected[key]), rel=1e-4), key
    assert (r.df1, r.df2, r.df3) == (expected["df1"], expected["df2"], expected["df3"])
    # Squared SDs, not SDs, are pooled: the mean of the SDs would be 0.0685.
    assert abs(float(np.mean(one["stddev"])) - r.s1) > 0.002


def test_nist_other_probes_at_full_precision() -> None:
    example, d = probes()
    for probe, s1 in example.recomputed["pooled_s1"].items():
        one = d[d["probe"] == int(probe)]
        r = nested_levels(one["average"], one["stddev"], np.full(len(one), 6), one["wafer"], one["run"])
        assert (r.s1, r.s2, r.s3) == pytest.approx((s1, example.recomputed["pooled_s2"][probe],
                                                    example.recomputed["s3"][probe]), rel=1e-8)


def test_nist_probe_bias_and_uncertainty_as_printed() -> None:
    example, d = probes()
    expected = example.expected["probe_2362"]
    bias = relative_bias(d["average"], d["wafer"], d["probe"], d["run"])
    wafers = sorted(d["wafer"].unique())
    by_run = {run: [bias["2362", str(w), str(run)] for w in wafers] for run in (1, 2)}
    for run in (1, 2):
        for found, printed in zip(by_run[run], example.expected[f"bias_by_wafer_run{run}"], strict=True):
            assert agrees(found, printed)
        assert agrees(np.mean(by_run[run]), expected[f"bias_run{run}"])
    every = by_run[1] + by_run[2]
    assert agrees(np.mean(every), expected["bias_overall"])
    assert agrees(np.std(every, ddof=1), expected["bias_sd"])
    one = d[d["probe"] == 2362]
    r = nested_levels(one["average"], one["stddev"], np.full(len(one), 6), one["wafer"], one["run"])
    s_probe = float(np.std(every, ddof=1))
    u, df, expanded = combine_uncertainty([(r.s2, 5 / 6, r.df2), (r.s3, 1.0, r.df3), (s_probe, 1 / 10, 9)])
    assert u == pytest.approx(float(expected["u"]), rel=1e-5)  # printed from rounded level SDs, as s_days above
    assert math.floor(df) == expected["u_df"]
    assert agrees(expanded, expected["expanded_u"])


def test_a_level_without_freedom_is_refused() -> None:
    with pytest.raises(ValueError, match="no degrees of freedom"):
        nested_components([1.0, 2.0, 3.0], [["a", "b", "c"]])


def test_dyestuff_one_way_as_printed_and_the_negative_estimate_of_dyestuff2() -> None:
    """Bates (2010): balanced, so the REML variance is the closed form; Box & Tiao's set has it below zero."""
    example = load("lme4-dyestuff")
    d = example.frame()
    r = nested_components(d["yield"], [d["batch"]])
    for found, key in ((r.variances[0], "var_batch"), (r.variances[1], "var_residual")):
        assert agrees(found, example.expected["reml"][key])
    second = load("lme4-dyestuff2-boundary")
    d = second.frame()
    r = nested_components(d["yield"], [d["batch"]])
    assert r.variances[0] == pytest.approx(second.recomputed["anova_var_batch_negative"], rel=1e-6)
    assert r.sds[0] == 0
