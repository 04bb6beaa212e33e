"""Facts about the mixed-model engine: known truth, boundaries, two minima, column order, tests on the boundary."""

from __future__ import annotations

import numpy as np
import pytest

from drift.engine.likelihood_ratio import boundary_test, mixture_test
from drift.engine.mixed import (
    NestedDesign,
    blups,
    fit_mixed,
    fixed_intervals,
    kenward_roger,
    kenward_roger_test,
    parametric_bootstrap,
    satterthwaite,
    variance_intervals,
)
from drift.engine.mixed_fit import criterion_of, criterion_offset
from drift.engine.nested_balanced import mean_square_theta
from drift.engine.nested_likelihood import evaluate
from drift.engine.optimise import newton
from tests.engine.dense import dense
from tests.engine.mixed_designs import NAMES, arrays, design


def test_three_levels_recover_the_truth_that_made_them() -> None:
    """Batches, sensors in batches, occasions in sensors, unbalanced: estimates within four standard errors."""
    rng = np.random.default_rng(41)
    batch, sensor = np.repeat(np.arange(40), 60), np.repeat(np.arange(240), 10)
    occasion = np.repeat(np.arange(1200), 2)
    true = {"batch": 0.5, "sensor": 1.0, "occasion": 0.7, "residual": 0.4}
    y = 3 + true["batch"] * rng.standard_normal(40)[batch] + true["sensor"] * rng.standard_normal(240)[sensor]
    y += true["occasion"] * rng.standard_normal(1200)[occasion] + true["residual"] * rng.standard_normal(2400)
    keep = rng.random(2400) < 0.85
    one = np.ones(int(keep.sum()))
    built = NestedDesign.build(
        y[keep], one[:, None], [(one, batch[keep]), (one, sensor[keep]), (one, occasion[keep])]
    )
    fit = fit_mixed(built)
    assert not fit.closed_form
    found = np.array([*(fit.sd(k)[0] for k in range(3)), fit.sigma])
    ends = variance_intervals(built, fit, level=0.9999)
    wanted = np.array([*true.values()])
    assert ((ends.low < wanted) & (wanted < ends.high)).all()
    np.testing.assert_allclose(found, wanted, rtol=0.3)
    np.testing.assert_allclose(found[1:], wanted[1:], rtol=0.1)
    assert abs(fit.beta[0] - 3) < 4 * fit.std_error[0]
    assert fit.n_nodes == (40, 240, len(np.unique(occasion[keep])))


@pytest.mark.parametrize("method", ["REML", "ML"])
def test_balanced_occasions_have_a_closed_form_that_newton_steps_reach(method: str) -> None:
    rng = np.random.default_rng(8)
    sensor, occasion = np.repeat(np.arange(12), 15), np.repeat(np.arange(60), 3)
    use = np.tile(np.repeat(range(5), 3), 12)
    x = np.column_stack([np.ones(180), use])
    y = rng.standard_normal(12)[sensor] * 2 + rng.standard_normal(12)[sensor] * use
    y += 0.7 * rng.standard_normal(60)[occasion] + 0.5 * rng.standard_normal(180)
    built = NestedDesign.build(y, x, [(x, sensor), (x[:, 0], occasion)])
    fit = fit_mixed(built, method)  # type: ignore[arg-type]
    assert fit.closed_form
    found = newton(criterion_of(built, method), np.array([[1.0, 0.0, 1.0, 1.0]]))  # type: ignore[arg-type]
    np.testing.assert_allclose(np.abs(found.x[0]), np.abs(fit.theta), rtol=1e-9)
    assert found.value[0] + criterion_offset(built, method) == pytest.approx(fit.criterion, abs=1e-9)  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["line", "line occasion", "constructions", "no slope spread"])
def test_order_of_columns_changes_nothing_but_the_order(name: str) -> None:
    """The constant column need not come first."""
    y, x, levels = arrays(name)
    turned = [(z[:, ::-1], code, c) for z, code, c in levels]
    a, b = NestedDesign.build(y, x, levels), NestedDesign.build(y, x[:, ::-1], turned)
    one, other = fit_mixed(a), fit_mixed(b)
    assert other.criterion == pytest.approx(one.criterion, abs=1e-9)
    np.testing.assert_allclose(other.beta[::-1], one.beta, rtol=1e-7)
    for left, right in zip(one.covariances, other.covariances, strict=True):
        np.testing.assert_allclose(right[::-1, ::-1], left, rtol=1e-6, atol=1e-9)
    for mine, theirs in zip(kenward_roger(a, one), kenward_roger(b, other), strict=True):
        np.testing.assert_allclose(theirs[::-1], mine, rtol=1e-6)


def test_a_line_through_the_origin_needs_no_constant_column() -> None:
    y, x, levels = arrays("line")
    slope = x[:, 1:]
    built = NestedDesign.build(y - 10, slope, [(slope, levels[0][1])])
    fit = fit_mixed(built)
    slow = dense(y - 10, slope, [(slope, levels[0][1])], fit.covariances, fit.sigma2, "REML")
    assert fit.criterion == pytest.approx(slow.criterion, abs=1e-8)
    np.testing.assert_allclose(fit.beta, slow.beta, rtol=1e-9)


