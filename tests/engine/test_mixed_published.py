"""The mixed-model engine prints what published analyses print, and meets closed forms to 1e-8."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from drift.engine.likelihood_ratio import boundary_test, mixture_test
from drift.engine.mixed import (
    MixedFit,
    NestedDesign,
    blups,
    fit_mixed,
    kenward_roger,
    kenward_roger_test,
    satterthwaite,
    variance_intervals,
)
from tests.engine.mixed_designs import reference
from tests.published_examples import agrees, load


def misses(printed: Mapping[str, str], got: Mapping[str, float], **units: float) -> list[str]:
    """Keys whose value does not round to what was printed; every printed key must have a value."""
    assert set(got) == set(printed)
    return [key for key in printed if not agrees(got[key], printed[key], units=units.get(key, 0.0))]


def codes(values: object) -> np.ndarray:
    return np.unique(np.asarray(values).astype(str), return_inverse=True)[1]


def line_design(y: object, x: object, group: object, *, correlated: bool = True, slope: bool = True) -> NestedDesign:
    x = np.asarray(x, dtype=float)
    columns = np.column_stack([np.ones(len(x)), x])
    z = columns if slope else columns[:, :1]
    return NestedDesign.build(np.asarray(y, dtype=float), columns, [(z, codes(group), correlated)])


def sleepstudy(**options: bool) -> NestedDesign:
    d = load("lme4-sleepstudy").frame()
    return line_design(d.Reaction, d.Days, d.Subject, **options)


def intercepts(y: object, *groups: object, fixed: np.ndarray | None = None) -> NestedDesign:
    response = np.asarray(y, dtype=float)
    one = np.ones(len(response))
    return NestedDesign.build(
        response, one[:, None] if fixed is None else fixed, [(one, codes(g)) for g in groups]
    )


def balanced_line_closed_form(design_frame: object) -> tuple[np.ndarray, float, np.ndarray]:
    """Covariance, residual variance and slope's standard errors of the sleep study from its per-person lines."""
    d = design_frame
    people = [g for _, g in d.groupby("Subject")]
    x = np.column_stack([np.ones(10), people[0].Days])
    lines = np.array([np.linalg.lstsq(x, g.Reaction, rcond=None)[0] for g in people])
    rest = sum(((g.Reaction - x @ b) ** 2).sum() for g, b in zip(people, lines, strict=True))
    sigma2 = rest / (len(people) * 8)
    scatter = np.cov(lines.T)
    return scatter - sigma2 * np.linalg.inv(x.T @ x), sigma2, np.sqrt(np.diag(scatter) / len(people))


def test_sleepstudy_meets_its_closed_form_where_a_default_optimiser_stops_early() -> None:
    """Laird & Ware (1982): balanced data have a closed form; 612.0899 is its value, 612.10 an optimiser's."""
    covariance, sigma2, se = balanced_line_closed_form(load("lme4-sleepstudy").frame())
    fit = fit_mixed(sleepstudy())
    assert fit.closed_form
    np.testing.assert_allclose(fit.covariances[0], covariance, rtol=1e-10)
    np.testing.assert_allclose(fit.sigma2, sigma2, rtol=1e-12)
    np.testing.assert_allclose(fit.std_error, se, rtol=1e-12)
    assert fit.covariances[0][0, 0] == pytest.approx(612.0899387, abs=5e-8)
    default = reference()["sleepstudy_default"]
    looser = default["variance_intercept"] - fit.covariances[0][0, 0]
    assert 0.005 < looser < 0.05, "lme4 1.1-31 stops 0.01 above the exact value, 1.7e-5 of it"
    assert 0 < default["criterion"] - fit.criterion < 1e-6


