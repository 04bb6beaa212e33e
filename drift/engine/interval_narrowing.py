"""Narrowing boxes by equations: backward through the steps, by Newton's step, and from the ends.

Whatever is cut away is proved to hold no solution. Nothing is said about what is left.

References
----------
Benhamou F, Goualard F, Granvilliers L, Puget JF (1999). Revising hull and box consistency. ICLP, 230-244.
Moore RE, Kearfott RB, Cloud MJ (2009). Introduction to Interval Analysis. SIAM. Section 8.1.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from math import inf

from drift.engine import intervals as iv
from drift.engine.interval_equations import Box, Equation, Step, difference, excluded, forward, slopes
from drift.engine.intervals import EmptyIntervalError, Interval

WORTH = 0.02  # a narrowing of less than this share of the width is not passed on
MOST_ROUNDS = 8


def narrow_by_steps(eq: Equation, box: Box) -> Box:
    """Narrow a box forward and backward through the steps of one equation.

    Raises
    ------
    EmptyIntervalError
        When no point of the box satisfies it.
    """
    values = forward(eq, box)
    left, right = values[eq.left], values[eq.right]
    if eq.sense == "==":
        values[eq.left] = values[eq.right] = iv.meet(left, right)
    elif eq.sense == "<=":
        values[eq.left], values[eq.right] = iv.meet(left, (-inf, right[1])), iv.meet(right, (left[0], inf))
    else:
        values[eq.left], values[eq.right] = iv.meet(left, (right[0], inf)), iv.meet(right, (-inf, left[1]))
    for i in range(len(values) - 2, -1, -1):
        if eq.steps[i].parts:
            _back(eq.steps[i], values, values[i])
    return {**box, **{name: values[i] for name, i in eq.places.items()}}


def _back(step: Step, values: list[Interval], z: Interval) -> None:
    """Narrow the parts of one step by what the step is known to be."""
    op, p = step.op, step.parts
    a = values[p[0]]
    if op in ("add", "sub", "mul", "div"):
        _back_two(op, p, values, z)
    elif op == "neg":
        values[p[0]] = iv.meet(a, iv.negative(z))
    elif op == "sqrt":
        values[p[0]] = iv.meet(a, iv.power(iv.meet(z, iv.POSITIVE), 2))
    elif op == "log":
        values[p[0]] = iv.meet(a, iv.exponential(z))
    elif op == "exp":
        values[p[0]] = iv.meet(a, iv.logarithm(z))
    elif op == "abs":
        high = iv.meet(z, iv.POSITIVE)
        values[p[0]] = iv.meet(a, high if a[0] >= 0 else iv.negative(high) if a[1] <= 0 else (-high[1], high[1]))
    elif op == "pow" and step.exponent == 2:
        high = iv.root(iv.meet(z, iv.POSITIVE))
        values[p[0]] = iv.meet(a, high if a[0] >= 0 else iv.negative(high) if a[1] <= 0 else (-high[1], high[1]))


def _back_two(op: str, p: tuple[int, ...], values: list[Interval], z: Interval) -> None:
    a, b = values[p[0]], values[p[1]]
    if op == "add":
        values[p[0]] = a = iv.meet(a, iv.subtract(z, b))
        values[p[1]] = iv.meet(values[p[1]], iv.subtract(z, a))
    elif op == "sub":
        values[p[0]] = a = iv.meet(a, iv.add(z, b))
        values[p[1]] = iv.meet(values[p[1]], iv.subtract(a, z))
    elif op == "mul":
        values[p[0]] = a = iv.meet(a, _quotient(z, b))
        values[p[1]] = iv.meet(values[p[1]], _quotient(z, a))
    else:
        values[p[0]] = a = iv.meet(a, iv.multiply(z, b))
        values[p[1]] = iv.meet(values[p[1]], _quotient(a, z))


def _quotient(z: Interval, b: Interval) -> Interval:
    """Return what times ``b`` can give ``z``: anything, where both may be zero."""
    if b[0] <= 0.0 <= b[1] and z[0] <= 0.0 <= z[1]:
        return iv.WHOLE
    return iv.divide(z, b)


def narrow_by_newton(eq: Equation, box: Box) -> Box:
    """Narrow each variable of one equation by Newton's step about its middle."""
    if eq.sense != "==":
        return box
    slope = slopes(eq, forward(eq, box), box)
    for name in eq.names:
        a, g = box[name], slope[name]
        if iv.is_point(a) or not math.isfinite(iv.width(a)) or g[0] <= 0.0 <= g[1] or not math.isfinite(iv.width(g)):
            continue
        m = iv.middle(a)
        try:
            at = difference(eq, {**box, name: (m, m)})
        except EmptyIntervalError:
            continue
        box = {**box, name: iv.meet(a, iv.subtract((m, m), iv.divide(at, g)))}
    return box


def narrow(eq: Equation, box: Box, *, splits: int = 4) -> Box:
    """Narrow a box by one equation as far as it goes; raise :class:`EmptyIntervalError` when nothing is left."""
    if excluded(eq, {n: box[n] for n in eq.names}, splits=splits):
        raise EmptyIntervalError
    for _ in range(3):
        before = {n: box[n] for n in eq.names}
        box = narrow_by_steps(eq, box)
        if eq.is_sharp(before):
            break
        box = narrow_by_newton(eq, box)
        if not any(gained(before[n], box[n], worth=0.1) for n in eq.names):
            break
    return box


def narrow_ends(eq: Equation, box: Box, name: str, *, halvings: int = 20) -> Interval:
    """Cut both ends of one finite variable as long as the cut piece is proved to hold no solution."""
    low, high = box[name]
    if not math.isfinite(high - low):
        return low, high
    for side in (0, 1):
        piece = (high - low) / 512
        # A first thin slice that may hold a solution says that the end is as good as exact.
        if not excluded(eq, {**box, name: _slice(low, high, piece, side)}):
            continue
        piece = high - low
        for _ in range(halvings):
            piece *= 0.5
            cut = _slice(low, high, piece, side)
            if excluded(eq, {**box, name: cut}):
                low, high = (cut[1], high) if side == 0 else (low, cut[0])
    if excluded(eq, {**box, name: (low, high)}):
        raise EmptyIntervalError
    return low, high


def _slice(low: float, high: float, piece: float, side: int) -> Interval:
    return (low, min(high, low + piece)) if side == 0 else (max(low, high - piece), high)


def gained(before: Interval, after: Interval, *, worth: float = WORTH) -> bool:
    """Tell whether an interval became so much narrower that others should hear of it."""
    old, new = iv.width(before), iv.width(after)
    if old == inf:
        return new < inf or after != before
    return old - new > worth * old and old > 1e-12 * max(1.0, abs(before[0]))


def narrow_any(cases: Sequence[Sequence[Equation]], box: Box, *, splits: int = 4) -> tuple[Box, tuple[int, ...]]:
    """Narrow a box by cases of which one must hold; return it with the cases that can.

    Each case is a set of equations that hold together; what is left is the hull of what each case leaves.
    """
    left: Box | None = None
    possible = []
    for number, equations in enumerate(cases):
        try:
            made = box
            for eq in equations:
                made = narrow(eq, made, splits=splits)
        except EmptyIntervalError:
            continue
        possible.append(number)
        left = made if left is None else {n: iv.hull(left[n], made[n]) for n in made}
    if left is None:
        raise EmptyIntervalError
    return left, tuple(possible)
