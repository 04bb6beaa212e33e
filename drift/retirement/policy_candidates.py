"""Which policies are compared: those a laboratory would think of, and those the study names."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from drift.engine.policy import Policy
from drift.retirement.policy_guard import Floats, RetireAt, retire_at, thresholds
from drift.retirement.policy_lines import Population
from drift.study import PolicySpec

NICE = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000)
MOST_CHECKS = 4


@dataclass(frozen=True, kw_only=True, eq=False)
class Candidate:
    """A policy with its kind and its words; ``note`` says what is special about its count.

    ``at`` holds what a check shows at which a sensor is retired, one entry a limit.
    """

    kind: str
    words: str
    policy: Policy
    guard: str = ""
    note: str = ""
    at: tuple[RetireAt, ...] = ()

    @property
    def key(self) -> tuple[float, int, int, int, str]:
        """What tells two candidates apart."""
        p = self.policy
        return p.retire_after, p.check_every, p.recalibrate_every, p.noticed_after, self.guard


CHEAPEST = "cheapest count"
WITHOUT = f"{CHEAPEST} without recalibration"
FIXED, CHECKED, FAILED = "fixed count", "check and retire", "run to failure"
RECALIBRATED, CHECKED_TOO = "recalibrate and retire", "check, recalibrate and retire"


def candidates(population: Population, spec: PolicySpec, *, retire: float,
               cheapest: Iterable[tuple[float, int, int]], recalibrate: float) -> tuple[list[Candidate], list[str]]:
    """List the policies of one construction, and what had to be left out.

    Parameters
    ----------
    population : Population
    spec : PolicySpec
    retire : float
        Retire-after count of the statement.
    cheapest : iterable of (count, recalibrate_every, noticed_after)
        Counts that cost least in each way of working, for comparison: as that way works, so that a count has one cost.
    recalibrate : float
        Recalibration interval; NaN without a tolerance.
    """
    made: list[Candidate] = []
    crossing, cap = population.crossing(), population.cap
    ways = list(cheapest)
    plain = WITHOUT if any(m for _, m, _ in ways) else CHEAPEST
    counts = [(retire, "retire-after count"), *((n, plain) for n, m, k in ways if not m and not k),
              *((float(n), "asked for") for n in spec.retire_after)]
    if math.isfinite(crossing) and crossing >= 1:
        counts.append((math.floor(crossing), "average sensor reaches a limit"))
    counts = [(n, w) for n, w in counts if math.isfinite(n) and n >= 1]
    made += [_fixed(n, w) for n, w in counts]
    made += [_in_a_way(n, m, k) for n, m, k in ways if (m or k) and n >= 1 and n > m]
    every = spec.check_every or tuple(c for c in NICE if 2 * c <= min(crossing, cap))[-MOST_CHECKS:]
    bands = {c: thresholds(population, c, spec) for c in every if c < latest(cap)}
    left_out = []
    for c in every:
        found = bands.get(c)
        if c >= latest(cap):
            left_out.append(f"checks every {c}, of which none comes before {latest(cap)} uses, the last that can be "
                            "stated")
        elif found is None:
            left_out.append(f"checks every {c}, because sensors wear so much between two of them that fresh ones would "
                            "be retired")
        else:
            made.append(Candidate(kind=CHECKED, words=f"check every {c}, {_ends(found[1], cap)}",
                                  policy=Policy(check_every=c, threshold=found[0], retire_after=latest(cap)),
                                  guard=found[1], at=retire_at(population, found[0])))
    k = spec.noticed_after
    made.append(Candidate(kind=FAILED, words="run to failure, noticed after "
                          f"{k} spoilt {'session' if k == 1 else 'sessions'}", policy=Policy(noticed_after=k)))
    made += _recalibrated(population, spec, counts, recalibrate, bands)
    kept: dict[tuple[float, int, int, int, str], Candidate] = {}
    for one in made:
        kept.setdefault(one.key, one)
    return list(kept.values()), left_out


def latest(cap: float) -> int:
    """Return the count at which a policy with checks retires whatever they show: lines are carried on no further."""
    return max(math.floor(cap), 1)


def _ends(guard: str, cap: float) -> str:
    band = guard.split(" (")[0]
    return f"retire past {'the ' if band.startswith('guard') else ''}{band} or after {latest(cap)}"


def _fixed(n: float, note: str) -> Candidate:
    return Candidate(kind=FIXED, words=f"retire after {n:g}", policy=Policy(retire_after=n), note=note)


def _in_a_way(n: float, recalibrate: int, noticed: int) -> Candidate:
    words = f"recalibrate every {recalibrate}, retire after {n:g}" if recalibrate else f"retire after {n:g}"
    if noticed:
        words += f", failures noticed after {noticed}"
    return Candidate(kind=RECALIBRATED if recalibrate else FIXED, words=words,
                     note=f"{CHEAPEST} with it" if recalibrate else CHEAPEST,
                     policy=Policy(retire_after=n, recalibrate_every=recalibrate, noticed_after=noticed))


def _recalibrated(population: Population, spec: PolicySpec, counts: list[tuple[float, str]], interval: float,
                  bands: Mapping[int, tuple[Floats, str] | None]) -> list[Candidate]:
    """Policies with recalibration: at the interval, at half and twice of it, or as asked; ``bands`` of checks."""
    if spec.recalibrate_every:
        every = list(spec.recalibrate_every)
    elif math.isfinite(interval) and interval >= 1:
        every = sorted({max(int(interval) // 2, 1), int(interval), 2 * int(interval)})
    else:
        return []
    made = [Candidate(kind=RECALIBRATED, words=f"recalibrate every {m}, retire after {n:g}", note=w,
                      policy=Policy(retire_after=n, recalibrate_every=m))
            for m in every for n, w in counts if w != "average sensor reaches a limit" and n > m]
    for m in every:
        for c, found in bands.items():
            if found is not None and c >= m:
                made.append(Candidate(
                    kind=CHECKED_TOO, guard=found[1], at=retire_at(population, found[0]),
                    policy=Policy(check_every=c, threshold=found[0], recalibrate_every=m,
                                  retire_after=latest(population.cap)),
                    words=f"recalibrate every {m}, check every {c}, {_ends(found[1], population.cap)}"))
    return made
