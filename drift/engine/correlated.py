"""Mixed model whose errors within a sensor are alike the closer they lie: decay along use, plus a nugget."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

_BOUND = 9.0
_LARGE = 1e14


@dataclass(frozen=True, kw_only=True, eq=False)
class CorrelatedFit:
    """REML fit of y = X b + Z u_i + e with corr(e_u, e_v) = (1 - nugget) phi^|u - v| off the diagonal.

    Parameters
    ----------
    beta, std_errors : array, shape (p,)
    phi : float
        Correlation of the part that decays, over one unit of position; NaN where errors were taken as independent.
    nugget : float
        Share of the error variance that does not decay; 1 where errors were taken as independent.
    sigma2 : float
    effects : array, shape (q, q)
        Covariance of the random effects.
    loglik : float
        Restricted, without the determinant of X'X.
    parameters : int
        Fixed effects, variances and correlations together.
    n : int
    """

    beta: Floats
    std_errors: Floats
    phi: float
    nugget: float
    sigma2: float
    effects: Floats
    loglik: float
    parameters: int
    n: int
    theta: Floats

    @property
    def near(self) -> float:
        """Correlation of errors one unit of position apart: (1 - nugget) phi."""
        return (1 - self.nugget) * self.phi if self.nugget < 1 else 0.0

    @property
    def aic(self) -> float:
        """Akaike's criterion of the restricted likelihood: to be compared over equal fixed effects only."""
        return -2 * self.loglik + 2 * self.parameters

    @property
    def bic(self) -> float:
        """Schwarz's criterion with n - p observations, as restricted likelihood takes them."""
        return -2 * self.loglik + self.parameters * math.log(self.n - len(self.beta))


