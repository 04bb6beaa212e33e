"""Prediction of one combination of fixed and random effects, with its error and its weights on the data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True, kw_only=True, eq=False)
class Combination:
    """A predicted combination.

    Parameters
    ----------
    value, variance : float
        Prediction, and variance of its error with the variance components taken as known.
    fixed_variance : float
        What the error of the fixed effects alone would make of it, without any random effect.
    weights : array, shape (n_rows,)
        The prediction is ``weights @ y``.
    """

    value: float
    variance: float
    fixed_variance: float
    weights: Floats

    def __post_init__(self) -> None:
        object.__setattr__(self, "weights", frozen_array(self.weights))


def predict_combination(y: Floats, X: Floats, levels: Sequence[tuple[Floats, Ints]], covariances: Sequence[Floats],
                        sigma2: float, *, fixed: Floats, random: Sequence[tuple[int | None, Floats]]) -> Combination:
    """Predict ``fixed @ beta + sum_l random_l @ b_l`` by best linear unbiased prediction.

    Parameters
    ----------
    y, X : array, shape (n_rows,) and (n_rows, p)
    levels : sequence of (Z, codes)
        Nested, outermost first, as for :meth:`drift.engine.nested.NestedDesign.build`.
    covariances : sequence of array, shape (q, q)
        One a level.
    sigma2 : float
    fixed : array, shape (p,)
    random : sequence of (code, coefficients)
        For some of the levels from the outermost on: the node and what its effects are multiplied by; the code None
        is a node not in the data.

    Notes
    -----
    With V = sum Z D Z' + sigma^2 I, C = cov(random part, y), G = var(random part), and Phi = (X' V^-1 X)^-1: prediction
    k'beta + C V^-1 (y - X beta), error variance (k - X'V^-1 C')' Phi (k - X'V^-1 C') + G - C V^-1 C'. Rows of one
    outermost node are worked through at a time.

    References
    ----------
    C. R. Henderson (1975), Biometrics 31, 423-447, section 2; G. K. Robinson (1991), Statistical Science 6, 15-32,
    equation 1.2.
    """
    p = X.shape[1]
    outer = levels[0][1]
    information, cross = np.zeros((p, p)), np.zeros(p)
    order = np.argsort(outer, kind="stable")
    ends = np.flatnonzero(np.diff(outer[order])) + 1
    vx = np.empty_like(X)
    c = np.zeros(len(y))
    own = 0.0
    for (code, m), (z, codes), d in zip(random, levels, covariances, strict=False):
        own += float(m @ d @ m)
        if code is not None:
            mine = codes == code
            c[mine] += z[mine] @ (d @ m)
    vc = np.zeros(len(y))
    for rows in np.split(order, ends):
        v = sigma2 * np.eye(len(rows))
        for (z, codes), d in zip(levels, covariances, strict=True):
            same = codes[rows][:, None] == codes[rows][None, :]
            v += (z[rows] @ d @ z[rows].T) * same
        solved = np.linalg.solve(v, np.column_stack([X[rows], c[rows]]))
        vx[rows], vc[rows] = solved[:, :p], solved[:, p]
        information += X[rows].T @ vx[rows]
        cross += X[rows].T @ vc[rows]
    phi = np.linalg.inv(information)
    gap = fixed - cross
    weights = vx @ (phi @ gap) + vc
    return Combination(value=float(weights @ y), weights=weights, fixed_variance=float(fixed @ phi @ fixed),
                       variance=float(gap @ phi @ gap) + max(own - float(c @ vc), 0.0))
