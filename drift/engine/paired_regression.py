"""Limits of agreement that change with the size of the reading, for pairs that share targets and sensors.

The mixed model of the differences gets a slope on the mean reading. At each mean the bias and the variance of one
difference are put together from effective mean squares, as those of the model without a slope are, so that the same
intervals apply at every mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.limits_of_agreement import Strata
from drift.engine.paired_components import PairedComponents, _Cross, _expectations, fit_paired
from drift.engine.readonly import frozen_array

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class PairedLine:
    """A line of differences on means with random factors, and what its limits are made from at any mean.

    Parameters
    ----------
    fit : PairedComponents
        REML fit; ``beta`` on the scaled mean.
    centre, scale : float
        The scaled mean is (x - centre) / scale.
    mean_squares, df : arrays, shape (n_strata,)
        Effective mean squares that stand for the variances, and their degrees of freedom, less what the slope took.
    total : array, shape (n_strata,)
        Coefficients with which they add to the variance of one difference.
    """

    fit: PairedComponents
    centre: float
    scale: float
    mean_squares: FloatArray
    df: FloatArray
    total: FloatArray
    _inverse: FloatArray
    _reach: tuple[FloatArray, ...]

    def __post_init__(self) -> None:
        for name in ("mean_squares", "df", "total", "_inverse"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))

    @property
    def slope(self) -> float:
        """Change of the difference per unit of the mean."""
        return float(self.fit.beta[1]) / self.scale

    def strata_at(self, x: float) -> Strata:
        """Return the strata of bias and limits at mean ``x``."""
        z = np.array([1.0, (x - self.centre) / self.scale])
        shares = np.array([float(np.sum((reach @ z) ** 2)) for reach in self._reach])
        unit = float(z @ self.fit.cov_beta @ z) / float(self.fit.variances[-1])
        gamma = self.fit.variances[:-1] / self.fit.variances[-1]
        of_variance = np.append(shares, max(unit - float(shares @ gamma), 0.0))
        return Strata(float(z @ self.fit.beta), self.mean_squares, self.df, self.total, of_variance @ self._inverse)


def of_occasions(occasion: ArrayLike, codes: Sequence[ArrayLike], *values: ArrayLike
                 ) -> tuple[list[NDArray[np.int64]], list[FloatArray]]:
    """Return the codes and the mean values of occasions that several pairs share.

    Parameters
    ----------
    occasion : array of int, shape (n_pairs,)
        Codes 0..n_occasions - 1, each within one level of every factor.
    codes : sequence of int arrays, each shape (n_pairs,)
    *values : arrays, shape (n_pairs,)
    """
    code = np.asarray(occasion)
    first = np.unique(code, return_index=True)[1]
    number = np.bincount(code).astype(float)
    return ([np.asarray(c)[first] for c in codes],
            [np.bincount(code, weights=np.asarray(v, float)) / number for v in values])


def paired_line(mean: ArrayLike, differences: ArrayLike, codes: Sequence[ArrayLike], *,
                occasion: ArrayLike | None = None) -> PairedLine:
    """Fit differences by a line on the mean with random factors, by restricted maximum likelihood.

    Parameters
    ----------
    mean, differences : arrays, shape (n_pairs,)
        ``mean`` not constant.
    codes : sequence of one or two integer arrays
        As in :func:`drift.engine.paired_components.fit_paired`.
    occasion : array of int, optional
        Occasions that several pairs share; their means are then fitted, each counting once, and what differs within
        them is added to the variance of one difference.

    Returns
    -------
    PairedLine

    Notes
    -----
    The variance of the line at x is ``z'C z`` with ``C = (X'V^-1 X)^-1``; with the weights of generalised least
    squares held it is linear in the variances: ``sum_k s2_k |Z_k' V^-1 X C z|^2``. Mean squares and their
    expectations are those of the model without slope; the slope takes one degree of freedom, split over the strata
    as its information is: what lies within the levels of all factors, and the rest in proportion to the sum of squares
    of the mean reading between the levels of each.
    """
    if occasion is not None:
        return _with_occasions(np.asarray(mean, float), np.asarray(differences, float), codes, np.asarray(occasion))
    x, d = np.asarray(mean, float), np.asarray(differences, float)
    centre, scale = float(np.mean(x)), float(np.std(x))
    X = np.column_stack([np.ones_like(x), (x - centre) / scale])
    fit = fit_paired(d, codes, X=X)
    cross = _Cross(np.zeros_like(d), X, [np.asarray(c) for c in codes])
    sigma2 = float(fit.variances[-1])
    gamma = fit.variances[:-1] / sigma2
    _, _, ZHU, _ = cross.reduced(gamma)
    C = fit.cov_beta / sigma2
    reach = tuple(ZHU[cross.block(k), :2] @ C for k in range(len(gamma)))
    rows, df = _expectations(cross)
    within = X[:, 1].copy()
    for _ in range(30):
        for code in cross.codes:
            within -= (np.bincount(code, weights=within) / np.bincount(code))[code]
    between = 1.0 - min(1.0, float(within @ within) * float(C[1, 1]))
    apart = np.array([float(np.sum(np.bincount(code, weights=X[:, 1]) ** 2 / np.bincount(code)))
                      for code in cross.codes])
    df = np.maximum(df - between * apart / max(float(apart.sum()), 1e-300), 1.0)
    rest = max(cross.n - 2.0 - float(df.sum()), 1.0)
    M = np.vstack([rows, np.append(np.zeros(len(gamma)), 1.0)])
    inverse = np.linalg.inv(M)
    return PairedLine(fit, centre, scale, M @ fit.variances, np.append(df, rest), np.ones(len(gamma) + 1) @ inverse,
                      inverse, reach)


def _with_occasions(x: FloatArray, d: FloatArray, codes: Sequence[ArrayLike], code: NDArray[np.int64]) -> PairedLine:
    """Fit the line to means of occasions, and add the stratum within occasions."""
    above, (x_mean, d_mean) = of_occasions(code, codes, x, d)
    base = paired_line(x_mean, d_mean, above)
    number = np.bincount(code).astype(float)
    share = float(np.mean(1 / number))
    rest = (d - d_mean[code]) - base.slope * (x - x_mean[code])
    df = float(len(d) - len(number))
    inverse = np.column_stack([base._inverse, np.zeros(len(base._inverse))])
    return PairedLine(base.fit, base.centre, base.scale, np.append(base.mean_squares, float(rest @ rest) / df),
                      np.append(base.df, df), np.append(base.total, 1 - share), inverse, base._reach)
