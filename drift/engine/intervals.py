"""Interval arithmetic on pairs of floats, rounded outward: a result always holds every value it could have.

An interval is a tuple ``(low, high)`` of floats, ends included; an open end is infinite. Each operation widens its
result by the last bit that rounding may have cost, so that an interval that does not meet another is a proof, not an
accident of floating point. (Magnitudes below 1e-150, whose products are lost, do not occur in print.)

References
----------
Moore RE, Kearfott RB, Cloud MJ (2009). Introduction to Interval Analysis. SIAM. Chapters 2 and 3 (arithmetic),
definition 2.5 and section 3.2 (outward rounding).
"""

from __future__ import annotations

import math
from math import inf, nextafter

Interval = tuple[float, float]

WHOLE: Interval = (-inf, inf)
POSITIVE: Interval = (0.0, inf)


class EmptyIntervalError(ArithmeticError):
    """Raised where no number can satisfy what is asked."""


def down(x: float) -> float:
    """Return the next float below."""
    return nextafter(x, -inf)


def up(x: float) -> float:
    """Return the next float above."""
    return nextafter(x, inf)


def meet(a: Interval, b: Interval) -> Interval:
    """Return what two intervals share; raise :class:`EmptyIntervalError` where that is nothing."""
    low = a[0] if a[0] > b[0] else b[0]
    high = a[1] if a[1] < b[1] else b[1]
    if low > high:
        raise EmptyIntervalError
    return (low, high)


def hull(a: Interval, b: Interval) -> Interval:
    """Return the smallest interval around two."""
    return (min(a[0], b[0]), max(a[1], b[1]))


def add(a: Interval, b: Interval) -> Interval:
    """Return ``a + b``."""
    low, high = a[0] + b[0], a[1] + b[1]
    return (-inf if low != low else nextafter(low, -inf), inf if high != high else nextafter(high, inf))


def subtract(a: Interval, b: Interval) -> Interval:
    """Return ``a - b``."""
    low, high = a[0] - b[1], a[1] - b[0]
    return (-inf if low != low else nextafter(low, -inf), inf if high != high else nextafter(high, inf))


def negative(a: Interval) -> Interval:
    """Return ``-a``."""
    return (-a[1], -a[0])


def _times(x: float, y: float) -> float:
    # Zero times an open end is zero: the end itself is never reached.
    return 0.0 if x == 0.0 or y == 0.0 else x * y


def multiply(a: Interval, b: Interval) -> Interval:
    """Return ``a * b``."""
    a0, a1 = a
    b0, b1 = b
    if a0 > 0.0 and b0 > 0.0:
        return (nextafter(a0 * b0, -inf), nextafter(a1 * b1, inf))
    p, q, r, s = _times(a0, b0), _times(a0, b1), _times(a1, b0), _times(a1, b1)
    low, high = min(p, q, r, s), max(p, q, r, s)
    return (low if low == 0.0 else nextafter(low, -inf), high if high == 0.0 else nextafter(high, inf))


def reciprocal(a: Interval) -> Interval:
    """Return ``1 / a``; everything where ``a`` holds zero inside."""
    low, high = a
    if low < 0.0 < high or (low == 0.0 == high):
        return WHOLE
    if low == 0.0:
        return (0.0 if high == inf else down(1.0 / high), inf)
    if high == 0.0:
        return (-inf, 0.0 if low == -inf else up(1.0 / low))
    one = 0.0 if high in (inf, -inf) else 1.0 / high
    two = 0.0 if low in (inf, -inf) else 1.0 / low
    return (one if one == 0.0 else down(one), two if two == 0.0 else up(two))


def divide(a: Interval, b: Interval) -> Interval:
    """Return ``a / b``."""
    return multiply(a, reciprocal(b))


def power(a: Interval, n: int) -> Interval:
    """Return ``a`` to a whole power of at least 1."""
    low, high = a
    if n == 1:
        return a
    if n % 2:
        return (_widened(_whole_power(low, n), -1), _widened(_whole_power(high, n), 1))
    if low >= 0.0:
        return (max(0.0, _widened(_whole_power(low, n), -1)), _widened(_whole_power(high, n), 1))
    if high <= 0.0:
        return (max(0.0, _widened(_whole_power(high, n), -1)), _widened(_whole_power(low, n), 1))
    return (0.0, _widened(_whole_power(max(-low, high), n), 1))


def _whole_power(x: float, n: int) -> float:
    try:
        return float(x ** n)
    except OverflowError:
        return inf if x > 0 or n % 2 == 0 else -inf


def _widened(x: float, side: int) -> float:
    # A library function may err by more than half a unit in the last place: four units are given away.
    if x in (0.0, inf, -inf):
        return x
    return x + side * (4.0 * math.ulp(x))


def widened(low: float, high: float, *, relative: float = 0.0) -> Interval:
    """Widen an interval computed by a library function, by four last places or by a relative error."""
    if relative:
        return (low - relative * abs(low) if math.isfinite(low) else low,
                high + relative * abs(high) if math.isfinite(high) else high)
    return (_widened(low, -1), _widened(high, 1))


def root(a: Interval) -> Interval:
    """Return the square root of the part of ``a`` that has one."""
    if a[1] < 0.0:
        raise EmptyIntervalError
    low = math.sqrt(a[0]) if a[0] > 0.0 else 0.0
    high = math.sqrt(a[1])
    return (low if low == 0.0 else down(low), high if high in (0.0, inf) else up(high))


def logarithm(a: Interval) -> Interval:
    """Return the natural logarithm of the part of ``a`` that has one."""
    if a[1] <= 0.0:
        raise EmptyIntervalError
    low = math.log(a[0]) if a[0] > 0.0 else -inf
    high = math.log(a[1]) if a[1] < inf else inf
    return widened(low, high)


def exponential(a: Interval) -> Interval:
    """Return ``exp(a)``."""
    low, high = widened(_exp(a[0]), _exp(a[1]))
    return (max(0.0, low), high)


def _exp(x: float) -> float:
    try:
        return math.exp(x)
    except OverflowError:
        return inf


def magnitude(a: Interval) -> Interval:
    """Return ``|a|``."""
    if a[0] >= 0.0:
        return a
    if a[1] <= 0.0:
        return (-a[1], -a[0])
    return (0.0, max(-a[0], a[1]))


def middle(a: Interval) -> float:
    """Return a point inside."""
    if a[0] == -inf or a[1] == inf:
        return a[0] if a[0] > -inf else a[1] if a[1] < inf else 0.0
    return min(max(0.5 * a[0] + 0.5 * a[1], a[0]), a[1])


def width(a: Interval) -> float:
    """Return ``high - low``."""
    return a[1] - a[0]


def is_point(a: Interval) -> bool:
    """Tell whether an interval is one number, but for outward rounding."""
    wide = a[1] - a[0]
    return wide <= 1e-13 or (wide < inf and wide <= 1e-13 * abs(a[0]))
