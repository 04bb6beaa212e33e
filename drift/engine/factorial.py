"""Layouts of a target and several facets, crossed or nested: effects, closed-form analysis of variance.

Every factor has a set of factors it lies in (its parents, closed under "parent of a parent"). An effect is a set of
factors that holds the parents of all its members; ``p x (i:h)`` has the effects p, h, i:h, p x h and p x i:h. The
largest effect is the cell. What is written here holds for any number of factors.

For a balanced layout all effects random, E(MS of S) = residual + sum over effects T that hold S of (N / n_T) times
the variance of T, with N readings and n_T levels of T.

References
----------
Cornfield J, Tukey JW (1956). Average values of mean squares in factorials. Annals of Mathematical Statistics
    27:907-949.
Brennan RL (2001). Generalizability Theory. Springer, section 3.3 (expected mean squares) and chapter 7 (analogous
    analysis of variance for unbalanced designs).
Henderson CR (1953). Estimation of variance and covariance components. Biometrics 9:226-252 (method 1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.meansquares import centred

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]
Effect = frozenset[int]


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """Cells of a layout with the level of every effect.

    ``means`` (n_cells,) are held less ``shift``; ``levels[e]`` (n_cells,) are the level numbers of ``effects[e]``,
    0 to ``sizes[e] - 1``. ``effects`` run from small sets to large ones and end with the cell. ``parents[f]`` is
    closed.
    """

    means: FloatArray
    counts: FloatArray
    ss_within: float
    shift: float
    parents: tuple[Effect, ...]
    effects: tuple[Effect, ...]
    levels: tuple[IntArray, ...]
    sizes: tuple[int, ...]

    @classmethod
    def build(cls, values: ArrayLike, codes: Sequence[ArrayLike], parents: Sequence[set[int] | Effect]) -> Layout:
        """Sum readings into cells.

        Parameters
        ----------
        values : array_like of float, shape (n_readings,)
            Finite readings.
        codes : sequence of array_like of int, each shape (n_readings,)
            Level of each factor, the target first; a nested factor's code need only be unique within its parents.
        parents : sequence of sets of int
            Factors that each factor lies in.

        Raises
        ------
        ValueError
            If factors lie in each other.
        """
        y, shift = centred(values)
        above = closed(parents)
        columns = [np.asarray(c, dtype=np.intp) for c in codes]
        whole = joined(columns)
        first = np.unique(whole, return_index=True)[1]
        counts = np.bincount(whole).astype(np.float64)
        means = np.bincount(whole, weights=y) / counts
        resid = y - means[whole]
        effects = effects_of(above)
        levels = tuple(joined([columns[f][first] for f in sorted(e)]) for e in effects)
        return cls(means=means, counts=counts, ss_within=float(resid @ resid), shift=shift, parents=above,
                   effects=effects, levels=levels, sizes=tuple(int(v.max()) + 1 for v in levels))

    @property
    def n_readings(self) -> int:
        """Readings in all."""
        return int(self.counts.sum())

    @property
    def df_within(self) -> int:
        """Degrees of freedom within cells."""
        return self.n_readings - len(self.counts)

    @property
    def replicated(self) -> bool:
        """Whether the residual stands apart from the largest effect."""
        return self.df_within > 0

    @property
    def balanced(self) -> bool:
        """Whether every combination that the nesting allows is there, with the same number of readings."""
        if np.ptp(self.counts) > 0:
            return False
        size = dict(zip(self.effects, self.sizes, strict=True))
        each = [size[self.parents[f] | {f}] / size.get(self.parents[f], 1) for f in range(len(self.parents))]
        return all(n == round(math.prod(each[f] for f in e)) and np.ptp(np.bincount(codes)) == 0
                   for e, n, codes in zip(self.effects, self.sizes, self.levels, strict=True))

    def with_means(self, means: FloatArray, ss_within: float) -> Layout:
        """Return the same layout with other readings."""
        from dataclasses import replace

        return replace(self, means=means, ss_within=ss_within)


@dataclass(frozen=True, kw_only=True, eq=False)
class Squares:
    """Sums of squares with the variances their expectations hold.

    Rows are effects and last the residual; without replicates the largest effect is the residual and the last row
    is its own. ``coefficients[s, t]`` is the coefficient of variance t in the expectation of the mean square s.
    """

    ss: FloatArray
    df: FloatArray
    coefficients: FloatArray

    @property
    def ms(self) -> FloatArray:
        """Mean squares."""
        return self.ss / self.df

    def variances(self) -> FloatArray:
        """Solve mean squares for variances; they are unbiased and may be negative."""
        return np.asarray(np.linalg.solve(self.coefficients, self.ms))


def closed(parents: Sequence[set[int] | Effect]) -> tuple[Effect, ...]:
    """Add the parents of parents; factors that lie in each other are refused."""
    found = [set(p) for p in parents]
    for _ in found:
        for f, own in enumerate(found):
            found[f] = own.union(*(found[g] for g in own)) if own else own
    if any(f in own for f, own in enumerate(found)):
        raise ValueError("factors lie in each other")
    return tuple(frozenset(p) for p in found)


def effects_of(parents: Sequence[Effect]) -> tuple[Effect, ...]:
    """Return every set of factors that holds the parents of its members, small sets first."""
    factors = range(len(parents))
    return tuple(frozenset(c) for size in range(1, len(parents) + 1) for c in combinations(factors, size)
                 if all(parents[f] <= set(c) for f in c))


def joined(columns: Sequence[IntArray]) -> IntArray:
    """Give every combination of several codes a number, in the order of the codes."""
    code = np.zeros(len(columns[0]), dtype=np.intp)
    for column in columns:
        code = np.unique(code * (int(column.max()) + 1) + column, return_inverse=True)[1].astype(np.intp)
    return code


def separate(layout: Layout) -> tuple[Effect, ...]:
    """Return the effects that have a variance of their own beside the residual."""
    return layout.effects if layout.replicated else layout.effects[:-1]


def balanced_squares(layout: Layout) -> Squares:
    """Analysis of variance of a balanced layout in closed form.

    Parameters
    ----------
    layout : Layout
        ``balanced``.

    Returns
    -------
    Squares
        A row for each effect of :func:`separate` and last the residual.
    """
    m, total = float(layout.counts[0]), float(layout.n_readings)
    parts: dict[Effect, FloatArray] = {frozenset(): np.full(len(layout.means), layout.means.mean())}
    df: dict[Effect, float] = {frozenset(): 1.0}
    ss: dict[Effect, float] = {}
    for effect, codes, size in zip(layout.effects, layout.levels, layout.sizes, strict=True):
        within = [e for e in parts if e < effect]
        own = (np.bincount(codes, weights=layout.means) / np.bincount(codes))[codes]
        parts[effect] = own - sum(parts[e] for e in within)
        df[effect] = size - sum(df[e] for e in within)
        ss[effect] = m * float(parts[effect] @ parts[effect])
    rows = separate(layout)
    expected = np.array([[total / size if s <= e else 0.0 for e, size in zip(layout.effects, layout.sizes, strict=True)
                          if e in rows] for s in rows])
    r = len(rows)
    matrix = np.eye(r + 1)
    matrix[:r, :r] = expected.reshape(r, r)
    matrix[:r, r] = 1.0
    last = (layout.ss_within, float(layout.df_within)) if layout.replicated else (
        ss[layout.effects[-1]], df[layout.effects[-1]])
    return Squares(ss=np.array([*(ss[e] for e in rows), last[0]]), df=np.array([*(df[e] for e in rows), last[1]]),
                   coefficients=matrix)


@dataclass(frozen=True, kw_only=True, eq=False)
class AnalogousAnova:
    """Henderson's method 1: uncorrected sums of squares ``t`` (mean first, then effects) and the variances.

    ``variances`` have an entry for each effect of :func:`separate` and last the residual; they may be negative.
    """

    t: FloatArray
    t_mean: float
    variances: FloatArray


def analogous_anova(layout: Layout) -> AnalogousAnova:
    """Equate uncorrected sums of squares of any layout with their expectations (Henderson's method 1).

    Raises
    ------
    ValueError
        If the equations have no unique solution.

    Notes
    -----
    T_S = sum over levels s of n_s mean_s^2 has the expectation N mu^2 + n_S residual + sum_T k(S, T) variance of T,
    with k(S, T) = sum_s sum_t n_st^2 / n_s (Brennan 2001, section 7.1).
    """
    w, y = layout.counts, layout.means
    rows = separate(layout)
    codes = [layout.levels[layout.effects.index(e)] for e in rows]
    nothing = np.zeros(len(y), dtype=np.intp)
    groups = [nothing, *codes]
    t, matrix = [], []
    for g in groups:
        n_g = np.bincount(g, weights=w)
        t.append(float((np.bincount(g, weights=w * y) ** 2 / n_g).sum()))
        line = [w.sum()]
        for c in codes:
            both = g * (int(c.max()) + 1) + c
            n_both = np.bincount(both, weights=w, minlength=len(n_g) * (int(c.max()) + 1)).reshape(len(n_g), -1)
            line.append(float((n_both**2 / n_g[:, None]).sum()))
        matrix.append([*line, float(len(n_g))])
    t.append(float(w @ y**2) + layout.ss_within)
    matrix.append([w.sum()] * (len(codes) + 2))
    a = np.array(matrix)
    if np.linalg.matrix_rank(a) < len(a):
        raise ValueError("the layout does not determine every component")
    solved = np.linalg.solve(a, np.array(t))
    return AnalogousAnova(t=np.array(t), t_mean=t[0], variances=solved[1:])
