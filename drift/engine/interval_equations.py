"""Equations over intervals: which numbers can satisfy them, and which certainly cannot.

An equation is written as text, ``"icc_1 == 1 - k/(f_one + k - 1)"``, and turned into a list of steps. Its difference of
sides over a box is enclosed three ways: by plain interval arithmetic; at the corners, where the sign of a partial
derivative (itself an interval, by reverse accumulation) shows that the difference is monotone; and by splitting the box
where it is not. Boxes are narrowed forward and backward through the steps, by Newton's step, and from their ends.

References
----------
Moore RE, Kearfott RB, Cloud MJ (2009). Introduction to Interval Analysis. SIAM. Sections 6.4 (monotonicity), 8.1
(Newton's step), 11.6 (corner form).
Benhamou F, Goualard F, Granvilliers L, Puget JF (1999). Revising hull and box consistency. ICLP, 230-244.
"""

from __future__ import annotations

import ast
import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from math import inf
from typing import Any, Literal

from drift.engine import intervals as iv
from drift.engine.interval_functions import FUNCTIONS
from drift.engine.intervals import EmptyIntervalError, Interval

Box = dict[str, Interval]
Sense = Literal["==", "<=", ">="]

ONE_PLACE: dict[str, Callable[[Interval], Interval]] = {
    "neg": iv.negative, "sqrt": iv.root, "log": iv.logarithm, "exp": iv.exponential, "abs": iv.magnitude}
TWO_PLACES: dict[str, Callable[[Interval, Interval], Interval]] = {
    "add": iv.add, "sub": iv.subtract, "mul": iv.multiply, "div": iv.divide,
    "max": lambda a, b: (max(a[0], b[0]), max(a[1], b[1])), "min": lambda a, b: (min(a[0], b[0]), min(a[1], b[1]))}
_BINARY: dict[type[ast.operator], str] = {ast.Add: "add", ast.Sub: "sub", ast.Mult: "mul", ast.Div: "div"}
_SENSE: dict[type[ast.cmpop], Sense] = {ast.Eq: "==", ast.LtE: "<=", ast.GtE: ">="}


@dataclass(frozen=True)
class Step:
    """One operation; ``parts`` are the numbers of the steps it takes."""

    op: str
    parts: tuple[int, ...] = ()
    value: Interval = (0.0, 0.0)
    name: str = ""
    exponent: int = 0


@dataclass(frozen=True)
class Equation:
    """An equation or inequality between two expressions, as steps; the last step is left minus right."""

    text: str
    sense: Sense
    steps: tuple[Step, ...]
    left: int
    right: int
    names: tuple[str, ...]
    places: Mapping[str, int]
    repeated: tuple[str, ...] = ()

    def is_sharp(self, box: Mapping[str, Interval]) -> bool:
        """Tell whether plain interval arithmetic is exact here: nothing that varies is written twice."""
        return all(iv.is_point(box[n]) for n in self.repeated)


class EquationTextError(ValueError):
    """Raised for an equation that cannot be read; the message says why."""


@lru_cache(maxsize=1024)
def equation(text: str) -> Equation:
    """Read an equation.

    Raises
    ------
    EquationTextError
        For anything but one comparison (``==``, ``<=``, ``>=``) of arithmetic on names and numbers.
    """
    try:
        tree = ast.parse(text.strip(), mode="eval").body
    except SyntaxError as error:
        raise EquationTextError("it is no equation") from error
    if not isinstance(tree, ast.Compare) or len(tree.ops) != 1 or type(tree.ops[0]) not in _SENSE:
        raise EquationTextError("it needs one ==, <= or >= between two sides")
    steps: list[Step] = []
    seen: dict[Step, int] = {}
    left = _compile(tree.left, steps, seen)
    right = _compile(tree.comparators[0], steps, seen)
    steps.append(Step("sub", (left, right)))
    places = {s.name: i for i, s in enumerate(steps) if s.op == "name"}
    written = [n.id for n in ast.walk(tree) if isinstance(n, ast.Name)]
    repeated = tuple(n for n in places if written.count(n) > 1)
    return Equation(text, _SENSE[type(tree.ops[0])], tuple(steps), left, right, tuple(places), places, repeated)


def _compile(node: ast.expr, steps: list[Step], seen: dict[Step, int]) -> int:
    step = _step(node, steps, seen)
    if step not in seen:
        seen[step] = len(steps)
        steps.append(step)
    return seen[step]


