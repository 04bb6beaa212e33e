"""Variance components of one gauge study: which layout it is, what can be told apart, and with which intervals."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from drift.engine.crossed import CrossedDesign
from drift.engine.gauge import (
    GaugeSquares,
    Kind,
    Sized,
    crossed_squares,
    interaction_test,
    nested_squares,
    one_way_squares,
    repeatability_squares,
    restricted_likelihood,
    sizes,
)
from drift.reliability.gauge.rows import GaugeGroup
from drift.results import join_words
from drift.study import GaugeQuestion

MLS = "modified large-sample interval"


@dataclass(frozen=True, kw_only=True)
class Refused:
    """Why a group has no gauge study, and what would mend it."""

    code: str
    message: str
    mend: str


@dataclass(frozen=True, kw_only=True, eq=False)
class GaugeParts:
    """Everything estimated of one group.

    ``tables`` holds the analyses of variance by name of their model, the one used last; ``confounded`` says what
    repeatability also holds; ``pooled`` whether the interaction was put into it, ``p_interaction`` the test that
    decided. ``boundary`` names components put at zero.
    """

    kind: Kind
    tables: Mapping[str, GaugeSquares]
    variances: Mapping[str, float]
    sized: Mapping[str, Sized]
    method: str
    shape: tuple[int, int, float]
    replicated: bool
    pooled: bool = False
    p_interaction: float = math.nan
    confounded: str = ""
    boundary: tuple[str, ...] = ()
    balanced: bool = True
    missing: int = 0
    operator_sds: tuple[tuple[float, int], ...] = field(default=())

    @property
    def squares(self) -> GaugeSquares:
        """The mean squares that were used."""
        return self.tables[list(self.tables)[-1]]


def analyse_gauge(group: GaugeGroup, question: GaugeQuestion, *, level: float,
                  shares: bool = True) -> GaugeParts | Refused:
    """Estimate the components of one group, or say why that cannot be done; ``shares`` as in the engine's ``sizes``."""
    y = group.values
    if np.ptp(y) == 0:
        return Refused(code="constant-readings", message=f"all {len(y)} readings are equal: the gauge shows no "
                       "variation at all, neither of parts nor of its own", mend="Use a finer resolution of the "
                       "reading, and parts that span the range in use")
    kind = _kind(group, question)
    if isinstance(kind, Refused):
        return kind
    parts = group.parts
    if kind == "nested":  # a label that several operators use is another part for each of them
        parts = np.unique(group.parts * len(group.operator_names) + group.operators, return_inverse=True)[1]
    return _estimated(group, question, kind, parts, level, shares)


def _kind(group: GaugeGroup, question: GaugeQuestion) -> Kind | Refused:
    p, o = len(group.part_names), len(group.operator_names)
    if p == 1 and o == 1:
        return "repeats" if len(group.values) > 1 else _unrepeated(question, "one reading is")
    if o == 1:
        return "parts" if len(group.values) > p else _unrepeated(question, "each part was read once")
    if p == 1:
        return "operators" if len(group.values) > o else _unrepeated(question, "each operator read the part once")
    design = CrossedDesign.build(group.values, group.parts, group.operators)
    met = design.counts > 0
    apart = bool((met.sum(axis=1) == 1).all())
    if question.nested or (question.nested is None and apart):
        if met.sum() >= len(group.values):
            return _unrepeated(question, "each part was read once by one operator")
        if int(met.sum()) <= o:
            return Refused(code="one-part-each", message=f"each {question.operator} has one {question.part} of its "
                           "own: operators and parts cannot be told apart", mend="Let every operator read several "
                           "parts, best the same ones")
        return "nested"
    islands = design.islands()
    if len(islands) > 1:
        names = [f"{join_words([group.operator_names[j] for j in cols][:4])} with "
                 f"{join_words([group.part_names[i] for i in rows][:4])}{' and more' if len(rows) > 4 else ''}"
                 for rows, cols in islands[:4]]
        own = " (or say that the design is nested: each has its own)" if question.nested is None else ""
        return Refused(code="disconnected", message=f"{question.operator}s and {question.part}s fall into "
                       f"{len(islands)} sets without a common {question.part}: {'; '.join(names)}",
                       mend=f"Let at least one {question.part} be read by {question.operator}s of both sets{own}")
    if design.df_inner + design.df_within < 1:
        return _unrepeated(question, "so many cells are empty that nothing repeats")
    return "crossed"


