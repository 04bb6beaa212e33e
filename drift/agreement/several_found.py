"""What is found about several methods in one group: every pair, all contrasts at once, each method, the verdict."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.agreement.equivalence import CONFIDENCE, decide
from drift.agreement.harmless import Harmless
from drift.agreement.pairs import Group
from drift.agreement.several_bounds import Bounds, bounds_of, scaled
from drift.agreement.several_cells import Cells, Sets
from drift.agreement.several_plan import further_for_set
from drift.agreement.structure import Analysis, Structure, analyse, find_structure
from drift.engine.limits_of_agreement import Strata, mean_interval
from drift.engine.mean_limits import MeanLimit, mean_limit, published_limit
from drift.engine.method_means import (
    JointStrata,
    SimultaneousTails,
    bonferroni_tails,
    complete_strata,
    consistent_means,
    from_variogram,
    gapped_contrast,
    mean_contrast,
    method_pairs,
    pair_contrast,
    simultaneous_tails,
)
from drift.errors import Finding
from drift.study import AgreementQuestion

FloatArray = NDArray[np.float64]
FEWEST_TARGETS = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class PairFound:
    """One pair of methods (indices i, j; differences i - j), analysed as two methods are.

    ``state`` is "" where there are limits with intervals, "flat" where the differences have no spread, else the reason
    why there are none.
    """

    i: int
    j: int
    group: Group
    structure: Structure
    analysis: Analysis | None
    state: str = ""

    @property
    def same(self) -> bool:
        """Whether both methods read the same in every set."""
        return self.state == "flat" and not np.any(self.group.difference)


@dataclass(frozen=True, kw_only=True, eq=False)
class SetVerdict:
    """Verdict of the set and of every pair and method; ``worst`` is the index of the pair that decides.

    ``bounds`` are those of every pair that it rests on: of log ratios where the harmless difference is a share.
    ``further`` targets would settle what is not shown; None where more than ``MOST_TARGETS`` or not ``counted``.
    """

    given: Harmless
    bounds: tuple[Bounds | None, ...]
    words: str
    pairs: tuple[str, ...]
    methods: tuple[str, ...]
    worst: int
    further: int | None
    counted: bool = True


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """Everything found about one group; ``refusal`` says why there is nothing."""

    cells: Cells
    of: Mapping[str, str]
    structure: Structure
    findings: tuple[Finding, ...]
    refusal: str = ""
    pairs: tuple[PairFound, ...] = ()
    joint: JointStrata | None = None
    pair_tails: SimultaneousTails | None = None
    mean_tails: SimultaneousTails | None = None
    pair_bounds: tuple[Bounds | None, ...] = ()
    others: tuple[Bounds, ...] = ()
    everyone: tuple[Bounds, ...] = ()
    mean_limit: MeanLimit | None = None
    sampled_limit: MeanLimit | None = None
    verdict: SetVerdict | None = None

    @property
    def label(self) -> str:
        """The group in brackets, for findings."""
        return "".join(f" ({k} {v})" for k, v in self.cells.of)


def structure_of(group: Group, sets: Sets, question: AgreementQuestion) -> tuple[Structure, tuple[Finding, ...]]:
    """Find what repeats, by the rules of two methods."""
    return find_structure(group, target=sets.target_name, sensor=sets.sensor_name,
                          independent=question.rows_are_independent, constant=sets.constant,
                          declared=question.truth is not None, question=question.name)


def find(cells: Cells, sets: Sets, question: AgreementQuestion, *, level: float, harmless: Harmless | None,
         rng: np.random.Generator, n_draws: int = 4000, plan: bool = True) -> Found:
    """Analyse one group: pairs, joint strata, limits with the mean, verdict.

    Parameters
    ----------
    cells, sets, question
        As formed from the table.
    level : float
    harmless : Harmless or None
        A share is judged on log ratios, which need positive readings; there is no verdict where some are not.
    rng : numpy.random.Generator
    n_draws : int
        For levels that hold together, and pivotal bounds.
    plan : bool
        Whether further targets are counted where nothing is shown.
    """
    structure, said = structure_of(cells.everything(), sets, question)
    of = {"question": question.name, **dict(cells.of)}
    base = {"cells": cells, "of": of, "structure": structure, "findings": said}
    pairs = tuple(analysed_pair(cells, i, j, sets, question) for i, j in method_pairs(len(cells.methods)))
    useful = [p for p in pairs if p.state == ""]
    if structure.n_targets < FEWEST_TARGETS and not structure.codes:
        return Found(**base, pairs=pairs, refusal=f"there are only {structure.n_targets} targets")  # type: ignore[arg-type]
    if not useful:
        same = all(p.state == "flat" for p in pairs)
        return Found(**base, pairs=pairs, refusal=(  # type: ignore[arg-type]
            "differences have no spread in any pair of methods" if same else
            next(p.state for p in pairs if p.state not in ("", "flat"))))
    found = found_of(cells, pairs, structure, lambda joint, j: _against(cells, joint, j, sets, question, structure),
                     level=level, harmless=None if harmless is None or harmless.share else harmless, rng=rng, of=of,
                     n_draws=n_draws, plan=plan)
    if harmless is not None and harmless.share and cells.positive:
        logs = cells.on_logs()
        pairs = tuple(analysed_pair(logs, i, j, sets, question) for i, j in method_pairs(len(cells.methods)))
        if any(p.state == "" for p in pairs):
            judged = found_of(logs, pairs, structure, lambda joint, j: _against(logs, joint, j, sets, question,
                                                                                structure),
                              level=level, harmless=harmless, rng=rng, of=of, n_draws=n_draws, plan=plan)
            found = replace(found, verdict=judged.verdict)
    return replace(found, findings=said)


Others = Callable[[JointStrata, int], tuple[Strata, int]]


def found_of(cells: Cells, pairs: tuple[PairFound, ...], structure: Structure, others_of: Others, *, level: float,
             harmless: Harmless | None, rng: np.random.Generator, of: Mapping[str, str], n_draws: int = 4000,
             plan: bool = True) -> Found:
    """Put together what follows from the analysed pairs: joint strata, levels that hold together, limits, verdict.

    Parameters
    ----------
    others_of : callable
        Strata of a method against the mean of the others, and the units behind them.
    """
    joint = joint_of(cells, pairs, structure)
    k = joint.k

    def tails(contrasts: list[FloatArray]) -> SimultaneousTails:
        # With gaps pairs stand on different targets, and how they depend on each other is not simulated.
        if not cells.complete:
            return bonferroni_tails(len(contrasts), level, one_sided=CONFIDENCE)
        return simultaneous_tails(joint, contrasts, level, rng, one_sided=CONFIDENCE, n_draws=n_draws)

    pair_tails = tails([pair_contrast(k, p.i, p.j) for p in pairs if p.state == ""])
    mean_tails = tails([mean_contrast(k, j, others=True) for j in range(k)])
    bounds = tuple(None if p.analysis is None or p.state else
                   bounds_of(p.analysis.strata, pair_tails, level, p.structure.n_units, rng, n_draws=n_draws)
                   for p in pairs)
    others = tuple(bounds_of(s, mean_tails, level, n, rng, n_draws=n_draws) for s, n in
                   (others_of(joint, j) for j in range(k)))
    simple = structure.kind == "simple" and cells.complete
    found = Found(cells=cells, of=of, structure=structure, findings=(), pairs=pairs, joint=joint,
                  pair_tails=pair_tails, mean_tails=mean_tails, pair_bounds=bounds, others=others,
                  everyone=tuple(scaled(b, (k - 1) / k) for b in others), mean_limit=mean_limit(joint, level),
                  sampled_limit=published_limit(cells.table, level) if simple else None)
    return found if harmless is None else replace(found, verdict=judge_set(found, harmless, plan=plan))


def analysed_pair(cells: Cells, i: int, j: int, sets: Sets, question: AgreementQuestion) -> PairFound:
    """Analyse one pair as the two-method analysis does, on the sets that both read."""
    group = cells.pair(i, j)
    n = len(group.a)
    if n < FEWEST_TARGETS:
        bare = Structure("simple", (), (), "", n)
        words = "never read the same target" if n == 0 else f"share only {n} {'pair' if n == 1 else 'pairs'}"
        return PairFound(i=i, j=j, group=group, structure=bare, analysis=None, state=words)
    structure, _ = structure_of(group, sets, question)
    try:
        analysis = analyse(structure, group)
    except ValueError as reason:
        return PairFound(i=i, j=j, group=group, structure=structure, analysis=None, state=str(reason))
    flat = not analysis.strata.sd > 1e-12 * max(1e-300, float(np.max(np.abs(group.mean))))
    return PairFound(i=i, j=j, group=group, structure=structure, analysis=analysis, state="flat" if flat else "")


def joint_of(cells: Cells, pairs: Sequence[PairFound], structure: Structure) -> JointStrata:
    """Put the strata of all pairs together into joint ones; exact where every method read every target once."""
    k = len(cells.methods)
    if structure.kind == "simple" and cells.complete:
        return complete_strata(cells.table)
    own = own_squares(cells) if structure.kind == "unpaired" else None
    n_strata = 1 if own is not None else max(len(p.analysis.strata.df) for p in pairs if p.analysis is not None)
    squares, there = np.zeros((n_strata, k, k)), np.zeros((k, k), dtype=bool)
    mean, variance = np.full((k, k), np.nan), np.full((k, k), np.nan)
    kept: list[Strata] = []
    for p in pairs:
        if p.analysis is None:
            continue
        s = p.analysis.strata
        mean[p.i, p.j], mean[p.j, p.i] = s.mean, -s.mean
        variance[p.i, p.j] = variance[p.j, p.i] = s.mean_variance
        if own is None and len(s.df) != n_strata:  # repeats without any spread count as none
            there[p.i, p.j] = there[p.j, p.i] = p.state == "flat"
            continue
        there[p.i, p.j] = there[p.j, p.i] = True
        squares[:, p.i, p.j] = squares[:, p.j, p.i] = s.mean_squares[:n_strata]
        kept.append(s)
    squares = _filled(squares, there)
    df, total, of_mean = (np.mean([getattr(s, name)[:n_strata] for s in kept], axis=0)
                          for name in ("df", "total", "of_mean"))
    matrices = np.stack([from_variogram(v) for v in squares])
    means = consistent_means(mean, variance)
    if own is None:
        return JointStrata(means, matrices, df, total, of_mean)
    return JointStrata(means, matrices, df, total, of_mean, *own)


def _filled(squares: FloatArray, there: NDArray[np.bool_]) -> FloatArray:
    """Fill pairs that never met with the sum of what each method has in its other pairs."""
    k = there.shape[0]
    missing = ~there & ~np.eye(k, dtype=bool)
    if not missing.any():
        return squares
    i, j = np.nonzero(np.triu(there))
    design = np.zeros((len(i), k))
    design[np.arange(len(i)), i] = design[np.arange(len(i)), j] = 1.0
    filled = squares.copy()
    for s in range(len(squares)):
        part = np.linalg.lstsq(design, squares[s][i, j], rcond=None)[0]
        guess = np.maximum(part[:, None] + part[None, :], float(np.mean(squares[s][i, j])) / 2)
        filled[s][missing] = guess[missing]
    return filled


def own_squares(cells: Cells) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Within-target mean square of each method, its degrees of freedom, and what is not in the target means."""
    assert cells.loose is not None
    squares, df, total = [], [], []
    for values, code in cells.loose:
        number = np.bincount(code).astype(float)
        means = np.bincount(code, weights=values) / np.maximum(number, 1.0)
        nu = float(len(values) - np.sum(number > 0))
        squares.append(float(np.sum((values - means[code]) ** 2)) / nu if nu > 0 else 0.0)
        df.append(nu)
        total.append(1 - float(np.mean(1 / number[number > 0])) if nu > 0 else 0.0)
    return np.array(squares), np.array(df), np.array(total)