def _step(node: ast.expr, steps: list[Step], seen: dict[Step, int]) -> Step:
    if isinstance(node, ast.Constant) and isinstance(node.value, (int, float)) and not isinstance(node.value, bool):
        x = float(node.value)
        exact = isinstance(node.value, int) or x == round(x * 1024) / 1024
        return Step("constant", value=(x, x) if exact else (iv.down(x), iv.up(x)))
    if isinstance(node, ast.Name):
        return Step("name", name=node.id)
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return Step("neg", (_compile(node.operand, steps, seen),))
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Pow):
        exponent = node.right.value if isinstance(node.right, ast.Constant) else None
        if not isinstance(exponent, int) or exponent < 1:
            raise EquationTextError("a power must be a whole number of at least 1; write sqrt() for a root")
        return Step("pow", (_compile(node.left, steps, seen),), exponent=exponent)
    if isinstance(node, ast.BinOp) and type(node.op) in _BINARY:
        return Step(_BINARY[type(node.op)], (_compile(node.left, steps, seen), _compile(node.right, steps, seen)))
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and not node.keywords:
        return _call(node.func.id, [_compile(a, steps, seen) for a in node.args])
    raise EquationTextError(f"{ast.unparse(node)!r} is not arithmetic on names and numbers")


def _call(name: str, parts: list[int]) -> Step:
    places = 1 if name in ONE_PLACE and name != "neg" else 2 if name in ("max", "min") else (
        len(FUNCTIONS[name][1]) if name in FUNCTIONS else 0)
    if not places:
        raise EquationTextError(f"there is no function {name!r}; there are sqrt, log, exp, abs, max, min, "
                                + ", ".join(FUNCTIONS))
    if len(parts) != places:
        raise EquationTextError(f"{name} takes {places} value{'s' if places > 1 else ''}")
    return Step(name, tuple(parts))


def forward(eq: Equation, box: Mapping[str, Interval]) -> list[Interval]:
    """Return the interval of every step over a box; raise :class:`EmptyIntervalError` where a step has none."""
    return _evaluator(eq.text)(box)


@lru_cache(maxsize=1024)
def _evaluator(text: str) -> Callable[[Mapping[str, Interval]], list[Interval]]:
    """Return the steps of an equation as one function: a loop over them would take three times as long."""
    eq = equation(text)
    known: dict[str, Any] = {"power": iv.power}
    lines = ["def evaluate(box):"]
    for i, step in enumerate(eq.steps):
        parts = ", ".join(f"v{p}" for p in step.parts)
        if step.op == "name":
            lines.append(f"    v{i} = box[{step.name!r}]")
            continue
        if step.op == "constant":
            known[f"c{i}"] = step.value
            lines.append(f"    v{i} = c{i}")
        elif step.op == "pow":
            lines.append(f"    v{i} = power({parts}, {step.exponent})")
        else:
            known[f"f{i}"] = TWO_PLACES.get(step.op) or ONE_PLACE.get(step.op) or FUNCTIONS[step.op][0]
            lines.append(f"    v{i} = f{i}({parts})")
    lines.append(f"    return [{', '.join(f'v{i}' for i in range(len(eq.steps)))}]")
    # The text is made here of numbered steps; names of the equation enter as quoted keys only.
    exec("\n".join(lines), known)
    made: Callable[[Mapping[str, Interval]], list[Interval]] = known["evaluate"]
    return made


def varying(eq: Equation, box: Mapping[str, Interval]) -> list[bool]:
    """Tell of every step whether it depends on a name that is not one number.

    What only looks narrow does vary: a slope that leaves it out may have the wrong sign.
    """
    made: list[bool] = []
    for step in eq.steps:
        made.append(box[step.name][0] < box[step.name][1] if step.op == "name" else any(made[p] for p in step.parts))
    return made


def slopes(eq: Equation, values: list[Interval], box: Mapping[str, Interval]) -> dict[str, Interval]:
    """Enclose the partial derivatives of left minus right, by reverse accumulation of the chain rule."""
    varies = varying(eq, box)
    grown: list[Interval] = [(0.0, 0.0)] * len(values)
    grown[-1] = (1.0, 1.0)
    for i in range(len(values) - 1, -1, -1):
        step, mine = eq.steps[i], grown[i]
        if not step.parts or not varies[i] or mine == (0.0, 0.0):
            continue
        for part, slope in zip(step.parts, _local(step, values, i), strict=True):
            if varies[part]:
                grown[part] = iv.add(grown[part], iv.multiply(mine, slope))
    return {name: grown[i] for name, i in eq.places.items()}


