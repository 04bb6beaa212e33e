"""Calibration curves: weighted least squares by QR, nonlinear least squares, and likelihood where readings are cut off.

The variance of a reading is sigma^2 v(x) with v(x) = (max(x, lowest)/middle)^(2 theta).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.curve_models import LINEAR, Model, design, gradient, response, values
from drift.engine.nonlinear import inverse_gram, nonlinear_least_squares
from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_LOG_ROOT_TWO_PI = 0.5 * float(np.log(2 * np.pi))
MOST = 200  # steps; a curve that a line has as its limit never arrives, and the others do in some tens


@dataclass(frozen=True, kw_only=True)
class Spread:
    """How the SD of a reading changes with the load: SD = sigma (max(x, lowest)/middle)^theta."""

    theta: float = 0.0
    lowest: float = 1.0
    middle: float = 1.0

    def variance(self, x: Floats) -> Floats:
        """Return v(x), the variance in units of sigma^2."""
        if not self.theta:
            return np.ones_like(np.asarray(x, dtype=np.float64))
        return np.asarray((np.maximum(x, self.lowest) / self.middle) ** (2 * self.theta), dtype=np.float64)


def spread_of(x: ArrayLike, theta: float) -> Spread:
    """Return the variance model of that power for these loads; the lowest load above zero bounds the weights."""
    levels = np.asarray(x, dtype=np.float64)
    positive = levels[levels > 0]
    if not len(positive):
        return Spread()
    return Spread(theta=float(theta), lowest=float(positive.min()), middle=float(np.median(positive)))


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveFit:
    """A fitted calibration curve.

    Parameters
    ----------
    model : str
    coefficients : array, shape (q,)
        In the order of :data:`drift.engine.curve_models.COEFFICIENTS`.
    covariance : array, shape (q, q)
    between : array, shape (q, q)
        Covariance of the curves of mountings: what a reading in a new mounting adds; zero where there is one mounting.
    sigma, df : float
        Residual SD where v(x) is 1, and its degrees of freedom.
    curve_df : float
        Degrees of freedom of ``covariance``: those of sigma, or mountings - 1.
    spread : Spread
    sse, log_likelihood, aicc : float
        Weighted sum of squares; likelihood at its maximum on the scale of the readings.
    n, n_censored, mountings : int
    low, high : float
        Lowest and highest load of an exact reading.
    converged : bool
    sides : tuple of CurveFit
        Where the power of the variance model was estimated: the curves it is the mean of (see
        :func:`drift.engine.curve_averaged.averaged`). ``spread.theta`` is then their mean.
    """

    model: Model
    coefficients: Floats
    covariance: Floats
    between: Floats
    sigma: float
    df: float
    curve_df: float
    spread: Spread
    sse: float
    log_likelihood: float
    aicc: float
    n: int
    n_censored: int
    low: float
    high: float
    mountings: int = 1
    converged: bool = True
    sides: tuple[CurveFit, ...] = ()

    def __post_init__(self) -> None:
        for name in ("coefficients", "covariance", "between"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    @property
    def q(self) -> int:
        """Number of coefficients."""
        return len(self.coefficients)

    def own_variance(self, x: Floats) -> Floats:
        """Return the variance of one reading about its curve at each load."""
        if self.sides:
            return np.asarray(np.mean([f.own_variance(x) for f in self.sides], axis=0))
        return np.asarray(self.sigma**2 * self.spread.variance(x))


def fit_curve(reference: ArrayLike, reading: ArrayLike, *, model: Model = "line", theta: float = 0.0,
              right: ArrayLike | None = None, left: ArrayLike | None = None) -> CurveFit:
    """Fit one calibration curve.

    Parameters
    ----------
    reference, reading : array_like, shape (n,)
        Known load and raw reading.
    model : str
        "power" is fitted by nonlinear least squares with errors that add, "power of logs" by a line through logs with
        errors that multiply: the two differ.
    theta : float
        Power of the variance model: SD of a reading proportional to load^theta.
    right, left : array_like of bool, shape (n,), optional
        Readings that are lower bounds (at full scale) or upper bounds (at zero, below the noise floor).

    Returns
    -------
    CurveFit

    Raises
    ------
    ValueError
        If fewer distinct loads than coefficients have exact readings, or logs are asked of zero.

    Notes
    -----
    Linear models: QR of the weighted columns, each scaled to length one, with one step of refinement. Censored
    readings enter the likelihood by log Phi((mu - c)/sigma) and log Phi((c - mu)/sigma); sigma^2 is the sum of expected
    squares over n - q.

    References
    ----------
    N. R. Draper and H. Smith (1998), Applied Regression Analysis, ch. 9; J. Tobin (1958), Econometrica 26, 24-36.
    """
    x, y = np.asarray(reference, dtype=np.float64), np.asarray(reading, dtype=np.float64)
    up = np.zeros(len(x), dtype=np.bool_) if right is None else np.asarray(right, dtype=np.bool_)
    down = np.zeros(len(x), dtype=np.bool_) if left is None else np.asarray(left, dtype=np.bool_)
    exact = ~(up | down)
    spread = Spread() if model == "power of logs" else spread_of(x, theta)
    _enough(model, x, y, exact)
    w = 1 / spread.variance(x)
    if model in LINEAR:
        theta_hat, covariance, sse = _linear(model, x[exact], response(model, y[exact]), w[exact])
        converged = True
    else:
        theta_hat, covariance, sse, converged = _nonlinear(model, x[exact], y[exact], w[exact])
    n, q = int(exact.sum()), len(theta_hat)
    df = n - q
    sigma = float(np.sqrt(sse / df)) if df > 0 else float("nan")
    made = CurveFit(model=model, coefficients=theta_hat, covariance=covariance * (sigma**2 if df > 0 else np.nan),
                    between=np.zeros((q, q)), sigma=sigma, df=float(df), curve_df=float(df), spread=spread, sse=sse,
                    log_likelihood=float("nan"), aicc=float("nan"), n=len(x), n_censored=int((~exact).sum()),
                    low=float(x[exact].min()), high=float(x[exact].max()), converged=converged)
    if not exact.all() and df > 0 and model != "power of logs":
        from drift.engine.curve_censored import with_censored

        made = with_censored(made, x, y, up, down)
    return _likelihood(made, x, y, up, down)


def _enough(model: Model, x: Floats, y: Floats, exact: Bools) -> None:
    from drift.engine.curve_models import COEFFICIENTS

    q = len(COEFFICIENTS[model])
    levels = np.unique(x[exact])
    if model in ("through-zero", "power", "saturating"):
        levels = levels[levels > 0]
    if len(levels) < q:
        raise ValueError(f"{len(levels)} distinct loads carry exact readings; {model} needs {q}")
    if model == "power of logs" and (np.any(x[exact] <= 0) or np.any(y[exact] <= 0)):
        raise ValueError("a power law through logs needs loads and readings above zero")


def _linear(model: Model, x: Floats, y: Floats, w: Floats) -> tuple[Floats, Floats, float]:
    """Weighted least squares by QR: coefficients, inverse of X'WX, weighted sum of squares."""
    root = np.sqrt(w)
    columns = design(model, x) * root[:, None]
    scale = np.sqrt(np.sum(columns * columns, axis=0))
    scale[scale == 0] = 1.0
    q, r = np.linalg.qr(columns / scale)
    target = root * y
    beta = np.linalg.solve(r, q.T @ target)
    residual = target - (columns / scale) @ beta
    beta = beta + np.linalg.solve(r, q.T @ residual)
    residual = target - (columns / scale) @ beta
    return beta / scale, inverse_gram(columns), float(residual @ residual)