def _unrepeated(question: GaugeQuestion, what: str) -> Refused:
    return Refused(code="no-repeatability", message=f"{what}: repeatability cannot be told from what the "
                   f"{question.part}s differ by", mend="Read each part at least twice under the same conditions, "
                   "with a column that numbers the replicates")


def _estimated(group: GaugeGroup, question: GaugeQuestion, kind: Kind, parts: np.ndarray, level: float,
               shares: bool) -> GaugeParts | Refused:
    y, ops = group.values, group.operators
    counts = np.bincount(np.unique(parts * len(group.operator_names) + ops, return_inverse=True)[1])
    replicated = bool((counts > 1).any())
    tables, pooled, p_int, confounded = _tables(y, parts, ops, kind, question.pool_above)
    used = tables[next(reversed(tables))]
    method, balanced = "ANOVA", used.balanced
    if kind == "crossed" and replicated:
        method += ", interaction pooled" if pooled else ", interaction in the model" if len(tables) else ""
    raw = used.unbiased()
    if not balanced:
        try:
            raw = restricted_likelihood(y, parts, ops, kind, interaction="interaction" in used.weights)
            method = method.replace("ANOVA", "REML (unequal numbers)") + (
                ", intervals from unweighted means" if kind != "crossed" or "interaction" in used.weights else
                ", intervals from adjusted mean squares")
        except ValueError:  # nothing varies within cells; the mean squares still say how much lies between them
            method = method.replace("ANOVA", "mean squares of unweighted means")
    boundary = tuple(c for c, v in raw.items() if v <= 0 and c != "repeatability")
    variances = {c: max(v, 0.0) for c, v in raw.items()}
    o, p = len(group.operator_names), int(parts.max()) + 1
    full = p * o if kind == "crossed" else len(counts)
    sized = sizes(used, variances, level, shares=shares)
    if pooled:
        # Shown whatever the test says: an interval given only where an interaction is found would hold too seldom.
        full_model = tables["with interaction"]
        cut = {c: max(v, 0.0) for c, v in full_model.unbiased().items()}
        sized = {**sized, "INT": sizes(full_model, cut, level, shares=shares)["INT"]}
    return GaugeParts(kind=kind, tables=tables, variances=variances, sized=sized,
                      method=f"{method}, {MLS}", shape=(p, o, float(counts.mean())), replicated=replicated,
                      pooled=pooled, p_interaction=p_int, confounded=confounded, boundary=boundary, balanced=balanced,
                      missing=full - len(counts), operator_sds=_operator_sds(y, parts, ops, o))


def _tables(y: np.ndarray, parts: np.ndarray, ops: np.ndarray, kind: Kind, pool_above: float | None,
            ) -> tuple[dict[str, GaugeSquares], bool, float, str]:
    """Return the analyses of variance, whether the interaction is pooled, its p, and what EV is confounded with."""
    if kind == "repeats":
        return {"readings": repeatability_squares(y)}, False, math.nan, ""
    if kind in ("parts", "operators"):
        what = kind.removesuffix("s")
        return {f"{kind} alone": one_way_squares(y, parts if kind == "parts" else ops, what)}, False, math.nan, ""
    if kind == "nested":
        return {"parts within operators": nested_squares(y, parts, ops)}, False, math.nan, ""
    full = crossed_squares(y, parts, ops, interaction=True)
    if "interaction" not in full.weights:
        return {"without replicates": full}, False, math.nan, "part x operator interaction"
    p = float(full.f_tests()[1][2]) if full.balanced else interaction_test(y, parts, ops)[1]
    without = crossed_squares(y, parts, ops, interaction=False)
    both = {"with interaction": full, "interaction pooled": without}
    if pool_above is not None and p > pool_above:
        return both, True, p, ""
    return dict(reversed(both.items())), False, p, ""


def _operator_sds(y: np.ndarray, parts: np.ndarray, ops: np.ndarray, o: int) -> tuple[tuple[float, int], ...]:
    """Return the pooled SD within cells and its degrees of freedom, an operator each."""
    cell = np.unique(parts * o + ops, return_inverse=True)[1]
    counts = np.bincount(cell)
    resid = y - np.bincount(cell, weights=y)[cell] / counts[cell]
    owner = np.zeros(len(counts), dtype=np.intp)
    owner[cell] = ops
    ss, df = np.bincount(ops, weights=resid**2, minlength=o), np.bincount(owner, weights=counts - 1, minlength=o)
    return tuple((math.sqrt(s / d) if d > 0 else math.nan, int(d)) for s, d in zip(ss, df, strict=True))
