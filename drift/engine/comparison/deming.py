"""Deming regression: a line y = intercept + slope x when both sides have errors, with their variance ratio known.

``ratio`` is always the variance of the errors of y divided by the variance of the errors of x. Some programs name
its inverse. Everything is a function of weighted sums about the weighted means, over any leading axes, so that
delete-one estimates and many simulated studies cost one matrix product.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Scatter:
    """Weighted sums of squares and products about the weighted means, shape (...) each.

    Parameters
    ----------
    weight : array
        Sum of the weights.
    mean_x, mean_y, sxx, syy, sxy : array
    """

    weight: FloatArray
    mean_x: FloatArray
    mean_y: FloatArray
    sxx: FloatArray
    syy: FloatArray
    sxy: FloatArray


def scatter(x: ArrayLike, y: ArrayLike, weights: ArrayLike | None = None) -> Scatter:
    """Return the sums of readings along the last axis, shapes (..., n)."""
    x, y = np.asarray(x, float), np.asarray(y, float)
    w = np.ones_like(x) if weights is None else np.broadcast_to(np.asarray(weights, float), x.shape)
    total = w.sum(-1)
    mx, my = (w * x).sum(-1) / total, (w * y).sum(-1) / total
    dx, dy = x - mx[..., None], y - my[..., None]
    return Scatter(total, mx, my, (w * dx * dx).sum(-1), (w * dy * dy).sum(-1), (w * dx * dy).sum(-1))


def without_each(x: ArrayLike, y: ArrayLike, codes: ArrayLike | None = None, weights: ArrayLike | None = None
                 ) -> Scatter:
    """Return the sums without each point, or without each cluster named by ``codes``; shape (..., n_clusters).

    Sums are taken about the mean of all, so that nothing cancels that the data do not make cancel.
    """
    x, y = np.asarray(x, float), np.asarray(y, float)
    w = np.ones_like(x) if weights is None else np.broadcast_to(np.asarray(weights, float), x.shape)
    whole = scatter(x, y, w)
    dx, dy = x - whole.mean_x[..., None], y - whole.mean_y[..., None]
    parts = [w, w * dx, w * dy, w * dx * dx, w * dy * dy, w * dx * dy]
    if codes is not None:
        parts = [by_cluster(p, np.asarray(codes)) for p in parts]
    left = [s[..., None] - p for s, p in zip((whole.weight, 0 * whole.weight, 0 * whole.weight, whole.sxx, whole.syy,
                                              whole.sxy), parts, strict=True)]
    total = left[0]
    mx, my = left[1] / total, left[2] / total
    return Scatter(total, whole.mean_x[..., None] + mx, whole.mean_y[..., None] + my,
                   np.maximum(left[3] - total * mx * mx, 0.0), np.maximum(left[4] - total * my * my, 0.0),
                   left[5] - total * mx * my)


def by_cluster(values: FloatArray, codes: NDArray[np.int64]) -> FloatArray:
    """Add the values of each cluster along the last axis, shape (..., n_clusters)."""
    size = int(codes.max()) + 1
    if values.ndim == 1:
        return np.asarray(np.bincount(codes, weights=values, minlength=size), dtype=np.float64)
    member = np.zeros((values.shape[-1], size))
    member[np.arange(values.shape[-1]), codes] = 1.0
    return np.asarray(values @ member, dtype=np.float64)


def slope_of(sums: Scatter, ratio: ArrayLike) -> FloatArray:
    """Return the Deming slope: (g + sqrt(g^2 + 4 ratio sxy^2)) / (2 sxy) with g = syy - ratio sxx.

    The form that does not cancel is taken for either sign of g. NaN where sxy is 0 and no direction stands out;
    infinite for a vertical line.

    References
    ----------
    Deming WE (1943), Statistical Adjustment of Data, section 77. Linnet K (1990), Stat Med 9:1463-1473, equation 3.
    """
    lam = np.asarray(ratio, float)
    g = sums.syy - lam * sums.sxx
    root = np.sqrt(g * g + 4 * lam * sums.sxy**2)
    with np.errstate(divide="ignore", invalid="ignore"):
        made = np.where(g >= 0, (g + root) / (2 * sums.sxy), 2 * lam * sums.sxy / (root - g))
    return np.asarray(made, dtype=np.float64)


def intercept_of(sums: Scatter, slope: ArrayLike) -> FloatArray:
    """Return the intercept of a line through the means."""
    return np.asarray(sums.mean_y - np.asarray(slope) * sums.mean_x, dtype=np.float64)


@dataclass(frozen=True, eq=False)
class Axes:
    """The major axis of the scatter in the scaled plane (sqrt(ratio) x, y), where errors are alike all round.

    Parameters
    ----------
    sums : Scatter
    scale : array
        sqrt(ratio).
    along, across : array
        Sums of squares along the major axis and across it.
    angle : array
        Of the major axis with the x direction, radians.
    """

    sums: Scatter
    scale: FloatArray
    along: FloatArray
    across: FloatArray
    angle: FloatArray

def axes_of(sums: Scatter, ratio: ArrayLike) -> Axes:
    """Return the major axis. The smaller sum of squares is the determinant over the larger one, which loses nothing."""
    lam = np.asarray(ratio, float)
    a, b, c = lam * sums.sxx, sums.syy, np.sqrt(lam) * sums.sxy
    large = 0.5 * (a + b + np.sqrt((a - b) ** 2 + 4 * c * c))
    with np.errstate(divide="ignore", invalid="ignore"):
        small = np.where(large > 0, np.maximum(a * b - c * c, 0.0) / large, 0.0)
    return Axes(sums, np.sqrt(lam), large, small, 0.5 * np.arctan2(2 * c, a - b))


def exact_half_angle(axes: Axes, df: ArrayLike, t: ArrayLike) -> FloatArray:
    """Return half the width of the interval of the line's angle; NaN where every angle is compatible.

    At the true slope the deviation across the line and the position along it are independent, whatever the true
    values are, so that their correlation has Student's t: sin(2 half) = 2 t sqrt(along across / df) / (along - across).

    References
    ----------
    Creasy MA (1956), Confidence limits for the gradient in the linear functional relationship, J R Stat Soc B
    18:65-69. Williams EJ (1959), Regression Analysis, section 11.5.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        sine = 2 * np.asarray(t) * np.sqrt(axes.along * axes.across / np.asarray(df)) / (axes.along - axes.across)
        return np.asarray(np.where(sine < 1, 0.5 * np.arcsin(np.minimum(sine, 1.0)), np.nan), dtype=np.float64)


