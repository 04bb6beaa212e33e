"""One column, one role: shared by the checks of all questions."""

from __future__ import annotations

from collections.abc import Callable


def one_role_each(section: str, i: int, question: str, roles: list[tuple[str, str]], say: Callable[..., None]) -> None:
    """Report a column that a question uses in two roles."""
    seen: dict[str, str] = {}
    for role, column in roles:
        if column in seen:
            say("contradiction", (section, i, role), f"{column!r} is both {seen[column]} and {role}", value=column,
                question=question, mend="Name two different columns")
        seen.setdefault(column, role)
