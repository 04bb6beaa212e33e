"""Agreement of several methods or sensors: limits with the mean, every pair, error variances, one verdict."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import numpy as np

from drift.agreement.harmless import read_harmless
from drift.agreement.several_cells import Sets, form_sets
from drift.agreement.several_concordance import overall
from drift.agreement.several_coverage import simulated
from drift.agreement.several_errors import equality_of, error_parts
from drift.agreement.several_found import Found, find
from drift.agreement.several_tables import (
    Beside,
    error_estimates,
    mean_estimates,
    pair_estimates,
    result_tables,
)
from drift.agreement.several_words import some, verdict_caution, whole_answer
from drift.agreement.words import opening
from drift.errors import MINUS, Finding
from drift.records import TrialTable
from drift.results import Estimate, Provenance, join_words, run_versions
from drift.study import AgreementQuestion

if TYPE_CHECKING:
    from drift.agreement.bland_altman import AgreementResult
    from drift.screening import Screening

FEW_TARGETS, MOST_MISSING = 5, 0.5
Say = Callable[..., None]


def several(trials: TrialTable, question: AgreementQuestion, *, level: float, seed: int,
            screening: Screening | None = None) -> AgreementResult:
    """Compare three or more methods: limits with the mean, pairwise limits that hold together, and a verdict.

    Parameters
    ----------
    trials : TrialTable
    question : AgreementQuestion
        With ``methods`` instead of a and b.
    level : float
    seed : int
    screening : Screening, optional

    Returns
    -------
    AgreementResult
        Estimates "limit of agreement with the mean", "bias from the mean" and the limits of every method against the
        mean of the others, bias and limits of every pair, "error SD" of every method, "overall CCC"; tables "pairwise
        limits", "limits with the mean", "method variances", "checks", "readings by method" and, with ``harmless``,
        "verdict".

    Raises
    ------
    DriftError
        If the readings cannot be put together as the question says.

    References
    ----------
    Jones, Dobson & O'Brian (2011), Int J Epidemiol 40:1308-1313. Christensen et al. (2020), BMC Med Res Methodol
    20:304. Grubbs (1948), J Am Stat Assoc 43:243-264. Barnhart, Haber & Song (2002), Biometrics 58:1020-1027.
    """
    from drift.agreement.bland_altman import AgreementResult

    sets = form_sets(trials, question, screening=screening)
    streams = np.random.SeedSequence(seed).spawn(len(sets.groups))
    beside, findings = [], list(sets.findings)
    for cells, stream in zip(sets.groups, streams, strict=True):
        harmless = read_harmless(question, cells.unit)
        rng = np.random.default_rng(stream)
        made = beside_of(find(cells, sets, question, level=level, harmless=harmless, rng=rng), level, rng)
        beside.append(made)
        findings += findings_of(made, sets, question)
    coverage, told = simulated(beside, question, level=level)
    provenance = Provenance(accounts=(sets.account,), inputs={trials.file: trials.sha256}, seed=seed, level=level,
                            versions=run_versions(), settings=question.model_dump())
    return AgreementResult(
        question=question.name, answer=whole_answer([b.found for b in beside], question),
        estimates=tuple(e for b in beside for e in estimates_of(b, level)),
        tables=(*result_tables(beside, sets, question, level), *coverage),
        findings=(*dict.fromkeys(findings), *told), exclusions=sets.exclusions, provenance=provenance)


def beside_of(found: Found, level: float, rng: np.random.Generator) -> Beside:
    """Add error variances, tests of their equality and the overall concordance to what was found."""
    if found.refusal:
        return Beside(found=found)
    errors = error_parts(found, level)
    return Beside(found=found, errors=None if isinstance(errors, str) else errors,
                  why="" if not isinstance(errors, str) else errors,
                  equality=() if isinstance(errors, str) else equality_of(found, rng),
                  overall=overall(found, level, rng))


def estimates_of(beside: Beside, level: float) -> tuple[Estimate, ...]:
    """Return all estimates of one group; without values where it was refused."""
    found = beside.found
    if found.refusal:
        return (Estimate(name="limit of agreement with the mean", value=float("nan"), unit=found.cells.unit,
                         of=found.of, n=found.structure.n_units, method="not computed"),)
    more = () if beside.overall is None else (beside.overall,)
    return (*mean_estimates(found, level), *pair_estimates(found, level), *error_estimates(beside, level), *more)


def findings_of(beside: Beside, sets: Sets, question: AgreementQuestion) -> list[Finding]:
    """Say what a reader must know about one group."""
    found = beside.found
    cells, label, made = found.cells, found.label, list(found.findings)

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                            question=question.name))

    say("note", "structure", _structure_words(found, label))
    _about_gaps(found, say)
    flat = [p for p in found.pairs if p.state == "flat"]
    for p in flat:
        a, b = cells.methods[p.i], cells.methods[p.j]
        judged = " and is judged to lie at no distance" if question.harmless is not None else ""
        message = (f"Readings by {a} and {b} are identical in all {len(p.group.a)} sets{label}, so that pair "
                   f"has no interval{judged}" if p.same else
                   f"All {len(p.group.a)} differences of {a} and {b} are equal{label}, so that pair has no interval "
                   "and is not judged")
        say("warning", "no-spread", message, "Look whether one was copied or computed from the other.")
    apart = [p for p in found.pairs if p.state not in ("", "flat")]
    if found.refusal:
        say("warning", "agreement-refused", f"Limits of agreement cannot be given{label}: {found.refusal}",
            "Add readings on further targets; twenty or more make useful limits.")
        return made
    if apart:
        say("warning", "pair-without-limits", f"No limits can be given{label} for "
            + some([f"{cells.methods[p.i]} {MINUS} {cells.methods[p.j]} ({p.state})" for p in apart]),
            "Read targets by both.")
    if found.structure.n_targets < FEW_TARGETS and not found.structure.codes:
        say("warning", "few-pairs", f"Only {found.structure.n_targets} targets{label}; the limits are hardly known",
            "Twenty or more targets make useful limits.")
    _about_errors(beside, say, label)
    if question.harmless is not None and found.verdict is None:
        say("warning", "no-verdict", f"There is no verdict{label}: a share of the mean is judged on logarithms, and "
            "some readings are not above zero", "Give the harmless difference in the unit of the readings.")
    if found.verdict is not None and found.verdict.words != "interchangeable":
        made.append(verdict_caution(found, found.verdict, question))
    return made


def _structure_words(found: Found, label: str) -> str:
    cells = found.cells
    words = found.structure.words
    if found.structure.kind != "unpaired":
        words = words.replace("linked pairs", "linked sets").replace("pairs", "sets").replace("one pair", "one set")
    else:
        numbers = [len(v) for v, _ in cells.loose or ()]
        words = (f"{join_words(str(n) for n in numbers)} unlinked readings on {len(cells.key)} targets, the true value "
                 "taken as constant within a target, as the study declares")
    return f"{opening(words)}, read by {join_words(cells.methods)}{label}"


def _about_gaps(found: Found, say: Say) -> None:
    """Say which methods did not read every set, and which read hardly any."""
    cells = found.cells
    there = np.isfinite(cells.table)
    if there.all():
        return
    n = len(there)
    share = there.mean(axis=0)
    gaps = [f"{m} in {int(n - c)}" for m, c in zip(cells.methods, there.sum(axis=0), strict=True) if c < n]
    say("note", "missing-cells", f"{int((~there).sum())} of {there.size} cells have no reading{found.label} "
        f"({join_words(gaps)} of {n} sets); every reading that meets another enters")
    for m, s, c in zip(cells.methods, share, there.sum(axis=0), strict=True):
        if s < MOST_MISSING:
            say("warning", "method-mostly-missing", f"{m} read only {int(c)} of {n} sets{found.label}: what is said "
                "of it rests on these, and holds for all targets only if they are like the others",
                f"Read more targets by {m}, or ask without it.")


def _about_errors(beside: Beside, say: Say, label: str) -> None:
    """Say where error variances cannot be told, lie at zero or differ."""
    cells = beside.found.cells
    if beside.errors is None:
        say("warning", "error-variances", f"Error variances of the methods cannot be told apart{label}: {beside.why}",
            "Look at the table of pairs.")
        return
    if beside.errors.linked:
        near = join_words(cells.methods[j] for j in beside.errors.linked)
        say("warning", "readings-look-linked", f"Readings by {near} lie nearer to the others, target by target, than "
            f"their own repeats allow{label}: they look as if they were taken together",
            'Set truth = "varying" and name what links them (a replicate number) in pair_by.')
    zero = [cells.methods[j] for j in beside.errors.at_zero]
    if zero:
        say("note", "boundary", f"The error variance of {join_words(zero)} is estimated at zero{label}: the other "
            "methods differ from it by no more than from each other")
    differ = [part or "" for part, p, _ in beside.equality if p < 0.05]
    if differ:
        sd = np.sqrt(beside.errors.estimates[0])
        low, high = int(np.argmin(sd)), int(np.argmax(sd))
        say("note", "unequal-errors", f"The methods do not err alike{label}: error SDs run from {sd[low]:.3g} "
            f"({cells.methods[low]}) to {sd[high]:.3g}{f' {cells.unit}' if cells.unit else ''} ({cells.methods[high]})",
            "Read the limits of each pair, not one limit for all.")

