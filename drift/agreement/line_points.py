"""The points that a comparison line is put through, and what repeats among them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.engine.comparison.replicates import linked, linked_ratio, within_variance

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
LEAST = 5  # independent units below which there is no line


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
    return Points(group.b, group.a, group.key, codes, units, counted, group.errors, group, held)


def target_means(points: Points, target: str) -> Points:
    """Return the mean of each target as one point; points that stand alone are left as they are."""
    if not points.codes:
        return points
    code = points.codes[0]
    n = np.bincount(code)
    first = np.array([np.nonzero(code == j)[0][0] for j in range(len(n))])
    names = points.group.target if np.array_equal(np.unique(points.group.target.astype(str), return_inverse=True)[1]
                                                  .reshape(-1), code) else points.group.sensor
    assert names is not None
    labels = np.array([str(names[j]) for j in first], dtype=object)
    a, b = (np.bincount(code, weights=v) / n for v in (points.a, points.b))
    return Points(b, a, labels, (), len(n), f"the means of {len(n)} levels of {target}", None, points.group,
                  points.held)


@dataclass(frozen=True, eq=False)
class Ratio:
    """Variance of the errors of a over that of b.

    Parameters
    ----------
    value : float
        Of single readings.
    of_points : float
        Of the points as they enter, which are means where replicates are unlinked.
    source : {"assumed", "declared", "unlinked replicates", "linked replicates"}
    df : tuple of two int
        Degrees of freedom of both within-target variances; zeros unless estimated from unlinked replicates.
    left_out : array, shape (n_targets,), or None
        Estimates without each target, from linked replicates.
    """

    value: float
    of_points: float
    source: Literal["assumed", "declared", "unlinked replicates", "linked replicates"]
    df: tuple[int, int] = (0, 0)
    left_out: FloatArray | None = None


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
        If nothing repeats, or a variance within targets does not stay above zero.
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
    if not points.codes:
        raise NoLineError("no-replicates", "nothing is repeated, so the ratio of error variances cannot be estimated",
                          "Give the ratio as a number in error_ratio, or read targets more than once.")
    found = linked(points.b, points.a, points.codes[0])
    value = float(linked_ratio(found))
    if not value > 0:
        raise NoLineError("no-replicates", "the repeated pairs leave no error variance above zero for both methods",
                          "Give the ratio as a number in error_ratio.")
    return Ratio(value, value, "linked replicates", left_out=linked_ratio(found, without_each=True))


def _shrunk(readings: tuple[FloatArray, IntArray, FloatArray, IntArray] | None) -> float:
    """Return by what the ratio of the means of unlinked replicates differs from that of single readings."""
    if readings is None:
        return 1.0
    na, nb = (np.bincount(code) for code in (readings[1], readings[3]))
    return float(np.mean(1 / na) / np.mean(1 / nb))
