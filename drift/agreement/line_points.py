"""The points that a comparison line is put through, and what repeats among them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.engine.comparison.replicates import linked, linked_ratio, within_variance

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LEAST = 5  # independent units below which there is no line


MOST_LEVELS = 300  # beyond which the ratio is not estimated again without each level of a second way of repeating
WIDEST = 100.0  # upper over lower end of the ratio's 95 % interval beyond which replicates do not tell it
PLAUSIBLE = (0.1, 1.0, 10.0)  # ratios over which a line is given then


class NoLineError(Exception):
    """Why a line cannot be given, and what would make it possible."""

    def __init__(self, code: str, message: str, mend: str) -> None:
        super().__init__(message)
        self.code, self.mend = code, mend


@dataclass(frozen=True, eq=False)
class Points:
    """Points (b, a) of one group.

    Parameters
    ----------
    b, a : arrays, shape (n,)
        Horizontal and vertical readings.
    keys : array of str, shape (n,)
    codes : tuple of int arrays, each shape (n,)
        What repeats; empty when every point stands alone.
    units : int
        Independent units: points, or levels of the scarcer of what repeats.
    counted : str
        In words: "30 pairs", "60 pairs on 20 levels of participant".
    known : tuple of four arrays, or None
        SD and number of the readings behind each a and each b.
    group : Group
    held : str
        What repeats at too few levels to be left out in turn, in words: "4 levels of sensor"; the line is then about
        those levels.
    factors : tuple of str
        Everything that repeats, also what is held.
    target : int array, shape (n,), or None
        Levels of the target where targets repeat, whether they are enough to be left out in turn or not.
    """

    b: FloatArray
    a: FloatArray
    keys: NDArray[np.object_]
    codes: tuple[IntArray, ...]
    units: int
    counted: str
    known: tuple[FloatArray, FloatArray, FloatArray, FloatArray] | None
    group: Group
    held: str = ""
    factors: tuple[str, ...] = ()
    target: IntArray | None = None

    @property
    def clusters(self) -> list[IntArray]:
        """What to leave out in turn: the levels of each way of repeating and, with two, their cells."""
        if len(self.codes) < 2:
            return list(self.codes)
        first, second = self.codes[:2]
        cells = np.unique(first * (int(second.max()) + 1) + second, return_inverse=True)[1].reshape(-1)
        return [first, second, cells.astype(np.int64)]


    @property
    def effective(self) -> float:
        """Independent units, fewer where some repeat far oftener than others: (sum of sizes)^2 / sum of squares.

        References
        ----------
        Kish L (1965), Survey Sampling, section 11.2. Bell RM, McCaffrey DF (2002), Bias reduction in standard errors
        for linear regression with multi-stage samples, Survey Methodology 28:169-181 (degrees of freedom fall as
        clusters become unequal).
        """
        return min((float(len(c)) ** 2 / float(np.sum(np.bincount(c).astype(float) ** 2)) for c in self.codes),
                   default=float(self.units))

    @property
    def df(self) -> float:
        """Degrees of freedom of a standard error about a line."""
        return max(min(self.effective, float(self.units)) - 2.0, 1.0)


def points_of(group: Group, structure: Structure, target: str) -> Points:
    """Return the points of a group: pairs, or the means of each target where replicates are unlinked."""
    n = len(group.a)
    if structure.kind == "unpaired":
        return Points(group.b, group.a, group.key, (), n, f"the means of {n} levels of {target}", None, group)
    both = list(zip(structure.factors, structure.codes, strict=True)) if structure.kind == "repeated" else []
    sizes = [len(np.unique(c)) for _, c in both]
    kept = [k >= LEAST or max(sizes) < LEAST for k in sizes]
    codes = tuple(c for (_, c), stays in zip(both, kept, strict=True) if stays)
    held = "".join(f"{k} levels of {name}" for (name, _), k, stays in zip(both, sizes, kept, strict=True) if not stays)
    units = min((k for k, stays in zip(sizes, kept, strict=True) if stays), default=n)
    counted = f"{n} pairs" + (f" on {structure.counted}" if codes else "")
    return Points(group.b, group.a, group.key, codes, units, counted, group.errors, group, held,
                  tuple(name for name, _ in both), dict(both).get(target))


def target_means(points: Points, target: str) -> tuple[Points, bool]:
    """Return the mean of each target as one point, and whether these still depend on each other.

    Points that stand alone are left as they are. Where only sensors repeat, each point is a target of its own and
    stays; with a single target the sensors are what differs, and each gives one point.

    Raises
    ------
    NoLineError
        With fewer than 5 targets: the mean of a sensor over few targets is not a reading of different size.
    """
    code, name = points.target, target
    if not points.factors:
        return points, False
    if code is None:
        if len(np.unique(points.group.target.astype(str))) > 1:
            return replace(points, codes=()), True
        code, name = points.codes[0], points.factors[0]
    n = np.bincount(code)
    if len(n) < LEAST:
        raise NoLineError("few-targets", f"it is put through the mean of each {name}, and {len(n)} of them are fewer "
                          f"than {LEAST}", "Add targets that differ in size, or take deming, which keeps the pairs.")
    first = np.unique(code, return_index=True)[1]
    own = points.group.target if code is points.target else points.group.sensor
    assert own is not None
    a, b = (np.bincount(code, weights=v) / n for v in (points.a, points.b))
    return replace(points, b=b, a=a, keys=np.array([str(own[j]) for j in first], dtype=object), codes=(),
                   units=len(n), counted=f"the means of {len(n)} levels of {name}", known=None), len(points.codes) > 1


@dataclass(frozen=True, eq=False)
class Ratio:
    """Variance of the errors of a over that of b.

    Parameters
    ----------
    value : float
        Of single readings.
    of_points : float
        Of the points as they enter, which are means where replicates are unlinked.
    source : {"assumed", "declared", "unlinked replicates", "linked replicates", "not told"}
        "not told": asked of linked replicates that do not tell it, and taken as 1.
    df : tuple of two int
        Degrees of freedom of both within-target variances; zeros unless estimated from unlinked replicates.
    left_out : tuple of arrays or None
        From linked replicates: estimates without each level of each way of repeating.
    estimate : float
        What the replicates gave where that does not tell the ratio.
    """

    value: float
    of_points: float
    source: Literal["assumed", "declared", "unlinked replicates", "linked replicates", "not told"]
    df: tuple[int, int] = (0, 0)
    left_out: tuple[FloatArray, ...] | None = None
    estimate: float = float("nan")

    def interval(self, level: float) -> tuple[float, float]:
        """Return the interval of a ratio from replicates: exact F, or jackknife t of the logarithm; else NaN."""
        if self.source == "unlinked replicates":
            from scipy.special import fdtri

            low, high = (self.value / float(fdtri(*self.df, p)) for p in (0.5 + level / 2, 0.5 - level / 2))
            return low, high
        if self.left_out is None:
            return float("nan"), float("nan")
        from drift.engine.limits_of_agreement import t_quantile

        left = np.log(self.left_out[0])
        if not np.all(np.isfinite(left)):
            return float("nan"), float("nan")
        k = len(left)
        half = t_quantile(0.5 + level / 2, k - 2.0) * float(np.sqrt((k - 1) * np.var(left)))
        return float(self.value * np.exp(-half)), float(self.value * np.exp(half))


def ratio_of(points: Points, asked: float | Literal["replicates"] | None, *, relative: bool = False) -> Ratio:
    """Return the ratio as declared, or from replicates.

    Parameters
    ----------
    points : Points
    asked : float, "replicates" or None
    relative : bool
        Errors in proportion to the reading: unlinked readings are divided by the mean of their target first. Linked
        ones need not be, since both variances of a target then stand in one ratio.

    Raises
    ------
    NoLineError
        If nothing repeats, or a method reads no target twice with any spread.
    """
    readings = points.group.readings
    if asked != "replicates":
        value = 1.0 if asked is None else float(asked)
        return Ratio(value, value * _shrunk(readings), "assumed" if asked is None else "declared")
    if readings is not None:
        a, ta, b, tb = readings
        if relative:
            level = 0.5 * (points.a + points.b)
            a, b = a / level[ta], b / level[tb]
        of_a, of_b = within_variance(a, ta), within_variance(b, tb)
        for name, w in (("a", of_a), ("b", of_b)):
            if not w.variance > 0:
                raise NoLineError("no-replicates", f"no target was read twice by {name} with any spread, so its error "
                                  "variance cannot be told", "Give the ratio as a number in error_ratio.")
        value = of_a.variance / of_b.variance
        return Ratio(value, value * _shrunk(readings), "unlinked replicates", (of_a.df, of_b.df))
    if points.target is None or not points.codes:
        what = "no target is repeated" if points.factors else "nothing is repeated"
        raise NoLineError("no-replicates", f"{what}, so the ratio of error variances cannot be estimated",
                          "Give the ratio as a number in error_ratio, or read targets more than once.")
    return _linked_ratio(points, points.target)


def _linked_ratio(points: Points, within: IntArray) -> Ratio:
    """Return the ratio from linked pairs of a target, or 1 in its place where they do not tell it.

    Where the true value moves far more between the pairs of a target than either method errs, the two error variances
    are small differences of large sums, and a little more or less slope moves their ratio without end.
    """
    found = linked(points.b, points.a, within)
    value = float(linked_ratio(found))
    left = []
    for code in points.codes:
        if code is within:
            left.append(linked_ratio(found, without_each=True))
        elif int(code.max()) < MOST_LEVELS:
            parts = [code != j for j in range(int(code.max()) + 1)]
            left.append(np.array([float(linked_ratio(linked(points.b[k], points.a[k], np.unique(
                within[k], return_inverse=True)[1].reshape(-1)))) for k in parts]))
        else:
            left.append(np.full(int(code.max()) + 1, value))
    made = Ratio(value, value, "linked replicates", left_out=tuple(left))
    low, high = made.interval(0.95)
    if value > 0 and high <= WIDEST * low:
        return made
    return Ratio(1.0, 1.0, "not told", left_out=tuple(left), estimate=value)


def _shrunk(readings: tuple[FloatArray, IntArray, FloatArray, IntArray] | None) -> float:
    """Return by what the ratio of the means of unlinked replicates differs from that of single readings."""
    if readings is None:
        return 1.0
    na, nb = (np.bincount(code) for code in (readings[1], readings[3]))
    return float(np.mean(1 / na) / np.mean(1 / nb))
