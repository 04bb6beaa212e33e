"""Second-order Taylor arithmetic for stacks of small matrices.

A jet is an array ``(1 + k + k (k + 1) / 2, rows, columns, nodes)``: value, first derivatives and the second
derivatives of the pairs ``i <= j`` with respect to ``k`` parameters. Exact derivatives, no differencing. The node
axis is last, so that the products of many small matrices run along contiguous memory.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@lru_cache(maxsize=64)
def _pairs(k: int) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    i, j = np.triu_indices(k)
    i.setflags(write=False)
    j.setflags(write=False)
    return i, j


@lru_cache(maxsize=64)
def _product_terms(k: int) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.intp]]:
    """Left and right entries whose products add up to each entry of a product jet, and where each sum starts."""
    i, j = _pairs(k)
    left, right, starts = [0], [0], [0]
    for first in range(1, 1 + k):
        starts.append(len(left))
        left += [first, 0]
        right += [0, first]
    for number, (a, b) in enumerate(zip(i.tolist(), j.tolist(), strict=True), 1 + k):
        starts.append(len(left))
        left += [number, 0, 1 + a, 1 + b]
        right += [0, number, 1 + b, 1 + a]
    return np.array(left, dtype=np.intp), np.array(right, dtype=np.intp), np.array(starts, dtype=np.intp)


@dataclass(frozen=True)
class JetAlgebra:
    """Products, inverses and log-determinants of jets in ``k`` parameters."""

    k: int

    @property
    def pairs(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        """Parameter numbers of the second derivatives."""
        return _pairs(self.k)

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
        """Jet of the matrix product; a node axis of length one stands for all nodes."""
        k = self.k
        if a.shape[-1] == b.shape[-1] == 1:  # one node: a few calls on stacks cost less than many
            left, right, starts = _product_terms(k)
            whole: Floats = np.add.reduceat(np.matmul(a[left, ..., 0], b[right, ..., 0]), starts, axis=0)
            return whole[..., None]
        i, j = self.pairs
        first_a, first_b = a[1 : 1 + k], b[1 : 1 + k]
        out = np.einsum("kijn,jln->kiln", a, b[0])
        out[1:] += np.einsum("ijn,kjln->kiln", a[0], b[1:])
        out[1 + k :] += np.einsum("kijn,kjln->kiln", first_a[i], first_b[j])
        out[1 + k :] += np.einsum("kijn,kjln->kiln", first_a[j], first_b[i])
        return np.asarray(out, dtype=np.float64)

    def inverse(self, a: Floats) -> Floats:
        """Jet of the matrix inverse."""
        k = self.k
        i, j = self.pairs
        out = np.empty_like(a)
        if a.shape[-1] == 1:
            base = np.linalg.inv(a[0, ..., 0])
            around = np.matmul(base, a[1:, ..., 0])
            moved = -np.matmul(around, base)
            moved[k:] -= np.matmul(around[i], moved[j]) + np.matmul(around[j], moved[i])
            out[0, ..., 0], out[1:, ..., 0] = base, moved
            return out
        out[0] = np.linalg.inv(a[0].transpose(2, 0, 1)).transpose(1, 2, 0)
        half = np.einsum("ijn,kjln->kiln", out[0], a[1:])
        out[1 : 1 + k] = -np.einsum("kijn,jln->kiln", half[:k], out[0])
        first = out[1 : 1 + k]
        out[1 + k :] = -np.einsum("kijn,jln->kiln", half[k:], out[0])
        out[1 + k :] -= np.einsum("kijn,kjln->kiln", half[:k][i], first[j])
        out[1 + k :] -= np.einsum("kijn,kjln->kiln", half[:k][j], first[i])
        return out

    def log_det(self, a: Floats, inverse: Floats) -> Floats:
        """Jet ``(jet, nodes)`` of the logarithm of the determinant (positive), given the inverse jet."""
        k = self.k
        i, j = self.pairs
        left = np.einsum("ijn,kjln->kiln", inverse[0], a[1:])
        out = np.empty((len(a), a.shape[-1]))
        out[0] = np.linalg.slogdet(a[0].transpose(2, 0, 1))[1]
        out[1:] = np.einsum("kiin->kn", left)
        out[1 + k :] -= np.einsum("kijn,kjin->kn", left[:k][i], left[:k][j])
        return out

    def second(self, jet: Floats) -> Floats:
        """Second derivatives as a full symmetric (k, k, ...) array."""
        i, j = self.pairs
        out = np.empty((self.k, self.k, *jet.shape[1:]))
        out[i, j] = jet[1 + self.k :]
        out[j, i] = jet[1 + self.k :]
        return out
