"""Law of propagation of uncertainty with full covariance, and effective degrees of freedom."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Model = Callable[[Floats], Floats]
"""A measurement model: inputs of shape ``(n_inputs, n_draws)`` to outputs of shape ``(n_draws,)``."""

# Share of a standard uncertainty by which an input is moved: small against curvature, large against rounding.
_STEP = 1e-3


@dataclass(frozen=True, kw_only=True, eq=False)
class Propagated:
    """What the law of propagation gives.

    Parameters
    ----------
    value : float
        The model at the estimates.
    sensitivity : array, shape (n_inputs,)
        Partial derivatives c_i.
    contribution : array, shape (n_inputs,)
        c_i u_i, with its sign.
    share : array, shape (n_inputs,)
        c_i sum_j c_j u(x_i, x_j): adds up to the combined variance; negative where correlation takes more
        than the quantity itself gives.
    u, df, factor, expanded : float
        Combined standard uncertainty, effective degrees of freedom, coverage factor and expanded uncertainty.
    """

    value: float
    sensitivity: Floats
    contribution: Floats
    share: Floats
    u: float
    df: float
    factor: float
    expanded: float

    def __post_init__(self) -> None:
        for name in ("sensitivity", "contribution", "share"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def sensitivities(model: Model, estimates: ArrayLike, u: ArrayLike) -> Floats:
    """Return the partial derivatives of a model at the estimates.

    Parameters
    ----------
    model : callable
        Inputs ``(n_inputs, n_draws)`` to outputs ``(n_draws,)``.
    estimates, u : array_like, shape (n_inputs,)
        The step of a difference is a thousandth of ``u``; of the estimate (or of one) where ``u`` is zero.

    Notes
    -----
    Im f(x + ih)/h, exact to rounding where the model takes complex numbers; it must agree with central differences,
    which stand in its place where it does not (a model with absolute values or comparisons in it).

    References
    ----------
    JCGM 100:2008, 5.1.3 and its note 2; W. Squire and G. Trapp (1998), SIAM Review 40, 110-112 (complex step).
    """
    x = np.asarray(estimates, dtype=np.float64)
    spread = np.asarray(u, dtype=np.float64)
    # A difference over less than the rounding of the estimate would be none.
    size = np.where(spread > 1e-9 * np.abs(x), spread, np.where(x != 0, np.abs(x), 1.0) * _STEP)
    up, down = x[:, None] + np.diag(_STEP * size), x[:, None] - np.diag(_STEP * size)
    made = model(np.hstack([up, down]))
    n = len(x)
    plain = np.asarray((made[:n] - made[n:]) / (np.diag(up) - np.diag(down)), dtype=np.float64)
    exact = _complex_step(model, x, size)
    if exact is None:
        return plain
    # Terms as large as the output's change, not zeros among them, say whether the two agree.
    near = np.abs(exact - plain) * size <= 1e-4 * np.abs(plain * size).max(initial=0.0) + 1e-12 * np.abs(made[0])
    return np.where(near, exact, plain)


def _complex_step(model: Model, x: Floats, size: Floats) -> Floats | None:
    """Return derivatives by a complex step; None where the model does not take complex numbers."""
    step = 1e-30 * size
    try:
        with np.errstate(all="ignore"), warnings.catch_warnings():
            warnings.simplefilter("error")
            out = model((x[:, None] + 1j * np.diag(step)).astype(np.complex128))
    except Exception:  # a model may refuse complex numbers in any way it likes
        return None
    if not np.iscomplexobj(out) or not np.isfinite(out).all():
        return None
    return np.asarray(np.imag(out) / step, dtype=np.float64)


def propagate(model: Model, estimates: ArrayLike, covariance: ArrayLike, *, df: ArrayLike | None = None,
              pools: ArrayLike | None = None, level: float = 0.95, mixture: bool = False) -> Propagated:
    """Combine standard uncertainties and covariances into that of the output, with its expanded uncertainty.

    Parameters
    ----------
    model : callable
        Inputs ``(n_inputs, n_draws)`` to outputs ``(n_draws,)``.
    estimates : array_like, shape (n_inputs,)
    covariance : array_like, shape (n_inputs, n_inputs)
    df : array_like, shape (n_inputs,), optional
        Degrees of freedom of each standard uncertainty; infinite by default.
    pools : array_like of int, shape (n_inputs,), optional
        Inputs with the same number owe their uncertainty to one and the same variance estimate.
    level : float
    mixture : bool
        Whether the coverage factor is that of the sum of t distributions (:mod:`drift.engine.coverage_factor`) in place
        of the t quantile at the effective degrees of freedom.

    Raises
    ------
    ValueError
        For a covariance that is not symmetric and positive semidefinite.

    Notes
    -----
    u^2 = c' V c. Welch-Satterthwaite is for independent variance estimates, so that two things are done before it:
    inputs of one pool (the coefficients of one fit, or the same day-to-day SD on two days) are added up, covariances
    included, since their variances are one estimate; and a covariance between pools is divided between its two inputs:
    nu = u^4 / sum_g s_g^2 / nu_g with s_g = sum over the pool of c_i sum_j c_j u_ij, sum s_g = u^2. Without covariance
    between pools it is equation (G.2b). A negative s_g lowers nu, which errs on the safe side.

    References
    ----------
    JCGM 100:2008, equations (13), (G.2b) and (G.1d).
    """
    from scipy.special import stdtrit

    x = np.asarray(estimates, dtype=np.float64)
    v = checked_covariance(covariance, len(x))
    own = np.sqrt(np.diag(v))
    c = sensitivities(model, x, own)
    share = c * (v @ c)
    variance = max(float(share.sum()), 0.0)
    nu = np.full(len(x), np.inf) if df is None else np.asarray(df, dtype=np.float64)
    effective = effective_df(share, nu, pools)
    if mixture:
        from drift.engine.coverage_factor import mixture_factor

        one_each = np.arange(len(x)) if pools is None else pools
        factor = mixture_factor(np.outer(c, c) * v, nu, one_each, level=level)
    else:
        factor = float(stdtrit(min(effective, 1e12), 0.5 + level / 2))
    u = float(np.sqrt(variance))
    return Propagated(value=float(model(x[:, None])[0]), sensitivity=c, contribution=c * own, share=share, u=u,
                      df=effective, factor=factor, expanded=factor * u)


def effective_df(share: ArrayLike, df: ArrayLike, pools: ArrayLike | None = None) -> float:
    """Return Welch-Satterthwaite degrees of freedom of variance shares that add up; see :func:`propagate`.

    A pool has the smallest degrees of freedom among its inputs.
    """
    s, nu = np.asarray(share, dtype=np.float64), np.asarray(df, dtype=np.float64)
    pool = np.arange(len(s)) if pools is None else np.asarray(pools, dtype=np.int64)
    total = float(s.sum())
    lost = 0.0
    for g in np.unique(pool):
        mine = pool == g
        smallest = float(nu[mine].min())
        if np.isfinite(smallest):
            lost += float(s[mine].sum()) ** 2 / smallest
    return total**2 / lost if lost > 0 and total > 0 else float("inf")


def checked_covariance(covariance: ArrayLike, n: int) -> Floats:
    """Return a covariance matrix as floats.

    Raises
    ------
    ValueError
        When it is not of shape (n, n), symmetric and positive semidefinite.
    """
    v = np.asarray(covariance, dtype=np.float64)
    if v.shape != (n, n):
        raise ValueError(f"the covariance has shape {v.shape}, not {(n, n)}")
    if not np.allclose(v, v.T, rtol=1e-9, atol=0):
        raise ValueError("the covariance is not symmetric")
    diagonal = np.diag(v)
    if (diagonal < 0).any():
        raise ValueError("a variance is negative")
    d = np.sqrt(np.where(diagonal > 0, diagonal, 1.0))
    if float(np.linalg.eigvalsh(v / np.outer(d, d)).min(initial=0.0)) < -1e-9 * n:
        raise ValueError("the covariance is not positive semidefinite: a correlation is beyond what is possible")
    return v


def numerical_tolerance(u: float, digits: int = 2) -> float:
    """Return half a unit of the last of the stated digits of a standard uncertainty.

    References
    ----------
    JCGM 101:2008, 7.9.2.
    """
    if not (np.isfinite(u) and u > 0):
        return 0.0
    exponent = int(np.floor(np.log10(u))) - digits + 1
    # 9.96 is stated as 10, whose last digit is worth ten times as much.
    if round(u / 10.0**exponent) >= 10**digits:
        exponent += 1
    return float(0.5 * 10.0**exponent)


def rectangular_u(half_width: float) -> float:
    """Return the standard uncertainty of limits between which every value is as likely (JCGM 100:2008, 4.3.7)."""
    return half_width / float(np.sqrt(3.0))


def resolution_u(step: float) -> float:
    """Return the standard uncertainty of a reading shown in steps (JCGM 100:2008, F.2.2.1)."""
    return step / float(np.sqrt(12.0))
