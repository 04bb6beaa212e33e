"""What the settings of gauge and interlaboratory questions say against themselves."""

from __future__ import annotations

from collections.abc import Callable

from drift.study.models import GaugeQuestion, Study


def about_gauges(study: Study, say: Callable[..., None]) -> None:
    """Check each question against itself: a column in two roles, limits and tolerance that contradict each other."""
    for i, g in enumerate(study.gauge):
        roles = [("part", g.part), ("operator", g.operator), ("reference", g.reference), *(("by", b) for b in g.by)]
        _roles("gauge", i, g.name, [*roles, *([("replicate", g.replicate)] if "replicate" in g.model_fields_set
                                              else [])], say)
        _limits(i, g, say)
        if g.nested and g.operator is None:
            say("contradiction", ("gauge", i, "nested"), "parts are said to lie in operators, but no operator is named",
                question=g.name, mend="Name the operator column, or take nested out")
    for i, q in enumerate(study.interlaboratory):
        _roles("interlaboratory", i, q.name, [("laboratory", q.laboratory), ("material", q.material), *(
            [("replicate", q.replicate)] if "replicate" in q.model_fields_set else [])], say)


def _roles(section: str, i: int, question: str, roles: list[tuple[str, str | None]], say: Callable[..., None]) -> None:
    seen: dict[str, str] = {}
    for role, column in roles:
        if column is None:
            continue
        if column in seen:
            say("contradiction", (section, i, role), f"{column!r} is both {seen[column]} and {role}", value=column,
                question=question, mend="Name two different columns")
        seen.setdefault(column, role)


def _limits(i: int, g: GaugeQuestion, say: Callable[..., None]) -> None:
    if g.lower is not None and g.upper is not None and not g.lower < g.upper:
        say("contradiction", ("gauge", i, "lower"), "the lower limit is not below the upper one", value=f"{g.lower:g}",
            question=g.name, mend="Swap or correct them")
        return
    if g.tolerance is None or (g.lower is None and g.upper is None):
        return
    both = g.lower is not None and g.upper is not None
    if both and abs((g.upper or 0.0) - (g.lower or 0.0) - g.tolerance) <= 1e-9 * g.tolerance:
        return
    why = (f"the distance of its limits, {(g.upper or 0.0) - (g.lower or 0.0):g}" if both else
           "one-sided, as its limit is")
    say("contradiction", ("gauge", i, "tolerance"), f"the tolerance is not {why}", value=f"{g.tolerance:g}",
        question=g.name, mend="Give the tolerance or the limits")
