"""From rows to the layout of a several-facet question: which facet lies in which, and what stands in the way."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossed import CrossedDesign
from drift.engine.factorial import Effect, Layout, closed, joined
from drift.errors import DriftError, Finding
from drift.records import TrialTable
from drift.reliability.components import Refusal
from drift.reliability.rows import Prepared, coded_levels, combinations_of, unit_of_rows
from drift.reliability.words import plural
from drift.results import join_words
from drift.study import ReliabilityQuestion

IntArray = NDArray[np.intp]
TIMES = " x "


@dataclass(frozen=True, kw_only=True, eq=False)
class FacetGroup:
    """Readings of one combination of the ``by`` columns; ``factors`` are the target and the facets.

    ``names[f]`` are the labels of the codes ``codes[f]`` as the table has them; ``declared`` and ``detected`` say
    which factor lies in which (indices).
    """

    labels: Mapping[str, str]
    values: NDArray[np.float64]
    factors: tuple[str, ...]
    codes: tuple[IntArray, ...]
    names: tuple[tuple[str, ...], ...]
    unit: str
    parents: tuple[Effect, ...]
    detected: tuple[tuple[int, int], ...] = ()

    @property
    def layout(self) -> Layout:
        """Cells and effects."""
        return Layout.build(self.values, self.codes, self.parents)

    @property
    def design(self) -> str:
        """The design in symbols: ``participant x (sensor : construction) x session``."""
        return design_words(self.factors, self.parents)


def facets_of(question: ReliabilityQuestion) -> tuple[str, ...]:
    """Return the facets as a tuple."""
    return (question.facet,) if isinstance(question.facet, str) else tuple(question.facet)


def is_generalizability(question: ReliabilityQuestion) -> bool:
    """Whether a question is answered as a generalizability study: several facets, nesting, a plan, fixed facets."""
    return len(facets_of(question)) > 1 or bool(question.nested) or bool(question.plan) or bool(question.fixed)


def effect_name(effect: Effect, factors: Sequence[str], parents: Sequence[Effect]) -> str:
    """Return an effect in words: ``participant x (sensor : construction)``."""
    inner = [f for f in sorted(effect) if not any(f in parents[g] for g in effect)]
    words = []
    for f in inner:
        above = [factors[g] for g in sorted(parents[f]) if not any(g in parents[h] for h in parents[f] if h != g)]
        chain = _chain(f, factors, parents)
        words.append(chain if len(inner) == 1 or not above else f"({chain})")
    return TIMES.join(words)


def _chain(f: int, factors: Sequence[str], parents: Sequence[Effect]) -> str:
    own = parents[f]
    if not own:
        return factors[f]
    nearest = [g for g in sorted(own) if not any(g in parents[h] for h in own if h != g)]
    above = [_chain(g, factors, parents) for g in nearest]
    return f"{factors[f]} : {above[0]}" if len(above) == 1 and ":" not in above[0] else (
        f"{factors[f]} : ({TIMES.join(above)})")


def design_words(factors: Sequence[str], parents: Sequence[Effect]) -> str:
    """Return the whole design: innermost factors with what they lie in, crossed with the others."""
    whole = frozenset(range(len(factors)))
    return effect_name(whole, factors, parents)


def named_parents(question: ReliabilityQuestion) -> tuple[set[int], ...]:
    """Read ``nested``: indices of the factors that each factor is declared to lie in.

    Raises
    ------
    DriftError
        Names that are no part of the question, and circles.
    """
    factors = [question.target, *facets_of(question)]
    parents: list[set[int]] = [set() for _ in factors]
    found = []

    def say(message: str, mend: str, value: str) -> None:
        found.append(Finding(severity="error", code="nested-name", question=question.name, value=value,
                             message=message, mend=mend))

    for inner, outer in question.nested.items():
        if inner not in factors:
            say("nested names a column that is no facet of the question", f"Facets are {join_words(factors[1:])}",
                inner)
            continue
        if inner == question.target:
            say(f"{inner!r} is the target and cannot lie in a facet here",
                f"Put {outer!r} in by: the question is then answered for each {outer}", inner)
            continue
        for name in (part.strip() for part in outer.split(",")):
            if name not in factors:
                say(f"{inner!r} is said to lie in a column that has no part in the question",
                    f"Name one of {join_words([f for f in factors if f != inner])}, or add it to facet", name)
            elif name == inner:
                say(f"{inner!r} cannot lie in itself", "Name what it lies in", name)
            else:
                parents[factors.index(inner)].add(factors.index(name))
    if not found:
        try:
            closed(parents)
        except ValueError:
            say("facets are said to lie in each other", "Say which one lies in which, once",
                join_words([f"{a} in {b}" for a, b in question.nested.items()]))
    for name in (*question.fixed, *question.plan):
        allowed = [*factors[1:], *([] if name in question.fixed else ["replicate", question.replicate or "replicate"])]
        if name not in allowed:
            say(f"{'fixed' if name in question.fixed else 'plan'} names a column that is no facet of the question",
                f"Facets are {join_words(factors[1:])}", name)
    for name, numbers in question.plan.items():
        if not numbers or any(x < 1 for x in numbers):
            say(f"plan needs numbers of one or more for {name!r}", f"Write plan = {{ {name} = [1, 2, 3] }}",
                str(list(numbers)))
    if len(factors) > 4:
        say(f"a question takes up to three facets, and here are {len(factors) - 1}",
            "Fix one in where, or name it in by", join_words(factors[1:]))
    if found:
        raise DriftError(found)
    return tuple(parents)


def facet_groups(trials: TrialTable, question: ReliabilityQuestion, prepared: Prepared) -> list[FacetGroup]:
    """Code the used rows of every combination of ``by``, with nesting as declared and as detected."""
    declared = named_parents(question)
    factors = (question.target, *facets_of(question))
    out = []
    for labels, rows in combinations_of(trials, question.by, prepared.used):
        coded = [coded_levels(trials[name][rows]) for name in factors]
        values = np.array(trials["reading"][rows], dtype=np.float64)
        codes = tuple(c for c, _ in coded)
        if question.average_replicates:
            values, codes = _averaged(values, codes)
        parents, detected = _with_detected(codes, declared)
        out.append(FacetGroup(labels=labels, values=values, factors=factors, codes=codes,
                              names=tuple(n for _, n in coded), unit=unit_of_rows(trials, rows), parents=parents,
                              detected=detected))
    return out


def _averaged(values: NDArray[np.float64], codes: tuple[IntArray, ...]) -> tuple[NDArray[np.float64],
                                                                                   tuple[IntArray, ...]]:
    inverse = joined(codes)
    first = np.unique(inverse, return_index=True)[1]
    shift = float(values[0])
    means = np.bincount(inverse, weights=values - shift) / np.bincount(inverse) + shift
    return means, tuple(c[first] for c in codes)


def lies_in(inner: IntArray, outer: IntArray) -> bool:
    """Whether every level of one factor occurs with one level of the other only."""
    return len(np.unique(joined([inner, outer]))) == len(np.unique(inner))


def _with_detected(codes: Sequence[IntArray], declared: Sequence[set[int]]) -> tuple[tuple[Effect, ...],
                                                                                     tuple[tuple[int, int], ...]]:
    """Add the nesting that the data show; two factors that go together one to one are left for the refusal."""
    parents = [set(p) for p in closed(declared)]
    detected: list[tuple[int, int]] = []
    # A facet declared to lie in another is a new level in each of those.
    own = []
    for f in range(len(codes)):
        columns = [codes[g] for g in sorted(parents[f])]
        own.append(joined([*columns, codes[f]]))
    for f in range(1, len(codes)):
        for g in range(len(codes)):
            if g == f or g in parents[f] or f in parents[g] or own[g].max() == 0:
                continue
            if lies_in(own[f], own[g]) and not lies_in(own[g], own[f]):
                parents[f].add(g)
                detected.append((f, g))
    return closed(parents), tuple(detected)


def what_stands_in_the_way(group: FacetGroup, layout: Layout) -> Refusal | None:
    """Return why a layout cannot be analysed, or None."""
    target, factors = group.factors[0], group.factors
    size = dict(zip(layout.effects, layout.sizes, strict=True))
    level = dict(zip(layout.effects, layout.levels, strict=True))
    whole = {f: group.parents[f] | {f} for f in range(len(factors))}
    if size[frozenset({0})] < 2:
        return Refusal(code="one-target", message=f"only one {target} ({group.names[0][0]}) has readings, so there is "
                       "no variation between targets to compare with", mend=f"Measure at least two {plural(target)}; "
                       "ten or more give an interval that says something")
    for f in range(1, len(factors)):
        above = size.get(group.parents[f], 1) if group.parents[f] else 1
        if size[whole[f]] < 2:
            return Refusal(code="one-level", message=f"only one {factors[f]} ({group.names[f][0]}) has readings, so "
                           f"how much readings change between {plural(factors[f])} cannot be seen",
                           mend=f"Measure with at least two {plural(factors[f])}, or leave {factors[f]} out of "
                                "the question")
        if size[whole[f]] <= above:
            outer = join_words([factors[g] for g in sorted(group.parents[f])])
            return Refusal(code="change-together", message=f"each {outer} has one {factors[f]} only, so what comes "
                           f"from the {factors[f]} cannot be told from what comes from the {outer}",
                           mend=f"Measure two or more {plural(factors[f])} in each {outer}, or name one of the two")
    values = group.values
    if float(np.ptp(values)) == 0:
        return Refusal(code="constant-readings", message=f"all {len(values)} readings are the same ({values[0]:g}), so "
                       "neither reliability nor error can be estimated",
                       mend="Check that the column holds readings and that they were written with enough digits")
    for f in range(1, len(factors)):
        for g in range(f):
            if lies_in(level[whole[f]], level[whole[g]]) and lies_in(level[whole[g]], level[whole[f]]):
                return Refusal(code="change-together", message=f"{factors[g]} and {factors[f]} change together: each "
                               f"{factors[g]} has its own {factors[f]}, so their effects cannot be told apart",
                               mend=f"Measure some {plural(factors[g])} with more than one {factors[f]}, or name one "
                                    "of the two")
    for f in range(1, len(factors)):
        if 0 in group.parents[f]:
            continue
        if lies_in(level[frozenset({0})], level[whole[f]]):
            return Refusal(code="target-in-facet", message=f"each {target} was measured with one {factors[f]} only, so "
                           f"differences between {plural(factors[f])} cannot be told from differences between "
                           f"{plural(target)}", mend=f"Put {factors[f]} in by, or measure some {plural(target)} with "
                           f"two or more {plural(factors[f])}")
        refusal = _islands(group, level[frozenset({0})], level[whole[f]], f)
        if refusal is not None:
            return refusal
    return None


def _islands(group: FacetGroup, targets: IntArray, levels: IntArray, f: int) -> Refusal | None:
    """Name the parts of a facet that no target links, and a link that is missing."""
    apart = CrossedDesign.build(np.zeros(len(targets)), targets, levels).islands()
    if len(apart) < 2:
        return None
    target, facet = group.factors[0], group.factors[f]
    parts = [[_label(group, levels, j, f) for j in columns] for _, columns in apart]
    who = _label(group, targets, int(apart[0][0][0]), 0)
    listed = " from ".join(f"{facet if len(p) == 1 else plural(facet)} {join_words(p)}" for p in parts[:3])
    more = f" (and {len(parts) - 3} more parts)" if len(parts) > 3 else ""
    return Refusal(code="disconnected", message=f"no {target} links {listed}{more}: their readings never meet on the "
                   f"same {target}, so differences between {plural(facet)} cannot be told from differences between "
                   f"{plural(target)}", mend=f"Measure at least one {target} of each part with a {facet} of the other, "
                   f"such as {target} {who} with {facet} {parts[1][0]}; two or more links each way are better")


def _label(group: FacetGroup, levels: IntArray, j: int, f: int) -> str:
    """Label of a level of a factor, with the labels it lies in."""
    # Cells of the layout are in the order of the joined codes.
    first = np.unique(joined(group.codes), return_index=True)[1][int(np.flatnonzero(levels == j)[0])]
    outer = [group.names[g][group.codes[g][first]] for g in sorted(group.parents[f]) if g]
    return " ".join([*outer, group.names[f][group.codes[f][first]]])

