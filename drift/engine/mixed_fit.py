"""REML and ML fits of Gaussian linear mixed models with nested random effects."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from drift.engine.nested import NestedDesign
from drift.engine.nested_balanced import mean_square_theta
from drift.engine.nested_likelihood import Evaluation, Method, evaluate, relative_factors
from drift.engine.nested_statistics import Floats, Ints, LevelShape
from drift.engine.optimise import Objective, newton

ZERO = 1e-6
FEW_NODES = 20  # below, every fit is searched from several starts; above, only fits that end on a boundary
SAME_VALUE = 1e-7  # criteria this near belong to the same minimum
CLOSED_FORM_GRADIENT = 1e-11  # per row: rounding; a design that is nearly balanced misses it by many orders

SMALLEST_RESIDUAL = 1e-24  # of the variance of the response: below it there is only rounding
NO_RESIDUAL = "the residual variance is zero: the model reproduces every row exactly"


@dataclass(frozen=True, kw_only=True, eq=False)
class MixedFit:
    """A fitted Gaussian linear mixed model, in the units of the data.

    Attributes
    ----------
    method : {"REML", "ML"}
    beta : (p,) floats
        Fixed effects.
    cov_beta : (p, p) floats
        ``(X' V^-1 X)^-1`` at the estimates, not yet adjusted for their uncertainty (see ``kenward_roger``).
    covariances : tuple of (q, q) floats
        Covariance matrix of the random effects of each level, outermost first.
    sigma2 : float
        Residual variance.
    criterion : float
        Minus twice the (restricted) log-likelihood.
    loglik : float
        ``-criterion / 2``.
    boundary : tuple of str
        What lies on the boundary of the parameter space, in words; empty for an interior fit.
    converged : bool
        Whether the optimiser reached a point where no direction improves the criterion.
    closed_form : bool
        Whether the answer is the closed form of a balanced design.
    iterations : int
        Newton iterations (0 for a closed form).
    gradient_norm : float
        Largest absolute derivative of the criterion with respect to the working parameters.
    theta : (m,) floats
        Relative covariance parameters in working scale (for the functions of this package).
    n_rows, n_nodes : int, tuple of int
        Rows, and nodes of each level.
    """

    method: Method
    beta: Floats
    cov_beta: Floats
    covariances: tuple[Floats, ...]
    sigma2: float
    criterion: float
    loglik: float
    boundary: tuple[str, ...]
    converged: bool
    closed_form: bool
    iterations: int
    gradient_norm: float
    theta: Floats
    n_rows: int
    n_nodes: tuple[int, ...]

    @property
    def sigma(self) -> float:
        """Residual standard deviation."""
        return float(np.sqrt(self.sigma2))

    @property
    def std_error(self) -> Floats:
        """Standard errors of ``beta`` without small-sample adjustment."""
        out: Floats = np.sqrt(np.diag(self.cov_beta))
        return out

    def sd(self, level: int) -> Floats:
        """Return the standard deviations of the random effects of a level (0 is the outermost)."""
        out: Floats = np.sqrt(np.diag(self.covariances[level]))
        return out

    def correlation(self, level: int) -> Floats:
        """Correlation matrix of a level; NaN where a variance is zero."""
        sd = self.sd(level)
        with np.errstate(invalid="ignore", divide="ignore"):
            out: Floats = np.clip(self.covariances[level] / np.outer(sd, sd), -1.0, 1.0)
        return out


def fit_mixed(design: NestedDesign, method: Method = "REML") -> MixedFit:
    """Fit a Gaussian linear mixed model with nested random effects by REML or ML.

    Parameters
    ----------
    design : NestedDesign
        From :meth:`NestedDesign.build`.
    method : {"REML", "ML"}
        Restricted or full maximum likelihood. Use ML only to compare different fixed parts.

    Returns
    -------
    MixedFit

    Raises
    ------
    ValueError
        Unknown method, or a residual variance of zero (the rows are reproduced exactly).

    Notes
    -----
    The criterion ``log|V| + log|X'V^-1 X| + r'V^-1 r`` is profiled over the residual variance and the fixed effects
    and minimised over the Cholesky factors of the relative covariance matrices by Newton steps on the analytic
    gradient, until the step is below 1e-6 (quadratic convergence leaves an error near rounding), from several starts
    where a level has few nodes or the fit ends on a boundary, because the criterion may have two minima. The factors
    are free (their signs do not matter), so the boundary needs no bounds; a zero is checked to be a minimum by the
    curvature across it. Where the design is balanced and its closed form lies inside the parameter space, that is the
    answer.

    References
    ----------
    Laird & Ware (1982), Biometrics 38, 963-974. Bates et al. (2015), Journal of Statistical Software 67(1),
    section 3 (profiled criterion, equations 34 and 41). Pinheiro & Bates (2000), Mixed-Effects Models in S and S-PLUS,
    section 2.2.
    """
    if method not in ("REML", "ML"):
        raise ValueError(f"method must be 'REML' or 'ML', not {method!r}")
    # a residual variance on its way to zero divides by zero; it is refused in words
    with np.errstate(all="ignore"):
        try:
            return _fit(design, method)
        except np.linalg.LinAlgError:
            raise ValueError(NO_RESIDUAL) from None


def _fit(design: NestedDesign, method: Method) -> MixedFit:
    """Take the closed form if it is the answer, else Newton steps from the mean squares."""
    estimate = mean_square_theta(design, method)
    guess = starting_theta(design) if estimate is None else estimate[0][0]
    if estimate is not None and estimate[1][0]:
        guess, boundary = settle(design.levels, guess)
        at = evaluate(design, guess[None], method=method)
        size = float(np.abs(at.gradient).max())
        if size <= CLOSED_FORM_GRADIENT * design.n_rows:
            return _result(design, method, guess, boundary, at, converged=True, iterations=0, closed=True)
    few = min(level.n_nodes for level in design.levels) < FEW_NODES
    found = _lowest(design, method, np.vstack([guess[None], _other_starts(design)]) if few else guess[None])
    theta, boundary = settle(design.levels, found.x)
    if not few and (boundary or not found.converged):
        other = _lowest(design, method, _other_starts(design))
        if other.value < found.value - SAME_VALUE or not found.converged:
            found = other
            theta, boundary = settle(design.levels, found.x)
    at = evaluate(design, theta[None], method=method)
    return _result(
        design, method, theta, boundary, at, converged=found.converged, iterations=found.iterations, closed=False,
    )


class _Found(NamedTuple):
    """The lowest of several minima."""

    x: Floats
    value: float
    converged: bool
    iterations: int


def _lowest(design: NestedDesign, method: Method, starts: Floats) -> _Found:
    """Run Newton steps from every start; of equal minima the first counts."""
    found = newton(criterion_of(design, method), starts)
    value = np.where(np.isfinite(found.value), found.value, np.inf)
    k = int(np.argmax(value <= value.min() + SAME_VALUE))
    return _Found(found.x[k], float(value[k]), bool(found.converged[k]), found.iterations)


def _other_starts(design: NestedDesign) -> Floats:
    """Return starts on both sides of what is usual: with few nodes the criterion may have two minima."""
    diagonal = starting_theta(design)
    starts = [np.outer([0.3, 1.0, 3.0], diagonal)]
    if not diagonal.all():
        beside = 0.7 * (1.0 - diagonal)
        starts += [np.outer([0.3, 1.0], diagonal + beside), np.outer([0.3, 3.0], diagonal - beside)]
    return np.vstack(starts)


def starting_theta(design: NestedDesign) -> Floats:
    """Return unit relative factors in working scale."""
    pieces = []
    for level in design.levels:
        rows, cols = level.rows_cols
        pieces.append((rows == cols) * 1.0)
    return np.concatenate(pieces)


def criterion_of(design: NestedDesign, method: Method) -> Objective:
    """Criterion and gradient as the minimisers take them."""

    def objective(theta: Floats, _: Ints) -> tuple[Floats, Floats]:
        at = evaluate(design, theta, method=method)
        return at.value, at.gradient

    return objective


def _result(
    design: NestedDesign,
    method: Method,
    theta: Floats,
    boundary: tuple[str, ...],
    at: Evaluation,
    *,
    converged: bool,
    iterations: int,
    closed: bool,
) -> MixedFit:
    """Translate working parameters into the units of the data."""
    sigma2_working = float(at.sigma2[0])
    if not sigma2_working > SMALLEST_RESIDUAL:
        raise ValueError(NO_RESIDUAL)
    scale2 = design.response_scale**2
    sigma2 = sigma2_working * scale2
    covariances = []
    for level, factor in zip(design.levels, relative_factors(design.levels, theta[None]), strict=True):
        raw = level.back @ factor[0]
        covariance = sigma2 * (raw @ raw.T)
        covariances.append(_frozen(covariance))
    beta = design.response_scale * design.fixed_back @ at.beta[0] + design.fixed_shift
    cov_beta = sigma2 * design.fixed_back @ at.inverse[0] @ design.fixed_back.T
    criterion = float(at.value[0]) + criterion_offset(design, method)
    return MixedFit(
        method=method, beta=_frozen(beta), cov_beta=_frozen(0.5 * (cov_beta + cov_beta.T)),
        covariances=tuple(covariances), sigma2=sigma2, criterion=criterion, loglik=-0.5 * criterion,
        boundary=boundary, converged=converged, closed_form=closed, iterations=iterations,
        gradient_norm=float(np.abs(at.gradient).max()), theta=_frozen(theta), n_rows=design.n_rows,
        n_nodes=tuple(level.n_nodes for level in design.levels),
    )


def criterion_offset(design: NestedDesign, method: Method) -> float:
    """Return what the working scale takes from the criterion."""
    log_scale = float(np.log(design.response_scale))
    if method == "ML":
        return 2.0 * design.n_rows * log_scale
    # the map back is diagonal but for the row of the intercept
    jacobian = float(np.log(np.abs(design.fixed_back.diagonal())).sum())
    return 2.0 * (design.n_rows - design.n_fixed) * log_scale - 2.0 * jacobian


def settle(levels: tuple[LevelShape, ...], theta: Floats) -> tuple[Floats, tuple[str, ...]]:
    """Set what lies on the boundary to exactly there, fix signs, and say so in words."""
    out = []
    said: list[str] = []
    for number, (level, factor) in enumerate(zip(levels, relative_factors(levels, theta[None]), strict=True), 1):
        settled = factor[0].copy()
        if level.correlated and level.size > 1:
            settled = _settle_factor(settled)
        settled[np.abs(settled) < ZERO] = 0.0
        for j in range(level.size):
            if settled[j, j] < 0:
                settled[:, j] *= -1.0
        if not settled.diagonal().all():
            said += _boundary_words(level, settled, number)
        rows, cols = level.rows_cols
        out.append(settled[rows, cols])
    return np.concatenate(out), tuple(said)


def _settle_factor(factor: Floats) -> Floats:
    """Lower-triangular factor of the same matrix with its zero directions exactly zero and put last."""
    if (np.abs(factor.diagonal()) > ZERO).all():
        return factor
    size = len(factor)
    matrix = factor @ factor.T
    out = np.zeros_like(factor)
    for j in range(size):  # Cholesky that skips pivots at rounding level
        pivot = matrix[j, j] - out[j, :j] @ out[j, :j]
        if pivot > ZERO**2:
            out[j, j] = np.sqrt(pivot)
            for i in range(j + 1, size):
                out[i, j] = (matrix[i, j] - out[i, :j] @ out[j, :j]) / out[j, j]
    return out


def _boundary_words(level: LevelShape, factor: Floats, number: int) -> list[str]:
    """Name zero variances, correlations of one and other singular directions of one level."""
    raw = level.back @ factor
    covariance = raw @ raw.T
    working = np.sqrt((factor**2).sum(axis=1))
    size = np.abs(level.back).max(axis=1) * max(float(working.max(initial=0.0)), ZERO)
    sd = np.sqrt(np.diag(covariance))
    zero = sd <= ZERO * size
    said = [f"{level.names[j]} variance of level {number} is zero" for j in range(level.size) if zero[j]]
    rank = int((np.abs(np.diag(factor)) > 0).sum())
    live = np.flatnonzero(~zero)
    if rank < len(live):
        pairs = 0
        for i, a in enumerate(live):
            for b in live[i + 1 :]:
                r = covariance[a, b] / (sd[a] * sd[b])
                if abs(r) > 1.0 - 1e-10:
                    end = "+1" if r > 0 else "-1"
                    said.append(f"{level.names[a]}-{level.names[b]} correlation of level {number} is {end}")
                    pairs += 1
        if not pairs:
            said.append(f"covariance matrix of level {number} is singular (rank {rank} of {len(live)})")
    return said


def _frozen(values: Floats) -> Floats:
    values = np.array(values, dtype=np.float64)
    values.setflags(write=False)
    return values

