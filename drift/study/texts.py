"""Texts of a study that are there and say nothing."""

from __future__ import annotations

from collections.abc import Callable

from drift.study.parts import Part


def about_empty_texts(spec: Part, section: str, mend: str, say: Callable[..., None]) -> None:
    """Warn of every text of a section that is empty."""
    for name in type(spec).model_fields:
        value = getattr(spec, name)
        if isinstance(value, str) and not value.strip():
            say("missing-key", (section, name), f"{name!r} is empty", severity="warning", value="", mend=mend)
