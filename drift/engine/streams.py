"""Random streams named after what they serve."""

from __future__ import annotations

import zlib

import numpy as np


def stream(seed: int, name: str, *numbers: int) -> np.random.Generator:
    """Return a generator of its own for a name (and group), so that one name more changes no other number.

    Parameters
    ----------
    seed : int
        Of the whole analysis.
    name : str
        What draws from it, such as a companion of a result.
    *numbers : int
        Which of several groups it is, where there are some.
    """
    return np.random.default_rng([seed, zlib.crc32(name.encode()), *numbers])
