"""Small-sample inference for fixed effects: Kenward-Roger and Satterthwaite."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from drift.engine.mixed_derivatives import CovarianceJets, covariance_jets
from drift.engine.mixed_fit import MixedFit
from drift.engine.nested import NestedDesign
from drift.engine.nested_statistics import Floats

DfMethod = Literal["Kenward-Roger", "Satterthwaite"]


class StandardErrors(NamedTuple):
    """Standard error and degrees of freedom, one per coefficient or row of the contrast."""

    std_error: Floats
    df: Floats


class FixedIntervals(NamedTuple):
    """Estimates of contrasts of fixed effects with t intervals."""

    estimate: Floats
    low: Floats
    high: Floats
    std_error: Floats
    df: Floats


class FTest(NamedTuple):
    """F test of a set of contrasts; ``statistic`` is already multiplied by ``scale``."""

    statistic: float
    df1: int
    df2: float
    scale: float
    p_value: float


@dataclass(frozen=True, eq=False)
class _KenwardRoger:
    """Pieces of Kenward & Roger (1997) in working scale."""

    phi: Floats
    adjusted: Floats
    weight: Floats
    slopes: Floats


def kenward_roger(design: NestedDesign, fit: MixedFit, contrast: ArrayLike | None = None) -> StandardErrors:
    """Kenward-Roger standard errors and degrees of freedom of fixed effects.

    Parameters
    ----------
    design : NestedDesign
    fit : MixedFit
        REML fit of that design.
    contrast : (p,) or (r, p) array, optional
        Rows are combinations of the fixed effects; one row per coefficient where absent.

    Returns
    -------
    StandardErrors
        Unpacks as ``std_error, df``.

    Raises
    ------
    ValueError
        An ML fit (the method is derived for REML), or a contrast of the wrong width.

    Notes
    -----
    ``Phi_A = Phi + 2 Phi {sum_ij W_ij (Q_ij - P_i Phi P_j)} Phi`` with ``W`` the inverse of the expected information
    of the covariance parameters under REML; the covariance is linear in them, so there is no R term. For one row
    ``df = 2 / A``, ``A = sum_ij W_ij (c'Phi P_i Phi c)(c'Phi P_j Phi c) / (c'Phi c)^2``. A variance estimated as zero
    keeps its place in the information.

    References
    ----------
    Kenward & Roger (1997), Biometrics 53, 983-997, equations 3 to 7. Halekoh & Hojsgaard (2014), Journal of
    Statistical Software 59(9), section 2 and appendix.
    """
    pieces = _pieces(design, fit)
    rows = _contrast(design, contrast)
    variance = np.einsum("ri,ij,rj->r", rows, pieces.phi, rows)
    left = rows @ pieces.phi
    slopes = np.einsum("ri,kij,rj->rk", left, pieces.slopes, left) / variance[:, None]
    a = np.einsum("rk,kl,rl->r", slopes, pieces.weight, slopes)
    with np.errstate(divide="ignore"):
        df = 2.0 / a
    error = design.response_scale * np.sqrt(np.einsum("ri,ij,rj->r", rows, pieces.adjusted, rows))
    return StandardErrors(error, df)


def kenward_roger_covariance(design: NestedDesign, fit: MixedFit) -> Floats:
    """Covariance matrix of the fixed effects adjusted for the estimation of the variances.

    See :func:`kenward_roger`; the references hold the formula for ``Phi_A`` (Kenward & Roger 1997, equation 5).
    """
    pieces = _pieces(design, fit)
    out: Floats = design.response_scale**2 * design.fixed_back @ pieces.adjusted @ design.fixed_back.T
    return out


def kenward_roger_test(
    design: NestedDesign, fit: MixedFit, contrast: ArrayLike, *, value: ArrayLike | float = 0.0
) -> FTest:
    """Kenward-Roger scaled F test of several contrasts at once.

    Parameters
    ----------
    design, fit
        As for :func:`kenward_roger`.
    contrast : (r, p) array
        Of full row rank.
    value : (r,) array or float
        Values under the hypothesis.

    Returns
    -------
    FTest

    Raises
    ------
    ValueError
        An ML fit, or a contrast of the wrong width or without full row rank.

    References
    ----------
    Kenward & Roger (1997), Biometrics 53, 983-997, section 2.
    """
    from scipy.special import fdtrc

    pieces = _pieces(design, fit)
    rows = _contrast(design, contrast)
    r = len(rows)
    if np.linalg.matrix_rank(rows / np.linalg.norm(rows, axis=1, keepdims=True)) < r:
        raise ValueError("the rows of the contrast are linearly dependent")
    phi = pieces.phi
    theta = rows.T @ np.linalg.solve(rows @ phi @ rows.T, rows)
    inner = np.einsum("ab,bc,kcd,de->kae", theta, phi, pieces.slopes, phi)
    traces = np.trace(inner, axis1=1, axis2=2)
    a1 = float(traces @ pieces.weight @ traces)
    a2 = float(np.einsum("kl,kab,lba->", pieces.weight, inner, inner))
    df2, scale = _f_approximation(r, a1, a2)
    raw = np.atleast_2d(np.asarray(contrast, dtype=np.float64))
    gap = raw @ fit.beta - np.asarray(value, dtype=np.float64)
    covariance = design.response_scale**2 * rows @ pieces.adjusted @ rows.T
    statistic = scale * float(gap @ np.linalg.solve(covariance, gap)) / r
    return FTest(statistic, r, df2, scale, float(fdtrc(r, df2, statistic)))


def _f_approximation(r: int, a1: float, a2: float) -> tuple[float, float]:
    """Denominator degrees of freedom and scale that match the moments of the statistic."""
    if r == 1:
        return 2.0 / a2, 1.0
    b = (a1 + 6.0 * a2) / (2.0 * r)
    g = ((r + 1) * a1 - (r + 4) * a2) / ((r + 2) * a2)
    bottom = 3.0 * r + 2.0 * (1.0 - g)
    c1, c2, c3 = g / bottom, (r - g) / bottom, (r + 2 - g) / bottom
    e, v0, v1, v2 = 1.0 - a2 / r, 1.0 + c1 * b, 1.0 - c2 * b, 1.0 - c3 * b
    # in balanced designs these vanish together; their ratio is then one (Kenward & Roger 1997, section 2)
    e, v0, v1 = (0.0 if abs(x) < 1e-10 else x for x in (e, v0, v1))
    ratio = 1.0 if e == 0.0 and v1 == 0.0 else e / v1
    rho = ratio**2 * v0 / (r * v2)
    df2 = 4.0 + (r + 2) / (r * rho - 1.0)
    return df2, df2 * (1.0 - a2 / r) / (df2 - 2.0)


def satterthwaite(design: NestedDesign, fit: MixedFit, contrast: ArrayLike | None = None) -> StandardErrors:
    """Unadjusted standard errors with Satterthwaite degrees of freedom.

    Parameters
    ----------
    design, fit, contrast
        As for :func:`kenward_roger`; ML fits are allowed.

    Returns
    -------
    StandardErrors
        Unpacks as ``std_error, df``.

    Notes
    -----
    ``df = 2 v^2 / (g' A g)``, ``v = c' Phi c``, ``g`` its gradient and ``A`` twice the inverse observed Hessian of the
    criterion, in the Cholesky factors of the covariance matrices and the residual standard deviation. At a boundary
    the factor that is zero has ``g = 0`` and so takes no degrees of freedom.

    References
    ----------
    Giesbrecht & Burns (1985), Biometrics 41, 477-486; Kuznetsova, Brockhoff & Christensen (2017), Journal of
    Statistical Software 82(13), section 2.
    """
    rows = _contrast(design, contrast)
    jets = covariance_jets(design, fit, response=True)
    phi, slopes, covariance = _observed(jets, design, fit)
    left = rows @ phi
    variance = np.einsum("ri,ri->r", left, rows)
    gradient = -np.einsum("ri,kij,rj->rk", left, slopes, left)
    spread = np.einsum("rk,kl,rl->r", gradient, covariance, gradient)
    with np.errstate(divide="ignore"):
        df = 2.0 * variance**2 / spread
    return StandardErrors(design.response_scale * np.sqrt(variance), df)


def satterthwaite_test(design: NestedDesign, fit: MixedFit, contrast: ArrayLike) -> FTest:
    """F test of several contrasts with Satterthwaite denominator degrees of freedom.

    The contrasts are turned so that their estimates are uncorrelated; their degrees of freedom ``nu_m`` combine to
    ``2 E / (E - r)`` with ``E`` the sum of ``nu_m / (nu_m - 2)`` over ``nu_m > 2`` (Fai & Cornelius 1996, Journal of
    Statistical Computation and Simulation 54, 363-378).
    """
    from scipy.special import fdtrc

    raw = np.atleast_2d(np.asarray(contrast, dtype=np.float64))
    covariance = raw @ fit.cov_beta @ raw.T
    values, vectors = np.linalg.eigh(covariance)
    if not values[0] > 1e-12 * values[-1]:
        raise ValueError("the rows of the contrast are linearly dependent")
    turned = vectors.T @ raw
    r = len(raw)
    statistic = float(((turned @ fit.beta) ** 2 / values).sum()) / r
    nu = satterthwaite(design, fit, turned).df
    if r == 1 or np.ptp(nu) < 1e-8:
        df2 = float(nu.mean())
    elif (nu <= 2).any():
        df2 = 2.0
    else:
        e = float((nu / (nu - 2.0)).sum())
        df2 = 2.0 * e / (e - r)
    return FTest(statistic, r, df2, 1.0, float(fdtrc(r, df2, statistic)))


def fixed_intervals(
    design: NestedDesign,
    fit: MixedFit,
    *,
    contrast: ArrayLike | None = None,
    level: float = 0.95,
    method: DfMethod = "Kenward-Roger",
) -> FixedIntervals:
    """Two-sided t intervals of fixed effects or contrasts of them.

    Parameters
    ----------
    design, fit, contrast
        As for :func:`kenward_roger`.
    level : float
        Confidence level in (0, 1).
    method : {"Kenward-Roger", "Satterthwaite"}
    """
    from scipy.special import stdtrit

    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level}")
    found = (kenward_roger if method == "Kenward-Roger" else satterthwaite)(design, fit, contrast)
    raw = np.eye(design.n_fixed) if contrast is None else np.atleast_2d(np.asarray(contrast, dtype=np.float64))
    estimate = raw @ fit.beta
    half = stdtrit(found.df, 0.5 + 0.5 * level) * found.std_error
    return FixedIntervals(estimate, estimate - half, estimate + half, found.std_error, found.df)


def _contrast(design: NestedDesign, contrast: ArrayLike | None) -> Floats:
    """Rows of the contrast in terms of the working coefficients."""
    if contrast is None:
        return design.fixed_back
    rows = np.atleast_2d(np.asarray(contrast, dtype=np.float64))
    if rows.ndim != 2 or rows.shape[1] != design.n_fixed:
        raise ValueError(f"contrast must have {design.n_fixed} columns, not shape {np.shape(contrast)}")
    out: Floats = rows @ design.fixed_back
    return out


def _pieces(design: NestedDesign, fit: MixedFit) -> _KenwardRoger:
    """Return the adjusted covariance and what the degrees of freedom need."""
    if fit.method != "REML":
        raise ValueError("Kenward-Roger needs a REML fit")
    jets = covariance_jets(design, fit, response=False)
    algebra = jets.algebra
    k = algebra.k
    phi = np.linalg.inv(jets.cross[0])
    p = jets.cross[1 : 1 + k]
    q = 0.5 * algebra.second(jets.cross)
    phi_p = phi @ p
    information = -algebra.second(jets.log_det)
    information -= 2.0 * np.einsum("ab,klab->kl", phi, q)
    information += np.einsum("kab,lba->kl", phi_p, phi_p)
    weight = 2.0 * _inverse_information(information)
    inner = np.einsum("kl,klab->ab", weight, q) - np.matmul(np.einsum("kl,lab->kab", weight, p), phi_p).sum(axis=0)
    adjusted = phi + 2.0 * phi @ inner @ phi
    return _KenwardRoger(phi, 0.5 * (adjusted + adjusted.T), weight, p)


def _inverse_information(information: Floats) -> Floats:
    """Inverse; the generalised inverse where some covariance parameters cannot be told apart."""
    size = np.sqrt(np.diag(information))
    scaled = information / np.outer(size, size)
    values, vectors = np.linalg.eigh(scaled)
    keep = values > 1e-10
    out: Floats = (vectors[:, keep] / values[keep]) @ vectors[:, keep].T / np.outer(size, size)
    return out


def _observed(jets: CovarianceJets, design: NestedDesign, fit: MixedFit) -> tuple[Floats, Floats, Floats]:
    """``Phi``, derivatives of its inverse and covariance of the estimates, in the linear covariance parameters."""
    algebra = jets.algebra
    k = algebra.k
    cross = jets.cross[..., None]
    gram, right, top = cross[:, :-1, :-1], cross[:, :-1, -1:], cross[:, -1:, -1:]
    inverse = algebra.inverse(gram)
    residual = top - algebra.product(right.swapaxes(1, 2), algebra.product(inverse, right))
    criterion = jets.log_det + residual[:, 0, 0, 0]
    if fit.method == "REML":
        criterion = criterion + algebra.log_det(gram, inverse)[:, 0]
    jacobian, curvature = _factor_derivatives(jets, design, criterion[1 : 1 + k])
    hessian = jacobian.T @ algebra.second(criterion) @ jacobian + curvature
    size = np.sqrt(np.maximum(np.abs(np.diag(hessian)), 1e-300))
    values, vectors = np.linalg.eigh(hessian / np.outer(size, size))
    keep = values > 1e-9
    turned = jacobian @ (vectors[:, keep] / size[:, None])
    covariance = 2.0 * (turned / values[keep]) @ turned.T
    return inverse[0, ..., 0], gram[1 : 1 + k, ..., 0], covariance


def _factor_derivatives(jets: CovarianceJets, design: NestedDesign, gradient: Floats) -> tuple[Floats, Floats]:
    """Jacobian of the linear parameters in the Cholesky factors, and the second-order term of the chain rule."""
    k = jets.algebra.k
    jacobian = np.zeros((k, k))
    curvature = np.zeros((k, k))
    jacobian[0, 0] = 2.0 * np.sqrt(jets.sigma2)
    curvature[0, 0] = 2.0 * gradient[0]
    at = 1
    for level, factor in zip(design.levels, jets.factors, strict=True):
        rows, cols = level.rows_cols
        for a, (i, j) in enumerate(zip(rows, cols, strict=True)):
            for b, (s, t) in enumerate(zip(rows, cols, strict=True)):
                # covariance[i, j] = sum_m factor[i, m] factor[j, m]; derivative by factor[s, t]
                jacobian[at + a, at + b] = factor[j, t] * (i == s) + factor[i, t] * (j == s)
                if j == t:
                    low, high = min(i, s), max(i, s)
                    place = np.flatnonzero((rows == high) & (cols == low))
                    if len(place):
                        curvature[at + a, at + b] = gradient[at + place[0]] * (2.0 if i == s else 1.0)
        at += len(rows)
    return jacobian, curvature

