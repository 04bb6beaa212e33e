"""Best linear unbiased predictions of the random effects with their conditional covariances."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from drift.engine.mixed_fit import MixedFit
from drift.engine.nested import NestedDesign
from drift.engine.nested_likelihood import relative_factors
from drift.engine.nested_statistics import Floats, Ints, LevelShape, combine, leaf_sums


@dataclass(frozen=True, kw_only=True, eq=False)
class Blups:
    """Predicted random effects, one array per level, outermost first.

    Attributes
    ----------
    effects : tuple of (n_nodes, q) floats
        In the units of the data; nodes sorted by parent and code.
    covariances : tuple of (n_nodes, q, q) floats
        Prediction-error covariance of the effects given the covariance parameters; with the uncertainty of the fixed
        effects unless ``fixed_known`` was set.
    codes : tuple of (n_nodes,) ints
        The caller's codes.
    parents : tuple of (n_nodes,) ints
        Index of each node's parent in the level outside (zeros for the outermost).
    """

    effects: tuple[Floats, ...]
    covariances: tuple[Floats, ...]
    codes: tuple[Ints, ...]
    parents: tuple[Ints, ...]


def blups(design: NestedDesign, fit: MixedFit, *, fixed_known: bool = False) -> Blups:
    """Predict the random effects of every node of every level.

    Parameters
    ----------
    design : NestedDesign
    fit : MixedFit
        Fit of that design.
    fixed_known : bool
        Leave the uncertainty of the fixed effects out of the covariances (they are then the posterior covariances at
        the estimated fixed effects that empirical-Bayes software prints).

    Returns
    -------
    Blups

    Notes
    -----
    ``b = D Z' V^-1 (y - X beta)``, with prediction-error covariance from the mixed-model equations, by one pass
    inward and one outward through the nested levels. A variance estimated as zero gives effects and covariances of
    zero. The covariance parameters are taken as known, so the covariances are too small with few nodes.

    References
    ----------
    Henderson (1975), Biometrics 31, 423-447, section 2; Robinson (1991), Statistical Science 6, 15-32, equation 1.2.
    """
    c = design.n_columns
    factors = [f[0] for f in relative_factors(design.levels, fit.theta[None])]
    cross, kernels, root = _inward(design, factors)
    mean = np.zeros((1, c))
    spread = np.zeros((1, c, c))
    gram = root[design.fixed[:, None], design.fixed]
    mean[0, design.fixed] = np.linalg.solve(gram, root[design.fixed, -1])
    if not fixed_known:
        spread[0, design.fixed[:, None], design.fixed] = np.linalg.inv(gram)
    effects, covariances = [], []
    for number, level in enumerate(design.levels):
        if number == len(design.levels) - 1 and design.is_pooled:
            effect, covariance = _innermost(design, level, factors[-1], mean, spread)
        else:
            effect, covariance, mean, spread = _outward(level, cross[number], kernels[number], mean, spread)
        effects.append(design.response_scale * effect @ level.back.T)
        covariances.append(fit.sigma2 * level.back @ covariance @ level.back.T)
    return Blups(
        effects=tuple(_frozen(e) for e in effects),
        covariances=tuple(_frozen(v) for v in covariances),
        codes=tuple(level.codes for level in design.levels),
        parents=tuple(level.parent for level in design.levels),
    )


def _inward(design: NestedDesign, factors: list[Floats]) -> tuple[list[Floats], list[Floats], Floats]:
    """Cross-products and ``M = Psi (I + Z'Z Psi)^-1`` of every node that is not pooled, and the root cross-products."""
    stats = design.stats
    c = design.n_columns
    a = np.moveaxis(stats.base[:, :, 0], -1, 0)
    count = len(design.levels)
    if stats.pooled is not None:
        count -= 1
        weight = 1.0 + stats.weight * factors[-1][0, 0] ** 2
        shrunk = np.moveaxis(stats.pooled[:, :, 0] / weight, -1, 0)
        a = a + (shrunk if len(shrunk) == len(a) else np.add.reduceat(shrunk, stats.first, axis=0))
    cross: list[Floats] = [np.zeros(0)] * count
    kernels: list[Floats] = [np.zeros(0)] * count
    for number in range(count - 1, -1, -1):
        level, factor = design.levels[number], factors[number]
        half = np.matmul(level.map.T, a[:, :c])
        inner = np.eye(level.size) + factor.T @ (half[:, :, :c] @ level.map) @ factor
        kernel = factor @ np.linalg.solve(inner, np.broadcast_to(factor.T, inner.shape))
        cross[number], kernels[number] = half, kernel
        a = a - half.swapaxes(1, 2) @ kernel @ half
        a = np.add.reduceat(a, level.children, axis=0)
    return cross, kernels, a.sum(axis=0)


def _outward(
    level: LevelShape, cross: Floats, kernel: Floats, mean: Floats, spread: Floats
) -> tuple[Floats, Floats, Floats, Floats]:
    """Effects of one level given the coefficients of their parents, and the coefficients they add up to."""
    c = mean.shape[1]
    mean, spread = mean[level.parent], spread[level.parent]
    rest = cross[:, :, c] - np.einsum("nij,nj->ni", cross[:, :, :c], mean)
    effect = np.einsum("nij,nj->ni", kernel, rest)
    gain = kernel @ cross[:, :, :c]
    shared = -gain @ spread
    covariance = kernel - shared @ gain.swapaxes(1, 2)
    lifted = level.map @ shared
    total = spread + level.map @ covariance @ level.map.T + lifted + lifted.swapaxes(1, 2)
    return effect, covariance, mean + effect @ level.map.T, total


def _innermost(
    design: NestedDesign, level: LevelShape, factor: Floats, mean: Floats, spread: Floats
) -> tuple[Floats, Floats]:
    """Effects of the pooled level, node by node."""
    lengths = np.diff(np.append(level.starts, design.n_rows))
    z = combine(design.columns, level.map[:, 0], design.n_rows)
    sums, weight = leaf_sums([*design.columns, design.response], z, level.starts, lengths)
    cross = np.stack(sums, axis=1)
    kernel = factor[0, 0] ** 2 / (1.0 + weight * factor[0, 0] ** 2)
    mean, spread = mean[level.parent], spread[level.parent]
    rest = cross[:, -1] - np.einsum("nc,nc->n", cross[:, :-1], mean)
    around = np.einsum("nc,ncd,nd->n", cross[:, :-1], spread, cross[:, :-1])
    return (kernel * rest)[:, None], (kernel + kernel**2 * around)[:, None, None]


def _frozen(values: Floats) -> Floats:
    values = np.array(values, dtype=np.float64)
    values.setflags(write=False)
    return values
