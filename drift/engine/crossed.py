"""REML of the crossed model target + facet (+ target x facet) + residual, with missing and repeated cells.

The model of a reading is y = mu + a_i + b_j + (ab)_ij + e, all effects independent and normal. Everything
needed is in the cell counts, the cell means and the sum of squares within cells. Targets are absorbed
analytically and facet levels by a k x k matrix, so that one evaluation of criterion and exact gradient costs
of the order of n k^2; a leading batch axis lets a parametric bootstrap refit all replicates together.

The criterion is minimised over log(1 + m theta), theta a variance over the residual variance and m the mean
number of readings a level: for a balanced table it is then convex and a variance of zero is an ordinary end
point, not an asymptote.

References
----------
Patterson HD, Thompson R (1971). Recovery of inter-block information when block sizes are unequal.
    Biometrika 58:545-554.
Searle SR, Casella G, McCulloch CE (1992). Variance Components. Wiley, chapter 6.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.meansquares import centred

FloatArray = NDArray[np.float64]

COMPONENTS = ("target", "facet", "interaction", "residual")


@dataclass(frozen=True, kw_only=True)
class CrossedDesign:
    """Cell counts, means and within-cell sums of squares of a targets x facets layout.

    ``counts`` and ``means`` have shape (n_targets, k_levels); means of empty cells are 0 and unused. Means
    are held less ``shift`` so that large offsets cost no digits.
    """

    counts: FloatArray
    means: FloatArray
    ss_within: float
    shift: float

    @classmethod
    def build(cls, values: ArrayLike, targets: ArrayLike, facets: ArrayLike) -> CrossedDesign:
        """Sum readings into cells.

        Parameters
        ----------
        values : array_like of float, shape (n_readings,)
            Finite readings.
        targets, facets : array_like of int, shape (n_readings,)
            Codes 0, 1, ...; every number used.
        """
        y, shift = centred(values)
        row, col = np.asarray(targets, dtype=np.intp), np.asarray(facets, dtype=np.intp)
        n, k = int(row.max()) + 1, int(col.max()) + 1
        cell = row * k + col
        counts = np.bincount(cell, minlength=n * k).astype(np.float64)
        means = np.bincount(cell, weights=y, minlength=n * k) / np.maximum(counts, 1)
        resid = y - means[cell]
        return cls(counts=counts.reshape(n, k), means=means.reshape(n, k), ss_within=float(resid @ resid),
                   shift=shift)

    @property
    def df_within(self) -> int:
        """Degrees of freedom within cells."""
        return int(self.counts.sum() - (self.counts > 0).sum())

    @property
    def df_inner(self) -> int:
        """Degrees of freedom of cell means about the additive model (connected layouts)."""
        n, k = self.counts.shape
        return int((self.counts > 0).sum()) - int(n) - int(k) + 1

    @property
    def complete(self) -> bool:
        """Whether every cell holds the same number of readings."""
        return bool(np.all(self.counts == self.counts[0, 0]) and self.counts[0, 0] > 0)

    def islands(self) -> list[tuple[NDArray[np.intp], NDArray[np.intp]]]:
        """Return sets of targets and facet levels that no reading links to the others; one set when connected."""
        met = self.counts > 0
        left_rows: NDArray[np.bool_] = np.ones(met.shape[0], dtype=bool)
        found: list[tuple[NDArray[np.intp], NDArray[np.intp]]] = []
        while left_rows.any():
            rows: NDArray[np.bool_] = np.zeros(met.shape[0], dtype=bool)
            rows[int(np.argmax(left_rows))] = True
            while True:
                cols = met[rows].any(axis=0)
                wider: NDArray[np.bool_] = np.asarray(met[:, cols].any(axis=1)) | rows  # an empty row is its own
                if np.array_equal(wider, rows):
                    break
                rows = wider
            found.append((np.flatnonzero(rows), np.flatnonzero(cols)))
            left_rows &= ~rows
        return found


@dataclass(frozen=True, kw_only=True)
class CrossedFit:
    """REML estimates: variances of target, facet, interaction (0 where not in the model) and residual.

    ``boundary`` names the components estimated as zero; ``criterion`` is minus twice the restricted
    log-likelihood. ``std_error`` belongs to ``mean``.
    """

    variances: FloatArray
    mean: float
    std_error: float
    criterion: float
    boundary: tuple[str, ...]
    converged: bool
    iterations: int
    has_interaction: bool


@dataclass(frozen=True)
class _Batch:
    """R data sets on one layout, facet axis the shorter one."""

    counts: FloatArray      # (n, k)
    means: FloatArray       # (R, n, k)
    ss_within: FloatArray   # (R,)
    constant: float
    df: float
    scale: FloatArray       # (3,) readings a level of target, facet, cell
    free: NDArray[np.bool_]  # (3,) parameters in the model


def _evaluate(batch: _Batch, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray, FloatArray]:
    """Profiled REML criterion, its gradient in theta, residual variance, mean and its variance factor.

    ``theta`` (R, 3) holds the variances of target, facet and cell over the residual variance.
    """
    a, b, c = theta[:, 0], theta[:, 1], theta[:, 2]
    met = batch.counts > 0
    inverse = np.where(met, 1.0 / np.where(met, batch.counts, 1.0), 1.0)
    w = np.where(met, 1.0 / (c[:, None, None] + inverse), 0.0)
    y = batch.means
    wi = w.sum(axis=2)
    d = 1.0 + a[:, None] * wi
    ad = a[:, None] / d
    k = w.shape[2]
    eye = np.eye(k)
    wt = np.swapaxes(w, 1, 2)
    H = eye * w.sum(axis=1)[:, None, :] - wt @ (ad[:, :, None] * w)
    T = eye + b[:, None, None] * H
    Tinv = np.linalg.inv(T)
    one = np.ones(k)
    u = Tinv @ one
    H1 = H @ one
    xvx = np.einsum("rk,rk->r", u, H1)
    wy = w * y
    si = wy.sum(axis=2)
    g = wy.sum(axis=1) - (wt @ (ad * si)[:, :, None])[:, :, 0]
    beta = np.einsum("rk,rk->r", u, g) / xvx
    # Residuals are formed before squaring: y'Vy - ... would cancel where facets differ much.
    r = np.where(met, y - beta[:, None, None], 0.0)
    t = (Tinv @ (g - beta[:, None] * H1)[:, :, None])[:, :, 0]
    e = np.where(met, r - b[:, None, None] * t[:, None, :], 0.0)
    s = (w * e).sum(axis=2)
    py = w * (e - (ad * s)[:, :, None])
    rss = np.einsum("rnk,rnk->r", r, py) + batch.ss_within
    sigma2 = rss / batch.df
    _, logdet = np.linalg.slogdet(T)
    value = (np.log(np.where(met, c[:, None, None] + inverse, 1.0)).sum(axis=(1, 2)) + np.log(d).sum(axis=1)
             + logdet + np.log(xvx) + batch.df * np.log(sigma2) + batch.constant)
    M = w / d[:, :, None]
    Mu = (M @ u[:, :, None])[:, :, 0]
    v = (Tinv @ H1[:, :, None])[:, :, 0]
    tr_a = ((wi / d).sum(axis=1) - b * np.einsum("rkl,rlk->r", Tinv, np.swapaxes(M, 1, 2) @ M)
            - np.einsum("rn,rn->r", Mu, Mu) / xvx)
    tr_b = np.einsum("rkl,rlk->r", H, Tinv) - np.einsum("rk,rk->r", v, v) / xvx
    grad = np.zeros_like(theta)
    za = s / d
    grad[:, 0] = tr_a - np.einsum("rn,rn->r", za, za) / sigma2
    grad[:, 1] = tr_b - np.einsum("rk,rk->r", t, t) / sigma2
    if batch.free[2]:
        w2 = w * w
        K2 = (eye * w2.sum(axis=1)[:, None, :] - np.swapaxes(w2, 1, 2) @ (ad[:, :, None] * w)
              - wt @ (ad[:, :, None] * w2) + wt @ ((ad**2 * w2.sum(axis=2))[:, :, None] * w))
        tr_c = ((w - ad[:, :, None] * w2).sum(axis=(1, 2)) - b * np.einsum("rkl,rlk->r", Tinv, K2)
                - np.einsum("rk,rkl,rl->r", u, K2, u) / xvx)
        grad[:, 2] = tr_c - np.einsum("rnk,rnk->r", py, py) / sigma2
    return value, grad, sigma2, beta, 1.0 / xvx


def _take(batch: _Batch, keep: NDArray[np.bool_]) -> _Batch:
    return _Batch(batch.counts, batch.means[keep], batch.ss_within[keep], batch.constant, batch.df, batch.scale,
                  batch.free)


def _hessian(batch: _Batch, psi: FloatArray, grad: FloatArray) -> FloatArray:
    """Hessian in psi by differences of the exact gradient, shape (R, 3, 3)."""
    out = np.zeros((*psi.shape, 3))
    for j in np.flatnonzero(batch.free):
        step = 1e-5 * (1.0 + psi[:, j])
        moved = psi.copy()
        moved[:, j] += step
        out[:, j, :] = (_gradient(batch, moved)[1] - grad) / step[:, None]
    return 0.5 * (out + np.swapaxes(out, 1, 2))


def _gradient(batch: _Batch, psi: FloatArray) -> tuple[FloatArray, FloatArray]:
    value, grad, *_ = _evaluate(batch, np.expm1(psi) / batch.scale)
    return value, np.where(batch.free, grad * np.exp(psi) / batch.scale, 0.0)


def _newton_step(hessian: FloatArray, grad: FloatArray, active: NDArray[np.bool_]) -> FloatArray:
    """Newton step on the inactive coordinates; curvature is made positive where it is not."""
    out = np.zeros_like(grad)
    held = active[:, :, None] | active[:, None, :]
    h = np.where(held, np.eye(3), hessian)
    values, vectors = np.linalg.eigh(h)
    floor = 1e-8 * np.maximum(np.abs(values).max(axis=1, keepdims=True), 1e-300)
    rotated = np.einsum("rji,rj->ri", vectors, np.where(active, 0.0, grad))
    out = -np.einsum("rij,rj->ri", vectors, rotated / np.maximum(np.abs(values), floor))
    # Steps of more than three on the log scale leave the region where the quadratic says anything.
    longest = np.maximum(np.abs(out).max(axis=1, keepdims=True) / 3.0, 1.0)
    return np.where(active, 0.0, out / longest)


def _minimise(batch: _Batch, start: FloatArray, max_iter: int = 80) -> tuple[FloatArray, NDArray[np.bool_], int]:
    """Projected Newton over psi = log(1 + m theta) >= 0 for every data set of the batch."""
    psi = np.where(batch.free, start, 0.0)
    done = np.zeros(len(psi), dtype=bool)
    iteration = 0
    value, grad = _gradient(batch, psi)
    for iteration in range(1, max_iter + 1):  # noqa: B007
        active = ~batch.free | ((psi <= 0) & (grad >= 0))
        done = np.abs(np.where(active, 0.0, grad)).max(axis=1) < 1e-9 * batch.df
        live = ~done
        if not live.any():
            break
        sub, at, g, f = _take(batch, live), psi[live], grad[live], value[live]
        step = _newton_step(_hessian(sub, at, g), g, active[live])
        size, ok = np.ones(len(at)), np.zeros(len(at), dtype=bool)
        new, new_f, new_g = at.copy(), f.copy(), g.copy()
        for _ in range(30):
            trial = np.where(ok[:, None], new, np.maximum(at + size[:, None] * step, 0.0))
            tf, tg = _gradient(sub, trial)
            good = ~ok & (tf <= f + 1e-11 * np.abs(f) + 1e-12)
            new[good], new_f[good], new_g[good] = trial[good], tf[good], tg[good]
            ok |= good
            if ok.all():
                break
            size[~ok] *= 0.5
        psi[live], value[live], grad[live] = new, new_f, new_g
        if not ok.any():
            break
    active = ~batch.free | ((psi <= 0) & (grad >= 0))
    done = np.abs(np.where(active, 0.0, grad)).max(axis=1) < 1e-6 * batch.df
    return psi, done, iteration


def _batch(design: CrossedDesign, means: FloatArray, ss_within: FloatArray) -> tuple[_Batch, bool]:
    """Arrange data sets for evaluation, with the shorter axis as facets (True when turned)."""
    counts = design.counts
    turned = counts.shape[1] > counts.shape[0]
    if turned:
        counts, means = counts.T.copy(), np.swapaxes(means, 1, 2)
    total, met = float(counts.sum()), counts > 0
    n, k = counts.shape
    interaction = design.df_within > 0 and design.df_inner > 0
    constant = float(np.log(counts[met]).sum()) + (total - 1) * (1 + math.log(2 * math.pi))
    scale = np.array([total / n, total / k, total / met.sum()])
    return _Batch(counts, np.ascontiguousarray(means), ss_within, constant, total - 1, scale,
                  np.array([True, True, interaction])), turned


def _fit_batch(design: CrossedDesign, means: FloatArray, ss_within: FloatArray,
               start: FloatArray | None = None) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray,
                                                         NDArray[np.bool_], int, _Batch]:
    batch, turned = _batch(design, means, ss_within)
    psi0 = np.full((len(means), 3), 1.0) if start is None else np.broadcast_to(
        np.log1p(start[[1, 0, 2]] * batch.scale) if turned else np.log1p(start * batch.scale), (len(means), 3))
    psi, done, iterations = _minimise(batch, psi0.copy())
    theta = np.expm1(psi) / batch.scale
    value, _, sigma2, beta, factor = _evaluate(batch, theta)
    if turned:
        theta = theta[:, [1, 0, 2]]
    variances = np.column_stack([theta * sigma2[:, None], sigma2])
    return variances, value, beta, np.sqrt(factor * sigma2), done, iterations, batch


def fit_crossed(design: CrossedDesign) -> CrossedFit:
    """Fit the crossed model by restricted maximum likelihood.

    The interaction is in the model when some cells hold several readings. Without replicates it cannot be
    told from the residual and ``variances[2]`` is 0.

    Parameters
    ----------
    design : CrossedDesign
        Connected, with more cells than targets and facet levels need (``df_inner`` > 0), and readings that
        do not all equal their fitted values.

    Raises
    ------
    ValueError
        If the layout cannot be fitted.
    """
    if len(design.islands()) > 1 or design.df_inner + design.df_within < 1 or min(design.counts.shape) < 2:
        raise ValueError("the layout is not connected or leaves no degrees of freedom for the residual")
    variances, value, beta, error, done, iterations, batch = _fit_batch(
        design, design.means[None], np.array([design.ss_within]))
    found = variances[0]
    has_interaction = bool(batch.free[2])
    judged = (True, True, has_interaction)
    boundary = tuple(name for name, used, x in zip(COMPONENTS[:3], judged, found[:3], strict=True) if used and x == 0)
    return CrossedFit(variances=found, mean=float(beta[0]) + design.shift, std_error=float(error[0]),
                      criterion=float(value[0]), boundary=boundary, converged=bool(done[0]), iterations=iterations,
                      has_interaction=has_interaction)


def parametric_bootstrap(design: CrossedDesign, variances: ArrayLike, n: int,
                         rng: np.random.Generator) -> FloatArray:
    """Refit ``n`` data sets drawn from the model with the given variances; returns shape (n, 4).

    Parameters
    ----------
    variances : array_like of float, shape (4,)
        Target, facet, interaction, residual.
    """
    va, vb, vc, ve = np.sqrt(np.asarray(variances, dtype=np.float64))
    rows, cols = design.counts.shape
    met = design.counts > 0
    spread = np.sqrt(vc**2 + ve**2 / np.where(met, design.counts, 1.0))
    means = (va * rng.standard_normal((n, rows, 1)) + vb * rng.standard_normal((n, 1, cols))
             + spread * rng.standard_normal((n, rows, cols))) * met
    df = design.df_within
    within = ve**2 * rng.chisquare(df, n) if df > 0 else np.zeros(n)
    start = np.asarray(variances, dtype=np.float64)[:3] / max(float(ve) ** 2, 1e-300)
    return _fit_batch(design, means, within, np.minimum(start, 1e6))[0]
