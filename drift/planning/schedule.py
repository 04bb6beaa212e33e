"""A randomised, balanced order of work for a planned study: rows to fill in, and the study.toml that analyses them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.aliasing import inestimable, overlaps
from drift.engine.streams import stream
from drift.errors import DriftError, Finding
from drift.planning.asked import RESERVED, folded_word
from drift.planning.question import Design, Question
from drift.planning.wearing import WearQuestion
from drift.results import join_words

Rows = list[dict[str, Any]]
STORED = 2  # sensors kept unused, checked at every visit
ALLOTMENTS = 60  # of operators, tried at random
EXCHANGES, MOST_EXCHANGES = 10, 30_000  # of operators, tried a cell, and in all


@dataclass(frozen=True, kw_only=True)
class Schedule:
    """Rows in the order in which they are to be made.

    Parameters
    ----------
    table : {"trials", "checks"}
    columns : tuple of str
        The reading last, empty.
    rows : tuple of dict
    effects : tuple of str
        Columns whose effects must be told apart.
    files : mapping
        Further files by name, such as ``sensors.csv``.
    """

    table: str
    columns: tuple[str, ...]
    rows: tuple[Mapping[str, Any], ...]
    effects: tuple[str, ...]
    files: Mapping[str, str]

    def csv(self) -> str:
        """Return the table as text."""
        lines = [",".join(self.columns)]
        lines += [",".join(str(r.get(c, "")) for c in self.columns) for r in self.rows]
        return "\n".join(lines) + "\n"


def make_schedule(question: Question, d: Design, words: tuple[str, str], operators: int, *, seed: int) -> Schedule:
    """Make the schedule of a design.

    Parameters
    ----------
    question : Question
    d : Design
    words : tuple of str
        Names of the columns of target and facet.
    operators : int
        People who take the readings in turn; 1 leaves the column out.
    seed : int

    Raises
    ------
    DriftError
        When effects of the schedule could not be told apart.
    """
    rng = stream(seed, "schedule", *(int(v) for v in d.values()))
    made = _MAKERS[question.kind](question, d, words, operators, rng)
    _refuse_names(made, words)
    refuse_confounded(made.rows, made.effects, file=f"{made.table}.csv")
    return made


def _refuse_names(made: Schedule, words: tuple[str, str]) -> None:
    """Raise where two columns would have one name, or the levels of a pilot's facet could not stand in its column."""
    names = [folded_word(c) for c in made.columns]
    wrong = [c for c, name in zip(made.columns, names, strict=True) if names.count(name) > 1]
    if made.table == "trials":
        wrong += [w for w in words if w in made.columns and folded_word(w) in RESERVED]
    if wrong:
        raise DriftError(Finding(
            severity="error", code="schedule-column", file=f"{made.table}.csv",
            message=f"the schedule cannot have {wrong[0]!r} as a column of targets or levels: that name has a meaning "
                    "of its own", mend="Give --target and --facet other words."))


def refuse_confounded(rows: Sequence[Mapping[str, Any]], effects: Sequence[str], *, file: str) -> None:
    """Raise where some effect cannot be told from the others together.

    Raises
    ------
    DriftError
        Naming the effects, and with which one each is aliased.
    """
    codes = {e: np.unique([str(r[e]) for r in rows], return_inverse=True)[1] for e in effects}
    lost = inestimable(codes)
    if not lost:
        return
    pairs = [f"{a} with {b}" for (a, b), r in overlaps(codes).items() if r > 1 - 1e-9]
    how = f"; aliased: {join_words(pairs)}" if pairs else ""
    raise DriftError(Finding(
        severity="error", code="confounded-schedule", file=file, value=join_words(lost),
        message=f"in this schedule the {'effect' if len(lost) == 1 else 'effects'} of {join_words(lost)} cannot be "
                f"told from the others{how}", mend="Let every one meet every other: more repeats, fewer "
        "operators, or one operator throughout."))


def _names(prefix: str, n: int) -> list[str]:
    return [f"{prefix}{i:0{len(str(n))}d}" for i in range(1, n + 1)]


def _numbered(rows: Rows) -> tuple[dict[str, Any], ...]:
    """Give rows a number: a sheet that was sorted can be put back into the order of the work."""
    return tuple({"order": i, **r, "reading": ""} for i, r in enumerate(rows, 1))


