"""What sensors' lines say along use: how far they lie apart at a use, and how well their mean is known there.

The mean square between the sensors' values at one use says how far sensors lie apart there. It does not say how well
the mean line is known there when some sensors were seen early and others late: their values near the uses at which
they were seen then carry the line, and few of them may carry all of it. The variance of the mean is therefore taken
from what each sensor adds to it, which is unbiased for whatever spread sensors have, and its degrees of freedom fall
with the number of sensors that carry the line.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

LEAST = 1e-9  # share of a sensor's part that is left beside the mean line, below which it tells nothing


@dataclass(frozen=True, eq=False)
class Residuals:
    """What is known of the sensors' lines about the mean line.

    Parameters
    ----------
    lines : array, shape (k, b)
        Sensors' lines less the mean line.
    weights : array, shape (b, k, b)
        Of the mean line.
    whole : array, shape (k, b, k, b) or (k, b, b)
        Covariance of the lines but for targets; of each line by itself where lines are independent.
    of_target : array, shape (k, b, k, b), or None
        What targets add to it per unit of their variance; None where lines are independent.
    target : float
        That variance.
    """

    lines: FloatArray
    weights: FloatArray
    whole: FloatArray
    of_target: FloatArray | None
    target: float

    def mean_squares(self, x: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Variance of the mean in working directions, its degrees of freedom, and what targets have in it.

        Parameters
        ----------
        x : array, shape (n, b)

        Returns
        -------
        square, df, of_target : arrays, shape (n,)
            ``square`` estimates the variance of the mean but for targets, plus ``of_target`` times that of targets.

        Notes
        -----
        Sum over sensors of (weight x distance from the mean line) squared, each scaled to its expectation under the
        fitted variances (the bias-reduced sandwich estimator of Bell & McCaffrey 2002 with sensors as clusters), with
        Satterthwaite's degrees of freedom of that quadratic form. In balanced designs the mean square between sensors
        divided by k, with k - 1.

        References
        ----------
        Bell RM, McCaffrey DF (2002). Bias reduction in standard errors for linear regression with multi-stage samples.
        Survey Methodology 28(2):169-181, sections 3 and 4.
        Pustejovsky JE, Tipton E (2018). Journal of Business & Economic Statistics 36(4):672-683, section 3. doi
        10.1080/07350015.2016.1247004
        """
        a = np.einsum("nb,bsc->nsc", x, self.weights)
        squares = np.einsum("nsb,sb->ns", a, self.lines) ** 2
        return self._independent(a, squares) if self.of_target is None else self._together(a, squares, self.of_target)

    def _independent(self, a: FloatArray, squares: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Sensors that share no targets: covariances of distances are those of the mean line alone."""
        of_mean = np.einsum("isj,sjk,lsk->il", self.weights, self.whole, self.weights)
        p = np.einsum("nsb,sbc,nsc->ns", a, self.whole, a)
        h = np.einsum("nsb,bc,nsc->ns", a, of_mean, a)
        scale = p / np.maximum(p - h, LEAST * p)
        inner = np.einsum("ns,nsb,nsc->nbc", scale, a, a) @ of_mean
        spread = np.einsum("nbc,ncb->n", inner, inner) + ((scale * (p - h)) ** 2 - (scale * h) ** 2).sum(1)
        expected = (scale * (p - h)).sum(1)
        return (scale * squares).sum(1) * p.sum(1) / expected, expected**2 / spread, np.zeros(len(a))

    def _together(self, a: FloatArray, squares: FloatArray,
                  of_target: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Sensors that share targets: the whole covariance of distances."""
        total = np.einsum("nsb,nsb->n", a, np.einsum("sbtc,ntc->nsb", self.whole, a))
        p = np.einsum("nsb,sbsc,nsc->ns", a, self.whole, a)
        own, targets = (_about(a, v, self.weights) for v in (self.whole, of_target))
        left = np.einsum("nss->ns", own)
        scale = p / np.maximum(left, LEAST * p)
        both = own + self.target * targets
        spread = np.einsum("ns,nst,nst,nt->n", scale, both, both, scale)
        expected, of = (scale * left).sum(1), (scale * np.einsum("nss->ns", targets)).sum(1)
        ratio = total / expected
        return (scale * squares).sum(1) * ratio, (expected + self.target * of) ** 2 / spread, of * ratio


def _about(a: FloatArray, covariance: FloatArray, weights: FloatArray) -> FloatArray:
    """Covariances of the sensors' weighted distances from the mean line, shape (n, k, k)."""
    shared = np.einsum("sbtc,dtc->sbd", covariance, weights)
    of_mean = np.einsum("dsb,sbe->de", weights, shared)
    k, b = covariance.shape[:2]
    centred = (covariance - shared[:, :, None, :] - shared.transpose(2, 0, 1)[None] + of_mean[None, :, None, :])
    flat = centred.reshape(k * b, k * b)
    n = len(a)
    left = np.einsum("nsb,sbm->nsm", a, flat.reshape(k, b, k * b)).reshape(n, k, k, b)
    return np.asarray(np.einsum("nstc,ntc->nst", left, a), float)


def _contrast(weights: FloatArray) -> FloatArray:
    """``W - W 1 1'W / 1'W 1`` of inverse covariances, shape (n, k, k)."""
    row = weights.sum(2)
    return np.asarray(weights - row[:, :, None] * row[:, None, :] / row.sum(1)[:, None, None], float)


def quadratic(x: FloatArray, matrix: FloatArray) -> FloatArray:
    """Return ``x'Mx`` of each row."""
    return np.asarray(((x @ matrix) * x).sum(1), float)


def _along(x: FloatArray, covariance: FloatArray) -> FloatArray:
    """Covariances between the sensors' values in each direction, shape (n, k, k), from those of lines (k, b, k, b)."""
    k, b = covariance.shape[:2]
    products = (x[:, :, None] * x[:, None, :]).reshape(len(x), b * b)
    return np.asarray((products @ covariance.transpose(1, 3, 0, 2).reshape(b * b, k * k)).reshape(len(x), k, k), float)


def between(lines: FloatArray, of_error: FloatArray, of_target: FloatArray, x: FloatArray, covariance: FloatArray,
             error: float, target: float, *, targets: bool) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean square between sensors in each direction, and its coefficients of the residual and the target variance."""
    k = len(lines)
    value = x @ lines.T
    g = quadratic(x, covariance)
    if not targets:  # sensors are independent: a weighted sum of squares
        own = of_error[np.arange(k), :, np.arange(k), :]
        d = ((x @ own) * x).sum(2).T
        w = 1 / (d * error + g[:, None])
        whole = w.sum(1)
        centre = (w * value).sum(1) / whole
        squares = (w * (value - centre[:, None]) ** 2).sum(1)
        trace = whole - (w * w).sum(1) / whole
        return squares / trace, ((w - w * w / whole[:, None]) * d).sum(1) / trace, np.zeros(len(x))
    d_e, d_t = _along(x, of_error), _along(x, of_target)
    p = _contrast(np.asarray(np.linalg.inv(d_e * error + d_t * target + g[:, None, None] * np.eye(k)), float))
    trace = np.trace(p, axis1=1, axis2=2)
    squares = ((p @ value[:, :, None])[:, :, 0] * value).sum(1)
    return squares / trace, (p * d_e).sum((1, 2)) / trace, (p * d_t).sum((1, 2)) / trace