def _against(cells: Cells, joint: JointStrata, j: int, sets: Sets, question: AgreementQuestion,
             whole: Structure) -> tuple[Strata, int]:
    """Find the structure of method j against the mean of the others, then its strata."""
    if not cells.complete or cells.loose is not None:
        return against(cells, joint, j, whole)
    return against(cells, joint, j, structure_of(cells.against_others(j), sets, question)[0])


def against(cells: Cells, joint: JointStrata, j: int, structure: Structure) -> tuple[Strata, int]:
    """Strata of method j against the mean of the others, and how many units stand behind them.

    Analysed directly where every method read every set; from all pairs where cells are missing, and from the joint
    strata where readings are not linked or targets repeat besides.
    """
    contrast = mean_contrast(joint.k, j, others=True)
    if cells.complete and cells.loose is None:
        try:
            return analyse(structure, cells.against_others(j)).strata, structure.n_units
        except ValueError:
            pass
    there = np.isfinite(cells.table).astype(float)
    if structure.kind == "simple" and float(np.min(there.T @ there)) >= FEWEST_TARGETS:
        return gapped_contrast(cells.table, joint.matrices[0], contrast), structure.n_units
    return joint.of_contrast(contrast), structure.n_units


def judge_set(found: Found, given: Harmless, *, plan: bool = True) -> SetVerdict:
    """Judge every pair, every method against the mean of the others, and the set.

    Notes
    -----
    The set is interchangeable when the outer one-sided 95 % bounds of both limits of every pair lie inside: all of them
    must, so that no adjustment is needed (intersection-union test, Berger 1982), and every pair is then called so. It
    is not interchangeable when, with simultaneous confidence, a limit of some pair lies outside. Otherwise each pair is
    judged by bounds that hold for all pairs together. This is a part of Hochberg's (1988) step-up procedure, and calls
    any pair falsely interchangeable in at most 5 % of studies. Methods that read the same in every set lie at no
    distance, and do not stand in the way of the others.
    """
    bounds, harmless = found.pair_bounds, given.on_scale
    judged = [b for b in bounds if b is not None]
    same = [p.same for p in found.pairs]
    known = all(b is not None or x for b, x in zip(bounds, same, strict=True))
    whole = known and all(b.outer_alone[0] > -harmless and b.outer_alone[1] < harmless for b in judged)
    words = tuple("interchangeable" if x or (whole and b is not None) else "not judged" if b is None
                  else decide(b.outer, b.inner, harmless) for b, x in zip(bounds, same, strict=True))
    verdict = ("interchangeable" if whole else "not interchangeable" if "not interchangeable" in words
               else "not shown")
    reach = [-math.inf if b is None else max(-b.low, b.high) for b in bounds]
    counted = plan and verdict == "not shown" and known and found.cells.complete and found.cells.loose is None
    further = _further(found, harmless) if counted else None
    methods = tuple(decide(b.outer, b.inner, harmless) for b in found.others)
    return SetVerdict(given=given, bounds=bounds, words=verdict, pairs=words, methods=methods,
                      worst=int(np.argmax(reach)), further=further, counted=counted)