def slope_limits(axes: Axes, half: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return the slopes at both ends of an interval of the angle; an end past the vertical has no bound (NaN)."""
    ends = []
    for sign in (-1, 1):
        angle = np.asarray(axes.angle + sign * np.asarray(half, float), dtype=np.float64)
        with np.errstate(invalid="ignore"):
            ends.append(np.asarray(np.where(np.abs(angle) < np.pi / 2, np.tan(angle) * axes.scale, np.nan)))
    return ends[0], ends[1]


def value_limits(axes: Axes, at: ArrayLike, half: ArrayLike, centre: ArrayLike, covariance: ArrayLike = 0.0
                 ) -> tuple[FloatArray, FloatArray]:
    """Return limits of the line's value at x: a hyperbola about the line whose asymptotes are the slope's limits.

    Parameters
    ----------
    axes : Axes
    at : array_like, shape (..., n_at)
        Values of x.
    half : array_like, shape (...)
        Half width of the interval of the angle.
    centre : array_like, shape (...)
        Squared half width across the line at the mean point.
    covariance : array_like, shape (...)
        Of the deviation at the mean point and the angle, times t squared; zero for independent points.

    Returns
    -------
    low, high : arrays, shape (..., n_at)
        NaN where the interval of the slope has no bound.

    Notes
    -----
    Points (x, y) with across^2 <= centre + 2 covariance along + tan(half)^2 along^2.
    """
    c, s = np.cos(axes.angle)[..., None], np.sin(axes.angle)[..., None]
    steep = np.tan(np.asarray(half))[..., None] ** 2
    A, C = np.asarray(centre)[..., None], np.broadcast_to(np.asarray(covariance), axes.angle.shape)[..., None]
    p = (np.asarray(at, float) - axes.sums.mean_x[..., None]) * axes.scale[..., None]
    with np.errstate(invalid="ignore", divide="ignore"):
        two = c * c - steep * s * s
        one = -p * c * s * (1 + steep) - C * s
        none = p * p * (s * s - steep * c * c) - A - 2 * C * p * c
        root = np.sqrt(np.maximum(one * one - two * none, 0.0))
        bounded = two > 0
        my = axes.sums.mean_y[..., None]
        low, high = (np.where(bounded, my + (-one + sign * root) / two, np.nan) for sign in (-1, 1))
    return low, high


def exact_centre(axes: Axes, df: ArrayLike, t: ArrayLike) -> FloatArray:
    """Return the squared half width across the line at the mean point of independent points: t^2 s^2 / weight."""
    return np.asarray(np.asarray(t) ** 2 * axes.across / np.asarray(df) / axes.sums.weight, dtype=np.float64)


def joint_f(sums: Scatter, ratio: ArrayLike, df: ArrayLike, *, slope: float = 1.0, intercept: float = 0.0
            ) -> FloatArray:
    """Return F (2 and ``df`` degrees of freedom) of the hypothesis that slope and intercept have given values.

    The deviation from that line is regressed on the position along it; under the hypothesis both coefficients are
    zero. Exact for normal errors of constant SD. With ratio 1 and slope 1 it is the test of Bradley & Blackwood.

    References
    ----------
    Bradley EL, Blackwood LG (1989), Comparing paired data: a simultaneous test for means and variances, Am Stat
    43:234-235. Creasy MA (1956), J R Stat Soc B 18:65-69.
    """
    lam = np.asarray(ratio, float)
    svv = sums.syy - 2 * slope * sums.sxy + slope**2 * sums.sxx
    suu = slope**2 * sums.syy + 2 * slope * lam * sums.sxy + lam**2 * sums.sxx
    suv = slope * sums.syy + (lam - slope**2) * sums.sxy - slope * lam * sums.sxx
    mean = sums.mean_y - intercept - slope * sums.mean_x
    with np.errstate(invalid="ignore", divide="ignore"):
        explained = suv**2 / suu
        left = svv - explained
        return np.asarray(((explained + sums.weight * mean**2) / 2) / (left / np.asarray(df)), dtype=np.float64)


def sandwich(left_out: list[FloatArray]) -> float:
    """Return the jackknife variance of an estimate whose points are clustered in one or two crossed ways.

    Parameters
    ----------
    left_out : list of arrays
        Estimates without each cluster; with two ways of clustering, those of the first, of the second, and without
        each of their cells. The two variances are added and that of the cells, which is in both, is taken off; the
        larger of the two is a floor.

    References
    ----------
    Cameron AC, Gelbach JB, Miller DL (2011), Robust inference with multiway clustering, J Bus Econ Stat 29:238-249.
    """
    return together([float((len(v) - 1) * np.var(v)) for v in left_out])


def together(found: list[float]) -> float:
    """Put the variances of two ways of clustering and of their cells together; one alone is left as it is."""
    return found[0] if len(found) == 1 else max(found[0] + found[1] - found[2], found[0], found[1])


def jackknife(value: ArrayLike, left_out: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Return mean of the pseudo-values and standard error from estimates without each unit (last axis).

    References
    ----------
    Linnet K (1990), Estimation of the linear relationship between the measurements of two methods with
    proportional errors, Stat Med 9:1463-1473. Tukey JW (1958), Ann Math Stat 29:614.
    """
    value, left = np.asarray(value, float), np.asarray(left_out, float)
    n = left.shape[-1]
    pseudo = n * value[..., None] - (n - 1) * left
    return pseudo.mean(-1), pseudo.std(-1, ddof=1) / np.sqrt(n)