def test_sleepstudy_prints_what_two_optimisers_printed() -> None:
    """Bates et al. (2015), J Stat Softw 67(1), the second record of the example, REML and ML.

    "612.1", "23.780" and ".066" are an optimiser's digits; the exact values are 612.0899, 23.7806 and 0.0656.
    """
    e = load("lme4-sleepstudy-reliability").expected
    fit, ml = fit_mixed(sleepstudy()), fit_mixed(sleepstudy(), method="ML")
    se, df = satterthwaite(sleepstudy(), fit)
    d, reml = fit.covariances[0], e["reml"]
    got = {"var_intercept": d[0, 0], "sd_intercept": d[0, 0] ** 0.5, "var_days": d[1, 1], "sd_days": d[1, 1] ** 0.5,
           "corr": fit.correlation(0)[0, 1], "var_residual": fit.sigma2, "sd_residual": fit.sigma,
           "criterion": fit.criterion,
           "intercept": fit.beta[0], "se_intercept": se[0], "days": fit.beta[1], "se_days": se[1],
           "t_days": fit.beta[1] / se[1], "satterthwaite_df": df[1]}
    assert misses(reml, got) == []
    m = ml.covariances[0]
    got = {"sd_intercept": m[0, 0] ** 0.5, "sd_days": m[1, 1] ** 0.5, "sd_residual": ml.sigma,
           "corr": ml.correlation(0)[0, 1], "deviance": ml.criterion}
    # 23.780 was printed where the maximum lies at 23.7806: one unit of the last digit.
    assert misses(e["ml"], got, sd_intercept=1.0) == []


def test_sleepstudy_by_newton_steps_equals_the_closed_form() -> None:
    """One row less makes the design unbalanced; the same optimiser run on the balanced one loses nothing."""
    from drift.engine.mixed_fit import criterion_of
    from drift.engine.optimise import newton

    design = sleepstudy()
    exact = fit_mixed(design)
    found = newton(criterion_of(design, "REML"), np.array([[1.0, 0.0, 1.0]]))
    np.testing.assert_allclose(np.abs(found.x[0]), exact.theta, rtol=1e-10)


def test_sleepstudy_prints_the_published_estimates_spreads_and_tests() -> None:
    """Bates et al. (2015), Journal of Statistical Software 67(1); 6 parameters, 180 rows."""
    design = sleepstudy()
    fit, full = fit_mixed(design), fit_mixed(design, "ML")
    plain = fit_mixed(sleepstudy(correlated=False), "ML")
    interior = mixture_test(plain.criterion - full.criterion, ((1, 1.0),))  # a correlation inside (-1, 1)
    (se0, se1), sd, (b0, b1) = fit.std_error, fit.sd(0), fit.beta
    got = {
        "reml_criterion": fit.criterion, "intercept": b0, "se_intercept": se0, "slope": b1, "se_slope": se1,
        "sd_intercept": sd[0], "sd_slope": sd[1], "corr": fit.correlation(0)[0, 1], "sd_residual": fit.sigma,
        "t_intercept": b0 / se0, "t_slope": b1 / se1, "var_intercept": sd[0] ** 2, "var_slope": sd[1] ** 2,
        "var_residual": fit.sigma2, "ml_deviance": full.criterion, "ml_AIC": full.criterion + 2 * 6,
        "ml_BIC": full.criterion + 6 * np.log(180), "uncorrelated_deviance": plain.criterion,
        "lrt_chisq": interior.statistic, "lrt_p": interior.p_value,
        "satterthwaite_df_slope": satterthwaite(design, fit).df[1],
        "kenward_roger_df_slope": kenward_roger(design, fit).df[1],
    }
    assert misses(load("lme4-sleepstudy").expected, got) == []


def test_kenward_roger_of_the_sleepstudy_is_the_t_test_on_lines() -> None:
    """Balanced: 18 people, 17 degrees of freedom, not 180 rows."""
    design = sleepstudy()
    se, df = kenward_roger(design, fit_mixed(design))
    np.testing.assert_allclose(df, 17.0, rtol=1e-10)
    np.testing.assert_allclose(se[1], float(load("lme4-sleepstudy").unprinted["kr_se_slope"]), rtol=1e-5)


def test_sleepstudy_predictions_are_those_of_lme4_to_its_optimiser() -> None:
    """lme4's stop short of the optimum moves its predictions by up to 1e-4."""
    e = load("lme4-sleepstudy").unprinted
    design = sleepstudy()
    found = blups(design, fit_mixed(design)).effects[0]
    people = sorted(set(load("lme4-sleepstudy").frame().Subject.astype(str)))
    for key, value in e.items():
        if key.startswith("blup_"):
            _, what, who = key.split("_")
            assert found[people.index(who), int(what == "slope")] == pytest.approx(float(value), abs=2e-3)


def test_slope_variance_of_the_sleepstudy_is_tested_by_a_mixture() -> None:
    """Stram & Lee (1994): 0.5 chi2(1) + 0.5 chi2(2); the plain chi2(2) doubles small p-values."""
    small, large = fit_mixed(sleepstudy(slope=False), "ML"), fit_mixed(sleepstudy(), "ML")
    assert small.criterion == pytest.approx(float(load("lme4-sleepstudy").unprinted["ri_deviance"]), abs=1e-6)
    test = boundary_test(small, large, added="slope and covariance")
    assert test.p_value < 0.6 * test.p_naive


