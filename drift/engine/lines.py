"""Straight lines group by group: weighted least squares, and maximum likelihood where readings are cut off."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_LOG_ROOT_TWO_PI = 0.5 * float(np.log(2 * np.pi))
_MIN_REPLICATES_FOR_WEIGHTS = 4
_MAX_NEWTON = 60
_NEAR_CEILING = 4.0


@dataclass(frozen=True, kw_only=True, eq=False)
class LineFits:
    """Straight lines fitted group by group; every array has shape ``(n_groups,)``.

    Parameters
    ----------
    intercept, slope : array
        Coefficients of reading on reference; ``intercept`` is 0 through zero. NaN where not estimable.
    intercept_se, slope_se, covariance : array
        From the group's own residuals (exact groups) or from the observed information with the pooled
        residual SD (groups with censored readings). NaN without residual degrees of freedom.
    residual_sd, df : array
        Residual SD and degrees of freedom of the group's exact readings.
    n, n_censored, levels : array
        Readings, right-censored readings, and distinct levels among the exact ones.
    pooled_sd : float
        Residual SD over all groups, censored readings counted by their expected square.
    """

    intercept: Floats
    slope: Floats
    intercept_se: Floats
    slope_se: Floats
    covariance: Floats
    residual_sd: Floats
    df: Floats
    n: Floats
    n_censored: Floats
    levels: Floats
    pooled_sd: float

    def __post_init__(self) -> None:
        for name in ("intercept", "slope", "intercept_se", "slope_se", "covariance", "residual_sd", "df", "n",
                     "n_censored", "levels"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def _sums(values: Floats, group: Ints, n_groups: int) -> Floats:
    return np.asarray(np.bincount(group, weights=values, minlength=n_groups), dtype=np.float64)


def distinct_levels(reference: Floats, group: Ints, n_groups: int, *, apart: float = 0.0) -> Floats:
    """Count distinct reference values of each group; neighbours no further than ``apart`` count as one."""
    if not len(group):
        return np.zeros(n_groups)
    order = np.lexsort((reference, group))
    g, x = group[order], reference[order]
    new = np.r_[True, (g[1:] != g[:-1]) | (x[1:] - x[:-1] > apart)]
    return np.bincount(g[new], minlength=n_groups).astype(np.float64)


def fit_lines(reading: ArrayLike, reference: ArrayLike, *, group: ArrayLike | None = None, n_groups: int | None = None,
              weights: ArrayLike | None = None, through_zero: bool = False,
              censored: ArrayLike | None = None, ceiling: ArrayLike | None = None) -> LineFits:
    """Fit reading = intercept + slope x reference by weighted least squares in every group at once.

    Parameters
    ----------
    reading, reference : array_like, shape (n_rows,)
        Response and predictor: raw reading [count] and known load [kPa], or any other pair.
    group : array_like of int, shape (n_rows,), optional
        Group of each row, ``0 .. n_groups - 1``; one group when left out.
    weights : array_like, shape (n_rows,), optional
        Inverse variances up to a factor.
    through_zero : bool
        Leave out the intercept.
    censored : array_like of bool, shape (n_rows,), optional
        Rows whose reading is a lower bound. Their groups are fitted by maximum likelihood with the residual SD
        pooled over all groups.
    ceiling : array_like, shape (n_rows,), optional
        Where an exact reading would have been cut off; NaN or left out where that is not known.

    Returns
    -------
    LineFits
        NaN coefficients for a group with fewer than two distinct exact levels (one when through zero).

    Notes
    -----
    Sums are centred on the group means and the slope is refined once on its own residuals, so that data spanning
    many decades keep their digits. A censored reading c contributes log Phi((mu - c)/sigma); given sigma the
    likelihood is concave in the line and is maximised by Newton steps, all groups together. The pooled variance
    solves sum r^2 + sigma^2 sum (1 + z lambda) = sigma^2 (n - parameters), lambda the inverse Mills ratio.
    With four or five readings the maximum leans away from the ceiling; its bias of order 1/n is taken off
    (I^-1 sum x h [E l'''/2 + E l'' l'], h = x' I^-1 x) in every group that comes within four SDs of its ceiling.

    References
    ----------
    D. R. Cox and E. J. Snell (1968), Journal of the Royal Statistical Society B 30, 248-275, equation 20 (bias);
    N. R. Draper and H. Smith (1998), Applied Regression Analysis, ch. 1 and 9 (weighted line);
    J. Tobin (1958), Econometrica 26, 24-36, doi:10.2307/1907382 (likelihood with a limit).
    """
    y = np.asarray(reading, dtype=np.float64)
    x = np.asarray(reference, dtype=np.float64)
    g = np.zeros(len(y), dtype=np.int64) if group is None else np.asarray(group, dtype=np.int64)
    groups = (int(g.max()) + 1 if len(g) else 0) if n_groups is None else int(n_groups)
    w = np.ones(len(y)) if weights is None else np.asarray(weights, dtype=np.float64)
    cut = np.zeros(len(y), dtype=np.bool_) if censored is None else np.asarray(censored, dtype=np.bool_)
    exact = ~cut
    base = _least_squares(y[exact], x[exact], g[exact], groups, w[exact], through_zero)
    n_censored = np.bincount(g[cut], minlength=groups).astype(np.float64)
    base["n"] = base["n"] + n_censored
    base["n_censored"] = n_censored
    fitted = np.isfinite(base["slope"])
    total_df = float(base["df"][fitted].sum())
    pooled = float(np.sqrt(base["sse"][fitted].sum() / total_df)) if total_df > 0 else float("nan")
    if cut.any() and fitted.any():
        pooled = _with_censored(base, y, x, g, w, cut, through_zero, pooled)
        if np.isfinite(pooled) and pooled > 0:
            known = np.full(len(y), np.nan) if ceiling is None else np.asarray(ceiling, dtype=np.float64)
            _take_off_bias(base, x, g, w, np.where(cut, y, known), through_zero, pooled)
    base.pop("sse")
    return LineFits(**base, pooled_sd=pooled)


def _centred(y: Floats, x: Floats, g: Ints, groups: int, w: Floats, through_zero: bool) -> tuple[Floats, ...]:
    """Weights, means, deviations of every row and sum of squares of x, group by group; NaN where no row weighs."""
    total = _sums(w, g, groups)
    mean_x = np.zeros(groups) if through_zero else _sums(w * x, g, groups) / total
    mean_y = np.zeros(groups) if through_zero else _sums(w * y, g, groups) / total
    dx, dy = x - mean_x[g], y - mean_y[g]
    return total, mean_x, mean_y, dx, dy, _sums(w * dx * dx, g, groups)


def _least_squares(y: Floats, x: Floats, g: Ints, groups: int, w: Floats, through_zero: bool) -> dict[str, Any]:
    """Closed-form weighted lines of exact readings."""
    n = np.bincount(g, minlength=groups).astype(np.float64)
    levels = distinct_levels(x, g, groups)
    with np.errstate(divide="ignore", invalid="ignore"):
        total, mean_x, mean_y, dx, dy, sxx = _centred(y, x, g, groups, w, through_zero)
        estimable = (sxx > 0) & (levels >= (1 if through_zero else 2))
        slope = np.where(estimable, _sums(w * dx * dy, g, groups) / sxx, np.nan)
        residual = dy - slope[g] * dx
        slope = slope + _sums(w * dx * residual, g, groups) / sxx
        residual = dy - slope[g] * dx
        sse = _sums(w * residual * residual, g, groups)
        df = np.where(estimable, n - (1 if through_zero else 2), np.nan)
        variance = np.where(df > 0, sse / df, np.nan)
        intercept = np.where(estimable, mean_y - slope * mean_x, np.nan)
        slope_se = np.sqrt(variance / sxx)
        intercept_se = np.zeros(groups) if through_zero else np.sqrt(variance * (1 / total + mean_x**2 / sxx))
        covariance = np.zeros(groups) if through_zero else -variance * mean_x / sxx
    return {"intercept": intercept, "slope": slope, "intercept_se": intercept_se, "slope_se": slope_se,
            "covariance": covariance, "residual_sd": np.sqrt(variance), "df": df, "n": n, "levels": levels, "sse": sse}


def _mills(z: Floats) -> Floats:
    """Inverse Mills ratio phi(z)/(1 - Phi(z)), in logs so that far tails survive."""
    from scipy.special import log_ndtr

    return np.asarray(np.exp(-0.5 * z * z - _LOG_ROOT_TWO_PI - log_ndtr(-z)), dtype=np.float64)


def _with_censored(base: dict[str, Any], y: Floats, x: Floats, g: Ints, w: Floats, cut: Bools, through_zero: bool,
                   pooled: float) -> float:
    """Refit the groups that hold censored readings by maximum likelihood; return the pooled residual SD."""
    fitted = np.isfinite(base["slope"])
    touched = np.unique(g[cut & fitted[g]])
    scale = float(np.abs(y).max())
    sigma = pooled if np.isfinite(pooled) and pooled > 1e-9 * scale else max(1e-6 * scale, 1e-300)
    if not len(touched):
        return pooled
    position = np.full(len(fitted), -1)
    position[touched] = np.arange(len(touched))
    rows = position[g] >= 0
    part = (y[rows], x[rows], position[g[rows]], w[rows], cut[rows])
    untouched = fitted & (position < 0)
    sse_rest, df_rest = float(base["sse"][untouched].sum()), float(base["df"][untouched].sum())
    parameters = (1 if through_zero else 2) * len(touched)
    line = (base["intercept"][touched].copy(), base["slope"][touched].copy())
    for _ in range(50):
        line, information = _newton(part, line, sigma, through_zero)
        residual = part[0] - line[0][part[2]] - line[1][part[2]] * part[1]
        z = np.sqrt(part[3]) * residual / sigma
        lam = np.where(part[4], _mills(np.where(part[4], z, 0.0)), 0.0)
        squares = sse_rest + float((part[3] * residual**2)[~part[4]].sum())
        squares += sigma**2 * float((1 + z * lam)[part[4]].sum())
        freedom = df_rest + len(part[0]) - parameters
        if not np.isfinite(pooled) or freedom <= 0:
            break
        new = max(float(np.sqrt(squares / freedom)), 1e-9 * scale)
        if abs(new - sigma) <= 1e-10 * sigma:
            break
        sigma = new
    determinant = information[0] * information[2] - information[1] ** 2
    base["intercept"][touched], base["slope"][touched] = line
    known = np.isfinite(pooled)
    base["slope_se"][touched] = np.sqrt(information[0] / determinant) if known else np.nan
    base["intercept_se"][touched] = 0.0 if through_zero else (np.sqrt(information[2] / determinant) if known
                                                              else np.nan)
    base["covariance"][touched] = 0.0 if through_zero else (-information[1] / determinant if known else np.nan)
    return sigma if known else pooled


def _newton(part: tuple[Floats, Floats, Ints, Floats, Bools], start: tuple[Floats, Floats], sigma: float,
            through_zero: bool) -> tuple[tuple[Floats, Floats], tuple[Floats, Floats, Floats]]:
    """Maximise the censored likelihood of many lines at once for a given residual SD."""
    from scipy.special import log_ndtr

    y, x, g, w, cut = part
    k = len(start[0])
    root = np.sqrt(w) / sigma
    one = np.zeros_like(x) if through_zero else np.ones_like(x)

    def likelihood(a: Floats, b: Floats) -> tuple[Floats, Floats]:
        z = root * (y - a[g] - b[g] * x)
        return _sums(np.where(cut, log_ndtr(-z), -0.5 * z * z), g, k), z

    a, b = start
    value, z = likelihood(a, b)
    h11 = h12 = h22 = np.ones(k)
    for _ in range(_MAX_NEWTON):
        lam = _mills(np.where(cut, z, 0.0))
        score = root * np.where(cut, lam, z)
        curvature = root**2 * np.where(cut, lam * (lam - z), 1.0)
        g1, g2 = _sums(score * one, g, k), _sums(score * x, g, k)
        h11 = _sums(curvature * one, g, k) if not through_zero else np.ones(k)
        h12, h22 = _sums(curvature * one * x, g, k), _sums(curvature * x * x, g, k)
        determinant = h11 * h22 - h12**2
        da, db = (h22 * g1 - h12 * g2) / determinant, (h11 * g2 - h12 * g1) / determinant
        step = np.ones(k)
        for _ in range(30):
            trial, z_new = likelihood(a + step * da, b + step * db)
            worse = trial < value - 1e-12 * np.abs(value)
            if not worse.any():
                break
            step = np.where(worse, step / 2, step)
        a, b, value, z = a + step * da, b + step * db, trial, z_new
        decrement = step * (g1 * da + g2 * db)
        if float(np.max(np.abs(decrement))) < 1e-16 * max(1.0, float(np.max(np.abs(value)))) + 1e-14:
            break
    return (a, b), (h11, h12, h22)


def _take_off_bias(base: dict[str, Any], x: Floats, g: Ints, w: Floats, cap: Floats, through_zero: bool,
                   sigma: float) -> None:
    """Take the first-order bias of the censored maximum off the lines, in place."""
    from scipy.special import ndtr

    groups = len(base["slope"])
    scale = sigma / np.sqrt(w)
    with np.errstate(invalid="ignore"):
        t = (cap - base["intercept"][g] - base["slope"][g] * x) / scale
        near = np.isfinite(t) & (t < _NEAR_CEILING)
    t = np.where(near, t, 0.0)
    lam = _mills(t)
    density = lam * ndtr(-t)
    delta = lam * (lam - t)
    weight = np.where(near, ndtr(t) + ndtr(-t) * delta, 1.0) / scale**2
    lean = np.where(near, 0.5 * density * ((lam - t) * (2 * lam - t) - 1) + density * (1 - delta), 0.0) / scale**3
    one = np.zeros_like(x) if through_zero else np.ones_like(x)
    h11 = np.ones(groups) if through_zero else _sums(weight, g, groups)
    h12, h22 = _sums(weight * one * x, g, groups), _sums(weight * x * x, g, groups)
    with np.errstate(divide="ignore", invalid="ignore"):
        determinant = h11 * h22 - h12**2
        v11, v12, v22 = h22 / determinant, -h12 / determinant, h11 / determinant
        hat = v11[g] * one + 2 * v12[g] * one * x + v22[g] * x * x
        s1, s2 = _sums(lean * hat * one, g, groups), _sums(lean * hat * x, g, groups)
        touched = np.bincount(g[near], minlength=groups) > 0
        if not through_zero:
            base["intercept"] = base["intercept"] - np.where(touched, v11 * s1 + v12 * s2, 0.0)
        base["slope"] = base["slope"] - np.where(touched, v12 * s1 + v22 * s2, 0.0)


def lack_of_fit(reading: ArrayLike, reference: ArrayLike) -> tuple[float, float, float]:
    """Test a straight line against the level means: F, its numerator and its denominator degrees of freedom.

    Returns NaN for F when there are fewer than three levels or no repeated level.

    References
    ----------
    N. R. Draper and H. Smith (1998), Applied Regression Analysis, section 2.1.
    """
    y, x = np.asarray(reading, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    _, code = np.unique(x, return_inverse=True)
    levels = int(code.max()) + 1
    fit = fit_lines(y, x)
    means = np.bincount(code, weights=y) / np.bincount(code)
    pure = float(((y - means[code]) ** 2).sum())
    fitted = fit.intercept[0] + fit.slope[0] * x
    lack = float(((means[code] - fitted) ** 2).sum())
    top, bottom = levels - 2, len(y) - levels
    if top < 1 or bottom < 1 or pure <= 0:
        return float("nan"), float(top), float(bottom)
    return (lack / top) / (pure / bottom), float(top), float(bottom)


def variance_power(reading: ArrayLike, reference: ArrayLike, *, group: ArrayLike) -> float:
    """Estimate theta in SD(reading) proportional to reference^theta from replicates of a level in a mounting.

    Returns NaN unless at least three positive levels have, in the median mounting, four or more replicates.

    Notes
    -----
    Pooled SD of each level over mountings, log SD regressed on log reference with the degrees of freedom as
    weights, limited to 0 .. 2. The level stands for the mean, so that nothing needs iterating.

    References
    ----------
    R. J. Carroll and D. Ruppert (1988), Transformation and Weighting in Regression, ch. 3 (power of the mean).
    """
    y, x = np.asarray(reading, dtype=np.float64), np.asarray(reference, dtype=np.float64)
    g = np.asarray(group, dtype=np.int64)
    level, code = np.unique(x, return_inverse=True)
    cell_key = g * len(level) + code
    _, cell = np.unique(cell_key, return_inverse=True)
    count = np.bincount(cell)
    if not len(count) or np.median(count) < _MIN_REPLICATES_FOR_WEIGHTS:
        return float("nan")
    deviation = y - (np.bincount(cell, weights=y) / count)[cell]
    squares = np.bincount(code, weights=deviation**2, minlength=len(level))
    cells = np.zeros(len(level))
    np.add.at(cells, code[np.unique(cell, return_index=True)[1]], 1.0)
    df = np.bincount(code, minlength=len(level)) - cells
    use = (level > 0) & (df > 0) & (squares > 0)
    if use.sum() < 3:
        return float("nan")
    fit = fit_lines(0.5 * np.log(squares[use] / df[use]), np.log(level[use]), weights=df[use])
    return float(np.clip(fit.slope[0], 0.0, 2.0))


@dataclass(frozen=True)
class FarOff:
    """Rows far off the straight line of their own group: row positions, what the other rows lead one to expect."""

    position: Ints
    expected: Floats


def far_off_rows(reading: ArrayLike, reference: ArrayLike, *, group: ArrayLike, n_groups: int,
                 censored: ArrayLike | None = None, threshold: float = 10.0) -> FarOff:
    """Find the row of each group that lies far off the line of the others, and ceiling readings that cannot be.

    A slip of the pen moves one row and bends the line of its group, so the scale is taken over all groups: 1.4826
    times the median absolute residual r / sqrt(1 - h) of exact rows. Of one group only the worst row is named,
    because it drags the residuals of its neighbours along.

    Parameters
    ----------
    reading, reference : array_like, shape (n_rows,)
    group : array_like of int, shape (n_rows,)
    n_groups : int
    censored : array_like of bool, shape (n_rows,), optional
        Lower bounds; named only where even the bound lies far above what the exact rows lead one to expect.
    threshold : float
        Robust SDs from which a row is far off.

    Returns
    -------
    FarOff
        Empty where no group has four exact rows, or where the lines have no scatter.
    """
    y, x, g = np.asarray(reading, np.float64), np.asarray(reference, np.float64), np.asarray(group, np.int64)
    cut = np.zeros(len(y), dtype=np.bool_) if censored is None else np.asarray(censored, dtype=np.bool_)
    w = (~cut).astype(np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        n, _, _, dx, dy, sxx = _centred(y, x, g, n_groups, w, False)
    sxy = _sums(w * dx * dy, g, n_groups)
    usable = (n[g] >= np.where(cut, 3, 4)) & (sxx[g] > 0)
    slope = np.divide(sxy, sxx, out=np.zeros_like(sxx), where=sxx > 0)
    lever = 1 / np.maximum(n, 1.0)[g] + np.divide(dx * dx, sxx[g], out=np.zeros_like(dx), where=usable)
    residual = dy - slope[g] * dx
    inside = usable & ~cut & (lever < 1 - 1e-9)
    size = np.where(inside, residual / np.sqrt(np.maximum(1 - lever, 1e-9)), 0.0)
    scale = 1.4826 * float(np.median(np.abs(size[inside]))) if inside.any() else 0.0
    none = FarOff(np.zeros(0, dtype=np.int64), np.zeros(0))
    if not scale > 1e-9 * float(np.abs(y).max(initial=0.0)):
        return none
    worst = np.zeros(n_groups)
    np.maximum.at(worst, g, np.abs(size))
    exact = inside & (np.abs(size) == worst[g]) & (np.abs(size) > threshold * scale)
    bound = usable & cut & (residual / np.sqrt(1 + lever) > threshold * scale)
    at = np.flatnonzero(exact | bound)
    # What the other rows of the group expect there: the deleted residual taken off the reading.
    deleted = np.where(cut, residual, residual / np.maximum(1 - lever, 1e-9))
    return FarOff(at, y[at] - deleted[at])
