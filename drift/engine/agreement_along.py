"""Differences along use: a line for each sensor, targets that repeat, and mean squares at any use.

Model ``d = z'(beta + b_s) + t + e``: random lines of sensors (covariance ``G``), random targets crossed or nested with
them, residual. Everything is closed form: sensors' own lines with targets absorbed, variances by expected mean
squares, and for every direction ``x`` (a use, or the slope itself) one mean square between the sensors' values
``x'(beta + b_s)``. In balanced designs that mean square has exactly ``k - 1`` degrees of freedom whatever ``G`` is,
so that the intervals of :mod:`drift.engine.agreement_along_bounds` are those of one sample of ``k`` sensors.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.agreement_along_path import Path
from drift.engine.agreement_along_sensors import Residuals, between, quadratic

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

RANK = 1e-9  # relative size below which a direction is not in the data
EXACT = 1e-20  # share of the sum of squares below which what is left is rounding


class NoFitError(ValueError):
    """The rows cannot carry the model; the message says why."""


@dataclass(frozen=True, eq=False)
class AlongDesign:
    """Cross products of columns, sensors and targets; all a fit needs besides the differences.

    Parameters
    ----------
    columns : array, shape (n_rows, b)
        Columns of the line in working scale (orthonormal over the rows).
    back : array, shape (b, b)
        Raw columns are ``columns @ back``.
    sensor, target : int arrays, shape (n_rows,), or None
    blocks : array, shape (k, b, b)
    cross : array, shape (n_targets, k b), or None
    """

    columns: FloatArray
    back: FloatArray
    sensor: IntArray | None
    target: IntArray | None
    blocks: FloatArray
    cross: FloatArray | None
    number: FloatArray | None
    df_error: float
    df_target: float
    kappa: float

    @property
    def k(self) -> int:
        """Number of sensors (one where they are no factor)."""
        return len(self.blocks)

    @classmethod
    def build(cls, columns: ArrayLike, sensor: ArrayLike | None, target: ArrayLike | None) -> AlongDesign:
        """Reduce the rows.

        Parameters
        ----------
        columns : array, shape (n_rows, b)
            One and use, or more columns; every sensor's rows must carry a line of its own.
        sensor, target : integer arrays, shape (n_rows,), optional
            None where there is one sensor, or where no target repeats.

        Raises
        ------
        NoFitError
            If a sensor's rows do not carry its line, or nothing is left for the residual.
        """
        raw = np.asarray(columns, float)
        n, b = raw.shape
        if n < b + 2 or np.linalg.matrix_rank(raw / np.maximum(np.abs(raw).max(0), 1e-300)) < b:
            raise NoFitError("the columns do not vary")
        q, r = np.linalg.qr(raw)
        sign = np.where(np.diag(r) < 0, -1.0, 1.0)  # the same whatever the order of the rows
        work, back = q * sign * np.sqrt(n), sign[:, None] * r / np.sqrt(n)
        s = None if sensor is None else np.unique(np.asarray(sensor), return_inverse=True)[1].reshape(-1)
        t = None if target is None else np.unique(np.asarray(target), return_inverse=True)[1].reshape(-1)
        code, k = (np.zeros(n, dtype=np.int64), 1) if s is None else (s, int(s.max()) + 1)
        blocks = np.zeros((k, b, b))
        np.add.at(blocks, code, work[:, :, None] * work[:, None, :])
        if np.min(np.linalg.eigvalsh(blocks)) < RANK * n / k:
            raise NoFitError("a sensor's rows do not carry a line of its own")
        if t is None:
            return cls(work, back, s, None, blocks, None, None, float(n - k * b), 0.0, 0.0)._checked()
        number = np.bincount(t).astype(float)
        cross = np.zeros((len(number), k, b))
        np.add.at(cross, (t, code), work)
        flat = cross.reshape(len(number), k * b)
        within = _block_diagonal(blocks) - flat.T @ (flat / number[:, None])
        values = np.linalg.eigvalsh(within)
        df_error = float(n - len(number) - int((values > RANK * n / k).sum()))
        df_target = float(n - k * b) - df_error
        trace = n - float(np.einsum("tki,kij,tkj->", cross, np.linalg.inv(blocks), cross))
        if df_target < 1:  # the sensors' lines take up everything that tells targets apart
            return cls(work, back, s, None, blocks, None, None, float(n - k * b), 0.0, 0.0)._checked()
        return cls(work, back, s, t, blocks, flat, number, df_error, df_target, trace / df_target)._checked()

    def _checked(self) -> AlongDesign:
        if self.df_error < 1:
            raise NoFitError("nothing is left beside the lines of the sensors")
        return self


def _block_diagonal(blocks: FloatArray) -> FloatArray:
    k, b, _ = blocks.shape
    out = np.zeros((k, b, k, b))
    out[np.arange(k), :, np.arange(k), :] = blocks
    return out.reshape(k * b, k * b)


def _positive(matrix: FloatArray) -> FloatArray:
    """Nearest positive semidefinite matrix."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray((vectors * np.maximum(values, 0.0)) @ vectors.T, float)


