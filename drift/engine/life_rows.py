"""What one observed life adds to a log-likelihood, by how much of it was seen, and its derivatives.

A life is known between ``lower`` and ``upper``: exactly (both equal), after the last time it was seen fit
(``upper`` infinite), before the first time it was looked at (``lower`` 0), or between two checks.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.readonly import frozen_array

Floats = NDArray[np.float64]
Family = Literal["weibull", "lognormal"]

_LOG_2PI = float(np.log(2 * np.pi))
_FLOOR = 1e-300


@dataclass(frozen=True, eq=False)
class Lives:
    """Observed lives; arrays of shape (..., n_units), leading axes are studies.

    Parameters
    ----------
    lower, upper : ndarray
        Life lies in (lower, upper]; equal where it is known exactly; ``upper`` is infinite where the unit was still
        fit when last seen, ``lower`` 0 where it was past its limit when first seen.
    weight : ndarray
        Units a row stands for.
    entry : ndarray or float
        Time from which on a unit was watched: it is there only because it had lasted so long (left truncation). 0 for
        one watched from new.
    """

    lower: Floats
    upper: Floats
    weight: Floats
    entry: Floats | float = 0.0

    def __post_init__(self) -> None:
        low, high = np.broadcast_arrays(np.asarray(self.lower, np.float64), np.asarray(self.upper, np.float64))
        if bool((low < 0).any() or (high < low).any() or np.isnan(low).any() or np.isnan(high).any()):
            raise ValueError("a life needs 0 <= lower <= upper")
        if bool(((high == 0) | (np.isinf(low))).any()):
            raise ValueError("a life of zero or of infinity has no place in a distribution of logarithms")
        entry = np.broadcast_to(np.asarray(self.entry, np.float64), low.shape)
        if bool((~(entry >= 0) | (entry > low) | ((entry == low) & (low == high) & (low > 0))).any()):
            raise ValueError("a unit is watched from an entry of 0 or more on, before its life is over")
        object.__setattr__(self, "entry", frozen_array(entry))
        object.__setattr__(self, "lower", frozen_array(low))
        object.__setattr__(self, "upper", frozen_array(high))
        object.__setattr__(self, "weight", frozen_array(np.broadcast_to(np.asarray(self.weight, np.float64),
                                                                        low.shape)))

    @classmethod
    def build(cls, lower: ArrayLike, upper: ArrayLike, weight: ArrayLike = 1.0, entry: ArrayLike = 0.0) -> Lives:
        """Make lives from arrays."""
        return cls(np.asarray(lower, np.float64), np.asarray(upper, np.float64), np.asarray(weight, np.float64),
                   np.asarray(entry, np.float64))

    @property
    def late(self) -> bool:
        """Whether any unit entered after its life had begun."""
        return bool((np.asarray(self.entry) > 0).any())

    @property
    def failed(self) -> NDArray[np.bool_]:
        """Units that are known to have failed."""
        return np.asarray(np.isfinite(self.upper), bool)

    @property
    def exact(self) -> NDArray[np.bool_]:
        """Units whose life is known exactly."""
        return np.asarray(self.lower == self.upper, bool)

    def failures(self) -> Floats:
        """Count the failures of each study."""
        return np.asarray((self.weight * self.failed).sum(axis=-1))


@dataclass(frozen=True, eq=False)
class Rows:
    """Log-likelihood of each row and its derivatives in z at the lower and the upper end.

    For an exact life both ends are one and the derivatives stand in ``upper_first`` and ``upper_second``.
    """

    value: Floats
    lower_first: Floats
    upper_first: Floats
    lower_second: Floats
    upper_second: Floats
    cross: Floats


def rows_of(family: Family, z_lower: Floats, z_upper: Floats, exact: NDArray[np.bool_]) -> Rows:
    """Evaluate rows at standardised log times.

    Parameters
    ----------
    family : {"weibull", "lognormal"}
        Smallest extreme value or normal distribution of the log life.
    z_lower, z_upper : ndarray, shape (..., n_units)
        (log time - mu) / sigma; -inf and inf where an end is open.
    exact : ndarray of bool
        Rows that give a density, not a probability.

    References
    ----------
    Nelson, W. (1982), Applied Life Data Analysis, Wiley, chapter 8 and 9; Meeker, W. Q. and Escobar, L. A. (1998),
    Statistical Methods for Reliability Data, Wiley, eq. 2.5 and 8.1.
    """
    return _sev(z_lower, z_upper, exact) if family == "weibull" else _normal(z_lower, z_upper, exact)


def _sev(za: Floats, zb: Floats, exact: NDArray[np.bool_]) -> Rows:
    """Smallest extreme value: S(z) = exp(-exp(z)), and log(S(za) - S(zb)) without cancelling."""
    top = 300.0  # far beyond any life; its square is still a number
    ea, eb = np.exp(np.minimum(za, top)), np.exp(np.minimum(zb, top))
    gap = eb - ea
    open_end = np.isinf(zb)
    with np.errstate(divide="ignore", invalid="ignore"):
        safe = np.where(open_end | exact, 1.0, np.maximum(gap, _FLOOR))
        tail = np.where(open_end | exact, 0.0, np.log(-np.expm1(-safe)))
        # f(zb)/D and f(za)/D with D = S(za) - S(zb)
        denominator = np.where(open_end | exact, 1.0, np.expm1(np.minimum(safe, top)))
        fb = np.where(open_end | exact, 0.0, eb / denominator)
        fa = np.where(open_end, ea, np.where(exact, 0.0, ea / -np.expm1(-safe)))
    value = np.where(exact, zb - eb, -ea + tail)
    first_b = np.where(exact, 1 - eb, fb)
    with np.errstate(over="ignore", invalid="ignore"):  # steps from there are not finite, and are replaced
        # f'(z) = f(z) (1 - exp z)
        second_b = np.where(exact, -eb, fb * (1 - eb) - fb**2)
        second_a = np.where(exact, 0.0, -fa * (1 - ea) - fa**2)
        return Rows(value, -fa, first_b, second_a, second_b, fa * fb)


def _normal(za: Floats, zb: Floats, exact: NDArray[np.bool_]) -> Rows:
    """Use the standard normal, with the difference of two tails taken on the side where both are small."""
    from scipy.special import log_ndtr

    with np.errstate(divide="ignore", invalid="ignore"):
        flip = np.where(np.isneginf(za), zb, np.where(np.isinf(zb), za, za + zb)) > 0
        near, far = np.where(flip, -za, zb), np.where(flip, -zb, za)  # near > far, in the lower tail
        ln, lf = log_ndtr(near), log_ndtr(far)
        less = np.where(np.isneginf(far) | exact, -np.inf, lf - ln)
        log_d = ln + np.log(-np.expm1(np.minimum(less, -1e-300)))
        log_d = np.where(exact, 0.0, np.maximum(log_d, -1e300))
        fa = np.where(np.isfinite(za), np.exp(-za**2 / 2 - _LOG_2PI / 2 - log_d), 0.0)
        fb = np.where(np.isfinite(zb), np.exp(-zb**2 / 2 - _LOG_2PI / 2 - log_d), 0.0)
        a, b = np.where(np.isfinite(za), za, 0.0), np.where(np.isfinite(zb), zb, 0.0)
    fa = np.where(exact, 0.0, fa)
    value = np.where(exact, -b**2 / 2 - _LOG_2PI / 2, log_d)
    return Rows(value, -fa, np.where(exact, -b, fb), np.where(exact, 0.0, a * fa - fa**2),
                np.where(exact, -1.0, -b * fb - fb**2), np.where(exact, 0.0, fa * fb))
