"""Designs of the table of agreement, and strata of balanced ones in closed form.

Differences have mean zero and variance one. Balanced designs are analysed by mean squares, pooled where REML has an
estimate at zero; a test compares them with the fit that the package makes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from drift.engine.limits_of_agreement import Strata, one_stratum, unpaired_strata
from drift.engine.paired_components import fit_occasions, fit_paired


@dataclass(frozen=True)
class Design:
    """A design: codes of each random factor and its share of the total variance, which is one.

    ``shape`` is (targets, pairs), (targets, sensors, pairs) or, nested, (sensors, targets in each, pairs) where all
    cells are alike; with ``occasions`` pairs of an occasion stand last, and their number divides the pairs.
    """

    name: str
    codes: tuple[tuple[int, ...], ...]
    shares: tuple[float, ...]
    n: int
    kind: str = "linked"
    shape: tuple[int, ...] = ()
    occasion: int = 0
    numbers: tuple[tuple[int, ...], tuple[int, ...]] = ((), ())

    @property
    def label(self) -> str:
        """Shares in print."""
        return " + ".join(f"{s:g}" for s in self.shares) or "none"


def one_factor(name: str, sizes: Sequence[int], shares: Sequence[float]) -> Iterator[Design]:
    """Yield targets with the given numbers of linked pairs, for several shares of the target."""
    code = np.repeat(np.arange(len(sizes)), sizes)
    shape = (len(sizes), sizes[0]) if len(set(sizes)) == 1 else ()
    for s in shares:
        yield Design(name, (tuple(code.tolist()),), (s,), len(code), shape=shape)


def crossed(name: str, targets: int, sensors: int, pairs: int, shares: Sequence[tuple[float, ...]],
            occasion: int = 0) -> Iterator[Design]:
    """Yield targets crossed with sensors."""
    t, s = (x.ravel() for x in np.indices((targets, sensors, pairs))[:2])
    for x in shares:
        yield Design(name, (tuple(t.tolist()), tuple(s.tolist())), x, len(t), shape=(targets, sensors, pairs),
                     occasion=occasion)


def nested(name: str, sensors: int, targets: int, pairs: int, shares: Sequence[tuple[float, ...]]) -> Iterator[Design]:
    """Yield targets within sensors."""
    s, t = np.indices((sensors, targets, pairs))[:2]
    t = s * targets + t
    for x in shares:
        yield Design(name, (tuple(t.ravel().tolist()), tuple(s.ravel().tolist())), x, t.size, "nested",
                     shape=(sensors, targets, pairs))


def unlinked(name: str, a: Sequence[int], b: Sequence[int], shares: Sequence[float]) -> Iterator[Design]:
    """Yield unlinked readings, so many a target of each method."""
    for s in shares:
        yield Design(name, (), (s,), len(a), "unlinked", numbers=(tuple(a), tuple(b)))


def designs() -> Iterator[Design]:
    """Yield the grid of the table."""
    for n in (5, 10, 20, 50, 85):
        yield Design(f"{n} targets, one pair each", (), (), n, "simple")
    every = (0.0, 0.2, 0.5, 0.8)
    yield from one_factor("5 targets x 4", [4] * 5, (0.0, 0.5, 0.8))
    yield from one_factor("10 targets x 2", [2] * 10, every)
    yield from one_factor("10 sensors x 10 uses", [10] * 10, every)
    yield from one_factor("20 targets x 3", [3] * 20, every)
    yield from one_factor("85 targets x 3", [3] * 85, every)
    yield from one_factor("12 targets, 1 to 12 pairs", [1, 1, 1, 2, 2, 3, 3, 4, 6, 8, 10, 12], every)
    for words, sizes, some in (
            ("10 targets, 9 with 1 pair, 1 with 30 pairs", [1] * 9 + [30], (0.05, 0.2, 0.5)),
            ("20 targets, 18 with 1 pair, 2 with 20 pairs", [1] * 18 + [20] * 2, (0.05, 0.2, 0.5)),
            ("10 targets, 7 with 1 pair, 1 with 5 pairs, 1 with 10 pairs, 1 with 20 pairs",
             [1] * 7 + [5, 10, 20], (0.1, 0.3)),
            ("11 targets, 10 with 2 pairs, 1 with 40 pairs", [2] * 10 + [40], (0.1, 0.5))):
        yield from one_factor(words, sizes, some)
    yield from one_factor("20 targets, 1 to 6 pairs", [1, 2, 3, 3, 6] * 4, (0.0, 0.5, 0.8))
    yield from crossed("20 targets x 2 sensors x 3", 20, 2, 3, ((0.3, 0.1), (0.2, 0.5)))
    yield from crossed("20 targets x 4 sensors x 3", 20, 4, 3, ((0.05, 0.05), (0.3, 0.3), (0.1, 0.5), (0.5, 0.1)))
    yield from crossed("10 targets x 5 sensors", 10, 5, 1, ((0.0, 0.0), (0.3, 0.3), (0.1, 0.5), (0.0, 0.8)))
    yield from crossed("12 targets x 8 sensors x 2", 12, 8, 2, ((0.05, 0.05), (0.3, 0.3), (0.1, 0.5)))
    yield from crossed("12 targets x 10 sensors", 12, 10, 1, ((0.2, 0.2),))
    keep = np.random.default_rng(5).random(180) < 0.4
    t = np.unique(np.repeat(np.arange(15), 12)[keep], return_inverse=True)[1]
    s = np.tile(np.repeat(np.arange(6), 2), 15)[keep]
    for shares in ((0.05, 0.05), (0.3, 0.3), (0.1, 0.5)):
        yield Design("15 targets x 6 sensors x 2, 60 % missing", (tuple(t.tolist()), tuple(s.tolist())), shares, len(t))
    yield from nested("24 targets within 8 sensors x 4", 8, 3, 4, ((0.3, 0.3), (0.1, 0.5)))
    yield from nested("50 targets within 5 sensors x 2", 5, 10, 2, ((0.3, 0.3), (0.5, 0.2)))
    yield from unlinked("20 targets, 3 and 2 unlinked readings", [3] * 20, [2] * 20, (0.3, 0.8))
    yield from unlinked("10 targets, 2 and 5 unlinked readings", [2] * 10, [5] * 10, (0.3,))
    yield from unlinked("20 targets, 1 to 5 readings, unlinked", [1, 2, 3, 5] * 5, [4, 2, 1, 3, 1] * 4, (0.3, 0.8))
    for shares in ((0.2, 0.0), (0.2, 0.3), (0.5, 0.3)):
        code = np.repeat(np.arange(20), 6)
        yield Design("20 targets x 6, occasions of 2", (tuple(code.tolist()),), shares, 120, shape=(20, 6), occasion=2)
    ten = tuple(np.repeat(np.arange(10), 12).tolist())
    yield Design("10 targets x 12, occasions of 4", (ten,), (0.1, 0.7), 120, shape=(10, 12), occasion=4)
    yield from crossed("12 targets x 6 sensors x 4, occasions of 2", 12, 6, 4,
                       ((0.1, 0.1, 0.3), (0.3, 0.2, 0.3)), occasion=2)


def simulate(design: Design, rng: np.random.Generator) -> tuple[np.ndarray, Strata]:
    """Simulate differences of total variance one and mean zero, and analyse them."""
    if design.kind == "simple":
        d = rng.normal(size=design.n)
        return d, one_stratum(d)
    if design.kind == "unlinked":
        return _unlinked(design, rng)
    d = rng.normal(size=design.n) * math.sqrt(1 - sum(design.shares))
    codes = [np.array(c) for c in design.codes]
    shares = list(design.shares)
    if design.occasion:
        d = d + np.repeat(rng.normal(size=design.n // design.occasion), design.occasion) * math.sqrt(shares.pop())
    for code, share in zip(codes, shares, strict=True):
        d = d + rng.normal(size=int(code.max()) + 1)[code] * math.sqrt(share)
    return d, balanced_strata(design, d) if design.shape else fitted_strata(design, d)


def _unlinked(design: Design, rng: np.random.Generator) -> tuple[np.ndarray, Strata]:
    share, n = design.shares[0], design.n
    shift, within = rng.normal(size=n) * math.sqrt(share), math.sqrt((1 - share) / 2)
    ta, tb = (np.repeat(np.arange(n), m) for m in design.numbers)
    a, b = shift[ta] + within * rng.normal(size=len(ta)), within * rng.normal(size=len(tb))
    means = [np.bincount(t, weights=x) / np.bincount(t) for t, x in ((ta, a), (tb, b))]
    return means[0] - means[1], unpaired_strata(a, ta, b, tb).strata


def fitted_strata(design: Design, d: np.ndarray) -> Strata:
    """Return the strata as the package fits them."""
    codes = [np.array(c) for c in design.codes]
    fit = (fit_occasions(d, codes, np.arange(design.n) // design.occasion) if design.occasion else fit_paired(d, codes))
    assert fit.strata is not None
    return fit.strata


def balanced_strata(design: Design, d: np.ndarray) -> Strata:
    """Return the strata of a design with equal cells from its mean squares, REML at the boundary included."""
    step = design.occasion or 1
    y = d.reshape(*design.shape[:-1], design.shape[-1] // step, step).mean(-1)
    if len(design.shape) == 2:
        expected, df, ms, of_mean = _targets(y)
        order = "simple"
    elif design.kind == "nested":
        expected, df, ms, of_mean = _nested(y)
        order = "simple"
    else:
        expected, df, ms, of_mean = _crossed(y)
        order = "tree"
    pooled = pool(ms, df, order)
    back = np.linalg.inv(expected)
    made = Strata(float(y.mean()), pooled, df, np.ones(len(df)) @ back, of_mean @ back)
    if not design.occasion:
        return made
    left = float(len(d) - y.size)
    within = float(np.sum((d.reshape(-1, step) - d.reshape(-1, step).mean(1, keepdims=True)) ** 2)) / left
    return Strata(made.mean, np.append(pooled, within), np.append(df, left), np.append(made.total, 1 - 1 / step),
                  np.append(made.of_mean, 0.0))


Parts = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def _targets(y: np.ndarray) -> Parts:
    n, m = y.shape
    ms = np.array([m * y.mean(1).var(ddof=1), y.var(1, ddof=1).mean()])
    return np.array([[m, 1.0], [0.0, 1.0]]), np.array([n - 1.0, n * (m - 1.0)]), ms, np.array([1 / n, 1 / y.size])


def _crossed(y: np.ndarray) -> Parts:
    a, b, m = y.shape
    df = np.array([a - 1.0, b - 1.0, y.size - a - b + 1.0])
    ms = np.array([b * m * y.mean((1, 2)).var(ddof=1), a * m * y.mean((0, 2)).var(ddof=1), 0.0])
    ms[2] = (np.sum((y - y.mean()) ** 2) - ms[:2] @ df[:2]) / df[2]
    return (np.array([[b * m, 0, 1.0], [0, a * m, 1.0], [0, 0, 1.0]]), df, ms, np.array([1 / a, 1 / b, 1 / y.size]))


def _nested(y: np.ndarray) -> Parts:
    b, a, m = y.shape
    df = np.array([b * (a - 1.0), b - 1.0, y.size - a * b])
    ms = np.array([m * y.mean(2).var(1, ddof=1).mean(), a * m * y.mean((1, 2)).var(ddof=1), y.var(2, ddof=1).mean()])
    return (np.array([[m, 0, 1.0], [m, a * m, 1.0], [0, 0, 1.0]]), df, ms, np.array([1 / (a * b), 1 / b, 1 / y.size]))


def pool(ms: np.ndarray, df: np.ndarray, order: str) -> np.ndarray:
    """Pool mean squares that stand against the order of their expectations: the maximum of the restricted likelihood.

    The last is smallest. "simple": the others follow it in their order; "tree": they have no order among themselves.
    """
    at = [len(ms) - 1, *(range(len(ms) - 1) if order == "simple" else np.argsort(ms[:-1]))]
    if order == "tree":
        theta, total, weight = ms.copy(), ms[-1] * df[-1], df[-1]
        for used, k in enumerate(at[1:], start=2):
            if ms[k] >= total / weight:
                break
            total, weight = total + ms[k] * df[k], weight + df[k]
            theta[at[:used]] = total / weight
        return theta
    blocks = [[ms[k] * df[k], df[k], [k]] for k in at]
    j = 0
    while j < len(blocks) - 1:
        if blocks[j][0] / blocks[j][1] > blocks[j + 1][0] / blocks[j + 1][1]:
            one, two = blocks[j], blocks.pop(j + 1)
            blocks[j] = [one[0] + two[0], one[1] + two[1], one[2] + two[2]]
            j = max(j - 1, 0)
        else:
            j += 1
    theta = ms.copy()
    for total, weight, members in blocks:
        theta[members] = total / weight
    return theta
