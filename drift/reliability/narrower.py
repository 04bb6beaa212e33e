"""What would make an interval narrower: the widths to expect from twice the targets, facet levels or replicates.

The variances seen are taken as true and every mean square as its expectation;
the formula of the generalised pivotal interval then gives
the width of the larger study. Each choice doubles the readings, so that they can be compared as they stand.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.engine.error_variance import agreement_interval, consistency_interval, sum_interval
from drift.engine.fixed_levels import fixed_agreement_pivotal, fixed_spread_interval, fixed_variances
from drift.engine.meansquares import Interval, step_up
from drift.engine.pivotal import Pivots, agreement_pivotal, consistency_pivotal, inner_draws
from drift.reliability.components import Components
from drift.reliability.error_sizes import ErrorSize, Kind, root
from drift.reliability.icc import Coefficient
from drift.reliability.words import Item, opening, plural
from drift.results import join_words
from drift.study import ReliabilityQuestion

CODE = "what-would-narrow"
# A gain below this share of the width is not worth a study.
WORTH = 0.10
# What four times the targets must leave of a width for the facet levels to be what limits it.
STUCK = 0.75

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Choice:
    """A larger study: what changes in words, and the widths to expect of coefficient and SEM."""

    words: str
    gain: str
    coefficient: float
    sem: float
    at_best: bool = False


def narrower(parts: Components, case: Coefficient, errors: Sequence[ErrorSize], question: ReliabilityQuestion,
             facet: str, level: float, unit: str) -> list[Item]:
    """Say which larger study would narrow the declared coefficient and its SEM, and by how much.

    Parameters
    ----------
    parts : Components
    case : Coefficient
        The declared one.
    errors : sequence of ErrorSize
    question : ReliabilityQuestion
    facet : str
    level : float
    unit : str
        Unit of the reading.

    Returns
    -------
    list of Item
        One note; none where there is no interval to narrow.
    """
    p = parts.pivots
    kind: Kind = "agreement" if question.agree == "value" else "consistency"
    size = next((e for e in errors if e.name == f"SEM ({kind})" and e.reading == "one"), None)
    if p is None or size is None or case.value < 0 or not 0 < case.high - case.low < math.inf:
        return []
    now = _widths(_expected(p, parts.variances), kind, case, level, parts.fixed)
    if not (now[0] > 0 and now[1] > 0 and math.isfinite(now[0])):
        return []
    own = case.high - case.low, size.high - size.low
    choices = [replace(c, coefficient=own[0] * c.coefficient / now[0], sem=own[1] * c.sem / now[1])
               for c in _choices(parts, p, kind, case, question, facet, level)]
    if not choices:
        return []
    return [("note", CODE, _message(choices, case, kind, own, unit), _advice(choices, own, case, kind))]


def few_levels_limit(parts: Components, level: float = 0.95) -> bool:
    """Tell whether four times the targets would leave the interval of ICC(A,1) nearly as wide as it is."""
    p = parts.pivots
    if p is None:
        return False
    now, more = (agreement_pivotal(_expected(q, parts.variances), level) for q in (p, _wider(p, targets=4)))
    return more[1] - more[0] > STUCK * (now[1] - now[0])


def _message(choices: Sequence[Choice], case: Coefficient, kind: Kind, own: tuple[float, float], unit: str) -> str:
    d = 2 if own[0] >= 0.02 else 3
    icc = [f"{'at best ' if c.at_best else ''}{min(c.coefficient, own[0]):.{d}f} with {c.words}" for c in choices]
    digits = max(0, 1 - math.floor(math.log10(own[1]))) if own[1] > 0 else 0
    sem = [f"{min(c.sem, own[1]):.{digits}f}" for c in choices]
    return (f"the interval of {case.name} is {own[0]:.{d}f} wide; from the variances seen here one would expect about "
            f"{join_words(icc)}. That of the SEM ({kind}), now {own[1]:.{digits}f} {unit}".rstrip()
            + f" wide, would be about {join_words(sem)}" + (" in the same order" if len(sem) > 1 else ""))


def _advice(choices: Sequence[Choice], own: tuple[float, float], case: Coefficient, kind: Kind) -> str:
    """Name the choice that gains most for each of the two, where anything does."""
    best = min(choices, key=lambda c: c.coefficient), min(choices, key=lambda c: c.sem)
    worth = best[0].coefficient < (1 - WORTH) * own[0], best[1].sem < (1 - WORTH) * own[1]
    if not any(worth):
        return "None of these narrows it by a tenth: the study is as large as it needs to be"
    if all(worth) and best[0].gain == best[1].gain:
        return f"{best[0].gain} would help most, for the coefficient and for the SEM"
    said = [f"{b.gain} would help the {what} most" if w else f"nothing here would narrow the {what} by a tenth"
            for b, what, w in zip(best, ("coefficient", "SEM"), worth, strict=True)]
    return f"{opening(said[0])}; {said[1][0].lower()}{said[1][1:]}"


def _choices(parts: Components, p: Pivots, kind: Kind, case: Coefficient, question: ReliabilityQuestion, facet: str,
             level: float) -> list[Choice]:
    n, k = parts.shape
    v, many, levels = parts.variances, plural(question.target), plural(facet)

    def made(words: str, gain: str, q: Pivots, at_best: bool = False) -> Choice:
        return Choice(words, gain, *_widths(q, kind, case, level, parts.fixed), at_best)

    out = [made(f"{2 * n} {many} instead of {n}", f"More {many}", _expected(_wider(p, targets=2), v))]
    if question.facets_are == "sample":
        out.append(made(f"{2 * k} {levels} instead of {k}", f"More {levels}", _expected(_wider(p, facets=2), v)))
    if parts.empty_cells:
        within = round(p.df_within * counts_ratio(parts)) if p.df_within else 0
        whole = replace(p, target_weights=np.full(n - 1, float(k)), facet_weights=np.full(k - 1, float(n)),
                        df_inner=(n - 1) * (k - 1), df_within=within)
        out.append(made("the empty cell filled" if parts.empty_cells == 1 else f"the {parts.empty_cells} empty cells "
                        "filled", "Filling the empty cells", _expected(whole, v)))
    if not parts.average:
        out.append(_more_replicates(parts, p, made, question.target, facet))
    return out


def counts_ratio(parts: Components) -> float:
    """Return how many times the filled cells make a complete table."""
    return parts.design.counts.size / max(int((parts.design.counts > 0).sum()), 1)


def _more_replicates(parts: Components, p: Pivots, made: object, target: str, facet: str) -> Choice:
    v = dict(parts.variances)
    cells = int((parts.design.counts > 0).sum())
    if parts.replicated:
        df = p.df_within + int(parts.design.counts.sum())
        more = _expected(replace(p, inverse_m=p.inverse_m / 2, df_within=df), v)
        return made(f"twice the replicates of each {target} and {facet}", "More replicates", more)  # type: ignore[operator, no-any-return]
    # How much of the residual stays with the cell is unknown: at best nothing does, and the second reading tells all.
    more = _expected(replace(p, inverse_m=0.5, df_within=cells), v)
    return made(f"two readings of each {target} and {facet}", "A second reading of each cell", more, True)  # type: ignore[operator, no-any-return]


def _wider(p: Pivots, *, targets: int = 1, facets: int = 1) -> Pivots:
    """Lay out a study with that many times the targets and facet levels, missing cells as they are."""
    n, k = p.df_target + 1, p.df_facet + 1
    filled = p.df_inner + n + k - 1
    tw, fw = (np.resize(w, df) for w, df in ((_each(p.target_weights, p.df_target), targets * n - 1),
                                             (_each(p.facet_weights, p.df_facet), facets * k - 1)))
    return replace(p, target_weights=facets * tw, facet_weights=targets * fw, df_target=targets * n - 1,
                   df_facet=facets * k - 1, df_inner=targets * facets * filled - targets * n - facets * k + 1,
                   df_within=targets * facets * p.df_within)


def _each(weights: FloatArray, df: int) -> FloatArray:
    return weights if len(weights) == df else np.full(df, float(weights[0]))


def _expected(p: Pivots, v: Mapping[str, float]) -> Pivots:
    """Put every sum of squares at its expectation under these variances."""
    inner = v["interaction"] + v["residual"] * (p.inverse_m if p.df_within else 1.0)
    tw, fw = _each(p.target_weights, p.df_target), _each(p.facet_weights, p.df_facet)
    ss_inner, ss_within = p.df_inner * inner, p.df_within * v["residual"]
    return replace(p, target_squares=inner + tw * v["target"], target_weights=tw, facet_squares=inner + fw * v["facet"],
                   facet_weights=fw, ss_inner=ss_inner, ss_within=ss_within,
                   draws=inner_draws(ss_inner, p.df_inner, ss_within, p.df_within, p.inverse_m))


def _widths(p: Pivots, kind: Kind, case: Coefficient, level: float, fixed: bool) -> tuple[float, float]:
    """Widths of the intervals of the coefficient and of the SEM of one reading."""
    icc: Interval
    if kind == "agreement":
        icc = fixed_agreement_pivotal(p, level) if fixed else agreement_pivotal(p, level)
    else:
        icc = consistency_pivotal(p, level)
    low, high = (step_up(max(x, 0.0), case.k) for x in icc)
    noise = consistency_interval(p, level)
    if kind == "agreement" and fixed:
        _, spread, interaction, residual = fixed_variances(p)
        values = float(spread), float(interaction + residual)
        ends = root(sum_interval(values, (fixed_spread_interval(p, level), noise)))
    else:
        ends = root(agreement_interval(p, level) if kind == "agreement" else noise)
    return high - low, ends[1] - ends[0]
