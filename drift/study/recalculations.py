"""What an agreement question about two calibrations of the same raw trials says against itself."""

from __future__ import annotations

from collections.abc import Callable

from drift.study.models import AgreementQuestion, Study

COMPARED = "calibration"
# Keys that have no meaning where both sides are computed from one reading, each with the reason.
NO_MEANING = {
    "lines": "both sides are computed from one reading, so neither has an error of its own that a line could weigh",
    "error_ratio": "both sides are computed from one reading, so neither has an error of its own",
    "truth": "both sides are computed from one reading, so that the true value is the same by itself",
    "pair_by": "each row is its own pair",
    "target": "what repeats is the sensor with its calibration, whoever is measured",
    "rows_are_independent": "rows of one sensor share its calibrations, however many they are"}


def about_recalculation(i: int, q: AgreementQuestion, study: Study, say: Callable[..., None]) -> None:
    """Check a question that recalculates raw trials through two calibrations."""
    at, how = ("agreement", i), q.recalculate
    assert how is not None
    if q.compare != COMPARED:
        say("contradiction", (*at, "compare"), "a question with recalculate compares calibrations", value=q.compare,
            question=q.name, mend=f'Write compare = "{COMPARED}"; a and b name two of them')
    if q.methods:
        say("contradiction", (*at, "methods"), "recalculate compares two calibrations at a time", question=q.name,
            value=q.methods if isinstance(q.methods, str) else ", ".join(q.methods),
            mend="Name two as a and b, and ask again for each further pair")
    for key, why in NO_MEANING.items():
        if getattr(q, key):
            say("contradiction", (*at, key), f"{key} has no meaning with recalculate: {why}", question=q.name,
                mend=f"Take {key} out")
    if getattr(study.files, how.source) is None and not (how.source == "checks" and study.files.ledger):
        say("missing-key", ("files", how.source), f"the question {q.name!r} needs a {how.source} table that [files] "
            "does not name", mend=f'Add {how.source} = "{how.source}.csv" to [files]'
            + (', or set from = "checks"' if how.source == "calibrations" and study.files.may_hold("checks") else ""))
    if how.readings == "calibrated" and how.shown_by is None:
        say("missing-key", (*at, "recalculate", "shown_by"), "nothing says through which calibration the readings were "
            "shown", question=q.name, mend='Add shown_by = "cal_id" or whichever column names it, or set readings = '
                                           '"raw" if the trials hold raw output')
    if how.readings == "raw" and how.shown_by is not None:
        say("contradiction", (*at, "recalculate", "shown_by"), "raw readings were shown by no calibration",
            value=how.shown_by, question=q.name, mend='Take shown_by out, or set readings = "calibrated"')
    if any(not level > 0 for level in how.levels):
        say("out-of-range", (*at, "recalculate", "levels"), "a pressure to give the limits at is above zero",
            question=q.name, mend="Give pressures in kPa, such as levels = [100, 200, 400]")