def test_oxide_prints_the_nested_components() -> None:
    """Pinheiro & Bates (2000), section 4.2.3; exact values are those of the mean squares."""
    e, exact = load("nlme-oxide").expected, load("nlme-oxide-nested").meta["recomputed"]["reml_closed_form"]
    d = load("nlme-oxide").frame()
    fit = fit_mixed(intercepts(d.Thickness, d.Lot, d.Wafer))
    values = {"sd_lot": fit.sd(0)[0], "sd_wafer": fit.sd(1)[0], "sd_residual": fit.sigma, "intercept": fit.beta[0]}
    assert misses(e, values) == []
    got = [fit.covariances[0][0, 0], fit.covariances[1][0, 0], fit.sigma2]
    np.testing.assert_allclose(got, [exact["var_lot"], exact["var_wafer"], exact["var_residual"]], rtol=1e-10)
    nested = {"sd_lot": fit.sd(0)[0], "sd_wafer_in_lot": fit.sd(1)[0], "sd_residual": fit.sigma}
    nested |= {"fixed": fit.beta[0], "logLik": fit.loglik}
    assert misses(load("nlme-oxide-nested").expected["reml"], nested) == []
    theirs = load("nlme-oxide-nested").meta["recomputed"]["lme4"]["var_lot"]
    assert 0.005 < theirs - exact["var_lot"] < 0.01, "lme4 stops 0.006 above the exact lot variance"


def test_oxide_wafers_may_be_numbered_anew_in_each_lot() -> None:
    d = load("nlme-oxide").frame()
    again = fit_mixed(intercepts(d.Thickness, d.Lot, d.Wafer))
    renumbered = fit_mixed(intercepts(d.Thickness, d.Lot, d.Lot.astype(str) + "-" + d.Wafer.astype(str)))
    np.testing.assert_allclose(renumbered.covariances[1], again.covariances[1], rtol=1e-12)


def test_rail_prints_reml_and_ml() -> None:
    """Pinheiro & Bates (2000), section 1.1; statsmodels 0.15 stops at 615.224 against the exact 615.311."""
    e = load("nlme-rail-oneway-random")
    d = e.frame()
    design = intercepts(d.travel, d.rail)
    for method in ("REML", "ML"):
        fit, printed = fit_mixed(design, method), e.expected[method.lower()]
        assert fit.closed_form
        got = {"sd_rail": fit.sd(0)[0], "sd_residual": fit.sigma, "logLik": fit.loglik}
        if method == "REML":
            got |= {"fixed": fit.beta[0], "se_fixed": fit.std_error[0]}
        assert misses(printed, got) == []
        exact = float(e.recomputed[f"{method.lower()}_var_rail"])
        assert fit.covariances[0][0, 0] == pytest.approx(exact, rel=1e-11)
    fit = fit_mixed(design)
    np.testing.assert_allclose([satterthwaite(design, fit).df[0], kenward_roger(design, fit).df[0]], 5.0, rtol=1e-9)


def dyestuff(name: str) -> NestedDesign:
    d = load(name).frame()
    return intercepts(d["yield"], d.batch)


def test_dyestuff_prints_estimates_and_profile_intervals() -> None:
    """Bates (2010): profile intervals of the ML fit."""
    e = load("lme4-dyestuff").expected
    design = dyestuff("lme4-dyestuff")
    reml, ml = fit_mixed(design), fit_mixed(design, "ML")
    for fit, part, criterion in ((reml, "reml", "criterion"), (ml, "ml", "deviance")):
        got = {"sd_batch": fit.sd(0)[0], "sd_residual": fit.sigma, criterion: fit.criterion, "se": fit.std_error[0]}
        if part == "reml":
            got |= {"var_batch": fit.covariances[0][0, 0], "var_residual": fit.sigma2, "intercept": fit.beta[0]}
        assert misses(e[part], got) == []
    # The profile interval of the intercept has its own test below: the engine's intervals of fixed effects are
    # Kenward-Roger t intervals, so only the profiled criterion can be compared.
    assert set(e["profile_ci95_ml"]) == {"sd_batch", "sigma", "intercept"}
    found = variance_intervals(design, ml)
    for k, key in enumerate(("sd_batch", "sigma")):
        for value, printed in zip((found.low[k], found.high[k]), e["profile_ci95_ml"][key], strict=True):
            # the source interpolates its profile by a spline: two units of its third decimal
            assert agrees(value, printed, units=2.0), (key, value, printed)
    assert variance_intervals(design, ml, 0.99).low[0] == 0.0, "the 99 % limit reaches the boundary"


