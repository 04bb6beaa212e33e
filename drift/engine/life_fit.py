"""Weibull and lognormal lives by maximum likelihood, many studies at once, with likelihood-ratio intervals.

With z = tau log t - alpha the log-likelihood of exact, right-, left- and interval-censored lives is concave in
(alpha, tau) for both families, so that Newton steps with halving find its one maximum. Location is mu = alpha / tau
and scale sigma = 1 / tau of the log life; for the Weibull eta = exp(mu) and beta = tau.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.life_rows import Family, Floats, Lives, Rows, rows_of

Bools = NDArray[np.bool_]
STEPS, HALVINGS, FAR = 60, 30, 60
TOLERANCE = 1e-10
STEEPEST, FLATTEST = 1e6, 1e-4
FLAT_LATE = 0.05  # a smaller shape is that of a hazard as 1/t, which late entries cannot tell from any smaller one


@dataclass(frozen=True, eq=False)
class LifeFit:
    """Fits of many studies; arrays have the studies' shape.

    Parameters
    ----------
    family : {"weibull", "lognormal"}
    mu, sigma : ndarray
        Location and scale of the log life; NaN where no finite estimate exists.
    loglik : ndarray
        Of the lives themselves (densities per unit of time).
    cov : ndarray, shape (..., 2, 2)
        Of (mu, log sigma), inverse observed information.
    found : ndarray of bool
        Whether a finite maximum exists.
    """

    family: Family
    mu: Floats
    sigma: Floats
    loglik: Floats
    cov: Floats
    found: Bools

    @property
    def eta(self) -> Floats:
        """Weibull scale (63 % life), or the lognormal median."""
        return np.exp(self.mu)

    @property
    def beta(self) -> Floats:
        """Weibull shape."""
        return np.asarray(np.reciprocal(self.sigma))

    def quantile(self, p: ArrayLike) -> Floats:
        """Time by which a share ``p`` has failed."""
        return np.exp(self.mu + self.sigma * standard_quantile(self.family, p))

    def share_failed(self, t: ArrayLike) -> Floats:
        """Share failed by time ``t``."""
        return share_failed(self.family, self.mu, self.sigma, t)


def standard_quantile(family: Family, p: ArrayLike) -> Floats:
    """Quantile of the standardised log life."""
    from scipy.special import ndtri

    p = np.asarray(p, dtype=np.float64)
    return np.asarray(np.log(-np.log1p(-p)) if family == "weibull" else ndtri(p))


def share_failed(family: Family, mu: ArrayLike, sigma: ArrayLike, t: ArrayLike) -> Floats:
    """Share failed by time ``t`` for given parameters."""
    from scipy.special import ndtr

    with np.errstate(divide="ignore", over="ignore"):
        z = (np.log(np.asarray(t, np.float64)) - np.asarray(mu, np.float64)) / np.asarray(sigma, np.float64)
        return np.asarray(-np.expm1(-np.exp(np.minimum(z, 700.0))) if family == "weibull" else ndtr(z))


def has_maximum(lives: Lives) -> Bools:
    """Tell whether a finite estimate can exist: no single time (and no two) may explain every life.

    Where all lives share a point (all failed in one interval, or none failed) the likelihood rises for ever as the
    distribution shrinks to it.
    """
    on = lives.weight > 0
    top = np.where(on, lives.lower, -np.inf).max(axis=-1)
    return np.asarray(top > np.where(on, lives.upper, np.inf).min(axis=-1))


def fit_lives(lives: Lives, family: Family = "weibull") -> LifeFit:
    """Fit two parameters to the lives of each study.

    Notes
    -----
    Log-likelihood: sum of log f(t) of exact lives, log S(l) of right-censored, log F(r) of left-censored and
    log(S(l) - S(r)) of interval-censored ones, less log S(e) of each that entered at e > 0, which is there only because
    it had lasted so long. With late entries the log-likelihood need not be concave, and its maximum may lie at a shape
    of zero, where hazard falls as 1/t: then there is no estimate.

    References
    ----------
    Klein, J. P. and Moeschberger, M. L. (2003), Survival Analysis, 2nd ed., Springer, section 3.5 (late entries);
    Nelson (1982), chapters 8 and 9; Burridge, J. (1981), A note on maximum likelihood estimation for regression
    models using grouped data, JRSS B 43:41-45 (concavity).
    """
    ya, yb = _logs(lives)
    alpha, tau = _start(lives, ya, yb)
    shape = alpha.shape
    good = has_maximum(lives)
    done = ~good
    value = _loglik(lives, family, alpha, tau, ya, yb)
    for _ in range(STEPS):
        g, h = _derivatives(lives, family, alpha, tau, ya, yb)
        step = _newton(g, h)
        # A step never takes tau below a quarter, so that it stays a scale.
        with np.errstate(divide="ignore", invalid="ignore"):
            cut = np.where(step[..., 1] < 0, np.minimum(1.0, -0.75 * tau / step[..., 1]), 1.0)
        rate = np.where(np.isfinite(cut), cut, 0.0)
        moved = np.zeros(shape, bool) | done
        for _ in range(HALVINGS):
            a, t = alpha + rate * step[..., 0], tau + rate * step[..., 1]
            new = _loglik(lives, family, a, t, ya, yb)
            better = ~moved & (new >= value - 1e-12 * (1 + np.abs(value)))
            alpha, tau = np.where(better, a, alpha), np.where(better, t, tau)
            value = np.where(better, new, value)
            moved |= better
            if moved.all():
                break
            rate = np.where(moved, rate, rate / 2)
        gain = np.abs((g * step).sum(axis=-1))
        done |= ~np.isfinite(gain) | (gain < TOLERANCE) | ~moved
        if done.all():
            break
    found = good & (tau < STEEPEST) & (tau > (FLAT_LATE if lives.late else FLATTEST)) & np.isfinite(value)
    if lives.late:  # a ridge that is still climbed has no top
        found &= done
    _, h = _derivatives(lives, family, alpha, tau, ya, yb)
    return _as_fit(lives, family, alpha, tau, value, h, found)


def _as_fit(lives: Lives, family: Family, alpha: Floats, tau: Floats, value: Floats, h: Floats,
            found: Bools) -> LifeFit:
    nan = np.nan
    tau = np.where(found, tau, nan)
    mu, sigma = alpha / tau, 1 / tau
    # (alpha, tau) -> (mu, log sigma): alpha = mu / sigma, tau = 1 / sigma
    jac = np.stack([np.stack([tau, -alpha], -1), np.stack([np.zeros_like(tau), -tau], -1)], -2)
    info = -np.swapaxes(jac, -1, -2) @ h @ jac
    det = info[..., 0, 0] * info[..., 1, 1] - info[..., 0, 1] ** 2
    with np.errstate(divide="ignore", invalid="ignore"):
        cov = np.stack([np.stack([info[..., 1, 1], -info[..., 0, 1]], -1),
                        np.stack([-info[..., 0, 1], info[..., 0, 0]], -1)], -2) / det[..., None, None]
    densities = np.where(lives.exact, lives.weight * np.log(np.where(lives.exact, lives.lower, 1.0)), 0.0).sum(-1)
    return LifeFit(family, mu, sigma, np.where(found, value - densities, nan), np.where(found[..., None, None], cov,
                                                                                        nan),
                   found)


def _logs(lives: Lives) -> tuple[Floats, Floats]:
    with np.errstate(divide="ignore"):
        return np.log(lives.lower), np.log(lives.upper)


def _start(lives: Lives, ya: Floats, yb: Floats) -> tuple[Floats, Floats]:
    middle = np.where(np.isneginf(ya), yb - 0.5, np.where(np.isinf(yb), ya + 0.3, (np.maximum(ya, yb - 3) + yb) / 2))
    w = lives.weight / lives.weight.sum(axis=-1, keepdims=True)
    mean = (w * middle).sum(axis=-1)
    sd = np.sqrt((w * (middle - mean[..., None]) ** 2).sum(axis=-1))
    tau = 1 / np.clip(0.8 * sd, 0.05, 5.0)
    return mean * tau, tau


def _z(alpha: Floats, tau: Floats, y: Floats) -> Floats:
    with np.errstate(invalid="ignore"):
        return np.where(np.isfinite(y), tau[..., None] * np.where(np.isfinite(y), y, 0.0) - alpha[..., None], y)


def _loglik(lives: Lives, family: Family, alpha: Floats, tau: Floats, ya: Floats, yb: Floats) -> Floats:
    rows = rows_of(family, _z(alpha, tau, ya), _z(alpha, tau, yb), lives.exact)
    with np.errstate(divide="ignore", invalid="ignore"):
        scale = np.where(lives.exact, np.log(np.maximum(tau, 1e-300))[..., None], 0.0)
    total = (lives.weight * (rows.value + scale)).sum(axis=-1)
    if lives.late:
        total = total - (lives.weight * _entry_rows(lives, family, alpha, tau)[0].value).sum(axis=-1)
    return np.where(np.isfinite(total) & (tau > 0), total, -np.inf)


def _derivatives(lives: Lives, family: Family, alpha: Floats, tau: Floats, ya: Floats,
                 yb: Floats) -> tuple[Floats, Floats]:
    """Gradient (..., 2) and Hessian (..., 2, 2) in (alpha, tau)."""
    rows = rows_of(family, _z(alpha, tau, ya), _z(alpha, tau, yb), lives.exact)
    w = lives.weight
    a, b = np.where(np.isfinite(ya), ya, 0.0), np.where(np.isfinite(yb), yb, 0.0)
    r = (w * lives.exact).sum(axis=-1)
    first_a, first_b = w * rows.lower_first, w * rows.upper_first
    haa, hbb, hab = w * rows.lower_second, w * rows.upper_second, w * rows.cross
    g = np.stack([-(first_a + first_b).sum(-1), (first_a * a + first_b * b).sum(-1) + r / tau], -1)
    mixed = -(haa * a + hab * (a + b) + hbb * b).sum(-1)
    h = np.stack([np.stack([(haa + 2 * hab + hbb).sum(-1), mixed], -1),
                  np.stack([mixed, (haa * a**2 + 2 * hab * a * b + hbb * b**2).sum(-1) - r / tau**2], -1)], -2)
    if lives.late:
        at, e = _entry_rows(lives, family, alpha, tau)
        first, second = w * at.lower_first, w * at.lower_second
        g = g - np.stack([-first.sum(-1), (first * e).sum(-1)], -1)
        cross = -(second * e).sum(-1)
        h = h - np.stack([np.stack([second.sum(-1), cross], -1),
                          np.stack([cross, (second * e**2).sum(-1)], -1)], -2)
    return g, h


def _entry_rows(lives: Lives, family: Family, alpha: Floats, tau: Floats) -> tuple[Rows, Floats]:
    """Return log S at the entries with its derivatives, as of units still fit there, and the logs of the entries."""
    with np.errstate(divide="ignore"):
        y = np.log(np.asarray(lives.entry, np.float64))
    z = _z(alpha, tau, y)
    return rows_of(family, z, np.full(z.shape, np.inf), np.zeros(z.shape, bool)), np.where(np.isfinite(y), y, 0.0)


def _newton(g: Floats, h: Floats) -> Floats:
    """Step up a concave function; a little ridge where it is flat."""
    ridge = 1e-12 * (np.abs(h[..., 0, 0]) + np.abs(h[..., 1, 1])) + 1e-300
    h00, h11, h01 = h[..., 0, 0] - ridge, h[..., 1, 1] - ridge, h[..., 0, 1]
    det = h00 * h11 - h01**2
    with np.errstate(divide="ignore", invalid="ignore"):
        step = np.stack([-(h11 * g[..., 0] - h01 * g[..., 1]) / det, -(h00 * g[..., 1] - h01 * g[..., 0]) / det], -1)
    steepest = g / np.maximum(np.abs(g).max(axis=-1, keepdims=True), 1e-300)
    sound = (det > 0) & (h00 < 0) & np.isfinite(step).all(axis=-1)
    return np.where(sound[..., None], step, steepest)


def fixed_shape(lives: Lives, family: Family, tau: ArrayLike) -> tuple[Floats, Floats]:
    """Maximise over the location with the scale held; return (mu, log-likelihood in logs of time)."""
    ya, yb = _logs(lives)
    tau = np.broadcast_to(np.asarray(tau, np.float64), lives.lower.shape[:-1])
    alpha = _start(lives, ya, yb)[0] / _start(lives, ya, yb)[1] * tau
    value = _loglik(lives, family, alpha, tau, ya, yb)
    for _ in range(STEPS):
        g, h = _derivatives(lives, family, alpha, tau, ya, yb)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = np.where(h[..., 0, 0] < 0, -g[..., 0] / h[..., 0, 0], np.sign(g[..., 0]))
        alpha, value, small = _climb(alpha, np.clip(np.nan_to_num(step), -20, 20), value,
                                     lambda x: _loglik(lives, family, x, tau, ya, yb))
        if small.all():
            break
    return alpha / tau, value


def _climb(x: Floats, step: Floats, value: Floats, f: object) -> tuple[Floats, Floats, Bools]:
    """Take a step, halved until the function does not fall; say where nothing moves any more."""
    rate, moved = np.ones_like(x), np.zeros(x.shape, bool)
    for _ in range(HALVINGS):
        new = x + rate * step
        at = f(new)  # type: ignore[operator]
        better = ~moved & (at >= value - 1e-13 * (1 + np.abs(value)))
        x, value = np.where(better, new, x), np.where(better, at, value)
        moved |= better
        if moved.all():
            break
        rate = np.where(moved, rate, rate / 2)
    return x, value, np.abs(rate * step) < 1e-6 * (1 + np.abs(x))


@dataclass(frozen=True, eq=False)
class _Profile:
    """Log-likelihood maximised over what is not asked about: shape given a log quantile, or location given a shape."""

    lives: Lives
    family: Family
    w: float
    of_shape: bool

    def at(self, value: Floats, other: Floats) -> tuple[Floats, Floats]:
        """Return the profile at ``value`` from a start of the other parameter, and that parameter's maximum."""
        ya, yb = _logs(self.lives)
        if self.of_shape:
            mu, best = fixed_shape(self.lives, self.family, np.exp(value))
            return best, mu
        log_tau = other
        for _ in range(STEPS):
            tau = np.exp(log_tau)
            alpha = tau * value - self.w
            g, h = _derivatives(self.lives, self.family, alpha, tau, ya, yb)
            first = g[..., 1] + g[..., 0] * value
            second = h[..., 1, 1] + 2 * h[..., 0, 1] * value + h[..., 0, 0] * value**2
            with np.errstate(divide="ignore", invalid="ignore"):
                step = np.where(second < 0, -first / second, np.sign(first) * tau)
            step = np.clip(np.nan_to_num(step), -0.75 * tau, 4 * tau)
            now = _loglik(self.lives, self.family, alpha, tau, ya, yb)
            tau, best, small = _climb(tau, step, now, lambda t: _loglik(self.lives, self.family, t * value - self.w,
                                                                        np.maximum(t, 1e-300), ya, yb))
            log_tau = np.log(np.clip(tau, 1e-8, 1e8))
            if small.all():
                break
        return best, log_tau