def _nonlinear(model: Model, x: Floats, y: Floats, w: Floats) -> tuple[Floats, Floats, float, bool]:
    fit = nonlinear_least_squares(lambda b: values(model, b, x), y, _start(model, x, y), weights=w, linear=(0,),
                                  max_iterations=MOST)
    jacobian = gradient(model, fit.coefficients, x) * np.sqrt(w)[:, None]
    return np.array(fit.coefficients), inverse_gram(jacobian), fit.sse, fit.converged


def _start(model: Model, x: Floats, y: Floats) -> Floats:
    """Return a start from logs (power) or from the slope at the bottom and the top (saturating)."""
    good = (x > 0) & (y > 0)
    if model == "power":
        if len(np.unique(x[good])) < 2:
            return np.array([1.0, 1.0])
        line, _, _ = _linear("power of logs", x[good], np.log(y[good]), np.ones(int(good.sum())))
        return np.array([np.exp(line[0]), line[1]])
    bend, _, _ = _linear("quadratic", x, y, np.ones(len(x))) if len(np.unique(x)) > 2 else (
        np.array([0.0, float(y.max() / x.max()), 0.0]), None, None)
    rate = -2 * bend[2] / bend[1] if bend[1] > 0 and bend[2] < 0 else 0.1 / float(x.max())
    basis = -np.expm1(-rate * x)
    return np.array([float(basis @ y / (basis @ basis)), float(rate)])


