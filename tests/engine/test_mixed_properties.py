"""Row order, labels, units and offsets change nothing but what they must; bad input is refused in words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.mixed import MixedFit, NestedDesign, blups, fit_mixed, kenward_roger
from tests.engine.mixed_designs import arrays

SOME = ["line occasion", "batch sensor occasion", "batch line sensor line", "line uncorrelated", "no slope spread"]
KEEP = settings(max_examples=15, deadline=None, derandomize=True)


def assert_same(a: MixedFit, b: MixedFit, rtol: float = 1e-7) -> None:
    np.testing.assert_allclose(a.beta, b.beta, rtol=rtol)
    np.testing.assert_allclose(a.sigma2, b.sigma2, rtol=rtol)
    for one, other in zip(a.covariances, b.covariances, strict=True):
        np.testing.assert_allclose(one, other, rtol=rtol, atol=rtol * np.abs(other).max())
    assert a.criterion == pytest.approx(b.criterion, abs=1e-7)
    assert a.boundary == b.boundary


@KEEP
@given(name=st.sampled_from(SOME), seed=st.integers(0, 10**6))
def test_row_order_changes_nothing(name: str, seed: int) -> None:
    y, x, levels = arrays(name)
    order = np.random.default_rng(seed).permutation(len(y))
    mixed = [(z[order], code[order], c) for z, code, c in levels]
    assert_same(fit_mixed(NestedDesign.build(y[order], x[order], mixed)), fit_mixed(NestedDesign.build(y, x, levels)))


@KEEP
@given(name=st.sampled_from(SOME), seed=st.integers(0, 10**6))
def test_relabelling_changes_nothing(name: str, seed: int) -> None:
    y, x, levels = arrays(name)
    rng = np.random.default_rng(seed)
    renamed = [(z, rng.permutation(code.max() + 1)[code] * 7 - 50, c) for z, code, c in levels]
    a, b = NestedDesign.build(y, x, levels), NestedDesign.build(y, x, renamed)
    fit, again = fit_mixed(a), fit_mixed(b)
    assert_same(again, fit)
    for level in range(len(levels)):
        one, other = blups(a, fit).effects[level], blups(b, again).effects[level]
        np.testing.assert_allclose(np.sort(one[:, 0]), np.sort(other[:, 0]), atol=1e-6)


@KEEP
@given(name=st.sampled_from(SOME), power=st.floats(-6, 6), slope=st.floats(-4, 4))
def test_units_rescale(name: str, power: float, slope: float) -> None:
    """y in units 10**-power, x in units 10**-slope."""
    y, x, levels = arrays(name)
    k, m = 10.0**power, 10.0**slope
    scale = np.array([1.0, m])[: x.shape[1]]
    scaled = [(z * scale[: z.shape[1]], code, c) for z, code, c in levels]
    fit = fit_mixed(NestedDesign.build(y, x, levels))
    other = fit_mixed(NestedDesign.build(k * y, x * scale, scaled))
    np.testing.assert_allclose(other.beta, k * fit.beta / scale, rtol=1e-7)
    np.testing.assert_allclose(other.sigma2, k * k * fit.sigma2, rtol=1e-7)
    for one, two in zip(fit.covariances, other.covariances, strict=True):
        q = len(one)
        wanted = k * k * one / np.outer(scale[:q], scale[:q])
        size = np.sqrt(np.outer(np.diag(wanted), np.diag(wanted)))  # each entry against its own two spreads
        assert (np.abs(two - wanted) <= 1e-6 * size).all()
    assert other.boundary == fit.boundary


@pytest.mark.parametrize("offset", [1e3, 1e6, 1e9])
def test_a_common_offset_moves_only_the_intercept(offset: float) -> None:
    """Rounding of the shifted data themselves is what is left: offset times 1e-16 against a residual SD of 0.5."""
    y, x, levels = arrays("line occasion")
    fit, moved = fit_mixed(NestedDesign.build(y, x, levels)), fit_mixed(NestedDesign.build(y + offset, x, levels))
    tolerance = max(1e-8, 20 * offset * 2.2e-16)
    np.testing.assert_allclose(moved.beta - [offset, 0.0], fit.beta, rtol=tolerance * 10)
    np.testing.assert_allclose(moved.sigma2, fit.sigma2, rtol=tolerance)
    np.testing.assert_allclose(moved.covariances[0], fit.covariances[0], rtol=tolerance * 10)


def test_uses_may_be_counted_from_any_origin() -> None:
    """Shifting x re-expresses the same model: the slope's variance and its inference stay, the intercept's move."""
    y, x, levels = arrays("line occasion")
    shift = np.array([[1.0, 1e5], [0.0, 1.0]])
    far = [(levels[0][0] @ shift, levels[0][1]), levels[1]]
    a, b = NestedDesign.build(y, x, levels), NestedDesign.build(y, x @ shift, far)
    one, other = fit_mixed(a), fit_mixed(b)
    assert other.criterion == pytest.approx(one.criterion, abs=1e-7)
    np.testing.assert_allclose(other.beta[1], one.beta[1], rtol=1e-8)
    np.testing.assert_allclose(other.covariances[0][1, 1], one.covariances[0][1, 1], rtol=1e-8)
    np.testing.assert_allclose(kenward_roger(b, other).df[1], kenward_roger(a, one).df[1], rtol=1e-7)


def test_inputs_are_left_alone() -> None:
    y, x, levels = arrays("line occasion")
    before = [a.copy() for a in (y, x, *[part for z, code, _ in levels for part in (z, code)])]
    fit_mixed(NestedDesign.build(y, x, levels))
    after = [y, x, *[part for z, code, _ in levels for part in (z, code)]]
    assert all(np.array_equal(a, b) for a, b in zip(before, after, strict=True))


def test_a_fit_is_read_only() -> None:
    fit = fit_mixed(NestedDesign.build(*arrays("line")))
    with pytest.raises(ValueError, match="read-only"):
        fit.beta[0] = 1.0


ONE = np.ones(12)
USE = np.tile([0.0, 1.0, 2.0], 4)
GROUP = np.repeat(np.arange(4), 3)
LOOSE = np.random.default_rng(3).standard_normal(12)


@pytest.mark.parametrize(
    ("y", "x", "levels", "words"),
    [
        (LOOSE[:, None], ONE[:, None], [(ONE, GROUP)], "one axis"),
        (LOOSE, ONE, [(ONE, GROUP)], "X must have shape"),
        (np.where(GROUP == 1, np.nan, LOOSE), ONE[:, None], [(ONE, GROUP)], "y holds values that are not finite"),
        (LOOSE, np.column_stack([ONE, 2 * ONE]), [(ONE, GROUP)], "equal or both constant"),
        (LOOSE, np.column_stack([ONE, USE, 1 + 2 * USE]), [(ONE, GROUP)], "linearly dependent"),
        (LOOSE, ONE[:, None], [], "at least one grouping level"),
        (LOOSE, ONE[:, None], [(ONE, GROUP.astype(float))], "integers"),
        (LOOSE, ONE[:, None], [(ONE[:5], GROUP)], "columns must have shape"),
        (LOOSE, ONE[:, None], [(ONE, 0 * GROUP)], "one node"),
        (LOOSE, ONE[:, None], [(ONE, GROUP), (ONE, np.arange(12))], "one row per node"),
        (0 * ONE, ONE[:, None], [(ONE, GROUP)], "does not vary"),
        (LOOSE, ONE[:, None], [(np.column_stack([ONE, USE]), np.arange(12) // 2)], "at most 2 rows per node"),
        (LOOSE, np.column_stack([ONE, 0 * ONE]), [(ONE, GROUP)], "only zeros"),
        (LOOSE, ONE[:, None], [(np.column_stack([ONE, ONE]), GROUP)], "two columns are equal"),
        (LOOSE, np.eye(12), [(ONE, GROUP)], "cannot carry"),
        (GROUP + 0.0, ONE[:, None], [(ONE, GROUP)], "residual variance is zero"),
        (GROUP * USE, np.column_stack([ONE, USE]), [(np.column_stack([ONE, USE]), GROUP)], "residual variance is zero"),
    ],
)
def test_what_cannot_be_fitted_is_refused_in_words(y: np.ndarray, x: np.ndarray, levels: list, words: str) -> None:  # type: ignore[type-arg]
    with pytest.raises(ValueError, match=words):
        fit_mixed(NestedDesign.build(y, x, levels))


def test_an_unknown_method_is_refused() -> None:
    with pytest.raises(ValueError, match="'REML' or 'ML'"):
        fit_mixed(NestedDesign.build(*arrays("line")), "MLE")  # type: ignore[arg-type]


def test_kenward_roger_refuses_an_ml_fit() -> None:
    built = NestedDesign.build(*arrays("line"))
    with pytest.raises(ValueError, match="needs a REML fit"):
        kenward_roger(built, fit_mixed(built, "ML"))