def fitted_only(lives: Lives, fit: LifeFit) -> tuple[Lives, LifeFit]:
    """Return the studies that have a fit, in one row of studies."""
    on = fit.found
    return (Lives.build(lives.lower[on], lives.upper[on], lives.weight[on], np.asarray(lives.entry)[on]),
            LifeFit(fit.family, fit.mu[on], fit.sigma[on], fit.loglik[on], fit.cov[on], on[on]))


def ratio_interval(lives: Lives, fit: LifeFit, level: float, *, p: float | None = None,
                   z: float | None = None) -> tuple[Floats, Floats]:
    """Likelihood-ratio interval of the time by which a share ``p`` has failed, or of the shape (``p`` None).

    Parameters
    ----------
    lives, fit
        Studies and their fit.
    level : float
        Two-sided level; a one-sided bound of confidence C is an end at level 2C - 1.
    p : float, optional
        Share failed; 1 - 1/e gives eta of the Weibull. None asks for the shape 1 / sigma.
    z : float, optional
        Signed root in place of the normal quantile of the level (for calibrated bounds).

    Returns
    -------
    (low, high) : ndarrays
        0 and inf where an end is open; NaN without a fit.

    References
    ----------
    Meeker and Escobar (1998), sections 8.3 and 8.4: 2 [L - L(profile)] <= chi-square(level; 1).
    """
    from scipy.special import ndtri

    if fit.found.ndim and not fit.found.all():  # studies without a fit would only be walked through in vain
        low = np.full(fit.found.shape, np.nan)
        high = low.copy()
        if fit.found.any():
            low[fit.found], high[fit.found] = ratio_interval(*fitted_only(lives, fit), level, p=p, z=z)
        return low, high
    root = float(ndtri((1 + level) / 2)) if z is None else z
    of_shape = p is None
    w = 0.0 if p is None else float(standard_quantile(fit.family, p))
    profile = _Profile(lives, fit.family, w, of_shape)
    with np.errstate(invalid="ignore", divide="ignore"):
        centre = np.where(fit.found, -np.log(fit.sigma) if of_shape else fit.mu + fit.sigma * w, 0.0)
        v = fit.cov
        variance = v[..., 1, 1] if of_shape else (v[..., 0, 0] + 2 * w * fit.sigma * v[..., 0, 1]
                                                  + (w * fit.sigma) ** 2 * v[..., 1, 1])
        unit = np.sqrt(np.where(np.isfinite(variance) & (variance > 0), variance, 1.0))
        other = np.where(fit.found, fit.mu if of_shape else -np.log(fit.sigma), 0.0)
    top, _ = profile.at(centre, other)
    low = _end(profile, centre, other, top, -unit, root)
    high = _end(profile, centre, other, top, unit, root)
    nan = np.where(fit.found, 0.0, np.nan)
    return np.exp(low) + nan, np.exp(high) + nan


