"""What is asked on the spot, in place of what ``[budget]`` says."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drift.errors import Finding, raise_on_error
from drift.study import Study
from drift.study.budgets import BudgetSpec, about_budget

# Of each pair one is asked; asking one puts the other aside.
_EITHER = (("reading", "pressure"), ("sensor", "construction"))


def asked_of(study: Study, asked: Mapping[str, Any]) -> Study:
    """Return the study with keys of ``[budget]`` replaced by those asked; None asks nothing.

    Raises
    ------
    DriftError
        When what comes out contradicts itself.
    """
    given = {k: v for k, v in asked.items() if v is not None}
    spec = study.budget or BudgetSpec()
    for pair in _EITHER:
        if any(k in given for k in pair):
            given = {**dict.fromkeys(pair), **given}
    changed = study.model_copy(update={"budget": spec.model_copy(update=given)})
    found: list[Finding] = []

    def say(code: str, path: tuple[str | int, ...], message: str, mend: str, *, severity: Any = "error",
            value: Any = None, question: str | None = None) -> None:
        found.append(Finding(severity=severity, code=code, message=message, mend=mend, question=question,
                             column=f"[{path[0]}] {path[-1]}", value=None if value is None else str(value)))

    about_budget(changed, say)
    raise_on_error(found)
    return changed
