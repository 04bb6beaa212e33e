"""Lives: published fits to their printed digits, other libraries, naive ways that fail, and bad input."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.cli import cli
from drift.engine.life_fit import EULER_SHARE, Lives, fit_lives, ratio_interval, share_failed
from drift.engine.life_simulated import looked_at
from drift.engine.turnbull import fit_turnbull, incidence, product_limit, support_of
from drift.ingest.lives import observed
from drift.retirement.life_study import LifeSpec, lifetimes
from tests.published_examples import FOLDER, agrees, load

Floats = np.ndarray[Any, np.dtype[np.float64]]


def shock() -> tuple[Floats, Floats, Any]:
    d = load("meeker-shock-absorber").frame()
    t = d.miles.to_numpy(float)
    return t, np.where(d.status == 1, t, np.inf), d["mode"].map({"Mode1": 0, "Mode2": 1, "Censored": -1}).to_numpy()


def cosmesis() -> tuple[Floats, Floats]:
    d = load("turnbull-cosmesis-radiation").frame()
    return d.left.to_numpy(float), d.right.fillna(np.inf).to_numpy(float)


def run(*words: object) -> dict[str, Any]:
    result = CliRunner().invoke(cli, ["lifetimes", *map(str, words), "--json"])
    return {**json.loads(result.stdout), "exit": result.exit_code}


# Published: NIST e-Handbook 8.2.2.1 and 8.4.1.3.
def test_nist_right_censored_weibull_to_printed_digits() -> None:
    x = load("nist-weibull-right-censored")
    d = x.frame()
    fit = fit_lives(Lives.build(d.hours, np.where(d.failed == 1, d.hours, np.inf)))
    for value, key in ((fit.beta, "mle_shape"), (fit.eta, "mle_scale"), (fit.loglik, "loglik")):
        assert agrees(float(value), x.expected[key])
        assert float(value) == pytest.approx(float(x.recomputed[key]), rel=1e-8)


def test_nist_plot_of_median_ranks_to_printed_digits_is_not_the_fit() -> None:
    x = load("nist-weibull-right-censored")
    d = x.frame()
    t = np.sort(d.hours[d.failed == 1].to_numpy(float))
    i, n = np.arange(1, len(t) + 1), len(d)
    y = -np.log1p(-(i - 0.3) / (n + 0.4))
    assert agrees(float(y[0]), x.expected["plot_y_01"])
    assert agrees(float(y[-1]), x.expected["plot_y_10"])
    slope, intercept = np.polyfit(np.log10(t), np.log10(y), 1)
    assert agrees(float(slope), x.expected["plot_slope"])
    assert agrees(float(intercept), x.expected["plot_intercept"])
    assert abs(slope / float(x.expected["mle_shape"]) - 1) > 0.15  # the graph is no substitute for the likelihood


# Published: Meeker & Escobar (1998), example 8.1 and table 8.1.
def test_shock_absorbers_to_printed_digits_through_json() -> None:
    x = load("meeker-shock-absorber")
    data = run(FOLDER / "meeker-shock-absorber.csv", "--time", "miles", "--event", "mode", "--failed", "Mode1,Mode2")
    table = next(t for t in data["tables"] if t["name"] == "life distributions")
    row = dict(zip([c["name"] for c in table["columns"]], table["rows"][0], strict=True))
    assert agrees(row["location"], x.expected["mu"])
    assert agrees(row["location se"], x.expected["se_mu"])
    assert agrees(row["scale"], x.expected["sigma"])
    assert row["scale se"] == pytest.approx(float(x.unprinted["se_sigma"]), rel=1e-8)
    assert row["log-likelihood"] == pytest.approx(float(x.unprinted["loglik"]), rel=1e-9)
    found = {e["name"]: e for e in data["estimates"]}
    assert agrees(found["Weibull scale"]["value"], x.expected["eta"])
    assert agrees(found["Weibull shape"]["value"], x.expected["beta"])
    assert agrees(found["failures seen"]["value"], x.expected["n_failures"])
    assert found["life by which 10 % fail"]["value"] == pytest.approx(float(x.unprinted["t_0.1"]), rel=1e-8)
    lognormal = dict(zip([c["name"] for c in table["columns"]], table["rows"][1], strict=True))
    assert lognormal["location"] == pytest.approx(float(x.unprinted["lognormal_mu"]), rel=1e-8)
    assert lognormal["scale"] == pytest.approx(float(x.unprinted["lognormal_sigma"]), rel=1e-7)
    assert data["exit"] == 0


# Published: Fay & Shaw (2010), the data of Finkelstein & Wolfe (1985).
def test_turnbull_masses_to_printed_digits_through_json() -> None:
    x = load("turnbull-cosmesis-radiation")
    data = run(FOLDER / "turnbull-cosmesis-radiation.csv", "--from", "left", "--to", "right")
    table = next(t for t in data["tables"] if t["name"] == "survival")
    mass = {f"p({r[0]:g},{r[1]:g}]": r[3] for r in table["rows"]}
    assert set(mass) == set(x.expected)
    for key, printed in x.expected.items():
        assert agrees(mass[key], printed)
        assert mass[key] == pytest.approx(float(x.recomputed[key]), abs=1e-9)


def test_turnbull_stops_at_the_maximum_and_the_weibull_of_intervals_agrees() -> None:
    x = load("turnbull-cosmesis-radiation")
    low, high = cosmesis()
    found = fit_turnbull(support_of(low, high))
    assert found.loglik == pytest.approx(float(x.unprinted["npmle_loglik"]), rel=1e-9)
    assert found.gradient < 1e-6
    fit = fit_lives(Lives.build(low, high))
    for value, key in ((fit.eta, "weibull_eta"), (fit.beta, "weibull_beta"), (fit.loglik, "weibull_loglik")):
        assert float(value) == pytest.approx(float(x.unprinted[key]), rel=1e-7)


# Another library.
def test_lifelines_agrees_on_right_and_interval_censoring() -> None:
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the other library says of itself
        import lifelines

        t, upper, _ = shock()
        other = lifelines.WeibullFitter().fit(t, np.isfinite(upper))
        between = lifelines.WeibullFitter().fit_interval_censoring(*cosmesis())
        limit = lifelines.KaplanMeierFitter().fit(t, np.isfinite(upper))
    mine = fit_lives(Lives.build(t, upper))
    assert float(mine.eta) == pytest.approx(other.lambda_, rel=1e-5)
    assert float(mine.beta) == pytest.approx(other.rho_, rel=1e-5)
    assert float(fit_lives(Lives.build(*cosmesis())).beta) == pytest.approx(between.rho_, rel=1e-4)
    ours = product_limit(t, np.where(np.isfinite(upper), 0, -1))
    np.testing.assert_allclose(ours.survival, limit.survival_function_at_times(ours.time).to_numpy(), rtol=1e-12)


# R 4.2.2, survival 3.5-3: survfit(Surv(miles, mode)), see tests/references/make_life_data.R.
def test_incidence_by_cause_is_that_of_r() -> None:
    t, _, cause = shock()
    ours = product_limit(t, cause, 2)
    np.testing.assert_allclose(ours.survival[-1], 0.2873759, atol=5e-8)
    np.testing.assert_allclose(ours.std_error[-1], 0.15108901, atol=5e-8)
    np.testing.assert_allclose(ours.incidence[:, -1], [0.4910062, 0.2216179], atol=5e-8)
    np.testing.assert_allclose(ours.incidence_se[:, -1], [0.1580299, 0.1082064], atol=5e-8)


def test_turnbull_by_cause_is_aalen_johansen_where_times_are_exact() -> None:
    t, upper, cause = shock()
    s = support_of(t, upper, cause)
    found, ours = fit_turnbull(s), product_limit(t, cause, 2)
    for k in (0, 1):
        np.testing.assert_allclose(incidence(s, found.mass, ours.time, k), ours.incidence[k], atol=1e-9)


# Naive ways that must fail.
def test_the_check_date_as_failure_date_is_late_and_the_interval_is_not() -> None:
    rng = np.random.default_rng(5)
    life = rng.weibull(2, 4000) * 20
    grid = np.arange(5.0, 61.0, 5.0)
    seen = looked_at(life, np.full(4000, 60.0), np.ones(4000, bool), grid)
    true = float(fit_lives(Lives.build(life, life)).quantile(0.5))
    right = float(fit_lives(seen).quantile(0.5))
    failed = np.isfinite(seen.upper)
    late = float(fit_lives(Lives.build(np.where(failed, seen.upper, seen.lower), seen.upper)).quantile(0.5))
    assert right == pytest.approx(true, rel=0.01)
    assert late - true > 2.0  # half of the time between checks


def test_leaving_out_units_that_are_still_fit_makes_lives_too_short() -> None:
    t, upper, _ = shock()
    failed = np.isfinite(upper)
    naive = float(fit_lives(Lives.build(t[failed], t[failed])).quantile(0.5))
    assert naive < 0.8 * float(fit_lives(Lives.build(t, upper)).quantile(0.5))


def test_one_minus_survival_of_one_cause_is_more_than_its_share() -> None:
    t, _, cause = shock()
    alone = sum(1 - product_limit(t, np.where(cause == k, 0, -1)).survival[-1] for k in (0, 1))
    together = product_limit(t, cause, 2)
    assert together.incidence[:, -1].sum() == pytest.approx(1 - together.survival[-1], abs=1e-12)
    assert alone > 1 - together.survival[-1] + 0.05


# Known truth, and what intervals must do.
def test_truth_is_recovered_under_every_censoring() -> None:
    rng = np.random.default_rng(1)
    life, start, end = rng.weibull(2.5, 6000) * 30, rng.uniform(0, 20, 6000), rng.uniform(20, 60, 6000)
    low = np.where(life > end, end, np.where(life < start, 0.0, life))
    high = np.where(life > end, np.inf, np.where(life < start, start, life))
    fit = fit_lives(Lives.build(np.maximum(low, 0), high))
    assert float(fit.beta) == pytest.approx(2.5, rel=0.04)
    assert float(fit.eta) == pytest.approx(30, rel=0.02)


def test_likelihood_ratio_ends_lie_where_the_likelihood_says() -> None:
    from scipy.optimize import minimize_scalar

    t, upper, _ = shock()
    lives = Lives.build(t, upper)
    fit = fit_lives(lives)
    low, high = ratio_interval(lives, fit, 0.95, p=EULER_SHARE)

    def deviance(eta: float) -> float:
        def minus(beta: float) -> float:
            failed = np.isfinite(upper)
            z = (t / eta) ** beta
            return -float((failed * (np.log(beta / eta) + (beta - 1) * np.log(t / eta)) - z).sum())

        return 2 * (float(fit.loglik) + float(minimize_scalar(minus, bounds=(0.2, 20), method="bounded",
                                                              options={"xatol": 1e-10}).fun))

    for end in (low, high):
        assert deviance(float(end)) == pytest.approx(3.841458820694124, abs=1e-5)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(0.01, 1000.0))
def test_units_and_order_change_nothing_but_the_unit(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    life = rng.weibull(1.7, 12) * 10
    seen = looked_at(life, np.full(12, 14.0), np.ones(12, bool), np.array([3.0, 6, 9, 14]))
    order = rng.permutation(12)
    one, two = fit_lives(seen), fit_lives(Lives.build(seen.lower[order] * scale, seen.upper[order] * scale))
    assert bool(one.found) == bool(two.found)
    if bool(one.found):
        assert float(two.beta) == pytest.approx(float(one.beta), rel=1e-4)
        assert float(two.eta) == pytest.approx(float(one.eta) * scale, rel=1e-4)
    a, b = (fit_turnbull(support_of(x.lower, x.upper)).loglik for x in (seen, Lives.build(seen.lower[order] * scale,
                                                                                         seen.upper[order] * scale)))
    assert a == pytest.approx(b, abs=1e-7)


def test_many_studies_at_once_are_the_same_as_one_by_one() -> None:
    rng = np.random.default_rng(2)
    life = rng.weibull(1.5, (20, 8)) * 10
    seen = looked_at(life, np.full(8, 12.0), np.ones(8, bool), np.array([4.0, 8, 12]))
    whole = fit_lives(seen)
    for i in range(20):
        one = fit_lives(Lives.build(seen.lower[i], seen.upper[i]))
        assert bool(one.found) == bool(whole.found[i])
        if bool(one.found):
            assert float(one.eta) == pytest.approx(float(whole.eta[i]), rel=1e-4)
    assert share_failed("weibull", 0.0, 1.0, 1.0) == pytest.approx(EULER_SHARE)


# Bad input: a right answer or one clear sentence.
def test_no_failure_at_all() -> None:
    r = lifetimes(observed([10, 12, 15, 9], [np.inf] * 4))
    assert r.answer.startswith("None of 4 units failed")
    assert "still fit at 9 uses" in r.answer
    assert [f.code for f in r.findings if f.severity == "warning"] == ["no-failure"]
    assert r.table("fixed shape")["lower bound of scale"][1] > 0


def test_all_fail_in_the_first_interval() -> None:
    r = lifetimes(observed([0] * 6, [5] * 6))
    assert "one time explains every life (all failed between 0 and 5 uses)" in r.answer
    assert r.table("survival")["share failed"][0] == pytest.approx(1.0)


def test_all_removed_on_the_same_day() -> None:
    r = lifetimes(observed([8] * 5, [np.inf] * 5))
    assert "All 5 units were taken out at 8 uses" in " ".join(f.message for f in r.findings)


def test_failures_at_time_zero_are_counted_and_said() -> None:
    r = lifetimes(observed([0, 0, 4, 6, 8, 9, 10], [0, 0, 6, 8, 10, np.inf, np.inf]))
    assert any(f.code == "past-at-zero" and f.message.startswith("2 of 7") for f in r.findings)
    assert r.table("survival")["share failed"][0] == pytest.approx(2 / 7)


@pytest.mark.parametrize("upper", [5.0, math.inf])
def test_one_unit(upper: float) -> None:
    r = lifetimes(observed([2], [upper]))
    assert any(f.code == "one-unit" for f in r.findings)
    assert not any(e.name == "Weibull shape" for e in r.estimates)


def test_few_failures_show_what_a_known_shape_would_give() -> None:
    r = lifetimes(observed([2, 5, 9, 9, 9, 9], [4, 7, np.inf, np.inf, np.inf, np.inf]), LifeSpec(share=0.1))
    assert any(f.code == "few-failures" for f in r.findings)
    shapes = r.table("fixed shape")
    assert list(shapes["shape"]) == [1, 2, 3, 4]
    assert np.all(np.diff(shapes["lower bound of the life by which 10 % fail"]) > 0)


def test_fixed_shape_one_is_the_exponential_bound() -> None:
    from scipy.stats import chi2

    r = lifetimes(observed([3, 7, 10, 10], [3, 7, np.inf, np.inf]), LifeSpec(shape=1.0))
    assert r.table("fixed shape")["scale"][0] == pytest.approx(30 / 2)
    assert r.table("fixed shape")["lower bound of scale"][0] == pytest.approx(60 / chi2.ppf(0.95, 6))


def test_faults_of_a_table_are_told_all_at_once(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("unit,t,e\na,5,1\nb,-2,0\nc,x,1\nd,7,perhaps\n")
    data = run(tmp_path / "t.csv", "--time", "t", "--event", "e")
    assert data["exit"] == 1
    found = {(f["code"], f["row"], f["value"]) for f in data["findings"]}
    assert found == {("negative-time", 3, "-2"), ("not-a-number", 4, "x"), ("unknown-event", 5, "perhaps")}
    assert all(f["mend"] for f in data["findings"])


def test_from_after_to_and_empty_lives_are_refused(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("id,lo,hi\na,5,3\nb,,\nc,2,4\n")
    data = run(tmp_path / "t.csv", "--from", "lo", "--to", "hi")
    assert {(f["code"], f["row"]) for f in data["findings"]} == {("from-after-to", 2), ("empty-life", 3)}


def test_a_value_that_is_not_there_is_named(tmp_path: Path) -> None:
    (tmp_path / "t.csv").write_text("t,e\n5,worn\n6,fine\n")
    data = run(tmp_path / "t.csv", "--time", "t", "--event", "e", "--failed", "broken")
    assert [(f["code"], f["value"]) for f in data["findings"]] == [("unknown-event", "broken")]
    near = run(tmp_path / "t.csv", "--time", "tt", "--event", "e")
    assert "Did you mean 't'?" in near["findings"][0]["mend"]


@pytest.mark.parametrize(("words", "said"), [
    ((), "give --time"), (("--time", "t", "--from", "a", "--to", "b"), "give either"),
    (("--from", "a"), "belong together"), (("--event", "e"), "--event needs --time"),
    (("--time", "t", "--failed", "x"), "give --event as well")])
def test_half_a_form_is_refused(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    (tmp_path / "t.csv").write_text("t\n5\n")
    result = CliRunner().invoke(cli, ["lifetimes", str(tmp_path / "t.csv"), *words])
    assert result.exit_code == 2
    assert said in result.output