class Correlated:
    """Rows of sensors, padded to one shape, ready to be fitted with and without correlation.

    Parameters
    ----------
    y : array_like, shape (n,)
    fixed : array_like, shape (n, p)
    random : array_like, shape (n, q)
        May have no column.
    group : array of int, shape (n,)
    position : array_like, shape (n,)
        Uses, or any exposure; distinct within a group.
    diagonal : bool
        Random effects without correlation.
    """

    def __init__(self, y: ArrayLike, fixed: ArrayLike, random: ArrayLike, group: ArrayLike, position: ArrayLike, *,
                 diagonal: bool = False) -> None:
        y, fixed, random, position = (np.asarray(v, float) for v in (y, fixed, random, position))
        code = np.unique(np.asarray(group), return_inverse=True)[1]
        order = np.lexsort((position, code))
        counts = np.bincount(code)
        m, k = len(counts), int(counts.max())
        place = np.concatenate([np.arange(c) for c in counts])
        self.n, self.p, self.q, self.diagonal = len(y), fixed.shape[1], random.shape[1], diagonal
        self.scale = float(np.std(y)) or 1.0
        # Columns are scaled to unit size, so that one start serves every unit of exposure.
        self.random_size = np.sqrt((random**2).mean(axis=0)) if self.q else np.ones(0)
        self.fixed_size = np.sqrt((fixed**2).mean(axis=0))
        w = np.zeros((m, k, self.p + 1))
        w[code[order], place] = np.column_stack([fixed / self.fixed_size, y / self.scale])[order]
        self.w = w
        self.z = np.zeros((m, k, self.q))
        self.z[code[order], place] = (random / self.random_size)[order] if self.q else random[order]
        there = np.zeros((m, k), dtype=bool)
        there[code[order], place] = True
        at = np.zeros((m, k))
        at[code[order], place] = position[order]
        both = there[:, :, None] & there[:, None, :]
        lag = np.abs(at[:, :, None] - at[:, None, :])
        self.unit = float(np.median(np.diff(np.unique(position)))) if len(np.unique(position)) > 1 else 1.0
        self.lag = np.where(both, lag / self.unit, np.inf)
        self.lower = np.tril_indices(self.q)
        wide = self.p + 1
        self.border = np.zeros((m, k + wide, k + wide))
        self.border[:, k:, :k] = np.swapaxes(w, 1, 2)
        self.border[:, np.arange(k, k + wide), np.arange(k, k + wide)] = _LARGE

    def effects_count(self) -> int:
        """Return the number of parameters of the random effects."""
        return int(self.q) if self.diagonal else int(self.q) * (int(self.q) + 1) // 2

    def _factor(self, theta: Floats) -> Floats:
        factor = np.zeros((self.q, self.q))
        if self.diagonal:
            factor[np.arange(self.q), np.arange(self.q)] = theta
        else:
            factor[self.lower] = theta
        return factor

    def _solve(self, theta: Floats, phi: float, nugget: float) -> tuple[float, Floats, float, Floats]:
        """Restricted deviance over (n - p), coefficients, sigma2 and information."""
        with np.errstate(under="ignore"):
            v = (1 - nugget) * phi**self.lag if phi > 0 else np.zeros_like(self.lag)
        k = np.arange(v.shape[1])
        v[:, k, k] = 1.0
        if self.q:
            zl = self.z @ self._factor(theta[: self.effects_count()])
            v = v + zl @ np.swapaxes(zl, 1, 2)
        # One factorisation gives root and root^-1 W: that of V bordered by W, whose own block may be anything large.
        size = v.shape[1]
        bordered = self.border
        bordered[:, :size, :size] = v
        both = np.linalg.cholesky(bordered)
        root, half = both[:, :size, :size], both[:, size:, :size]
        products = np.einsum("mak,mbk->ab", half, half)
        a, b, c = products[:-1, :-1], products[:-1, -1], products[-1, -1]
        beta = np.linalg.solve(a, b)
        df = self.n - self.p
        sigma2 = max(float(c - b @ beta), 1e-300) / df
        logdet = 2 * float(np.log(np.diagonal(root, axis1=1, axis2=2)).sum()) + 2 * float(
            np.log(np.diag(np.linalg.cholesky(a))).sum())
        return df * math.log(sigma2) + logdet + df * (1 + math.log(2 * math.pi)), beta, sigma2, a

    def fit(self, *, correlated: bool = True, nugget: bool = True, near: float | None = None,
            start: Floats | None = None, effects: Floats | None = None) -> CorrelatedFit:
        """Fit by restricted maximum likelihood.

        Parameters
        ----------
        correlated, nugget : bool
        near : float, optional
            Correlation of errors one unit of position apart, (1 - nugget) phi, held there: phi is free from it to one,
            the nugget follows.
        start : array, optional
            ``theta`` of a fit to begin at.
        effects : array, optional
            ``theta`` of the fit with independent errors, to begin the random effects at.

        Notes
        -----
        Beginning at two decays, since random slopes and slow decay compete for the same scatter.
        """
        from scipy.optimize import minimize

        e = self.effects_count()
        size = e + (1 if correlated else 0) + (1 if correlated and nugget and near is None else 0)

        def unpack(t: Floats) -> tuple[Floats, float, float]:
            if not correlated:
                return t[:e], 0.0, 1.0
            if near is not None:
                one = near + (1 - near) * _expit(t[e])
                return t[:e], one**self.unit, 1 - near / one
            return t[:e], _expit(t[e]), _expit(t[-1]) if nugget else 0.0

        def objective(t: Floats) -> float:
            theta, decay, share = unpack(t)
            try:
                return self._solve(theta, decay, share)[0]
            except np.linalg.LinAlgError:
                return 1e12

        begin = effects if effects is not None else np.ones(e) if self.diagonal else np.eye(self.q)[self.lower]
        starts = [start] if start is not None else [
            np.concatenate([begin, [u] * min(size - e, 1), [0.0] * (size - e - 1)])
            for u in ((-1.0, 1.5) if size > e else (0.0,))]
        bounds = [(-50.0, 50.0)] * e + [(-_BOUND, _BOUND)] * (size - e)
        runs = [minimize(objective, s, method="L-BFGS-B", bounds=bounds) if size else None for s in starts]
        best = min((r for r in runs if r is not None), key=lambda r: float(r.fun), default=None)
        t = np.asarray(best.x, float) if best is not None else np.zeros(0)
        theta, decay, share = unpack(t)
        value, beta, sigma2, information = self._solve(theta, decay, share)
        # The scale of y comes back into the likelihood, and that of the columns into its determinant.
        value += 2 * (self.n - self.p) * math.log(self.scale) + 2 * float(np.log(self.fixed_size).sum())
        sigma2 *= self.scale**2
        factor = self._factor(theta) if self.q else np.zeros((0, 0))
        effects = sigma2 * (factor @ factor.T) / np.outer(self.random_size, self.random_size)
        return CorrelatedFit(
            beta=beta * self.scale / self.fixed_size, effects=effects, sigma2=sigma2, loglik=-value / 2, n=self.n,
            std_errors=np.sqrt(np.diag(np.linalg.inv(information)) * sigma2) / self.fixed_size,
            phi=decay ** (1 / self.unit) if correlated else math.nan, nugget=share, theta=t,
            parameters=self.p + size + (1 if near is not None else 0) + 1)

    def near_profile(self, fit: CorrelatedFit, grid: Floats) -> Floats:
        """Return how far -2 restricted log likelihood rises above that of ``fit`` at each correlation of near errors.

        ``grid`` holds correlations one unit of position apart, between 0 and 1.
        """
        out = np.empty(len(grid))
        effects = fit.theta[: self.effects_count()]
        for i, rho in enumerate(grid):
            share = min(max((fit.phi - rho) / (1 - rho), 1e-3), 1 - 1e-3)  # begin at the fitted decay where it may be
            start = np.concatenate([effects, [math.log(share / (1 - share))]])
            out[i] = 2 * (fit.loglik - self.fit(near=float(rho), start=start).loglik)
        return np.maximum(out, 0.0)