def _further(found: Found, harmless: float) -> int | None:
    """Count the further targets with which all pairs at once would be settled."""
    assert found.joint is not None
    assert found.pair_tails is not None
    contrasts = [pair_contrast(found.joint.k, p.i, p.j) for p in found.pairs if p.state == ""]
    return further_for_set(found.joint, contrasts, harmless, found.pair_tails.inner,
                           n_targets=max(found.structure.n_targets, 2), confidence=CONFIDENCE)


@dataclass(frozen=True, kw_only=True)
class OddOneOut:
    """The method farthest from the mean of the others, and whether that is shown."""

    method: int
    distance: float
    shown: bool


def odd_one_out(found: Found, level: float = CONFIDENCE) -> OddOneOut:
    """Find the method whose mean lies farthest from that of the others.

    Shown when its distance is larger than that of each other method: ``|d_j| > |d_l|`` is ``d_j - d_l`` and
    ``d_j + d_l`` both beyond zero on the side of d_j, which are contrasts; every one of their two-sided intervals must
    be beyond it (intersection-union). Of two methods equally far away one is then called odd in at most 5 % of studies.
    """
    assert found.joint is not None
    joint = found.joint
    k = joint.k
    d = [b.bias for b in found.others]
    j = int(np.argmax(np.abs(d)))
    side = 1.0 if d[j] > 0 else -1.0
    one = mean_contrast(k, j, others=True)
    shown = True
    for m in range(k):
        if m == j:
            continue
        other = mean_contrast(k, m, others=True)
        for c in (one - other, one + other):
            low, _ = mean_interval(joint.of_contrast(side * c), level)
            shown = shown and low > 0
    return OddOneOut(method=j, distance=float(d[j]), shown=shown)
