"""What an agreement question says against itself."""

from __future__ import annotations

from collections.abc import Callable

from drift.study.harmless import HarmlessError, said_harmless
from drift.study.models import AgreementQuestion, Study
from drift.study.recalculations import about_recalculation
from drift.study.roles import one_role_each


def about_agreements(study: Study, say: Callable[..., None]) -> None:
    """Check each agreement question against itself."""
    for i, q in enumerate(study.agreement):
        _about_compared(i, q, say)
        roles = [("compare", q.compare), *(("by", b) for b in q.by)]
        if q.target:
            roles.append(("target", q.target))
        one_role_each("agreement", i, q.name, roles, say)
        if q.compare in q.pair_by:
            say("contradiction", ("agreement", i, "pair_by"), "the compared column cannot also link the pairs",
                value=q.compare, question=q.name, mend="Take it out of pair_by")
        if q.compare in q.where:
            say("contradiction", ("agreement", i, "where"), "the compared column is fixed in where", value=q.compare,
                question=q.name, mend="Take it out of where")
        _about_harmless(i, q, say)
        if q.recalculate is not None:
            about_recalculation(i, q, study, say)
            continue
        _about_lines(i, q, say)


def _about_harmless(i: int, q: AgreementQuestion, say: Callable[..., None]) -> None:
    """Check that the largest harmless difference can be read; its unit meets that of the readings later."""
    if isinstance(q.harmless, (int, float)) and not q.harmless > 0:
        say("out-of-range", ("agreement", i, "harmless"), "the largest harmless difference is above zero",
            value=q.harmless, question=q.name, mend="Give it in the reading's unit")
    elif isinstance(q.harmless, str):
        try:
            said_harmless(q.harmless)
        except HarmlessError as why:
            code = "out-of-range" if "above zero" in str(why) else "unreadable"
            say(code, ("agreement", i, "harmless"), str(why), value=q.harmless, question=q.name,
                mend=why.mend.removesuffix("."))


def _about_lines(i: int, q: AgreementQuestion, say: Callable[..., None]) -> None:
    """Check the comparison lines of a question."""
    if isinstance(q.error_ratio, (int, float)) and not 0 < q.error_ratio < float("inf"):
        say("out-of-range", ("agreement", i, "error_ratio"), "a ratio of error variances is above zero",
            value=q.error_ratio, question=q.name, mend="Give the variance of the errors of a divided by that of b")
    if q.error_ratio is not None and not any("deming" in line for line in q.lines):
        say("contradiction", ("agreement", i, "error_ratio"), "no line that is asked for uses an error ratio",
            value=q.error_ratio, question=q.name, mend='Add lines = ["deming"], or take error_ratio out')
    if q.lines and q.methods:
        say("contradiction", ("agreement", i, "lines"), "lines compare two methods, not several", question=q.name,
            value=", ".join(q.lines), mend="Ask a question of its own with a and b for each line")


def _about_compared(i: int, q: AgreementQuestion, say: Callable[..., None]) -> None:
    """Check what an agreement question compares: a and b, or three and more methods."""
    at = ("agreement", i)
    if q.methods:
        if q.a or q.b:
            say("contradiction", (*at, "methods"), "both methods and a or b are named", question=q.name,
                mend="Keep a and b for two, methods for three and more")
        if q.methods != "all" and (len(set(q.methods)) < 3 or len(set(q.methods)) < len(q.methods)):
            say("contradiction", (*at, "methods"), "methods names three or more different values",
                value=", ".join(q.methods), question=q.name, mend="Name two as a and b, or add a third")
        if abs(q.multiplier - 1.96) > 1e-9:
            say("contradiction", (*at, "multiplier"), "limits of several methods stand at 1.96 SDs", value=q.multiplier,
                question=q.name, mend="Take multiplier out, or ask about two methods")
        return
    for side in ("a", "b"):
        if not getattr(q, side):
            say("missing-key", (*at, side), f"nothing says what {side} is", question=q.name,
                mend=f"Name a value of {q.compare!r}: {side} = \"...\", or three and more in methods")
    if q.a and q.a == q.b:
        say("contradiction", (*at, "b"), "a and b are the same", value=q.b, question=q.name,
            mend=f"Name two different values of {q.compare!r}")