def _expit(u: float) -> float:
    return 1 / (1 + math.exp(-min(max(float(u), -_BOUND), _BOUND)))


@dataclass(frozen=True, kw_only=True, eq=False)
class Ar1Line:
    """A straight line through one series, errors taken as independent and as an autoregression of order one."""

    intercept: float
    slope: float
    intercept_se: float
    slope_se: float
    residual_sd: float
    r_squared: float
    autocorrelation: float
    residual_autocorrelation: float
    phi: float
    slope_ar1: float
    slope_se_ar1: float

    @property
    def inflation(self) -> float:
        """How much too small the standard error of independent errors is, about: sqrt((1 + r)/(1 - r))."""
        r = self.residual_autocorrelation
        return math.sqrt((1 + r) / (1 - r))


def ar1_line(x: ArrayLike, y: ArrayLike) -> Ar1Line:
    """Fit a line to an equally spaced series by least squares and by REML with autoregressive errors.

    References
    ----------
    Prais SJ, Winsten CB (1954), Cowles Commission discussion paper 383 (the first observation kept).
    """
    from scipy.optimize import minimize_scalar

    x, y = np.asarray(x, float), np.asarray(y, float)
    n = len(x)
    columns = np.column_stack([np.ones(n), x])
    beta, sse, inverse = _ols(columns, y)
    r = y - columns @ beta
    s2 = sse / (n - 2)

    def whiten(v: Floats, phi: float) -> Floats:
        out = v.copy()
        out[1:] -= phi * v[:-1]
        out[0] *= math.sqrt(1 - phi * phi)
        return out

    def criterion(phi: float) -> float:
        c = whiten(columns, phi)
        rss = _ols(c, whiten(y, phi))[1]
        return (n - 2) * math.log(rss) - math.log(1 - phi * phi) + float(np.linalg.slogdet(c.T @ c)[1])

    phi = float(minimize_scalar(criterion, bounds=(-0.999, 0.9999), method="bounded", options={"xatol": 1e-10}).x)
    gls, rss, covariance = _ols(whiten(columns, phi), whiten(y, phi))
    return Ar1Line(intercept=float(beta[0]), slope=float(beta[1]), intercept_se=math.sqrt(s2 * inverse[0, 0]),
                   slope_se=math.sqrt(s2 * inverse[1, 1]), residual_sd=math.sqrt(s2),
                   r_squared=1 - sse / float(((y - y.mean()) ** 2).sum()), autocorrelation=_lag_one(y),
                   residual_autocorrelation=_lag_one(r), phi=phi, slope_ar1=float(gls[1]),
                   slope_se_ar1=math.sqrt(rss / (n - 2) * covariance[1, 1]))


def _ols(columns: Floats, y: Floats) -> tuple[Floats, float, Floats]:
    beta = np.asarray(np.linalg.lstsq(columns, y, rcond=None)[0])
    return beta, float(((y - columns @ beta) ** 2).sum()), np.asarray(np.linalg.inv(columns.T @ columns))


def _lag_one(v: Floats) -> float:
    d = v - v.mean()
    return float(d[1:] @ d[:-1] / (d @ d))
