"""Read-only copies of arrays and mappings, shared by every frozen object."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray


def frozen_mapping(data: Mapping[str, Any] | None) -> Mapping[str, Any]:
    """Return a read-only copy of a mapping."""
    return MappingProxyType(dict(data or {}))


def frozen_array(values: ArrayLike) -> NDArray[np.float64]:
    """Return a read-only float64 copy of an array."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array
