"""When each sensor was first seen past each limit: between which two checks, or not yet."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import fit_lines
from drift.ingest.lives import ObservedLives
from drift.results import join_words
from drift.retirement.companion import Setting
from drift.retirement.dead import FAILED
from drift.retirement.eligibility import worn_sensors
from drift.retirement.groups import POOLED
from drift.retirement.limits import Limit, Paths, paths_of

Floats = NDArray[np.float64]

ANY = "any limit"
OWN_LINE = 3
_JUMPS = {"dead_fraction": "dead", "dead_lines": "dead_lines"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Crossings:
    """Lives of the sensors of one construction against each limit.

    Parameters
    ----------
    by_limit : mapping of str to ObservedLives
        Under each limit's key, and under "any limit" the first of them, with the limit as cause.
    returned : tuple of (sensor, limit)
        Seen inside a limit again after having been past it.
    """

    construction: str
    by_limit: Mapping[str, ObservedLives]
    returned: tuple[tuple[str, str], ...]

    @property
    def of_any(self) -> ObservedLives:
        """Lives to the first limit."""
        return self.by_limit[ANY]


Life = tuple[float, float, bool]


def crossings_of(setting: Setting) -> list[Crossings]:
    """Find the lives of all worn sensors, construction by construction."""
    lives: dict[str, dict[str, Life]] = {}
    label: dict[str, str] = {}
    for limit in setting.limits:
        paths = paths_of(limit, setting.occasions, setting.mountings)
        worn = worn_sensors(paths.sensor, setting.tables)
        label |= {str(s): POOLED if setting.pooled else str(c) for s, c, w in zip(paths.sensor, paths.construction,
                                                                                  worn,
                                                                                  strict=True) if w}
        lives[limit.key] = _of_paths(limit, paths, worn, setting)
    for key in _JUMPS:
        found = _of_jumps(key, setting, label)
        if found:
            lives[key] = found
    failed = _of_failures(setting, label, lives)
    if failed:
        lives[FAILED] = failed
    return [_one(name, lives, label, setting) for name in sorted(set(label.values()))]


def upward(limit: Limit, paths: Paths) -> Floats:
    """Values of every check on the scale on which wear is upwards and the limit is ``limit.threshold()``.

    A fall from the fresh value is counted from the sensor's own line at 0 where it has three checks, else from its
    first check; NaN where neither is known.
    """
    if not limit.relative:
        return np.asarray(limit.sign * paths.y)
    lines = fit_lines(paths.x, paths.y)
    first = np.nanmin(np.where(np.isfinite(paths.y), paths.x, np.inf), axis=1, initial=np.inf)
    at_first = np.array([y[np.flatnonzero(x == f)[0]] if np.isfinite(f) else np.nan
                         for x, y, f in zip(paths.x, paths.y, first, strict=True)])
    fresh = np.where((lines.n >= OWN_LINE) & np.isfinite(lines.intercept), lines.intercept,
                     np.where(first <= 1, at_first, np.nan))
    if limit.log:
        return np.asarray(fresh[:, None] - paths.y)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(1 - paths.y / fresh[:, None])


def first_passage(use: Floats, past: NDArray[np.bool_]) -> Life | None:
    """Find between which two checks a sensor passed: last inside, first outside, and whether it was inside again."""
    order = np.argsort(use, kind="stable")
    u, out = use[order], past[order]
    if not len(u):
        return None
    at = np.flatnonzero(out)
    if not len(at):
        return float(u[-1]), math.inf, False
    j = int(at[0])
    return (float(u[j - 1]) if j else 0.0), float(u[j]), not bool(out[j:].all())


def _of_paths(limit: Limit, paths: Paths, worn: NDArray[np.bool_], setting: Setting) -> dict[str, Life]:
    y = upward(limit, paths)
    edge = limit.threshold()
    found = {}
    for i in np.flatnonzero(worn):
        ok = np.isfinite(y[i]) & np.isfinite(paths.x[i])
        life = first_passage(paths.x[i][ok], y[i][ok] > edge)
        if life is not None:
            found[str(paths.sensor[i])] = life
    return found


def _of_jumps(key: str, setting: Setting, label: Mapping[str, str]) -> dict[str, Life]:
    limit, checks = getattr(setting.study.limits, key), setting.tables.checks
    if limit is None or checks is None or _JUMPS[key] not in checks:
        return {}
    values = np.asarray(checks[_JUMPS[key]], np.float64)
    use = np.asarray(checks[setting.exposure.name], np.float64)
    ok = np.isfinite(values) & np.isfinite(use)
    if "exclude" in checks:
        ok &= ~(np.nan_to_num(np.asarray(checks["exclude"], np.float64)) > 0)
    sensors = checks["sensor"].astype(str)
    found = {}
    for s in label:
        mine = ok & (sensors == s)
        at = np.unique(use[mine])
        past = np.array([bool((values[mine & (use == u)] > limit).any()) for u in at], bool)
        life = first_passage(at, past)
        if life is not None:
            found[s] = life
    return found


def _of_failures(setting: Setting, label: Mapping[str, str], lives: Mapping[str, Mapping[str, Life]]) -> dict[str,
                                                                                                              Life]:
    """Failures recorded as events: during the use that is named; the others were fit at their last check."""
    events = setting.tables.events
    if events is None:
        return {}
    at: dict[str, float] = {}
    for s, u, what in zip(events["sensor"], np.asarray(events["use"], np.float64), events["event"], strict=True):
        if what == FAILED and math.isfinite(u) and str(s) in label:
            at[str(s)] = min(at.get(str(s), math.inf), float(u))
    if not at:
        return {}
    last = {s: max([v[s][0] if math.isinf(v[s][1]) else v[s][1] for v in lives.values() if s in v], default=0.0)
            for s in label}
    step = 1.0 if setting.exposure.is_use else 0.0
    return {s: (max(at[s] - step, 0.0), at[s], False) if s in at else (last[s], math.inf, False) for s in label}


def _one(name: str, lives: Mapping[str, Mapping[str, Life]], label: Mapping[str, str], setting: Setting) -> Crossings:
    mine = [s for s, c in label.items() if c == name]
    made: dict[str, ObservedLives] = {}
    returned = []
    for key, of in lives.items():
        known = [s for s in mine if s in of]
        returned += [(s, key) for s in known if of[s][2]]
        made[key] = _lives(known, [of[s] for s in known], [key] * len(known), setting)
    first, causes = [], []
    seen = [s for s in mine if any(s in of for of in lives.values())]
    for s in seen:
        each = {key: of[s] for key, of in lives.items() if s in of}
        upper = min(v[1] for v in each.values())
        lower = min(v[0] for v in each.values())
        first.append((min(lower, upper), upper, False))
        causes.append(join_words([k for k, v in each.items() if v[1] == upper]) if math.isfinite(upper) else "")
    made[ANY] = _lives(seen, first, causes, setting)
    return Crossings(construction=name, by_limit=made, returned=tuple(returned))


def _lives(sensors: list[str], found: list[Life], causes: list[str], setting: Setting) -> ObservedLives:
    upper = np.array([f[1] for f in found], np.float64)
    return ObservedLives(unit=np.array(sensors, dtype=object), lower=np.array([f[0] for f in found], np.float64),
                         upper=upper, cause=np.array([c if np.isfinite(u) else "" for c, u in zip(causes, upper,
                                                                                                strict=True)], object),
                         row=np.zeros(len(sensors), np.int64), per=setting.exposure.per, what="sensors")