def _local(step: Step, values: list[Interval], i: int) -> tuple[Interval, ...]:
    """Enclose the derivative of one step by each of its parts."""
    op = step.op
    a = values[step.parts[0]]
    one: Interval = (1.0, 1.0)
    if op == "add":
        return one, one
    if op == "sub":
        return one, (-1.0, -1.0)
    if op == "mul":
        return values[step.parts[1]], a
    if op == "div":
        turned = iv.reciprocal(values[step.parts[1]])
        return turned, iv.negative(iv.multiply(a, iv.power(turned, 2)))
    if op == "pow":
        n = float(step.exponent)
        return (iv.multiply((n, n), iv.power(a, step.exponent - 1) if step.exponent > 1 else one),)
    if op == "neg":
        return ((-1.0, -1.0),)
    if op == "sqrt":
        return (iv.multiply((0.5, 0.5), iv.reciprocal(values[i])) if values[i][1] > 0 else iv.POSITIVE,)
    if op == "log":
        return (iv.meet(iv.reciprocal(a), iv.POSITIVE) if a[1] > 0 else iv.POSITIVE,)
    if op == "exp":
        return (values[i],)
    if op == "abs":
        return (one if a[0] >= 0 else (-1.0, -1.0) if a[1] <= 0 else (-1.0, 1.0),)
    if op in ("max", "min"):
        return (0.0, 1.0), (0.0, 1.0)
    return tuple(_sign(way) for way in FUNCTIONS[op][1])


def _sign(way: int) -> Interval:
    return (0.0, inf) if way > 0 else (-inf, 0.0) if way < 0 else iv.WHOLE


def difference(eq: Equation, box: Mapping[str, Interval], *, splits: int = 0) -> Interval:
    """Enclose left minus right over a box, at corners where it is monotone, splitting where it is not.

    Raises
    ------
    EmptyIntervalError
        Where the sides are defined nowhere in the box.
    """
    values = forward(eq, box)
    found = values[-1]
    if found[0] > 0.0 or found[1] < 0.0 or eq.is_sharp(box) or (found[0] == -inf and found[1] == inf and not splits):
        return found
    slope = slopes(eq, values, box)
    wide = [n for n in eq.names if box[n][0] < box[n][1]]
    low_box, high_box = dict(box), dict(box)
    loose = []
    for name in wide:
        low, high = slope[name]
        a = box[name]
        if low >= 0.0 and a[0] > -inf and a[1] < inf:
            low_box[name], high_box[name] = (a[0], a[0]), (a[1], a[1])
        elif high <= 0.0 and a[0] > -inf and a[1] < inf:
            low_box[name], high_box[name] = (a[1], a[1]), (a[0], a[0])
        else:
            loose.append(name)
    if len(loose) < len(wide):
        try:
            found = (max(found[0], forward(eq, low_box)[-1][0]), min(found[1], forward(eq, high_box)[-1][1]))
        except EmptyIntervalError:
            return found
    if splits and loose and found[0] <= 0.0 <= found[1]:
        return _split(eq, box, slope, loose, found, splits)
    return found


def _split(eq: Equation, box: Mapping[str, Interval], slope: dict[str, Interval], loose: list[str],
           found: Interval, splits: int) -> Interval:
    """Halve the variable that matters most, and put the halves together."""
    def weight(name: str) -> float:
        w, (low, high) = iv.width(box[name]), slope[name]
        return w * max(abs(low), abs(high)) if math.isfinite(w) and math.isfinite(low) and math.isfinite(high) else -1.0

    name = max(loose, key=weight)
    if weight(name) < 0:
        finite = [n for n in loose if math.isfinite(iv.width(box[n]))]
        if not finite:
            return found
        name = max(finite, key=lambda n: iv.width(box[n]))
    m = iv.middle(box[name])
    halves = []
    for part in ((box[name][0], m), (m, box[name][1])):
        try:
            halves.append(difference(eq, {**box, name: part}, splits=splits - 1))
        except EmptyIntervalError:
            continue
    if not halves:
        raise EmptyIntervalError
    low, high = min(h[0] for h in halves), max(h[1] for h in halves)
    return (max(low, found[0]), min(high, found[1]))


def excluded(eq: Equation, box: Mapping[str, Interval], *, splits: int = 0) -> bool:
    """Tell whether no point of a box can satisfy an equation (proved; False proves nothing)."""
    try:
        low, high = difference(eq, box, splits=splits)
    except EmptyIntervalError:
        return True
    return (low > 0.0 and eq.sense != ">=") or (high < 0.0 and eq.sense != "<=")
