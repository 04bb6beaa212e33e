"""Costs that are missing, and costs of nothing: what cannot be compared, and what money then cannot decide."""

from __future__ import annotations

from drift.errors import DriftError, Finding
from drift.results import join_words
from drift.retirement.policy_scores import PRICED
from drift.study import Study

QUESTION = "policy"
WHAT = {"sensor": "what a sensor costs, changeover and first calibration included",
        "spoilt_session": "what a session costs that must be repeated", "check": "what one check costs",
        "recalibration": "what one recalibration costs"}
UNDECIDED = {
    "spoilt_session": "money cannot say when to retire a sensor: the statement alone decides, and named is what costs "
                      "least within it",
    "sensor": "money cannot say how long to keep one: replacing it sooner is never dearer",
    "check": "money cannot say how often to check: checking more often is never dearer",
    "recalibration": "money cannot say how often to recalibrate: doing it more often is never dearer"}
NAMES = {"sensor": "sensor", "spoilt_session": "spoilt session", "check": "check", "recalibration": "recalibration"}


def needed(study: Study) -> tuple[str, ...]:
    """Return the costs that policies of a study are compared by."""
    again = study.recalibration is not None or (study.policy is not None and study.policy.recalibrate_every)
    return tuple(k for k in PRICED if k != "recalibration" or again)


def refuse_costs(study: Study) -> None:
    """Refuse costs by which policies cannot be compared.

    Raises
    ------
    DriftError
        Where one is missing, naming each, and where all are 0.
    """
    asked = needed(study)
    gone = [k for k in asked if getattr(study.costs, k) is None]
    if gone:
        raise DriftError(Finding(
            severity="error", code="costs-missing", file="study.toml", column="[costs]", question=QUESTION,
            message=f"{join_words(gone)} {'is' if len(gone) == 1 else 'are'} missing, and without "
                    f"{'it' if len(gone) == 1 else 'them'} no policy can be called cheaper than another",
            mend="Add to [costs]: " + ", ".join(f"{k} = ... ({WHAT[k]})" for k in gone) + "; 0 where it costs nothing"))
    if not any(getattr(study.costs, k) for k in asked):
        raise DriftError(Finding(
            severity="error", code="costs-nothing", file="study.toml", column="[costs]", question=QUESTION,
            message="every cost in [costs] is 0, so that every policy costs the same",
            mend=f"Give {join_words(asked)} in [costs], or their ratios"))


def free(study: Study) -> list[str]:
    """Return the costs that are 0, of those that are needed."""
    return [k for k in needed(study) if getattr(study.costs, k) == 0]


def undecided(study: Study) -> str:
    """Return a sentence for each cost of nothing, saying what money then cannot decide; empty without one."""
    return "".join(f" A {NAMES[k]} costs nothing in [costs], so {UNDECIDED[k]}." for k in free(study))


def free_findings(study: Study) -> list[Finding]:
    """Return a warning for each cost of nothing."""
    return [Finding(severity="warning", code=f"{NAMES[k].replace(' ', '-')}-free", question=QUESTION,
                    message=f"A {NAMES[k]} costs nothing in [costs], so {UNDECIDED[k]}",
                    mend=f"Say {WHAT[k]}, if that is not nothing.") for k in free(study)]
