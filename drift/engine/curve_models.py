"""Shapes of a static calibration curve: value, gradient, slope and inverse of each, on arrays.

``line`` R = a + s p; ``through-zero`` R = s p; ``quadratic`` R = a + s p + q p^2; ``power`` R = c p^k with errors that
add; ``power of logs`` log R = log c + k log p with errors that multiply; ``saturating`` R = b1 (1 - exp(-b2 p)).
"""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

Model = Literal["line", "through-zero", "quadratic", "power", "power of logs", "saturating"]
Floats = NDArray[np.float64]

MODELS: tuple[Model, ...] = ("line", "through-zero", "quadratic", "power", "power of logs", "saturating")
COEFFICIENTS: dict[Model, tuple[str, ...]] = {
    "line": ("a", "s"), "through-zero": ("s",), "quadratic": ("a", "s", "q"), "power": ("c", "k"),
    "power of logs": ("log c", "k"), "saturating": ("b1", "b2")}
LINEAR = frozenset({"line", "through-zero", "quadratic", "power of logs"})
FORMULA: dict[Model, str] = {
    "line": "R = a + s p", "through-zero": "R = s p", "quadratic": "R = a + s p + q p^2", "power": "R = c p^k",
    "power of logs": "log R = log c + k log p", "saturating": "R = b1 (1 - exp(-b2 p))"}


def design(model: Model, x: Floats) -> Floats:
    """Return the columns of a model that is linear in its coefficients, shape (n, q)."""
    if model == "through-zero":
        return x[:, None]
    if model == "line":
        return np.column_stack([np.ones_like(x), x])
    if model == "power of logs":
        with np.errstate(divide="ignore"):
            return np.column_stack([np.ones_like(x), np.log(x)])
    return np.column_stack([np.ones_like(x), x, x * x])


def response(model: Model, y: Floats) -> Floats:
    """Return the readings on the scale on which the errors add: logs for ``power of logs``."""
    if model != "power of logs":
        return y
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.log(y)


def values(model: Model, theta: Any, x: Any) -> Any:
    """Return the curve at x on the scale of :func:`response`; complex theta or x pass through."""
    if model == "through-zero":
        return theta[0] * x
    if model == "line":
        return theta[0] + theta[1] * x
    if model == "quadratic":
        return theta[0] + x * (theta[1] + theta[2] * x)
    if model == "saturating":
        return theta[0] * -np.expm1(-theta[1] * x)
    with np.errstate(divide="ignore", invalid="ignore"):
        if model == "power of logs":
            return theta[0] + theta[1] * np.log(x)
        return np.where(x > 0, theta[0] * np.exp(theta[1] * np.log(np.where(x > 0, x, 1.0))), 0.0)


def gradient(model: Model, theta: Floats, x: Floats) -> Floats:
    """Return the derivatives of :func:`values` by each coefficient, shape (n, q)."""
    x = np.atleast_1d(np.asarray(x, dtype=np.float64))
    if model in LINEAR:
        return design(model, x)
    if model == "saturating":
        fall = np.exp(-theta[1] * x)
        return np.column_stack([-np.expm1(-theta[1] * x), theta[0] * x * fall])
    positive = np.where(x > 0, x, 1.0)
    base = np.where(x > 0, positive ** theta[1], 0.0)
    return np.column_stack([base, theta[0] * base * np.log(positive)])


def falls(model: Model, theta: Floats, low: float, high: float) -> bool:
    """Tell whether the reading falls throughout a range of loads."""
    return bool(np.all(slope(model, theta, np.linspace(max(low, 1e-9 * high), high, 101)) < 0))


def slope(model: Model, theta: Floats, x: Floats) -> Floats:
    """Return the derivative of :func:`values` by x, shape (n,)."""
    x = np.atleast_1d(np.asarray(x, dtype=np.float64))
    if model == "through-zero":
        return np.full(len(x), theta[0])
    if model == "line":
        return np.full(len(x), theta[1])
    if model == "quadratic":
        return np.asarray(theta[1] + 2 * theta[2] * x)
    if model == "saturating":
        return np.asarray(theta[0] * theta[1] * np.exp(-theta[1] * x))
    with np.errstate(divide="ignore", invalid="ignore"):
        if model == "power of logs":
            return np.asarray(theta[1] / x)
        return np.asarray(np.where(x > 0, theta[0] * theta[1] * np.where(x > 0, x, 1.0) ** (theta[1] - 1), 0.0))


def vertex(model: Model, theta: Floats) -> float:
    """Return the load at which a quadratic turns; NaN for a curve that does not."""
    return float(-theta[1] / (2 * theta[2])) if model == "quadratic" and theta[2] != 0 else float("nan")


def inverse(model: Model, theta: Floats, y: Floats, *, inside: tuple[float, float]) -> Floats:
    """Return the load at which the curve takes a value, shape of y; NaN where it never does.

    Of the two loads of a quadratic the one on the side of its vertex on which most of ``inside`` lies is taken.
    ``y`` is a reading, never its log.
    """
    y = np.asarray(y, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        if model == "through-zero":
            return np.asarray(y / theta[0])
        if model == "line":
            return np.asarray((y - theta[0]) / theta[1])
        if model == "saturating":
            return np.asarray(-np.log1p(-y / theta[0]) / theta[1])
        if model == "power":
            return np.asarray(np.where(y >= 0, np.maximum(y / theta[0], 0.0) ** (1 / theta[1]), np.nan))
        if model == "power of logs":
            return np.asarray(np.where(y > 0, np.exp((np.log(np.where(y > 0, y, 1.0)) - theta[0]) / theta[1]), np.nan))
    return _quadratic_inverse(theta, y, inside)


def _quadratic_inverse(theta: Floats, y: Floats, inside: tuple[float, float]) -> Floats:
    """Solve a + s x + q x^2 = y on the branch of the data, without cancellation."""
    a, s, q = theta
    middle = s + q * (inside[0] + inside[1])  # slope at the middle of the range
    sign = np.where(middle >= 0, 1.0, -1.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        root = np.sqrt(s * s - 4 * q * (a - y))
        # x = (-s + sign root)/(2 q) = 2 (y - a)/(s + sign root): the second form where both terms have one sign.
        return np.asarray(np.where(s * sign >= 0, 2 * (y - a) / (s + sign * root), (-s + sign * root) / (2 * q)))