def test_dyestuff_profile_limits_solve_the_likelihood_equation() -> None:
    """The criterion of the balanced one-way layout has a closed form (Searle et al. 1992, section 3.7)."""
    from scipy.optimize import minimize_scalar

    d = load("lme4-dyestuff").frame()
    y = d["yield"].to_numpy(float).reshape(6, 5)
    inside, between = ((y - y.mean(1, keepdims=True)) ** 2).sum(), 5 * ((y.mean(1) - y.mean()) ** 2).sum()

    def deviance(tau: float, sigma2: float) -> float:
        wide = sigma2 + 5 * tau**2
        return 30 * np.log(2 * np.pi) + 24 * np.log(sigma2) + 6 * np.log(wide) + inside / sigma2 + between / wide

    design = dyestuff("lme4-dyestuff")
    fit = fit_mixed(design, "ML")
    found = variance_intervals(design, fit)
    for limit in (found.low[0], found.high[0]):
        best = minimize_scalar(lambda s, t=limit: deviance(t, np.exp(s)), bounds=(6, 10), options={"xatol": 1e-10})
        assert best.fun - fit.criterion == pytest.approx(3.841458820694124, abs=1e-6)


def test_dyestuff_prints_the_profile_interval_of_its_intercept() -> None:
    """The printed ends lie where the profiled ML criterion has risen by the chi-square quantile (Bates 2010)."""
    from scipy.optimize import brentq

    y = load("lme4-dyestuff").frame()["yield"].to_numpy(float).reshape(6, 5)
    inside = ((y - y.mean(1, keepdims=True)) ** 2).sum()
    least = fit_mixed(dyestuff("lme4-dyestuff"), "ML").criterion

    def rise(mu: float) -> float:
        wide = 5 * ((y.mean(1) - mu) ** 2).sum() / 6  # maximum-likelihood value of sigma2 + 5 tau2 at this intercept
        deviance = 30 * (np.log(2 * np.pi) + 1) + 24 * np.log(inside / 24) + 6 * np.log(wide)
        return float(deviance - least - 3.841458820694124)

    ends = [brentq(rise, 1400, 1527), brentq(rise, 1528, 1650)]
    for value, printed in zip(ends, load("lme4-dyestuff").expected["profile_ci95_ml"]["intercept"], strict=True):
        assert agrees(value, printed)


def test_dyestuff2_names_its_boundary() -> None:
    """Box & Tiao (1973): the between-batch variance is estimated as zero; the residual is then the total variance."""
    e = load("lme4-dyestuff2-boundary")
    design = dyestuff("lme4-dyestuff2-boundary")
    reml, ml = fit_mixed(design), fit_mixed(design, "ML")
    for fit, part, criterion in ((reml, "reml", "criterion"), (ml, "ml", "deviance")):
        assert fit.boundary == ("intercept variance of level 1 is zero",)
        assert fit.converged
        assert fit.covariances[0][0, 0] == 0.0
        got = {"var_batch": fit.covariances[0][0, 0], "var_residual": fit.sigma2, criterion: fit.criterion}
        if part == "reml":
            got |= {"sd_residual": fit.sigma, "intercept": fit.beta[0], "se": fit.std_error[0]}
        assert misses(e.expected[part], got) == []
    assert reml.sigma2 == pytest.approx(np.var(e.frame()["yield"], ddof=1), rel=1e-12)
    assert (blups(design, reml).effects[0] == 0.0).all()
    found = variance_intervals(design, reml)
    assert found.low[0] == 0.0
    assert found.high[0] > 0.0


