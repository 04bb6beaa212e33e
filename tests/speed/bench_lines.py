"""Speed of comparison lines against peers in the same process. Run by hand: ``python -m tests.speed.bench_lines``.

Passing-Bablok with its intervals on 5,000 pairs under 3 s and 1 GB, beside scipy's Theil-Sen line of the same pairs
(all slopes sorted) and a numpy prototype of Passing-Bablok that holds and sorts them; the whole answer with three lines
on 500 and 5,000 pairs.
"""

from __future__ import annotations

import resource
import sys

import numpy as np

from drift.engine.comparison.passing_bablok import holding_limits, passing_bablok
from tests.speed.stopwatch import best


def pairs(n: int) -> tuple[np.ndarray, np.ndarray]:
    """Return readings rounded to a tenth, so that many slopes tie."""
    rng = np.random.default_rng(1)
    true = rng.uniform(50, 500, n)
    return np.round(true + 5 * rng.normal(size=n), 1), np.round(true + 5 * rng.normal(size=n), 1)


def prototype(x: np.ndarray, y: np.ndarray) -> float:
    """Passing-Bablok slope as a few lines of numpy, in floating point."""
    i, j = np.triu_indices(len(x), 1)
    dx, dy = x[j] - x[i], y[j] - y[i]
    keep = (dx != 0) | (dy != 0)
    with np.errstate(divide="ignore"):
        s = np.sort(dy[keep] / dx[keep])
    s = s[s != -1]
    return float(s[(len(s) - 1) // 2 + int(np.sum(s < -1))])


def peak() -> float:
    """Return the largest memory of the process so far [MB]."""
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return used / 1e6 if sys.platform == "darwin" else used / 1e3


def main() -> None:
    """Print every comparison."""
    x, y = pairs(5000)
    start = peak()
    line = best(lambda: passing_bablok(x, y), 3)
    both = best(lambda: holding_limits(x, y, passing_bablok(x, y)), 3)
    memory = peak() - start
    from scipy import stats

    theirs = best(lambda: stats.theilslopes(y, x), 2)
    sketch = best(lambda: prototype(x, y), 2)
    print(f"Passing-Bablok, 5,000 pairs: {line:.2f} s, with both intervals {both:.2f} s, {memory:.0f} MB more; "
          f"scipy theilslopes {theirs:.2f} s ({theirs / line:.1f} x), numpy prototype {sketch:.2f} s "
          f"({sketch / line:.1f} x); both need {peak() - start:.0f} MB")
    from drift.agreement import agreement
    from drift.study import AgreementQuestion
    from tests.agreement.trial_tables import long_form, trial_table

    for n in (500, 5000):
        table = trial_table(long_form(*pairs(n)))
        asked = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant",)}
        plain = best(lambda t=table, q=asked: agreement(t, AgreementQuestion(**q)), 3)
        for lines in (("deming",), ("weighted deming",), ("passing-bablok",)):
            with_line = best(lambda t=table, q=asked, k=lines: agreement(t, AgreementQuestion(lines=k, **q)), 3)
            print(f"agreement of {n} pairs: {plain:.2f} s; {lines[0]} adds {with_line - plain:.2f} s")


if __name__ == "__main__":
    main()