# Readings of six sensors in two constructions at uses 100 to 102, one or two mountings each.
READINGS = [
    1.8, 1.7, 4.9, 5.4, -3.4, -5.0, -1.9, -2.7, 2.2, -0.3, 0.1, -0.5, -1.6, 1.6, 2.3,
    0.0, -1.4, -0.5, -1.7, -1.0, 1.3, -5.2, 3.4, 1.4, 1.5, 0.9, 0.9, -1.0, -0.2, 1.1,
]
SENSOR = np.repeat(np.arange(6), [6, 5, 4, 6, 4, 5])
USE = np.array([0, 0, 1, 1, 2, 2, 0, 0, 1, 1, 2, 0, 1, 2, 2, 0, 0, 1, 1, 2, 2, 0, 1, 2, 2, 0, 0, 1, 2, 2]) + 100.0


def flat_beyond() -> NestedDesign:
    """A criterion that is flat far away, where mean squares start, and lowest at no spread at all."""
    one, other = np.ones(30), (SENSOR % 2) * 1.0
    x = np.column_stack([one, other, USE, USE * other])
    return NestedDesign.build(np.array(READINGS), x, [(np.column_stack([one, USE]), SENSOR, False)])


def two_minima() -> NestedDesign:
    """Fourteen readings whose criterion has two minima: all spread between batches, or between sensors' lines."""
    y = np.array([0.2, -1.6, -0.5, -0.5, -0.5, -2.0, -1.7, -1.3, 2.3, 2.4, -1.1, -0.1, -2.1, -1.9])
    use = np.array([5.0, 6, 7, 8, 5, 6, 7, 8, 7, 8, 5, 6, 7, 8])
    sensor = np.repeat(np.arange(4), [4, 4, 2, 4])
    line = np.column_stack([np.ones(14), use])
    return NestedDesign.build(y, line, [(np.ones(14), sensor % 3), (line, sensor)])


@pytest.mark.parametrize(("built", "method", "gap"), [(flat_beyond(), "REML", 3.0), (two_minima(), "ML", 0.02)])
def test_the_lowest_of_several_minima_is_taken(built: NestedDesign, method: str, gap: float) -> None:
    """One start, the mean squares, stops higher."""
    fit = fit_mixed(built, method)  # type: ignore[arg-type]
    objective = criterion_of(built, method)  # type: ignore[arg-type]
    estimate = mean_square_theta(built, method)  # type: ignore[arg-type]
    assert estimate is not None
    one = newton(objective, estimate[0]).value[0] + criterion_offset(built, method)  # type: ignore[arg-type]
    assert one > fit.criterion + gap
    rng = np.random.default_rng(3)
    many = newton(objective, rng.uniform(-1.0, 1.0, (40, built.n_parameters)))
    assert fit.converged
    assert many.value.min() + criterion_offset(built, method) > fit.criterion - 1e-6  # type: ignore[arg-type]


def test_spread_parameters_far_out_have_no_value_rather_than_no_answer() -> None:
    """A step of the optimiser may land where rounding leaves X'V^-1 X without a Cholesky factor."""
    built = flat_beyond()
    far = evaluate(built, np.array([[1e12, 1e12], [0.5, 0.5]]))
    assert np.isfinite(far.value[1])
    assert not far.value[0] < far.value[1]


def test_a_correlation_of_minus_one_is_named() -> None:
    """Sensors that start high fall faster, in proportion, with little else."""
    rng = np.random.default_rng(3)
    sensor, use = np.repeat(np.arange(6), 4), np.tile(np.arange(4.0), 6)
    start = rng.standard_normal(6)
    y = start[sensor] - 0.3 * (start[sensor] + 1) * use + 0.2 * rng.standard_normal(24)
    line = np.column_stack([np.ones(24), use])
    built = NestedDesign.build(y, line, [(line, sensor)])
    fit = fit_mixed(built)
    assert fit.boundary == ("intercept-slope correlation of level 1 is -1",)
    assert fit.correlation(0)[0, 1] == pytest.approx(-1.0, abs=1e-12)
    found = variance_intervals(built, fit)
    k = found.kinds.index("correlation")
    assert found.low[k] == -1.0
    assert -1.0 < found.high[k] < 1.0


def one_way(y: np.ndarray, nodes: int) -> NestedDesign:
    one = np.ones(len(y))
    return NestedDesign.build(y, one[:, None], [(one, np.arange(len(y)) % nodes)])


def zero_variance() -> NestedDesign:
    """Readings that differ within nodes and hardly between them, so that the estimate is zero."""
    return one_way(np.tile([-2.0, 0.0, 2.0], 8) + np.tile(0.1 * np.arange(4), 6), 4)


