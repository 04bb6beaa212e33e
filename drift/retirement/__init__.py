"""When to retire a sensor: ``retire`` and its result; loaded when first asked for."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drift.retirement.decision import retire
    from drift.retirement.result import RetirementResult

__all__ = ["RetirementResult", "retire"]


def __getattr__(name: str) -> Any:
    home = {"retire": "decision", "RetirementResult": "result"}.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{home}"), name)
