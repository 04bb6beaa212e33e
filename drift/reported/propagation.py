"""All exact relations of one place at once: each narrows what the next one starts from."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from drift.engine.interval_equations import Box
from drift.engine.interval_narrowing import gained, narrow_any
from drift.engine.intervals import EmptyIntervalError, Interval
from drift.reported.judging import Instance, accuses, instance
from drift.reported.places import ASSUMED_LEVEL, Place
from drift.reported.relation import Relation
from drift.reported.vocabulary import domain, quantities

# What may stand between printed numbers without being printed itself: only what has one meaning in one place.
FREE = frozenset((
    "n", "k", "f_one", "f_two", "f_raters", "icc_1", "icc_k", "icc_c1", "icc_ck", "icc_a1", "icc_ak", "ms_units",
    "ms_within", "ms_raters", "ms_error", "ss_units", "ss_within", "ss_raters", "ss_error", "ss_total", "df_units",
    "df_within", "df_raters", "df_error", "df_total", "var_units", "var_raters", "var_error", "sem_1", "sem_c", "sem_a",
    "sd_all", "sd_columns", "s_r", "s_R", "s_L", "bias", "sd_diff", "sd_1", "sd_2", "mean_1", "mean_2", "r",
    "log_bias", "log_low", "log_high", "ratio", "c_b", "ev", "av", "grr", "pv", "tv", "pct_grr", "pct_pv", "con_grr",
    "con_pv", "u_c", "coverage_factor", "slope", "se_slope", "t_slope", "df_slope", "points", "weibull_shape",
    "weibull_scale"))
MOST_VISITS = 6
SMALL = 1e-9


@dataclass(frozen=True)
class Net:
    """Relations of one place that may accuse, and the variables between them."""

    place: Place
    instances: tuple[Instance, ...]

    def start(self, *, wider: Mapping[int, float] | None = None) -> Box:
        """Return the box of all variables before anything is narrowed."""
        held = self.place.box(wider=wider) if wider else self.place.printed
        found: Box = {}
        for made in self.instances:
            for name in made.names:
                if name not in found:
                    level = name.endswith("__level")
                    found[name] = held.get(name, (ASSUMED_LEVEL, ASSUMED_LEVEL) if level else domain(name))
        return found


def net_of(place: Place, relations: Sequence[Relation], *, without: frozenset[str] = frozenset()) -> Net:
    """Return the relations of a place that may accuse, less those named, less those that lead nowhere."""
    made = [m for r in relations if r.label not in without and (m := instance(r, place)) is not None
            and accuses(m, place)]
    return Net(place, tuple(_connected(made, place)))


def _connected(made: list[Instance], place: Place) -> list[Instance]:
    """Leave out relations with a number that nothing else says anything about."""
    while True:
        uses: dict[str, int] = {}
        for m in made:
            for name in m.names:
                uses[name] = uses.get(name, 0) + 1
        kept = [m for m in made if all(n in place.single or n.endswith("__level") or (n in FREE and uses[n] > 1)
                                           for n in m.names)
                and sum(n in place.single for n in m.names) > 0]
        if len(kept) == len(made):
            return kept
        made = kept


def propagate(net: Net, *, wider: Mapping[int, float] | None = None, splits: int = 0) -> Box:
    """Narrow all variables until nothing moves.

    Raises
    ------
    EmptyIntervalError
        When no numbers satisfy all relations at once: proved.
    """
    box = net.start(wider=wider)
    watching: dict[str, list[int]] = {}
    for i, made in enumerate(net.instances):
        for name in made.names:
            watching.setdefault(name, []).append(i)
    waiting = dict.fromkeys(range(len(net.instances)))
    visits = [0] * len(net.instances)
    while waiting:
        i = next(iter(waiting))
        del waiting[i]
        if visits[i] >= MOST_VISITS:
            continue
        visits[i] += 1
        made = net.instances[i]
        own = {n: box[n] for n in made.names}
        after, _ = narrow_any(made.equations(), own, splits=splits)
        for name, a in after.items():
            a = _whole(name, a, net.place.design)
            if gained(box[name], a):
                for other in watching[name]:
                    if other != i:
                        waiting[other] = None
            box[name] = a
    return box


def _whole(name: str, a: Interval, design: str) -> Interval:
    """Take a count to the whole numbers inside; an incomplete design has a mean number of measurements instead."""
    q = quantities().get(name)
    if q is None or (name == "k" and design != "complete") or q.scale != "whole" or a[0] < -1e15 or a[1] > 1e15:
        return a
    low, high = float(math.ceil(a[0] - SMALL * max(1.0, abs(a[0])))), float(math.floor(a[1] + SMALL * max(1.0, a[1])))
    if low > high:
        raise EmptyIntervalError
    return (low, high)


def consistent(net: Net, *, wider: Mapping[int, float] | None = None) -> bool:
    """Tell whether nothing proves that the numbers contradict each other."""
    try:
        propagate(net, wider=wider)
    except EmptyIntervalError:
        return False
    return True