def test_inference_at_a_zero_variance_is_finite_and_stays_above_no_degrees() -> None:
    """Kenward-Roger keeps the zero variance in its information; Satterthwaite takes no degrees for it."""
    built = zero_variance()
    fit = fit_mixed(built)
    assert fit.boundary == ("intercept variance of level 1 is zero",)
    kr, sw = kenward_roger(built, fit), satterthwaite(built, fit)
    assert sw.df[0] == pytest.approx(built.n_rows - 1, rel=1e-9)
    assert sw.std_error[0] == pytest.approx(fit.std_error[0], rel=1e-12)
    assert 1 < kr.df[0] < built.n_rows - 1
    assert kr.std_error[0] >= fit.std_error[0]
    for method in ("Kenward-Roger", "Satterthwaite"):
        ends = fixed_intervals(built, fit, method=method)
        assert np.isfinite([*ends.low, *ends.high]).all()
    assert (blups(built, fit).covariances[0] == 0.0).all()
    low = variance_intervals(built, fit)
    assert low.low[0] == 0.0
    assert np.isfinite(low.high[0])


@pytest.mark.parametrize("name", NAMES)
def test_the_contrast_of_one_coefficient_is_its_own_test(name: str) -> None:
    """t squared with its degrees of freedom is the one-row F."""
    built = design(name)
    fit = fit_mixed(built)
    row = np.eye(len(fit.beta))[1]
    se, df = kenward_roger(built, fit, row)
    test = kenward_roger_test(built, fit, row)
    assert test.statistic == pytest.approx((fit.beta[1] / se[0]) ** 2, rel=1e-9)
    assert test.df2 == pytest.approx(df[0], rel=1e-9)


def test_mixture_keeps_its_level_where_the_plain_chi_square_is_too_shy() -> None:
    """Self & Liang (1987), case 5: without any spread the statistic is zero about half of the time."""
    rng = np.random.default_rng(12)
    small_p = naive = zero = 0
    n = 400
    for _ in range(n):
        y = rng.standard_normal(180)
        large = fit_mixed(one_way(y, 30))
        without = 179 * (1 + np.log(2 * np.pi * np.var(y, ddof=1))) + np.log(180.0)
        test = mixture_test(max(without - large.criterion, 0.0), ((0, 0.5), (1, 0.5)))
        zero += bool(large.boundary)
        small_p += test.p_value < 0.1
        naive += test.p_naive < 0.1
    assert abs(zero / n - 0.53) < 0.07
    assert abs(small_p / n - 0.1) < 4 * np.sqrt(0.09 / n)
    assert naive / n < 0.08, "the plain chi-square rejects half as often as it says"


def test_boundary_test_refuses_fits_that_cannot_be_compared() -> None:
    a = fit_mixed(design("line"))
    with pytest.raises(ValueError, match="added must be one of"):
        boundary_test(a, a, added="batch")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="same method"):
        boundary_test(a, fit_mixed(design("line"), "ML"), added="variance")
    with pytest.raises(ValueError, match="same rows"):
        boundary_test(a, fit_mixed(design("intercept")), added="variance")
    same = boundary_test(a, a, added="variance")
    assert (same.statistic, same.p_value, same.reference) == (0.0, 1.0, "0.5 chi2(0) + 0.5 chi2(1)")


def test_profile_of_a_correlation_close_to_one_encloses_its_estimate() -> None:
    """Uses counted from 100 put the start far outside the data: intercept and slope nearly cancel."""
    rng = np.random.default_rng(3352)
    sensor, use = np.repeat(np.arange(7), 12), np.tile(np.repeat(np.arange(6.0), 2), 7) + 100
    y = rng.standard_normal(7)[sensor] + 0.8 * rng.standard_normal(7)[sensor] * (use - 102) + rng.standard_normal(84)
    line = np.column_stack([np.ones(84), use])
    built = NestedDesign.build(y, line, [(line, sensor)])
    fit = fit_mixed(built)
    found = variance_intervals(built, fit)
    k = found.kinds.index("correlation")
    assert found.estimate[k] < -0.999
    assert (found.low < found.estimate).all()
    assert (found.estimate < found.high).all()


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda d, f: variance_intervals(d, f, 1.0), "level must lie between 0 and 1"),
        (lambda d, f: fixed_intervals(d, f, level=0.0), "level must lie between 0 and 1"),
        (lambda d, f: parametric_bootstrap(d, f, 0, np.random.default_rng(1)), "n must be at least 1"),
        (lambda d, f: kenward_roger(d, f, np.eye(3)), "contrast must have 2 columns"),
        (lambda d, f: kenward_roger_test(d, f, np.ones((2, 2))), "linearly dependent"),
    ],
)
def test_questions_without_an_answer_are_refused(call: object, words: str) -> None:
    built = design("line")
    with pytest.raises(ValueError, match=words):
        call(built, fit_mixed(built))  # type: ignore[operator]


def test_progress_is_told_and_ml_refits_may_follow_a_reml_fit() -> None:
    built = design("line")
    fit = fit_mixed(built)
    told: list[tuple[int, int]] = []
    found = parametric_bootstrap(
        built, fit, 20, np.random.default_rng(1), method="ML", progress=lambda done, n: told.append((done, n))
    )
    assert told[-1] == (20, 20)
    again = parametric_bootstrap(built, fit, 20, np.random.default_rng(1))
    assert found.sigma2.mean() < again.sigma2.mean() * 1.01
    assert (found.criterion != again.criterion).all()