def balanced_orders(k: int, rng: np.random.Generator) -> list[list[int]]:
    """Orders of ``k`` treatments in which each follows each other equally often (twice k orders where k is odd).

    References
    ----------
    Williams, E. J. (1949), Experimental designs balanced for the estimation of residual effects of treatments,
    Australian Journal of Scientific Research A2, 149-168.
    """
    first = [0]
    for i in range(1, k):
        first.append((i + 1) // 2 if i % 2 else k - i // 2)
    square = [[(x + shift) % k for x in first] for shift in range(k)]
    if k % 2:
        square += [row[::-1] for row in square]
    label = rng.permutation(k)
    return [[int(label[x]) for x in row] for row in (square[i] for i in rng.permutation(len(square)))]


def _crossed(question: Question, d: Design, words: tuple[str, str], operators: int,
             rng: np.random.Generator) -> Schedule:
    """Every target under every level; orders of levels balanced, targets in random order, operators balanced."""
    if getattr(question, "form", "") == "ICC(1)":
        raise DriftError(Finding(severity="error", code="schedule-of-own-levels", message="a schedule lets every "
                                 f"{words[0]} meet the same {words[1]}s, of which ICC(A,1) is the coefficient and not "
                                 "ICC(1)", mend="Plan ICC(A,1) or ICC(C,1)."))
    target, facet = words
    n, k, m = d["targets"], d["levels"], d["repeats"]
    visits = facet == "session"
    orders = balanced_orders(k, rng)
    people, levels = _names(target[:1].upper(), n), _names("visit " if visits else facet[:1].upper(), k)
    queue = [int(i) for i in rng.permutation(n)]
    # A target's levels one after another, for it is there once; sessions are visits of all targets.
    places = ([(i, p, p) for p in range(k) for i in rng.permutation(n)] if visits else
              [(i, orders[seat % len(orders)][p], p) for seat, i in enumerate(queue) for p in range(k)])
    cells: Rows = [{target: people[int(i)], facet: levels[j], "place": p + 1} for i, j, p in places]
    _share_out(cells, _operators(operators), facet, target, rng)
    rows = [{**c, **({"replicate": r} if m > 1 else {})} for c in cells for r in range(1, m + 1)]
    people_too = ("operator",) if operators > 1 else ()
    effects = (target, facet, *(() if visits else ("place",)), *people_too)
    columns = ("order", "time", target, facet, *people_too, *(("replicate",) if m > 1 else ()), "reading")
    return Schedule(table="trials", columns=columns, rows=_numbered(rows), effects=effects, files={})


def _share_out(cells: Rows, who: Sequence[str], levels: str, target: str, rng: np.random.Generator) -> None:
    """Give each cell of targets x levels an operator: balanced within every target and every level, and over places.

    A rotation is balanced, but lets one operator take the same levels together time after time. Each set of as many
    targets as there are operators has a rotation of its own, therefore; and targets exchange their operators at random,
    all of them or two for two, as long as that does not unbalance the places in the order.
    """
    if len(who) < 2:
        return
    row, column, place = (np.unique([str(c[e]) for c in cells], return_inverse=True)[1]
                          for e in (target, levels, "place"))
    n, k, o = int(row.max()) + 1, int(column.max()) + 1, len(who)
    tried = [rng.permutation(np.vstack([rotated(min(o, n - i), k, o, rng) for i in range(0, n, o)]))
             for _ in range(ALLOTMENTS)]
    hands = min(tried, key=lambda h: int(np.ptp(np.bincount(h.ravel(), minlength=o))))
    at = np.empty((n, k), dtype=np.intp)
    at[row, column] = place
    count = np.zeros((k, o), dtype=np.intp)
    np.add.at(count, (at, hands), 1)
    for turn in range(min(EXCHANGES * n * k, MOST_EXCHANGES)):
        columns = rng.choice(k, 2, replace=False) if turn % 2 else np.arange(k)
        block = np.ix_(rng.choice(n, 2, replace=False), columns)
        new = hands[block][::-1]
        if turn % 2 and (new[0] != new[1][::-1]).any():
            continue  # two for two: both must have the same two operators, the other way round
        after = count.copy()
        np.add.at(after, (at[block], hands[block]), -1)
        np.add.at(after, (at[block], new), 1)
        if (after**2).sum() <= (count**2).sum():
            count, hands[block] = after, new
    for cell, x, y in zip(cells, row, column, strict=True):
        cell["operator"] = who[int(hands[x, y])]


def rotated(rows: int, columns: int, operators: int, rng: np.random.Generator) -> NDArray[np.intp]:
    """Give every cell of a table one of some operators, whose numbers differ by one at most in every row and column.

    Rows and columns each get a number in rotation, in random order; operator is their sum, modulo the number of
    operators, as in a cyclic Latin square (which it is where all three are equal). Rows that follow each other keep
    numbers in rotation, so that groups of such rows are balanced too.

    Parameters
    ----------
    rows, columns, operators : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray of int, shape (rows, columns)
    """
    of_row = rng.permutation(operators)[np.arange(rows) % operators]
    of_column = rng.permutation(rng.permutation(operators)[np.arange(columns) % operators])
    return np.asarray((of_row[:, None] + of_column) % operators, dtype=np.intp)


def _operators(n: int) -> list[str]:
    return [f"operator {chr(65 + i)}" if n <= 26 else f"operator {i + 1}" for i in range(n)]


def _pairs(question: Question, d: Design, words: tuple[str, str], operators: int,
           rng: np.random.Generator) -> Schedule:
    """Both methods on every target; which comes first alternates in random order, and again within a target."""
    target = words[0]
    n, m = d["targets"], d["repeats"]
    people, who = _names(target[:1].upper(), n), _operators(operators)
    first = rng.permutation(np.arange(n) % 2)
    rows: Rows = []
    for seat, i in enumerate(rng.permutation(n)):
        for r in range(1, m + 1):
            swap = (int(first[i]) + r) % 2
            for method in (("method a", "method b") if swap else ("method b", "method a")):
                # Both readings of a pair by one operator: a difference then holds none of them.
                rows.append({target: people[i], "method": method, **({"operator": who[(seat + r) % len(who)]}
                                                                     if len(who) > 1 else {}),
                             **({"replicate": r} if m > 1 else {})})
    columns = ("order", "time", target, "method", *(("operator",) if operators > 1 else ()),
               *(("replicate",) if m > 1 else ()), "reading")
    return Schedule(table="trials", columns=columns, rows=_numbered(rows), effects=(target, "method"), files={})


def _gauge(question: Question, d: Design, words: tuple[str, str], operators: int,
           rng: np.random.Generator) -> Schedule:
    """Every operator reads all parts in a random order of his own, once a round; operators take turns."""
    parts, who = _names("part ", d["parts"]), _operators(d["operators"])
    rows: Rows = []
    for r in range(1, d["repeats"] + 1):
        for j in rng.permutation(len(who)):
            rows += [{"part": parts[int(i)], "operator": who[int(j)], "replicate": r}
                     for i in rng.permutation(len(parts))]
    return Schedule(table="trials", columns=("order", "time", "part", "operator", "replicate", "reading"),
                    rows=_numbered(rows), effects=("part", "operator"), files={})


def _checks(question: Question, d: Design, words: tuple[str, str], operators: int,
            rng: np.random.Generator) -> Schedule:
    """Every sensor at every check, in a random order each time, a mounting after all others.

    At each visit the operators share out the sensors of each construction anew, and over the visits they take turns at
    every sensor. Stored sensors that are never used are checked at every visit too: wear goes with time, and only they
    tell it from a rig that changes.
    """
    assert isinstance(question, WearQuestion)
    wear, groups = question.wear, question.groups
    n, m = groups * d["sensors"], d["mountings"]
    sensors, who, stored = _names("S", n), _operators(operators), _names("stored ", STORED)
    kinds = [("construction a", "construction b")[i % groups] if groups > 1 else "" for i in range(n)]
    uses = wear.times(d["checks"])
    # Sensors of a construction follow each other: operators share out each construction, and the stored ones, evenly.
    line: list[str] = []
    for kind in dict.fromkeys(kinds):
        line += map(str, rng.permutation([s for s, k in zip(sensors, kinds, strict=True) if k == kind]))
    line += stored
    tried = [rotated(len(line), len(uses) * m, len(who), rng) for _ in range(ALLOTMENTS)]
    hands = min(tried, key=lambda h: int(np.ptp(np.bincount(h.ravel(), minlength=len(who)))))
    rows: Rows = []
    for visit, (use, r) in enumerate((use, r) for use in uses for r in range(1, m + 1)):
        hand = {s: who[int(j)] for s, j in zip(line, hands[:, visit], strict=True)}
        rows += [{"sensor": s, "use": "0" if s in stored else f"{use:g}", "visit": f"{use:g}", "reference": "",
                  **({"replicate": r} if m > 1 else {}), **({"operator": hand[str(s)]} if len(who) > 1 else {})}
                 for s in rng.permutation([*sensors, *stored])]
    people_too = ("operator",) if operators > 1 else ()
    columns = ("order", "time", "sensor", "use", *(("replicate",) if m > 1 else ()), *people_too, "reference",
               "reading")
    listed = "sensor,construction,batch,role\n" + "".join(
        f"{s},{k},,worn\n" for s, k in zip(sensors, kinds, strict=True)) + "".join(
        f"{s},{kinds[i % n]},,control\n" for i, s in enumerate(stored))
    if operators > 1 and groups > 1:
        kind_of = dict(zip(sensors, kinds, strict=True))
        worn = [{"operator": r["operator"], "construction at use": f"{kind_of[r['sensor']]} {r['visit']}"}
                for r in rows if r["sensor"] in kind_of]
        refuse_confounded(worn, ("operator", "construction at use"), file="checks.csv")
    return Schedule(table="checks", columns=columns, rows=_numbered(rows), files={"sensors.csv": listed},
                    effects=("sensor", "visit", *people_too))


_MAKERS = {"icc": _crossed, "sem": _crossed, "limits": _pairs, "gauge": _gauge, "slope": _checks, "retire": _checks}
