"""The verdict on one sensor: off its path, past a limit, uses left, and whether the rig can be trusted."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from drift.engine.sensor_forecast import (
    LEAST_ESS,
    Mixture,
    Population,
    Surprise,
    chance_over,
    effective_draws,
    fit_population,
    line_of,
    own_line,
    remaining_uses,
    surprise,
)
from drift.retirement.limits import Limit
from drift.today.latest import Latest
from drift.today.near import Near, near_limit
from drift.today.paths import FEWEST, Path, Setting, Situation
from drift.today.standing import Standing

Floats = NDArray[np.float64]
Word = Literal["use", "check again", "do not use"]
FAR = 3.0  # times the exposure that any sensor has reached: as far as forecasts look


@dataclass(frozen=True, kw_only=True, eq=False)
class Forecast:
    """Remaining exposure against one limit, in steps of 1.

    Parameters
    ----------
    limit : Limit
    median, low : int
        Further uses that are survived with probability 0.5, and with 1 less the chance asked.
    now, next : float
        Probability of being past the limit now, and after the next use.
    most : int
        How far was looked.
    mixture : Mixture
    basis : {"population", "own line"}
    near : Near or None
        How near the latest check is to the limit; None without a check.
    """

    limit: Limit
    median: int
    low: int
    now: float
    next: float
    most: int
    mixture: Mixture
    basis: str
    near: Near | None = None


@dataclass(frozen=True, kw_only=True, eq=False)
class Verdict:
    """What to do with one sensor, and why.

    Parameters
    ----------
    situation : Situation
    word : {"use", "check again", "do not use"}
    why : tuple of str
        Codes of the reasons that decided: ``out``, ``over``, ``off``, ``rig``, ``unknown``, ``dead``, ``twice``,
        ``unread`` (the latest check could not be used), ``near`` (by it alone the sensor is not shown to be within a
        limit) and ``close`` (nor by it and its repeat), ``count`` and ``guard`` (past what retires sensors here),
        ``due`` (a check is) and ``calibrate`` (a recalibration is); ``step`` (the rig changed between its checks, and
        how far, or whether, decides); and ``repeat``, which is said and decides nothing: the first check lies on the
        path and its repeat does not.
    off : Surprise or None
        Latest check against its prediction; ``repeated`` is that of its repeat.
    forecasts : tuple of Forecast
        One a limit, in the order of the study.
    refused : str
        Why there is no forecast; empty where there is one.
    latest : Latest or None
        What is wrong with its latest check; None where nothing is.
    ends : tuple of Verdict
        With the rig's changes as small, and as large, as may be.
    """

    situation: Situation
    word: Word
    why: tuple[str, ...]
    off: Surprise | None
    off_use: float
    repeated: Surprise | None
    repeats: int
    forecasts: tuple[Forecast, ...]
    refused: str
    n_sensors: int
    before: Mixture | None
    latest: Latest | None
    standing: Standing
    ends: tuple[Verdict, ...] = ()

    @property
    def binding(self) -> Forecast | None:
        """The forecast that ends first."""
        return min(self.forecasts, key=lambda f: (f.low, f.median, -f.next)) if self.forecasts else None


def judge(setting: Setting, sensor: str) -> Verdict:
    """Judge one sensor of a study.

    Parameters
    ----------
    setting : Setting
    sensor : str
        One of ``setting.sensors``.

    Returns
    -------
    Verdict
    """
    verdict = _judged(setting, sensor)
    unknown = setting.steps.unknown(sensor) if setting.steps is not None else ""
    if unknown:
        # Checks that cannot be put on one rig tell neither path nor limit; what else speaks against it stays.
        why = ("step", *(w for w in verdict.why if w not in FROM_CHECKS))
        return replace(verdict, why=why, word=_word(why), forecasts=(), refused=unknown, off=None, repeated=None,
                       before=None)
    ends = tuple(_judged(end, sensor) for end in setting.ends) if _moves(setting, sensor) else ()
    forecasts, ranks = _hulls(verdict, ends, setting), {RANK[e.word] for e in ends}
    if all(r == RANK[verdict.word] for r in ranks) or (
            _sure(setting) and max(ranks, default=0) <= RANK[verdict.word]):
        return replace(verdict, ends=ends, forecasts=forecasts)
    # Either it is worse at an end, or whether it was the rig at all decides: then it is neither cleared nor retired.
    why = ("step", *(w for w in verdict.why if w not in FROM_CHECKS or w in AGAIN))
    return replace(verdict, ends=ends, why=why, word=_word(why), forecasts=forecasts)


def _moves(setting: Setting, sensor: str) -> bool:
    """Tell whether a change of the rig lies between checks of the sensor or of others of its construction."""
    at = setting.situations[sensor].construction
    return setting.steps is not None and any(setting.constructions.get(s, "") == at for s in setting.steps.crossed)


def _sure(setting: Setting) -> bool:
    return setting.steps is None or all(s.sure for s in setting.steps.steps)


def _hulls(verdict: Verdict, ends: tuple[Verdict, ...], setting: Setting) -> tuple[Forecast, ...]:
    """Take the least favourable bound and chance that the changes of the rig allow.

    Medians are the likeliest, and the least favourable where it is not known whether it was the rig.
    """
    made = []
    for f in verdict.forecasts:
        same = [f, *(g for e in ends for g in e.forecasts if g.limit.key == f.limit.key)]
        made.append(replace(f, low=min(g.low for g in same), now=max(g.now for g in same),
                            next=max(g.next for g in same),
                            median=f.median if _sure(setting) else min(g.median for g in same)))
    return tuple(made)


def _judged(setting: Setting, sensor: str) -> Verdict:
    """Judge a sensor with the changes of the rig taken as one setting has them."""
    at = setting.situations[sensor]
    found = np.flatnonzero(setting.names == sensor)
    member = int(found[0]) if len(found) else None
    off = repeated = None
    before: Mixture | None = None
    off_use, repeats, slip = float("nan"), 0, False
    if member is not None and setting.paths:
        off, repeated, repeats, off_use, before = _path_of(setting, member, at)
        # A doubtful check does not decide about the limit before its repeat has; one the repeat denied never does.
        slip = _bad(off, setting) and (repeated is None or not _bad(repeated, setting))
    forecasts, refused, n = _forecasts(setting, member, at, without=off_use if slip else None, before=before)
    latest = setting.latest.of(sensor) if setting.latest is not None else None
    standing = setting.advice.of(sensor, at.construction, at.use, setting.spec.retire_by)
    why = (*_why(setting, at, off, repeated, repeats, forecasts, refused, member, latest),
           *_why_near(setting, forecasts), *_why_stated(standing, at, forecasts))
    return Verdict(situation=at, word=_word(why), why=why, off=off, off_use=off_use, repeated=repeated, repeats=repeats,
                   forecasts=forecasts, refused=refused, n_sensors=n, before=before, latest=latest, standing=standing)


def _bad(found: Surprise | None, setting: Setting) -> bool:
    return found is not None and found.p < setting.spec.off_path


def _why(setting: Setting, at: Situation, off: Surprise | None, repeated: Surprise | None, repeats: int,
         forecasts: tuple[Forecast, ...], refused: str, member: int | None, latest: Latest | None) -> tuple[str, ...]:
    """Collect the reasons, those that decide first."""
    why: list[str] = []
    if at.out:
        why.append("out")
    if any(f.next > setting.spec.chance for f in forecasts):
        why.append("over")
    limit = setting.study.limits.dead_fraction
    if limit is not None and at.dead > limit:
        why.append("dead")
    if _bad(off, setting):
        if repeated is None:
            why.append("off")
        elif _bad(repeated, setting):
            why.append("twice")
    elif _bad(repeated, setting):
        why.append("repeat")
    if setting.rig.status in ("not fit", "unclear"):
        why.append("rig")
    if latest is not None and latest.decides and member is not None:
        why.append("unread")
    if member is None:
        why.append("none")
    elif refused and not forecasts and (off is None or setting.paths[0].limit is not None):
        why.append("unknown")
    return tuple(why)


def _why_near(setting: Setting, forecasts: tuple[Forecast, ...]) -> tuple[str, ...]:
    """Doubt a sensor that its latest check alone does not show to be within its limits; one repeat is allowed."""
    chance = setting.spec.chance
    doubted = [f.near for f in forecasts if f.near is not None and f.near.alone > chance]
    if not doubted or any(f.next > chance for f in forecasts):
        return ()
    return ("close",) if any(n.repeated for n in doubted) else ("near",)


def _why_stated(s: Standing, at: Situation, forecasts: tuple[Forecast, ...]) -> tuple[str, ...]:
    """Collect what the study states: the rule in force decides, and an overdue calibration always does."""
    why = []
    if (s.by == "count" and s.past_count) or (s.by == "checks" and s.past_end):
        why.append("count")
    if s.by == "checks" and s.passed(f.near for f in forecasts):
        why.append("guard")
    if s.by == "checks" and s.check_every and at.use - at.last_check >= s.check_every:
        why.append("due")
    if s.overdue:
        why.append("calibrate")
    return tuple(why)


NEVER = frozenset({"out", "over", "dead", "twice", "close", "count", "guard"})
#: Reasons that compare checks with each other, or with a limit.
FROM_CHECKS = frozenset({"over", "off", "twice", "repeat", "near", "close", "guard", "unknown"})
AGAIN = frozenset({"off", "rig", "none", "unknown", "unread", "near", "due", "calibrate", "step"})
RANK: dict[Word, int] = {"use": 0, "check again": 1, "do not use": 2}


def _word(why: tuple[str, ...]) -> Word:
    if NEVER & set(why):
        return "do not use"
    return "check again" if AGAIN & set(why) else "use"


def _rows(path: Path, member: int | None) -> NDArray[np.int64]:
    if member is None:
        return np.zeros(0, dtype=np.int64)
    mine = np.flatnonzero(path.code == member)
    return mine[np.lexsort((path.repeat[mine], path.use[mine]))]


def _path_of(setting: Setting, member: int, at: Situation
             ) -> tuple[Surprise | None, Surprise | None, int, float, Mixture | None]:
    """Compare the latest check, and its repeat, with what all earlier checks predict."""
    path = setting.paths[0]
    mine = _rows(path, member)
    if not len(mine):
        return None, None, 0, float("nan"), None
    last = path.use[mine].max()
    latest = mine[path.use[mine] == last]
    earlier = mine[path.use[mine] < last]
    first, again = latest[path.repeat[latest] == 0], latest[path.repeat[latest] > 0]
    if not len(first):
        first, again = again, again[:0]
    mixture = _line(setting, 0, member, earlier, at)
    if mixture is None:
        return None, None, len(again), float(last), None
    i = int(first[0])
    off = surprise(mixture, float(path.use[i]), float(path.value[i]), float(path.weight[i]))
    repeated = None
    if len(again):
        j = int(again[0])
        repeated = surprise(mixture, float(path.use[j]), float(path.value[j]), float(path.weight[j]))
    return off, repeated, len(again), float(last), mixture


def _line(setting: Setting, number: int, member: int | None, rows: NDArray[np.int64], at: Situation
          ) -> Mixture | None:
    """Line of the sensor from some of its checks: with its population, else from its own checks alone."""
    path = setting.paths[number]
    population, members = setting.population(number, at.construction)
    x, y, w = path.use[rows], path.value[rows], path.weight[rows]
    if isinstance(population, Population):
        place = int(np.searchsorted(members, member)) if member is not None and member in members else None
        found = line_of(population, x, y, w, member=place)
        if effective_draws(found) >= LEAST_ESS:
            return found
        # The checks left out had moved the variances too far for their draws to serve without them.
        return _refitted(setting, path, members, member, rows)
    try:
        return own_line(x, y, w)
    except ValueError:
        return None


def _refitted(setting: Setting, path: Path, members: NDArray[np.int64], member: int | None,
              rows: NDArray[np.int64]) -> Mixture | None:
    keep = np.isin(path.code, members) & (path.code != (-1 if member is None else member))
    keep[rows] = True
    place = np.searchsorted(members, path.code[keep])
    try:
        population = fit_population(path.use[keep], path.value[keep], path.weight[keep], place, len(members),
                                    rng=np.random.default_rng([setting.seed, 7]))
    except ValueError:
        return None
    own = None if member is None else int(np.searchsorted(members, member))
    return line_of(population, path.use[rows], path.value[rows], path.weight[rows], member=own)


def _forecasts(setting: Setting, member: int | None, at: Situation, *, without: float | None, before: Mixture | None
               ) -> tuple[tuple[Forecast, ...], str, int]:
    """Forecast the sensor against every limit; a slip that its repeat did not confirm is left out."""
    if not setting.paths:
        return (), "no sensor has a usable check", 0
    if setting.paths[0].limit is None:
        return (), "the study declares no limit under [limits]", 0
    made: list[Forecast] = []
    refused, n = "", 0
    most = max(int(np.ceil(FAR * setting.longest)), 20)
    for number, path in enumerate(setting.paths):
        rows = whole = _rows(path, member)
        if without is not None:
            rows = rows[~((path.use[rows] == without) & (path.repeat[rows] == 0))]
        population, members = setting.population(number, at.construction)
        n = len(members)
        mixture = _line(setting, number, member, rows, at)
        if mixture is None:
            refused = _no_forecast(population, n, len(rows), at)
            continue
        limit = path.limit
        assert limit is not None
        sign, relative, edge = limit.sign, limit.relative, limit.threshold()
        share = relative and not limit.log  # on the log scale a relative change is a difference already
        now, after = chance_over(mixture, [at.use, at.use + 1], edge, sign=sign, relative=relative, share=share)
        made.append(Forecast(
            limit=limit, now=float(now), next=float(max(now, after)), most=most, mixture=mixture,
            median=remaining_uses(mixture, at.use, edge, chance=0.5, most=most, sign=sign, relative=relative,
                                  share=share),
            low=remaining_uses(mixture, at.use, edge, chance=setting.spec.chance, most=most, sign=sign,
                               relative=relative, share=share),
            basis="population" if isinstance(population, Population) else "own line",
            near=_near(setting, number, member, whole, at, mixture, before, slip=without is not None)))
    return tuple(made), refused, n


def _near(setting: Setting, number: int, member: int | None, rows: NDArray[np.int64], at: Situation, line: Mixture,
          before: Mixture | None, *, slip: bool) -> Near | None:
    """Hold the latest check against one limit; the line before it is known for the first."""
    path = setting.paths[number]
    if not len(rows):
        return None
    if number:
        before = _line(setting, number, member, rows[path.use[rows] < path.use[rows].max()], at)
    return near_limit(path, rows, line, before, at.use, slip=slip)


def _no_forecast(population: Population | str, n: int, checks: int, at: Situation) -> str:
    """Say why a sensor has no forecast."""
    of = f" of construction {at.construction}" if at.construction else ""
    if isinstance(population, Population):
        return "its variances cannot be told apart"
    others = max(n - 1, 0) if checks else n
    told = (f"there {'are' if others != 1 else 'is'} {others or 'no'} other checked sensor{'s' * (others != 1)}{of}"
            if n < FEWEST else population)
    return (f"{told}, and {checks} check{'s' * (checks != 1)} of its own {'make' if checks != 1 else 'makes'} no line "
            "with an interval")
