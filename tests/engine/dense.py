"""Mixed models by dense matrices: slow, obvious, shares nothing with the engine."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np


class Dense(NamedTuple):
    """What a dense computation gives at stated covariance parameters."""

    criterion: float
    beta: np.ndarray
    cov_beta: np.ndarray
    v: np.ndarray
    z: list[np.ndarray]


def node_columns(columns: np.ndarray, codes: Sequence[np.ndarray]) -> np.ndarray:
    """``(N, nodes * q)`` random-effect columns; nodes sorted by parent and code."""
    keys = np.column_stack(codes)
    nodes = np.unique(keys, axis=0)
    columns = np.asarray(columns, dtype=float).reshape(len(keys), -1)
    blocks = [columns * (keys == node).all(axis=1)[:, None] for node in nodes]
    return np.concatenate(blocks, axis=1)


def dense(
    y: np.ndarray, x: np.ndarray, levels: list[Any], covariances: Sequence[np.ndarray], sigma2: float, method: str
) -> Dense:
    """Criterion, coefficients and covariance matrix of the response."""
    n, p = x.shape
    v = sigma2 * np.eye(n)
    zs = []
    for k, (level, covariance) in enumerate(zip(levels, covariances, strict=True)):
        z = node_columns(level[0], [lv[1] for lv in levels[: k + 1]])
        zs.append(z)
        v += z @ np.kron(np.eye(z.shape[1] // len(covariance)), covariance) @ z.T
    inverse = np.linalg.inv(v)
    gram = x.T @ inverse @ x
    beta = np.linalg.solve(gram, x.T @ inverse @ y)
    rest = y - x @ beta
    value = np.linalg.slogdet(v)[1] + rest @ inverse @ rest
    if method == "REML":
        value += np.linalg.slogdet(gram)[1] + (n - p) * np.log(2 * np.pi)
    else:
        value += n * np.log(2 * np.pi)
    return Dense(float(value), beta, np.linalg.inv(gram), v, zs)