def _end(profile: _Profile, centre: Floats, other: Floats, top: Floats, unit: Floats, root: float) -> Floats:
    """Walk out until the signed root passes, then close in by regula falsi (Illinois), which is nearly linear here."""
    def signed(x: Floats, start: Floats) -> tuple[Floats, Floats]:
        value, arg = profile.at(x, start)
        return np.sqrt(np.maximum(2 * (top - value), 0.0)) - root, arg

    a, fa = centre, np.full(centre.shape, -root)
    b, width = centre + root * unit, root * unit
    fb, arg = signed(b, other)
    for _ in range(FAR):
        short = fb < 0
        if not short.any() or bool((np.abs(b[short] - centre[short]) > 60).all()):
            break
        width = np.where(short, 1.6 * width, width)
        a, fa = np.where(short, b, a), np.where(short, fb, fa)
        b = np.where(short & (np.abs(b - centre) <= 60), b + width, b)
        fb, arg = signed(b, arg)
    open_end = fb < 0
    for _ in range(60):
        with np.errstate(divide="ignore", invalid="ignore"):
            x = np.where(open_end, b, b - fb * (b - a) / np.where(fb == fa, 1.0, fb - fa))
        fx, arg = signed(x, arg)
        if bool((open_end | (np.abs(fx) < 1e-7)).all()):
            break
        same = np.sign(fx) == np.sign(fb)
        fa = np.where(same, fa / 2, fb)
        a = np.where(same, a, b)
        b, fb = np.where(open_end, b, x), np.where(open_end, fb, fx)
    else:
        x = b
    return np.where(open_end, np.sign(unit) * np.inf, x)


EULER_SHARE = 1 - math.exp(-1)


__all__ = ["EULER_SHARE", "LifeFit", "Lives", "fit_lives", "fixed_shape", "has_maximum", "ratio_interval",
           "share_failed", "standard_quantile"]
