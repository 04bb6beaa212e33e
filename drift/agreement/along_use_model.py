"""Agreement along use: which pairs carry lines, whose lines they are, and the fit."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.engine.agreement_along import AlongDesign, AlongFit, NoFitError, fit_along
from drift.engine.agreement_along_bounds import CAP, lines_at
from drift.engine.agreement_along_path import Path

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

MOST_SENSORS = 150  # with targets that repeat; the sensors' lines are then solved together
REACH = 0.25  # of the span of uses: how far below the first use seen a line may be read


class NotAlongError(ValueError):
    """Nothing can be said of agreement along use; the message says why, ``mend`` what would help."""

    def __init__(self, message: str, mend: str = "", *, code: str = "agreement-not-along-use") -> None:
        super().__init__(message)
        self.mend, self.code = mend, code


@dataclass(frozen=True, kw_only=True, eq=False)
class Roles:
    """Who has a line and what repeats, over the pairs that are used.

    Parameters
    ----------
    keep : array of bool, shape (n_pairs,)
        Pairs that enter.
    unit : str
        Column whose levels have lines of their own; ``""`` where one line serves all.
    lines, targets : int arrays over the kept pairs, or None
    names : tuple of str
        Levels of ``unit`` in the order of their codes.
    left_out : tuple of str
        Levels of ``unit`` that were seen at one use only.
    sensor_as_target : bool
        No sensor was seen twice along use: its differences are one part of the spread and the trend is between them.
    of_targets : bool
        No sensors are told apart, and the lines are those of targets.
    """

    keep: NDArray[np.bool_]
    unit: str
    lines: IntArray | None
    targets: IntArray | None
    names: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    sensor_as_target: bool = False
    of_targets: bool = False


@dataclass(frozen=True, kw_only=True, eq=False)
class Along:
    """A fit of differences along use.

    Parameters
    ----------
    fit : AlongFit
        Columns one and use.
    roles : Roles
    use, difference, level : arrays over the kept pairs
        ``level`` is the mean of the two readings.
    start, last : float
        First use about which anything is said (0 where the uses seen reach down to it), and the largest seen.
    """

    fit: AlongFit
    roles: Roles
    use: FloatArray
    difference: FloatArray
    level: FloatArray
    start: float
    last: float

    @property
    def cap(self) -> float:
        """Largest use about which anything is said."""
        return self.start + CAP * (self.last - self.start)

    @property
    def median(self) -> float:
        """Use in the middle of the pairs."""
        return float(np.median(self.use))

    @property
    def n_lines(self) -> int:
        """Number of sensors with a line, or of whatever the spread rests on."""
        if self.roles.lines is not None:
            return self.fit.design.k
        return len(np.unique(self.roles.targets)) if self.roles.targets is not None else len(self.use)

    def at(self, uses: ArrayLike) -> Path:
        """Mean squares at uses."""
        return self.fit.at(lines_at(uses))

    @property
    def slope(self) -> Path:
        """Mean squares of the slope."""
        return self.fit.at([[0.0, 1.0]])


def codes(values: NDArray[np.object_]) -> IntArray:
    """Whole-number code of each label."""
    return np.unique(values.astype(str), return_inverse=True)[1].reshape(-1).astype(np.int64)


def _carries(use: FloatArray, code: IntArray) -> NDArray[np.bool_]:
    """Tell which levels were seen at two uses that lie apart."""
    n = int(code.max()) + 1
    low, high = np.full(n, np.inf), np.full(n, -np.inf)
    np.minimum.at(low, code, use)
    np.maximum.at(high, code, use)
    return np.asarray(high - low > 1e-3 * np.ptp(use))


def _repeating(code: IntArray | None) -> IntArray | None:
    """Return codes of a factor that repeats, None of one that tells every pair apart or none."""
    if code is None:
        return None
    n = len(np.unique(code))
    return code if 1 < n < len(code) else None


def roles_of(group: Group, structure: Structure, *, target: str, sensor: str | None) -> Roles:
    """Find whose lines there are and what repeats.

    Raises
    ------
    NotAlongError
        If the pairs cannot tell what use does.
    """
    use = group.use
    assert use is not None
    everything = np.ones(len(use), dtype=bool)
    if structure.kind != "repeated":
        return Roles(keep=everything, unit="", lines=None, targets=None)
    of_target = _repeating(structure.codes[structure.factors.index(target)]) if target in structure.factors else None
    if group.sensor is not None and sensor is not None:
        own, unit, label = codes(group.sensor), sensor, group.sensor
        if of_target is not None and _same(own, of_target):
            of_target = None
    else:
        own, unit, label = codes(group.target), target, group.target
        if target != "sensor" and np.sum(_carries(use, own)) < 3:  # too few targets with lines of their own
            return Roles(keep=everything, unit="", lines=None, targets=of_target)
        of_target = None
    good = _carries(use, own)
    if not good.any():
        if of_target is not None:
            raise NotAlongError(f"every {unit} was seen at one use only and every {target} several times, so that use "
                           "cannot be told from what they differ in", f"Read the same {unit} at several uses.")
        return Roles(keep=everything, unit="", lines=None, targets=_repeating(own), sensor_as_target=True)
    keep = good[own]
    names = tuple(str(v) for v in np.unique(label[keep].astype(str)))
    left = tuple(str(v) for v in np.unique(label[~keep].astype(str)))
    if len(names) == 1:
        if left:
            raise NotAlongError(f"only one {unit} ({names[0]}) was seen at two uses or more",
                           f"Read more than one {unit} at several uses.")
        return Roles(keep=keep, unit="", lines=None, targets=_repeating(of_target))
    if of_target is not None:
        of_target = _repeating(np.unique(of_target[keep], return_inverse=True)[1].reshape(-1))
    if of_target is not None and len(names) > MOST_SENSORS:
        raise NotAlongError(f"{len(names)} levels of {unit} whose targets repeat are more than are fitted together "
                       f"({MOST_SENSORS})", "Narrow the question with where.")
    return Roles(keep=keep, unit=unit, lines=codes(label[keep]), targets=of_target, names=names, left_out=left,
                 of_targets=unit == target and target != "sensor")


def _same(x: IntArray, y: IntArray) -> bool:
    pairs = len(np.unique(x * (int(y.max()) + 1) + y))
    return pairs == len(np.unique(x)) == len(np.unique(y))


def along_of(group: Group, structure: Structure, *, target: str, sensor: str | None) -> Along:
    """Fit the differences of a group along use.

    Raises
    ------
    NotAlongError
        If there are no uses, one use, or too few pairs, with the reason in words.
    """
    if group.readings is not None:
        raise NotAlongError("unlinked readings have no use in common", code="no-use-counts")
    if group.use is None:
        raise NotAlongError("not every pair has a use count", "Fill the column use to see whether agreement lasts.",
                       code="no-use-counts")
    if not np.ptp(group.use) > 1e-9 * max(1.0, float(np.max(np.abs(group.use)))):
        raise NotAlongError(f"all pairs were read at one use ({group.use[0]:g})",
                       "Read the same sensors at several uses to see whether agreement lasts.", code="one-use")
    roles = roles_of(group, structure, target=target, sensor=sensor)
    use, difference, level = group.use[roles.keep], group.difference[roles.keep], group.mean[roles.keep]
    try:
        fit = fit_along(AlongDesign.build(lines_at(use), roles.lines, roles.targets), difference)
    except NoFitError as reason:
        raise NotAlongError(f"{reason}", "Add pairs at further uses.") from reason
    first, last = float(use.min()), float(use.max())
    start = 0.0 if first <= REACH * (last - first) else first
    return Along(fit=fit, roles=roles, use=use, difference=difference, level=level, start=start, last=last)