@dataclass(frozen=True, eq=False)
class AlongFit:
    """Lines of sensors and variances; :meth:`at` gives the mean squares in any direction.

    Parameters
    ----------
    lines : array, shape (k, b)
        Each sensor's own line in working scale, targets allowed for.
    of_error, of_target : arrays, shape (k, b, k, b)
        Covariance of ``lines`` per unit of the residual and of the target variance.
    covariance : array, shape (b, b)
        Between sensors, positive semidefinite.
    beta : array, shape (b,)
        Mean line in working scale.
    weights : array, shape (b, k, b)
        ``beta`` is the sum of ``weights[:, s] @ lines[s]``.
    ms_error, ms_target : float
    """

    design: AlongDesign
    shift: FloatArray
    lines: FloatArray
    of_error: FloatArray
    of_target: FloatArray
    covariance: FloatArray
    beta: FloatArray
    weights: FloatArray
    ms_error: float
    ms_target: float

    @property
    def target_variance(self) -> float:
        """Variance of targets, a negative estimate at zero."""
        if self.design.df_target < 1:
            return 0.0
        return max(self.ms_target - self.ms_error, 0.0) / self.design.kappa

    @property
    def coefficients(self) -> FloatArray:
        """Mean line on the raw columns, shape (b,)."""
        return np.asarray(np.linalg.solve(self.design.back, self.beta + self.shift), float)

    @property
    def sensor_lines(self) -> FloatArray:
        """Own lines on the raw columns, shape (k, b)."""
        return np.asarray(np.linalg.solve(self.design.back, (self.lines + self.shift).T).T, float)

    def at(self, directions: ArrayLike) -> Path:
        """Mean squares in each direction.

        Parameters
        ----------
        directions : array, shape (n, b)
            On the raw columns: ``(1, u)`` is use u, ``(0, 1)`` the slope.
        """
        x = np.linalg.solve(self.design.back.T, np.asarray(directions, float).T).T
        mean = x @ (self.beta + self.shift)
        targets = self.design.df_target >= 1
        b, k = x.shape[1], self.design.k
        flat = self.weights.reshape(b, k * b)
        c_e = quadratic(x, flat @ self.of_error.reshape(k * b, k * b) @ flat.T)
        c_t = quadratic(x, flat @ self.of_target.reshape(k * b, k * b) @ flat.T) if targets else np.zeros(len(x))
        if self.design.sensor is None:
            return self._without_sensors(mean, c_e, c_t)
        squares, h_e, h_t = self.between(x, self.covariance)
        first, first_df, of_first = self.residuals.mean_squares(x)
        one, none = np.ones(len(x)), np.zeros(len(x))
        if not targets:
            return Path(mean, np.column_stack([squares, np.full(len(x), self.ms_error)]),
                        np.array([self.design.k - 1.0, self.design.df_error]), np.column_stack([one, 1 - h_e]),
                        np.column_stack([one, none]), np.column_stack([one, -h_e]), first, first_df)
        kappa = self.design.kappa
        rest = np.maximum(c_t - of_first, 0.0) / kappa
        new = (1 - h_t) / kappa
        return Path(mean, np.column_stack([squares, np.full(len(x), self.ms_target), np.full(len(x), self.ms_error)]),
                    np.array([self.design.k - 1.0, self.design.df_target, self.design.df_error]),
                    np.column_stack([one, new, 1 - h_e - new]), np.column_stack([one, rest, -rest]),
                    np.column_stack([one, -h_t / kappa, h_t / kappa - h_e]), first, first_df)

    @cached_property
    def residuals(self) -> Residuals:
        """Distances of the sensors' lines from the mean line, and their covariance."""
        k, b = self.lines.shape
        lines, each = self.lines - self.beta, np.arange(k)
        if self.design.df_target < 1:
            own = self.of_error[each, :, each, :] * self.ms_error + self.covariance
            return Residuals(lines, self.weights, own, None, 0.0)
        whole = self.of_error * self.ms_error + _block_diagonal(
            np.broadcast_to(self.covariance, (k, b, b))).reshape(k, b, k, b)
        return Residuals(lines, self.weights, whole, self.of_target, self.target_variance)

    def _without_sensors(self, mean: FloatArray, c_e: FloatArray, c_t: FloatArray) -> Path:
        n, none = len(mean), np.zeros(len(mean))
        if self.design.df_target < 1:
            one = np.ones((n, 1))
            return Path(mean, self.ms_error * one, np.array([self.design.df_error]), one, c_e[:, None], 0 * one)
        k = self.design.kappa
        return Path(mean, np.column_stack([np.full(n, self.ms_target), np.full(n, self.ms_error)]),
                    np.array([self.design.df_target, self.design.df_error]),
                    np.column_stack([np.full(n, 1 / k), np.full(n, 1 - 1 / k)]),
                    np.column_stack([c_t / k, c_e - c_t / k]), np.column_stack([none, none]))

    def between(self, x: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Mean square between sensors in working directions, and its coefficients of the other variances.

        Its expectation is ``x'Gx + h_e s2_error + h_t s2_target`` for any weights, so that weights from estimated
        variances cost efficiency, not bias.
        """
        return between(self.lines, self.of_error, self.of_target, x, covariance, self.ms_error, self.target_variance,
                        targets=self.design.df_target >= 1)

    def equality(self, direction: Sequence[float]) -> tuple[float, float]:
        """F test that sensors do not differ in one direction: statistic and p-value (df k - 1 and residual)."""
        from scipy import special

        if self.design.sensor is None:
            return np.nan, np.nan
        x = np.linalg.solve(self.design.back.T, np.asarray([direction], float).T).T
        squares, h_e, h_t = self.between(x, np.zeros_like(self.covariance))
        expected = float(h_e[0]) * self.ms_error + float(h_t[0]) * self.target_variance
        f = float(squares[0]) / expected
        return f, float(special.fdtrc(self.design.k - 1.0, self.design.df_error, f))


def fit_along(design: AlongDesign, differences: ArrayLike, *, passes: int = 3) -> AlongFit:
    """Fit lines of sensors to differences.

    Parameters
    ----------
    design : AlongDesign
    differences : array, shape (n_rows,)
    passes : int
        How often the covariance between sensors is estimated with the weights of the pass before.

    Raises
    ------
    NoFitError
        If the differences lie on the lines, so that nothing is left to judge them by.

    Notes
    -----
    Residual and target variance by the fitting-constants method (Henderson 1953, method 3); the sensors' own lines by
    generalised least squares given those two; the mean line as in a random coefficient model (Swamy 1970). The mean
    square between sensors weighs them as Hartung & Knapp (2001) do; the variance of the mean line is that of
    :mod:`drift.engine.agreement_along_sensors`. In balanced designs both give the ordinary t interval over sensors.

    References
    ----------
    Henderson CR (1953). Biometrics 9:226-252, method 3. doi 10.2307/3001853
    Swamy PAVB (1970). Econometrica 38(2):311-323, equations 2.5 to 3.6. doi 10.2307/1913012
    Hartung J, Knapp G (2001). Statistics in Medicine 20:1771-1782, equation 5. doi 10.1002/sim.791
    """
    z, k, b = design.columns, design.k, design.columns.shape[1]
    y = np.asarray(differences, float)
    shift = z.T @ y / len(y)
    y = y - z @ shift
    code = np.zeros(len(y), dtype=np.int64) if design.sensor is None else design.sensor
    zy: FloatArray = np.stack([np.bincount(code, weights=z[:, j] * y, minlength=k) for j in range(b)], 1).astype(float)
    ms_error, ms_target, ty = _mean_squares(design, y, zy, code)
    if not ms_error * design.df_error > EXACT * float(len(y) * (shift @ shift) + y @ y):
        raise NoFitError("the differences lie on the lines of the sensors")
    lines, of_error, of_target = _own_lines(design, zy, ty, ms_error, ms_target)
    targets = design.df_target >= 1
    target = max(ms_target - ms_error, 0.0) / design.kappa if targets else 0.0
    covariance = np.zeros((b, b))
    if design.sensor is not None:
        for _ in range(passes):
            covariance = _covariance(lines, of_error, of_target, covariance, ms_error, target, targets=targets)
    whole = _block_diagonal(np.broadcast_to(covariance, (k, b, b))) + ms_error * of_error.reshape(k * b, k * b)
    if targets:
        whole = whole + target * of_target.reshape(k * b, k * b)
    right = np.linalg.solve(whole, np.tile(np.eye(b), (k, 1)))
    weights = np.linalg.solve(right.reshape(k, b, b).sum(0).T, right.T).reshape(b, k, b)
    beta = np.einsum("isj,sj->i", weights, lines)
    return AlongFit(design, shift, lines, of_error, of_target, covariance, beta, weights, ms_error, ms_target)


def _mean_squares(design: AlongDesign, y: FloatArray, zy: FloatArray,
                  code: IntArray) -> tuple[float, float, FloatArray | None]:
    """Mean square of the residual, and of targets adjusted for the sensors' lines."""
    own = np.linalg.solve(design.blocks, zy[:, :, None])[:, :, 0]
    residual = y - np.einsum("ni,ni->n", design.columns, own[code])
    alone = float(residual @ residual)
    if design.target is None or design.cross is None or design.number is None:
        return alone / design.df_error, 0.0, None
    # Lines are taken off first, so that what is absorbed by targets is of the size of the residual.
    total = np.bincount(design.target, weights=residual, minlength=len(design.number))
    within = residual - (total / design.number)[design.target]
    k, b = design.k, design.columns.shape[1]
    zr = np.stack([np.bincount(code, weights=design.columns[:, j] * within, minlength=k) for j in range(b)], 1).ravel()
    cross = design.cross
    matrix = _block_diagonal(design.blocks) - cross.T @ (cross / design.number[:, None])
    values, vectors = np.linalg.eigh(matrix)
    used = values > RANK * len(y) / k
    part = vectors.T[used] @ zr
    full = float(within @ within) - float(part @ (part / values[used]))
    full = max(full, 0.0)
    ty: FloatArray = np.bincount(design.target, weights=y, minlength=len(design.number)).astype(float)
    return full / design.df_error, max(alone - full, 0.0) / design.df_target, ty


def _own_lines(design: AlongDesign, zy: FloatArray, ty: FloatArray | None, error: float,
               target: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Own lines given the ratio of target to residual variance, and their covariance per unit of each."""
    k, b = zy.shape
    shape = (k, b, k, b)
    if design.cross is None or design.number is None or ty is None:
        inverse = np.asarray(np.linalg.inv(design.blocks), float)
        lines = np.einsum("sij,sj->si", inverse, zy)
        return lines, _block_diagonal(inverse).reshape(shape), np.zeros(shape if k <= 1 else (1, 1, 1, 1))
    ratio = max(target - error, 0.0) / design.kappa / error
    cross, number = design.cross, design.number
    d = ratio / (1 + ratio * number)
    blocks = _block_diagonal(design.blocks)
    inverse = np.linalg.inv(blocks - cross.T @ (cross * d[:, None]))
    lines = inverse @ (zy.ravel() - cross.T @ (d * ty))
    squared = blocks - cross.T @ (cross * (2 * d - d * d * number)[:, None])
    shrunk = cross / (1 + ratio * number)[:, None]
    return (lines.reshape(k, b), (inverse @ squared @ inverse).reshape(shape),
            (inverse @ (shrunk.T @ shrunk) @ inverse).reshape(shape))


def _covariance(lines: FloatArray, of_error: FloatArray, of_target: FloatArray, before: FloatArray, error: float,
                target: float, *, targets: bool) -> FloatArray:
    """Covariance between sensors from the mean squares along each column and each pair of columns."""
    b = lines.shape[1]
    pairs = [(i, j) for i in range(b) for j in range(i, b)]
    x = np.zeros((len(pairs), b))
    for row, (i, j) in enumerate(pairs):
        x[row, i] = x[row, j] = 1.0
    squares, h_e, h_t = between(lines, of_error, of_target, x, before, error, target, targets=targets)
    g = dict(zip(pairs, squares - h_e * error - h_t * target, strict=True))
    out = np.zeros((b, b))
    for i, j in pairs:
        out[i, j] = out[j, i] = g[i, j] if i == j else 0.5 * (g[i, j] - g[i, i] - g[j, j])
    return _positive(out)
