"""What looks wrong in the readings of two methods before any limit is made: swapped, computed, copied, missing.

Each is said only where it is clear, as a note or caution that names the pairs; nothing is changed or left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import Group
from drift.agreement.partners import named
from drift.errors import MINUS, Finding
from drift.study import AgreementQuestion

FloatArray = NDArray[np.float64]
FEWEST = 10
APART = 5.0  # SDs of |difference| between the two heaps of swapped readings; half a normal heap has 1.3
RARER = 0.1  # share of the pairs in the smaller heap
FINEST = 9  # decimals looked at
SURPRISING = 0.02  # probability of as many copies by chance, below which they are not chance


def suspicions(group: Group, question: AgreementQuestion, label: str) -> list[Finding]:
    """Return what looks wrong in one group of pairs."""
    if len(group.a) < 5:
        return []
    return [Finding(severity="note" if code == "swapped" else "warning", code=code, question=question.name,
                    message=message + label, mend=mend)
            for code, message, mend in (*_swapped(group, question), *_computed(group, question), *_copied(group))]


Said = Iterator[tuple[str, str, str]]


def _swapped(group: Group, question: AgreementQuestion) -> Said:
    """Differences in two narrow heaps on either side of zero: a and b may have changed places in one of them."""
    d = group.difference
    sizes, n = np.abs(d), len(d)
    fewer = d > 0 if np.sum(d > 0) <= np.sum(d < 0) else d < 0
    if n < FEWEST or fewer.sum() < max(2, RARER * n) or not sizes.mean() > APART * sizes.std():
        return
    keys = [str(k) for k in group.key[fewer]]
    yield ("swapped", f"The differences {question.a} {MINUS} {question.b} stand in two heaps, near "
           f"{_short(float(np.median(d[d > 0])))} and {_short(float(np.median(d[d < 0])))} with nothing between, as if "
           f"{question.a} and {question.b} had changed places in {int(fewer.sum())} of {n} pairs ({named(keys)})",
           "Look at how these pairs were entered.")


def _computed(group: Group, question: AgreementQuestion) -> Said:
    """One column a multiple of the other, or on a line with it, to the rounding of the readings."""
    a, b = group.a, group.b
    if group.readings is not None or np.ptp(b) == 0 or np.ptp(a) == 0:
        return
    centre = b - b.mean()
    factor, slope = float(a @ b) / float(b @ b), float(centre @ a) / float(centre @ centre)
    fine = 0.51 * (_step(a) + abs(slope) * _step(b))
    if np.ptp(a) < 50 * fine or np.ptp(a - b) <= 2 * fine:  # too coarse to tell, or differences that are all alike
        return
    if np.all(np.abs(a - factor * b) <= fine):
        yield ("computed", f"Every reading by {question.a} is {factor:.4g} times that by {question.b}, to rounding",
               "Look whether one column was computed from the other; then these are not two methods.")
    elif np.all(np.abs(a - a.mean() - slope * centre) <= fine):
        at_zero = float(a.mean() - slope * b.mean())
        yield ("computed", f"Every reading by {question.a} is {_short(at_zero)} {MINUS if slope < 0 else '+'} "
               f"{abs(slope):.4g} times that by {question.b}, to rounding",
               "Look whether one column was computed from the other; then these are not two methods.")


def chance(found: int, expected: float) -> float:
    """Poisson probability of as many as were found or more."""
    from scipy import special

    return float(special.pdtrc(found - 1, expected))


def _copied(group: Group) -> Said:
    """Pairs with the same two readings to the last digit, where chance would hardly make one."""
    if group.readings is not None:
        return
    seen: dict[tuple[float, float], list[int]] = {}
    for j, key in enumerate(zip(group.a.tolist(), group.b.tolist(), strict=True)):
        seen.setdefault(key, []).append(j)
    again = [rows for rows in seen.values() if len(rows) > 1]
    if not again:
        return
    if len(group.a) < FEWEST or not chance(len(again), _by_chance(group, np.array(list(seen)))) < SURPRISING:
        return
    words = [f"{group.key[r[0]]} and {group.key[r[1]]}" for r in again]
    yield ("copied", f"{len(again)} {'set of pairs holds' if len(again) == 1 else 'sets of pairs hold'} the same two "
           f"readings to the last digit ({named(words, '; ')})",
           "Look whether a pair was entered twice; the intervals take each pair as measured anew.")


def _by_chance(group: Group, distinct: FloatArray) -> float:
    """Return how many pairs of readings chance would make alike, from how coarse readings and differences are.

    Two normal values fall into one step of their rounding with probability step / (2 sqrt(pi) SD); how often it was
    seen is taken where that is more. Where targets repeat the SDs are those within targets.
    """
    number = len(distinct) * (len(distinct) - 1) / 2.0
    code = np.unique(group.target.astype(str), return_inverse=True)[1].reshape(-1)
    repeats = bool(np.max(np.bincount(code)) > 1)
    share = 1.0
    for every, seen in ((group.a, distinct[:, 0]), (group.difference, distinct[:, 0] - distinct[:, 1])):
        rest = every - (np.bincount(code, weights=every) / np.bincount(code))[code] if repeats else every
        met = sum(c * (c - 1) / 2 for c in Counter(np.round(seen, FINEST).tolist()).values())
        sd = max(float(np.std(rest)), 1e-300)
        share *= min(1.0, max(met / max(number, 1.0), _step(group.a) / (2 * np.sqrt(np.pi) * sd)))
    return number * share


def _short(value: float) -> str:
    return f"{value:.3g}".replace("-", MINUS)


def _step(values: FloatArray) -> float:
    """Return the unit of the last digit in which the values are written, at least the rounding of floats."""
    least = float(np.max(np.abs(values))) * 1e-12
    for decimals in range(FINEST + 1):
        if np.all(np.abs(values - np.round(values, decimals)) <= least):
            return max(10.0**-decimals, least)
    return least
