"""How much faster than on average a path changes in its worst stretch of a given length."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def worst_excess(uses: ArrayLike, path: ArrayLike, slope: float, lengths: ArrayLike) -> Floats:
    """Largest change of a path over any stretch of each length, above what the mean slope would give.

    Parameters
    ----------
    uses, path : array_like, shape (n_uses,)
        Exposures in rising order and the mean path there, straight between them.
    slope : float
        Mean slope, in whose direction changes count.
    lengths : array_like, shape (...,)
        Lengths of the stretches.

    Returns
    -------
    ndarray, shape (...,)
        max over r of s (path(r + m) - path(r)) - s slope m with s the sign of the slope, never below 0; a stretch
        longer than the path gives 0.

    Notes
    -----
    The largest change of a path that is straight between its points begins or ends at one of them. Errors of the mean
    path make the largest of many changes too large rather than too small.
    """
    u, z = np.asarray(uses, dtype=np.float64), np.asarray(path, dtype=np.float64)
    m = np.asarray(lengths, dtype=np.float64)
    if len(u) < 2:
        return np.zeros(m.shape)
    sign = 1.0 if slope >= 0 else -1.0
    starts = np.concatenate([np.broadcast_to(u, (*m.shape, len(u))), u - m[..., None]], axis=-1)
    ends = starts + m[..., None]
    inside = (starts >= u[0] - 1e-12) & (ends <= u[-1] + 1e-12)
    change = sign * (np.interp(ends, u, z) - np.interp(starts, u, z)) - sign * slope * m[..., None]
    return np.asarray(np.maximum(np.where(inside, change, 0.0).max(-1), 0.0))
