"""Shapes of drift along use, each as a family of candidate columns: straight, slowing, quickening, broken, free."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from drift.engine.sensor_curves import Candidates

Floats = NDArray[np.float64]

POWERS = np.array([1.5, 1.75, 2.0, 2.5, 3.0, 4.0])
BREAKS, CONSTANTS = 41, 25
#: Distinct uses that each shape needs.
LEAST = {"straight line": 2, "log of use": 3, "root of use": 3, "broken line": 4, "break-in": 4, "accelerating": 3,
         "monotone spline": 5}
SPLINE_DEGREE = 3


def _stack(columns: list[list[Floats]]) -> Floats:
    return np.stack([np.column_stack(c) for c in columns])


def _one(x: Floats, g: Floats) -> Candidates:
    """Make a curve of one coordinate: sensors differ in start and in slope along it."""
    both = np.column_stack([np.ones_like(x), g])[None]
    return Candidates(fixed=both, random=both, signs=np.zeros(2), values=np.array([np.nan]))


def straight(x: Floats) -> Candidates:
    """b0 + b1 u."""
    return _one(x, x)


def log_use(x: Floats, first: float) -> Candidates:
    """b0 + b1 log(1 + u/u1), u1 one use (another exposure: its smallest check above zero)."""
    return _one(x, np.log1p(x / first))


def root_use(x: Floats) -> Candidates:
    """b0 + b1 sqrt(u)."""
    return _one(x, np.sqrt(np.maximum(x, 0.0)))


def _with_line(x: Floats, more: Floats, values: Floats, extra: int, sign: float = 0.0) -> Candidates:
    one = np.ones_like(x)
    line = np.column_stack([one, x])
    fixed = _stack([[one, x, g] for g in more])
    return Candidates(fixed=fixed, random=np.broadcast_to(line, (len(more), *line.shape)).copy(),
                      signs=np.array([0.0, 0.0, sign]), values=values, extra=extra)


def accelerating(x: Floats, sign: float) -> Candidates:
    """b0 + b1 u + b2 u^q with q searched in 1.5 to 4 and b2 of the sign of wear: steady wear that quickens."""
    return _with_line(x, x[None, :] ** POWERS[:, None], POWERS, 1, sign)


def break_range(x: Floats) -> tuple[float, float] | None:
    """Return where a break may lie: two distinct uses on either side, its own counted for both; None if nowhere."""
    u = np.unique(x)
    return (float(u[1]), float(u[-2])) if len(u) >= LEAST["broken line"] else None


def broken(x: Floats, at: Floats | None = None) -> Candidates:
    """b0 + b1 u + b2 (u - psi)_+ with psi searched.

    Raises
    ------
    ValueError
        With fewer than two uses on a side.
    """
    ends = break_range(x)
    if ends is None:
        raise ValueError("a break needs two check uses on either side")
    psi = np.linspace(*ends, BREAKS) if at is None else at
    return _with_line(x, np.maximum(x[None, :] - psi[:, None], 0.0), psi, 1)


def break_in(x: Floats) -> Candidates:
    """b0 + b1 u + c (1 - exp(-u/k)) with k searched from a twentieth of the span to half of it."""
    span = float(np.ptp(x))
    k = np.geomspace(span / 20, span / 2, CONSTANTS)
    return _with_line(x, -np.expm1(-(x - x.min())[None, :] / k[:, None]), k, 1)


def spline_columns(x: Floats, at: Floats) -> Floats:
    """Integrated splines over the uses ``x``, evaluated at ``at``: each rises from 0 to 1.

    References
    ----------
    Ramsay JO (1988), Monotone regression splines in action, Statistical Science 3:425-441, equation 5.
    """
    u = np.unique(x)
    inner = np.quantile(u, [1 / 3, 2 / 3]) if len(u) > 5 else np.quantile(u, [0.5])
    low, high = float(u[0]), float(u[-1])
    knots = np.concatenate([[low] * (SPLINE_DEGREE + 1), inner, [high] * (SPLINE_DEGREE + 1)])
    at = np.clip(at, low, high)
    basis = _bsplines(at, knots, SPLINE_DEGREE)
    return np.asarray(np.cumsum(basis[:, ::-1], axis=1)[:, ::-1][:, 1:])


def _bsplines(x: Floats, knots: Floats, degree: int) -> Floats:
    """B-splines by the recursion of de Boor, the last interval closed."""
    spans = len(knots) - 1
    inside = (x[:, None] >= knots[None, :-1]) & (x[:, None] < knots[None, 1:])
    last = int(np.flatnonzero(knots[:-1] < knots[1:])[-1])
    inside[x == knots[-1]] = False
    inside[x == knots[-1], last] = True
    b = inside.astype(float)
    for d in range(1, degree + 1):
        new = np.zeros((len(x), spans - d))
        for j in range(spans - d):
            left, right = knots[j + d] - knots[j], knots[j + d + 1] - knots[j + 1]
            if left > 0:
                new[:, j] += (x - knots[j]) / left * b[:, j]
            if right > 0:
                new[:, j] += (knots[j + d + 1] - x) / right * b[:, j + 1]
        b = new
    return b


def spline_subsets(p: int) -> NDArray[np.bool_]:
    """List the sets of splines that may be in the curve: the best that keeps its signs is the constrained fit."""
    return np.array([[bool(k >> j & 1) for j in range(p)] for k in range(1, 2**p)])


def monotone_spline(x: Floats, sign: float) -> Candidates:
    """Only fall (sign -1) or only rise (+1): integrated cubic splines with coefficients of one sign."""
    columns = spline_columns(x, x)
    p = columns.shape[1]
    subsets = spline_subsets(p)
    one = np.ones((len(subsets), len(x), 1))
    fixed = np.concatenate([one, columns[None] * subsets[:, None, :]], axis=2)
    line = np.column_stack([np.ones_like(x), x])
    return Candidates(fixed=fixed, random=np.broadcast_to(line, (len(subsets), *line.shape)).copy(),
                      signs=np.concatenate([[0.0], np.full(p, sign)]), values=np.arange(len(subsets), dtype=float))


def families(x: Floats, sign: float, first: float) -> dict[str, Candidates]:
    """Return every shape that these uses can tell, the straight line first."""
    u = len(np.unique(x))
    makers: dict[str, Callable[[], Candidates]] = {
        "straight line": lambda: straight(x), "log of use": lambda: log_use(x, first),
        "root of use": lambda: root_use(x), "accelerating": lambda: accelerating(x, sign),
        "broken line": lambda: broken(x), "break-in": lambda: break_in(x),
        "monotone spline": lambda: monotone_spline(x, sign)}
    return {name: make() for name, make in makers.items() if u >= LEAST[name]}


def curve_at(name: str, x: Floats, at: Floats, value: float, beta: Floats, *, sign: float, first: float) -> Floats:
    """Evaluate the curve of the average sensor at other uses."""
    one = np.ones_like(at)
    columns: dict[str, Callable[[], list[Floats]]] = {
        "straight line": lambda: [one, at], "log of use": lambda: [one, np.log1p(at / first)],
               "root of use": lambda: [one, np.sqrt(np.maximum(at, 0.0))], "accelerating": lambda: [one, at, at**value],
               "broken line": lambda: [one, at, np.maximum(at - value, 0.0)],
               "break-in": lambda: [one, at, -np.expm1(-(at - x.min()) / value)],
               "monotone spline": lambda: [one, *spline_columns(x, at).T]}
    return np.asarray(np.column_stack(columns[name]()) @ beta)
