"""Mean squares of differences along use: what a fit hands to its intervals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.limits_of_agreement import Strata
from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]

FLOOR = 0.25  # of the sensors' part of the variance of a mean, below which a negative target part may not pull it


@dataclass(frozen=True, eq=False)
class Path:
    """Mean squares along directions: everything intervals need.

    Parameters
    ----------
    mean : array, shape (n,)
        Estimate of ``x'beta``.
    mean_squares : array, shape (n, n_strata)
        Sensors (where they are a factor), targets (where they repeat), residual.
    df : array, shape (n_strata,)
    total, of_mean, between : arrays, shape (n, n_strata)
        Coefficients with which the mean squares add to the variance of one difference for a new sensor and target, to
        the variance of ``mean``, and to the variance ``x'Gx`` between sensors (zero without that factor).
    first : array, shape (n,), optional
        Mean square of the first stratum in the variance of ``mean``, where it is not that of ``mean_squares``: sensors
        that were seen over different stretches of use do not weigh alike in the mean.
    first_df : array, shape (n,), optional
        Its degrees of freedom.
    """

    mean: FloatArray
    mean_squares: FloatArray
    df: FloatArray
    total: FloatArray
    of_mean: FloatArray
    between: FloatArray
    first: FloatArray | None = None
    first_df: FloatArray | None = None

    def __post_init__(self) -> None:
        if self.first is None or self.first_df is None:
            object.__setattr__(self, "first", self.mean_squares[:, 0])
            object.__setattr__(self, "first_df", np.full(len(self.mean), self.df[0]))
        for name in self.__dataclass_fields__:
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    def __len__(self) -> int:
        return len(self.mean)

    @property
    def variance(self) -> FloatArray:
        """Variance of one difference, shape (n,)."""
        return np.asarray(np.maximum((self.total * self.mean_squares).sum(1), 0.0), float)

    @property
    def parts(self) -> FloatArray:
        """What each stratum adds to the variance of the mean, shape (n, n_strata)."""
        assert self.first is not None
        return np.asarray(self.of_mean * np.column_stack([self.first, self.mean_squares[:, 1:]]), float)

    @property
    def parts_df(self) -> FloatArray:
        """Degrees of freedom of ``parts``, shape (n, n_strata)."""
        assert self.first_df is not None
        return np.column_stack([self.first_df, np.broadcast_to(self.df[1:], (len(self), len(self.df) - 1))])

    @property
    def mean_variance(self) -> FloatArray:
        """Variance of the mean, shape (n,); at least a share of what the first stratum alone gives it."""
        parts = self.parts
        return np.asarray(np.maximum(parts.sum(1), FLOOR * parts[:, 0]), float)

    @property
    def spread(self) -> FloatArray:
        """Estimated variance between sensors, negative estimates at zero, shape (n,)."""
        return np.asarray(np.maximum((self.between * self.mean_squares).sum(1), 0.0), float)

    def strata(self, i: int, *, of: str = "total") -> Strata:
        """Return the strata of one direction; ``of`` names the variance: "total" or "between"."""
        parts, ms = self.parts[i], self.mean_squares[i]
        of_mean = np.divide(parts, ms, out=np.array(self.of_mean[i]), where=ms > 0)
        return Strata(float(self.mean[i]), ms, self.df, getattr(self, of)[i], of_mean)
