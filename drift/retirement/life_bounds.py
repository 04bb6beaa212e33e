"""What lives say without a fitted shape: a shape given from elsewhere, and exact bounds of shares."""

from __future__ import annotations

import math
from collections.abc import Mapping

from drift.results import Estimate
from drift.retirement.life_analysis import FixedShape, LifeAnalysis
from drift.retirement.life_tables import life_name, percent

GIVEN, STILL_FIT, FAILED_BY = "shape given", "share still fit, exact bound", "share failed, exact bound"


def given_shape(a: LifeAnalysis) -> FixedShape | None:
    """Return what follows from the shape that was given; None where none was, or where no unit was used."""
    return a.fixed[0] if a.spec.shape is not None and a.fixed else None


def life_given(a: LifeAnalysis, f: FixedShape) -> float:
    """Return the life by which the asked share fails with the shape given; NaN without a failure."""
    return float(f.scale * (-math.log1p(-a.spec.share)) ** (1 / f.shape))


def all_known_to_last(a: LifeAnalysis) -> tuple[float, int]:
    """Return the time up to which every unit watched from new was seen fit, and how many these are."""
    new = a.lives.lower[~a.lives.late]
    return (float(new.min()), len(new)) if len(new) else (math.nan, 0)


def all_known_to_fail(a: LifeAnalysis) -> float:
    """Return the time by which every unit had failed; infinite where one was still fit."""
    return float(a.lives.upper.max()) if len(a.lives) else math.inf


def exact_share(n: int, confidence: float) -> float:
    """Return the least share of units that n of n allow: (1 - C)^(1/n).

    References
    ----------
    C. J. Clopper and E. S. Pearson (1934), Biometrika 26, 404-413, for n of n, one-sided.
    """
    return float((1 - confidence) ** (1 / n)) if n else math.nan


def units_needed(share: float, confidence: float) -> int:
    """Return how many units, all fit at a time, show that all but that share last so long.

    References
    ----------
    The same bound turned round: n >= ln(1 - C) / ln(1 - share).
    """
    return math.ceil(math.log1p(-confidence) / math.log1p(-share) - 1e-9)


def bounds_of(a: LifeAnalysis, of: Mapping[str, str]) -> list[Estimate]:
    """Return the numbers that need no fitted shape: with the shape given, and exact bounds where nothing is fitted."""
    made: list[Estimate] = []
    f, per, n = given_shape(a), a.lives.per, len(a.lives)
    if f is not None:
        labels, name = {**of, "shape": f"{f.shape:g}"}, life_name(a.spec.share)
        if math.isfinite(f.scale):
            made.append(Estimate(name=f"{name}, {GIVEN}", value=life_given(a, f), unit=per, n=n, of=labels,
                                 method="maximum likelihood of a Weibull distribution, its shape given"))
        made.append(Estimate(
            name=f"lower bound of the {name}, {GIVEN}", value=f.life_lower, unit=per, level=a.spec.confidence, n=n,
            of=labels, method="one-sided bound with the Weibull shape given (Nelson 1985): total of the times to that "
                              "power over half a chi-square with two degrees of freedom more than twice the failures"))
    if a.best.found or a.at_zero:
        return made
    start, whole = all_known_to_last(a)
    if whole and start > 0:
        made.append(_bound(STILL_FIT, start, exact_share(whole, a.spec.confidence), a, {**of}, whole))
    end = all_known_to_fail(a)
    if math.isfinite(end) and not a.lives.late.any():
        made.append(_bound(FAILED_BY, end, exact_share(n, a.spec.confidence), a, {**of}, n))
    return made


def _bound(name: str, time: float, least: float, a: LifeAnalysis, of: Mapping[str, str], n: int) -> Estimate:
    return Estimate(name=name, value=100.0, low=100 * least, level=a.spec.confidence, unit="%", n=n,
                    of={**of, "at": f"{time:g} {a.lives.per}"}, method=f"{n} of {n}; exact one-sided binomial bound")


def given_sentence(a: LifeAnalysis, f: FixedShape, show: object) -> str:
    """Say what follows from the shape given."""
    assert callable(show)
    per, lead = a.lives.per, f"With the Weibull shape of {f.shape:g} that was given, "
    expected = (f"{percent(a.spec.share)} are expected to have failed by {show(life_given(a, f))} {per}, and "
                if math.isfinite(f.scale) else "")
    return (f"{lead}{expected}with {percent(a.spec.confidence)} confidence at least {percent(1 - a.spec.share)} last "
            f"{show(f.life_lower)} {per}.")


def exact_sentence(a: LifeAnalysis, show: object) -> str:
    """Say what is known of the share that lasts where no distribution can be fitted."""
    assert callable(show)
    per, sure = a.lives.per, percent(a.spec.confidence)
    start, n = all_known_to_last(a)
    end = all_known_to_fail(a)
    said = []
    if n and start > 0 and not a.at_zero:
        said.append(f"at least {100 * exact_share(n, a.spec.confidence):.3g} % last {show(start)} {per}")
    if math.isfinite(end) and not a.lives.late.any() and not a.at_zero:
        said.append(f"at least {100 * exact_share(len(a.lives), a.spec.confidence):.3g} % have failed by {show(end)} "
                    f"{per}")
    if not said:
        return ""
    each = " (exact binomial bounds, each by itself)" if len(said) > 1 else " (exact binomial bound)"
    return f" Without one, with {sure} confidence {' and '.join(said)}{each}."


def next_step(a: LifeAnalysis) -> str:
    """Say what would bound the life asked for where all failures fell into one interval."""
    low, high = float(a.lives.lower.max()), float(a.lives.upper.min())
    if a.at_zero or not low < high < math.inf:
        return ""
    given = "" if a.spec.shape is not None else "give a shape from earlier studies with --shape; "
    return (f"Check oftener between {low:g} and {high:g} {a.lives.per}, so that failures fall into more than one "
            f"interval; {given}or show without a distribution that "
            f"{percent(1 - a.spec.share)} last: {units_needed(a.spec.share, a.spec.confidence)} units, all fit at that "
            f"time, do with {percent(a.spec.confidence)} confidence.")
