"""What simulation says about the bands of the chosen policies, in the design nearest to the study's own."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from drift.errors import Finding
from drift.results import Result, ResultTable
from drift.retirement.policy_scores import Scored
from drift.retirement.removals import removed_in
from drift.simulated import Design
from drift.simulated.quoting import NOTE, Asked, cautions, coverage_table, quote, sentence

if TYPE_CHECKING:
    from drift.retirement.policy import PolicyAnswer

QUESTION = "policy"
COUNTS, CHECKS = "policy", "policy_checks"  # families: fixed counts and the true guard band; guard bands of one's own
BAND, BOUND = "band over draws of the population", "bound over draws of the population"
# The count within the statement, and checks every 5 uses, of the simulated laboratories.
COUNT, CHECKED, OWN = "retire after 17", "check every 5", "check every 5, own guard band"
WITHOUT = "; they were simulated without recalibration"


def simulated(answers: Sequence[PolicyAnswer], wear: Result, *,
              level: float) -> tuple[tuple[ResultTable, ...], list[Finding]]:
    """Return the table "coverage" and what must be said; nothing for a level or a policy that was not simulated."""
    removed = removed_in(wear)
    asked = [x for a in answers for x in _asked(a, removed)]
    quoted = [q for family in (COUNTS, CHECKS) for q in quote(family, [x for f, x in asked if f == family],
                                                              level=level)]
    if not quoted:
        return (), []
    again = any(s.chosen and s.recalibrations for a in answers for s in a.scores)
    said = sentence(quoted).rstrip(".") + (WITHOUT if again else "")
    return ((coverage_table(quoted),), [
        *cautions(quoted, question=QUESTION, mend="Check more sensors."),
        Finding(severity="note", code=NOTE, message=said, question=QUESTION)])


def _asked(a: PolicyAnswer, removed: set[str]) -> Iterator[tuple[str, Asked]]:
    """Yield the printed intervals of the chosen policy, each with the family that simulated it."""
    chosen = next((s for s in a.scores if s.chosen), None)
    if chosen is None:
        return
    p, two = a.population, a.population.two_level
    design = Design(n=float(len(p.sensors)), k=float(len(p.batch_names)) if two else None,
                    kinds=frozenset({"worn ones removed"} if removed & set(p.sensors) else ()))

    def of(family: str, quantity: str, named: str, method: str = BAND) -> tuple[str, Asked]:
        return family, Asked(quantity=quantity, named=named, method=method, design=design, of=a.name,
                             interval=method == BAND)

    if _counts(chosen):
        yield of(COUNTS, "cost per use", f"cost per use, {COUNT}")
        yield of(COUNTS, "spoilt sessions per 100 uses", f"spoilt sessions per 100 uses, {COUNT}")
    elif chosen.candidate.policy.check_every:
        # With batches there are rows for the true guard band alone.
        yield of(COUNTS, "cost per use", f"cost per use, {CHECKED}") if two else of(
            CHECKS, "cost per use", f"cost per use, {OWN}")
        yield of(COUNTS, "spoilt sessions per 100 uses", f"spoilt sessions per 100 uses, {CHECKED}")
        yield of(CHECKS, "bound of the share ever past a limit", "share ever past a limit, own guard band", BOUND)


def _counts(s: Scored) -> bool:
    """Whether a policy is a fixed count, recalibrated or not."""
    policy = s.candidate.policy
    return not policy.check_every and not policy.noticed_after