def _likelihood(fit: CurveFit, x: Floats, y: Floats, up: Bools, down: Bools) -> CurveFit:
    """Add log likelihood (sigma at its maximum) and AICc, on the scale of the readings whatever the model."""
    from scipy.special import log_ndtr

    exact = ~(up | down)
    n, k = len(x), fit.q + 1
    if fit.df <= 0:
        return replace(fit, log_likelihood=float("nan"), aicc=float("inf"))
    # Of readings on the curve to the last digit only rounding is left, which is no scatter to measure others by.
    least = 1e-13 * float(np.abs(response(fit.model, y[exact])).max(initial=0.0))
    sd = np.sqrt(fit.spread.variance(x)) * max(fit.sigma * np.sqrt(fit.df / (fit.df + fit.q)), least, 1e-150)
    z = (response(fit.model, y) - values(fit.model, fit.coefficients, x)) / sd
    jacobian = np.log(y[exact]).sum() if fit.model == "power of logs" else 0.0
    total = float((-0.5 * z[exact] ** 2 - _LOG_ROOT_TWO_PI - np.log(sd[exact])).sum() - jacobian
                  + log_ndtr(-z[up]).sum() + log_ndtr(z[down]).sum())
    aicc = 2 * k - 2 * total + 2 * k * (k + 1) / (n - k - 1) if n - k - 1 > 0 else float("inf")
    return replace(fit, log_likelihood=total, aicc=float(aicc))


def over_mountings(fits: list[CurveFit], pooled: CurveFit) -> CurveFit:
    """Join the curves of three or more mountings: their mean, with its covariance from how they differ.

    Notes
    -----
    Readings of one mounting share its placement and are not independent, so that the residuals of a common fit say too
    little about the error of the curve. The mean of the mountings' own coefficients has covariance S/M with M - 1
    degrees of freedom. S holds the scatter W of the readings about each curve as well as how mountings truly differ: a
    new mounting adds S - W, its negative part cut off (eigenvalues of S in units of W less one), and its reading brings
    the scatter itself.

    References
    ----------
    B. M. Anderson, T. W. Anderson and I. Olkin (1986), Annals of Statistics 14, 405-417 (components of a multivariate
    one-way layout).
    """
    m = len(fits)
    each = np.array([f.coefficients for f in fits])
    spread = np.atleast_2d(np.cov(each.T, ddof=1))
    df = sum(f.df for f in fits)
    sigma = float(np.sqrt(sum(f.sse for f in fits) / df))
    within = np.mean([f.covariance * (sigma / f.sigma) ** 2 if f.sigma > 0 else 0 * f.covariance for f in fits], axis=0)
    return replace(pooled, coefficients=each.mean(axis=0), covariance=spread / m, between=_beyond(spread, within),
                   mountings=m, curve_df=float(m - 1), sigma=sigma, df=float(df), converged=all(f.converged for f in
                                                                                                fits))


def _beyond(total: Floats, within: Floats) -> Floats:
    """Return total less within, the part of it that is not negative; total where within is not positive definite."""
    size = np.sqrt(np.diag(within))
    if not np.all(size > 0):
        return total
    try:
        root = size[:, None] * np.linalg.cholesky(within / np.outer(size, size))
    except np.linalg.LinAlgError:
        return total
    back = np.linalg.inv(root / size[:, None]) / size
    share, axes = np.linalg.eigh(back @ total @ back.T)
    axes = root @ axes
    return np.asarray((axes * np.maximum(share - 1, 0.0)) @ axes.T)