def test_orthodont_prints_slopes_by_group() -> None:
    """Pinheiro & Bates (2000), section 4.2: one residual variance for both groups."""
    e = load("nlme-orthodont-groups").expected
    d = load("nlme-orthodont-groups").frame()
    age, female = d.age.to_numpy(float) - 11, (d.Sex == "Female").to_numpy(float)
    one = np.ones(len(d))
    x = np.column_stack([one, female, age, female * age])
    line = np.column_stack([one, age])
    fit = fit_mixed(NestedDesign.build(d.distance.to_numpy(float), x, [(line, codes(d.Subject))]))
    names = ("intercept", "female", "age", "female_age")
    got = dict(zip(names, fit.beta, strict=True))
    got |= {f"se_{name}": se for name, se in zip(names, fit.std_error, strict=True)}
    got |= {"sd_intercept": fit.sd(0)[0], "sd_slope": fit.sd(0)[1], "corr": fit.correlation(0)[0, 1]}
    got |= {"sd_residual": fit.sigma, "loglik": fit.loglik, "aic": fit.criterion + 2 * 8}
    got |= {"bic": fit.criterion + 8 * np.log(108 - 4)}
    assert misses(e, got) == []
    assert fit.closed_form, "27 children at the same four ages: a closed form, whatever the group sizes"


def beets() -> tuple[NestedDesign, MixedFit, np.ndarray]:
    d = load("pbkrtest-beets").frame()
    dummies = [(d[c] == v).to_numpy(float) for c in ("block", "sow", "harvest") for v in sorted(set(d[c]))[1:]]
    x = np.column_stack([np.ones(len(d)), *dummies])
    design = intercepts(d.sugpct, d.block + d.harvest, fixed=x)
    return design, fit_mixed(design), np.eye(x.shape[1])[[-1]]


def test_beets_print_the_kenward_roger_test_that_the_chi_square_misses() -> None:
    """Halekoh & Hojsgaard (2014): F(1, 2) = 15.21, p = 0.0599, where the chi-square says 0.0003."""
    from scipy.special import chdtrc

    e = load("pbkrtest-beets")
    design, fit, contrast = beets()
    test = kenward_roger_test(design, fit, contrast)
    assert misses(e.expected, {"kr_F": test.statistic, "kr_ddf": test.df2, "kr_p": test.p_value}) == []
    assert test.statistic == pytest.approx(float(e.recomputed["kr_F"]), rel=1e-8)
    assert chdtrc(1, test.statistic) < 0.0002 < test.p_value, "naive: infinite denominator degrees of freedom"


def test_rat_pups_print_the_boundary_test() -> None:
    """West, Welch & Galecki, chapter 3: half the chi2(1) tail."""
    e = load("ratpup-boundary-lrt")
    d = e.frame()
    high, low = (d.Treatment == "High").to_numpy(float), (d.Treatment == "Low").to_numpy(float)
    male = (d.sex == "Male").to_numpy(float)
    x = np.column_stack([np.ones(len(d)), high, low, male, d.Lsize, high * male, low * male])
    y = d.weight.to_numpy(float)
    large = fit_mixed(intercepts(y, d.Litter, fixed=x))
    rest = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
    df = len(y) - x.shape[1]
    without = df * (1 + np.log(2 * np.pi * (rest @ rest) / df)) + np.linalg.slogdet(x.T @ x)[1]
    test = mixture_test(without - large.criterion, ((0, 0.5), (1, 0.5)))
    got = {"minus2_reml_loglik_with_litter": large.criterion, "minus2_reml_loglik_without": without}
    assert misses(e.expected, got | {"lrt": test.statistic}) == []
    assert test.p_value == pytest.approx(0.5 * test.p_naive)
    assert test.p_value == pytest.approx(float(e.unprinted["p_mixture"]), rel=1e-4)


def test_ergometer_stools_print_the_block_model() -> None:
    """Pinheiro & Bates (2000), section 1.2: fixed types, random subjects."""
    e = load("nlme-ergostool-crossed-fixed")
    d, p = e.frame(), e.expected["reml"]
    x = np.column_stack([np.ones(len(d)), *[(d.type == t).to_numpy(float) for t in ("T2", "T3", "T4")]])
    design = intercepts(d.effort, d.subject, fixed=x)
    fit = fit_mixed(design)
    assert fit.closed_form
    test = kenward_roger_test(design, fit, np.eye(4)[1:])
    got = dict(zip(("intercept_T1", "T2", "T3", "T4"), fit.beta, strict=True))
    got |= {"sd_subject": fit.sd(0)[0], "sd_residual": fit.sigma, "logLik": fit.loglik, "F_type": test.statistic}
    got |= {"se_intercept": fit.std_error[0], "se_type": fit.std_error[1]}
    assert misses(p, got) == []
    exact = e.recomputed["reml_closed_form"]
    np.testing.assert_allclose([fit.covariances[0][0, 0], fit.sigma2], [*exact.values()], rtol=1e-11)
    assert test.df2 == pytest.approx(e.recomputed["df_den"], rel=1e-9)
