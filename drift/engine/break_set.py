"""A break judged by sensors: is there one, and where may it lie, when every sensor may bend in its own way."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_RANK = 1e-9
LOOKED, TESTED = 41, 21


@dataclass(frozen=True, eq=False)
class Hinges:
    """Rows of sensors and a grid of breaks, with what is left of every hinge beside a sensor's own curve.

    Parameters
    ----------
    x : array, shape (n_rows,)
    sensor : array of int, shape (n_rows,)
        Numbers from 0.
    grid : array, shape (n_breaks,)
        Where a bend is looked for.
    at : array, shape (n_at,)
        Breaks that are tested one by one for the set.
    """

    x: Floats
    sensor: Ints
    grid: Floats
    at: Floats

    @classmethod
    def over(cls, x: Floats, sensor: Ints, ends: tuple[float, float]) -> Hinges:
        """Lay both grids between the outermost breaks."""
        return cls(x, np.asarray(sensor), np.linspace(*ends, LOOKED), np.linspace(*ends, TESTED))

    @cached_property
    def rows(self) -> list[Ints]:
        """Rows of each sensor, in the order of x."""
        found = [np.flatnonzero(self.sensor == s) for s in range(int(self.sensor.max()) + 1)]
        return [r[np.argsort(self.x[r], kind="stable")] for r in found]

    @cached_property
    def schedules(self) -> list[tuple[Floats, Ints]]:
        """Distinct schedules, and the rows of the sensors that share each: (n_sensors, n_uses)."""
        groups: dict[bytes, list[Ints]] = {}
        for r in self.rows:
            groups.setdefault(self.x[r].tobytes(), []).append(r)
        return [(self.x[g[0]], np.array(g)) for g in groups.values()]

    def left(self, at: float | None) -> list[Floats]:
        """Hinges of each schedule less its own line, and less a hinge at ``at``: (n_uses, n_breaks), zero where none.

        A hinge of which less than a ten-thousandth of its length is left is taken to be gone.
        """
        out = []
        for x, _ in self.schedules:
            base = [np.ones_like(x), x] + ([] if at is None else [np.maximum(x - at, 0.0)])
            u, size, _ = np.linalg.svd(np.column_stack(base), full_matrices=False)
            u = u[:, size > _RANK * size[0]]
            h = np.maximum(x[:, None] - self.grid, 0.0)
            rest = h - u @ (u.T @ h)
            rest[:, (rest**2).sum(axis=0) < 1e-8 * np.maximum((h**2).sum(axis=0), 1e-300)] = 0.0
            out.append(rest)
        return out

    def largest(self, y: Floats, left: list[Floats]) -> Floats:
        """Largest abs T over breaks of each row of y (n_sets, n_rows): mean bend of sensors over its own scatter.

        T^2 = (sum u_i)^2 / sum u_i^2 rises with the t of the sensors' scores u_i = h_i'y_i.
        """
        total = np.zeros((len(y), len(self.grid)))
        squares = np.zeros_like(total)
        for (_, rows), h in zip(self.schedules, left, strict=True):
            for r in rows:
                u = y[:, r] @ h
                total += u
                squares += u**2
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(np.where(squares > 0, np.abs(total) / np.sqrt(squares), 0.0).max(axis=1))


@dataclass(frozen=True, kw_only=True, eq=False)
class Reference:
    """Largest T of normal errors without a break, sorted, and the critical ones at each break that is tested.

    ``critical`` is that of the printed set; ``wider`` misses half as often, for the slopes on either side.
    """

    no_break: Floats
    critical: Floats
    wider: Floats


def reference(hinges: Hinges, rng: np.random.Generator, *, level: float, draws: int) -> Reference:
    """Simulate the largest T of sensors whose errors are independent and normal; it depends on the schedules alone.

    Sensors that bend in their own ways, about a straight mean, leave every single T its distribution (that of t) and
    tie those of near breaks closer together, so that the largest is smaller: the test stays on the safe side.
    """
    e = rng.standard_normal((draws, len(hinges.x)))
    few = e[: max(draws // 2, min(draws, 99))]  # enough for quantiles that are read at two levels
    # The smallest draws that a further one exceeds no more often than each set may miss.
    ranks = [min(int(np.ceil((len(few) + 1) * c - 1e-9)), len(few)) - 1 for c in (level, half_as_often(level))]
    critical, wider = np.array([np.sort(hinges.largest(few, hinges.left(float(g))))[ranks] for g in hinges.at]).T
    return Reference(no_break=np.sort(hinges.largest(e, hinges.left(None))), critical=critical, wider=wider)


def half_as_often(level: float) -> float:
    """Return the level of what may miss half as often as ``level`` allows."""
    return 1 - (1 - level) / 2


@dataclass(frozen=True, kw_only=True, eq=False)
class BreakSet:
    """Test of a break and the set of breaks that are not rejected.

    Parameters
    ----------
    p : float
        That the mean curve has no break.
    inside : array of bool, shape (n_at,)
    ratio : array, shape (n_at,)
        Largest T beside a break there over its critical value; inside where it is no more than one.
    wider : array of bool, shape (n_at,)
        The set that misses half as often; it holds the other.
    """

    p: float
    inside: Bools
    ratio: Floats
    wider: Bools

    @property
    def slopes_told(self) -> bool:
        """Whether a break fits, and the wider set is bounded on both sides, so that the slopes over it are."""
        return bool(self.inside.any() and not self.wider[0] and not self.wider[-1])

    def ends(self, at: Floats) -> tuple[float, float]:
        """Return the outermost breaks inside, between neighbours by the line; NaN where the first or last is inside."""
        there = np.flatnonzero(self.inside)
        if not len(there):
            return float("nan"), float("nan")
        found = []
        for i, j in ((int(there[0]), int(there[0]) - 1), (int(there[-1]), int(there[-1]) + 1)):
            if not 0 <= j < len(at):
                found.append(float("nan"))
                continue
            a, b = self.ratio[i], self.ratio[j]
            found.append(float(at[i] + (at[j] - at[i]) * (1 - a) / (b - a)))
        return found[0], found[1]


def break_set(hinges: Hinges, y: Floats, told: Reference) -> BreakSet:
    """Test that the mean curve over sensors has no break, and find the breaks that fit.

    Parameters
    ----------
    hinges : Hinges
    y : array, shape (n_rows,)
    told : Reference

    Returns
    -------
    BreakSet
        The set may be empty: then no single break makes the mean curve.

    Notes
    -----
    Every sensor's own line, and for a break at psi its own bend there, is taken out; what is left is scored by hinges
    at all other breaks. The mean of a score over sensors is compared with its scatter over sensors, so that bends in
    which sensors differ do not count as a break of all. The set holds the true break as often as promised, however
    small the bend is: it is the inversion of one test.

    References
    ----------
    Davies RB (1987), Biometrika 74:33-43 (the break exists only under the alternative).
    Dufour J-M (1990), Econometrica 58:475-494 (sets by inverting tests where a parameter may not be identified).
    """
    seen = float(hinges.largest(y[None], hinges.left(None))[0])
    n = len(told.no_break)
    above = n - int(np.searchsorted(told.no_break, seen * (1 - 1e-12), side="left"))
    largest = np.array([hinges.largest(y[None], hinges.left(float(g)))[0] for g in hinges.at])
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = largest / told.critical
    ratio = np.where(np.isfinite(ratio), ratio, 0.0)
    return BreakSet(p=(1 + above) / (n + 1), inside=ratio <= 1, ratio=ratio,
                    wider=(ratio <= 1) | (largest <= told.wider))


def slopes_around(hinges: Hinges, y: Floats, at: float) -> tuple[Floats, Floats]:
    """Return every sensor's own slope before and after a break there, NaN where its checks do not tell it."""
    before, after = [], []
    for r in hinges.rows:
        x = hinges.x[r]
        columns = np.column_stack([np.ones_like(x), x, np.maximum(x - at, 0.0)])
        beta, _, rank, _ = np.linalg.lstsq(columns, y[r], rcond=1e-10)
        there = rank == 3
        before.append(beta[1] if there else np.nan)
        after.append(beta[1] + beta[2] if there else np.nan)
    return np.array(before), np.array(after)


def slope_intervals(hinges: Hinges, y: Floats, at: Floats, *, level: float) -> Floats:
    """Lowest and highest end of the t intervals of the mean slope before and after, over the breaks ``at``: (2, 2).

    The rows are before and after. NaN where no break leaves two sensors. Each t interval misses half as often as
    ``level`` allows. The other half is for the break that is not known: ``at`` has to be the set that misses half as
    often (``BreakSet.wider``), so that both together hold with ``level`` (Bonferroni).
    """
    from scipy.special import stdtrit

    ends = np.full((2, 2), np.nan)
    for psi in at:
        for i, v in enumerate(slopes_around(hinges, y, float(psi))):
            v = v[np.isfinite(v)]
            if len(v) > 1:
                t = float(stdtrit(len(v) - 1, 0.5 + half_as_often(level) / 2))
                half = t * float(v.std(ddof=1)) / np.sqrt(len(v))
                ends[i] = np.fmin(ends[i, 0], v.mean() - half), np.fmax(ends[i, 1], v.mean() + half)
    return ends
