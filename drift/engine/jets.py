"""Second-order Taylor arithmetic for stacks of small matrices.

A jet is an array ``(1 + k + k (k + 1) / 2, ..., rows, columns)``: value, first derivatives and the second
derivatives of the pairs ``i <= j`` with respect to ``k`` parameters. Exact derivatives, no differencing.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class JetAlgebra:
    """Products, inverses and log-determinants of jets in ``k`` parameters."""

    k: int

    @cached_property
    def pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Parameter numbers of the second derivatives."""
        return np.triu_indices(self.k)

    @property
    def length(self) -> int:
        """Length of the jet axis."""
        return 1 + self.k + self.k * (self.k + 1) // 2

    def constant(self, value: Floats) -> Floats:
        """Jet of something that does not depend on the parameters."""
        out = np.zeros((self.length, *value.shape))
        out[0] = value
        return out

    def product(self, a: Floats, b: Floats) -> Floats:
        """Jet of the matrix product."""
        k = self.k
        i, j = self.pairs
        first_a, first_b = a[1 : 1 + k], b[1 : 1 + k]
        out = np.matmul(a, b[:1])
        out[1:] += np.matmul(a[:1], b[1:])
        out[1 + k :] += np.matmul(first_a[i], first_b[j]) + np.matmul(first_a[j], first_b[i])
        return out

    def inverse(self, a: Floats) -> Floats:
        """Jet of the matrix inverse."""
        k = self.k
        i, j = self.pairs
        out = np.empty_like(a)
        out[0] = np.linalg.inv(a[0])
        out[1 : 1 + k] = -np.matmul(np.matmul(out[:1], a[1 : 1 + k]), out[:1])
        first_a, first_out = a[1 : 1 + k], out[1 : 1 + k]
        inner = np.matmul(first_a[i], first_out[j]) + np.matmul(first_a[j], first_out[i])
        inner += np.matmul(a[1 + k :], out[:1])
        out[1 + k :] = -np.matmul(out[:1], inner)
        return out

    def log_det(self, a: Floats) -> Floats:
        """Jet of the logarithm of the determinant (positive)."""
        k = self.k
        i, j = self.pairs
        left = np.linalg.solve(a[:1], a[1:])
        out = np.empty(a.shape[:-2])
        out[0] = np.linalg.slogdet(a[0])[1]
        out[1:] = np.trace(left, axis1=-2, axis2=-1)
        out[1 + k :] -= np.einsum("k...ij,k...ji->k...", left[i], left[j])
        return out

    def second(self, jet: Floats) -> Floats:
        """Second derivatives as a full symmetric (k, k, ...) array."""
        i, j = self.pairs
        out = np.empty((self.k, self.k, *jet.shape[1:]))
        out[i, j] = jet[1 + self.k :]
        out[j, i] = jet[1 + self.k :]
        return out
