"""Drift of sensitivity per use: ``fit_wear`` and its result; loaded when first asked for."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from drift.sensitivity.fit import fit_wear
    from drift.sensitivity.result import WearResult
    from drift.sensitivity.tables import basic_tables, basic_tables_of

__all__ = ["WearResult", "basic_tables", "basic_tables_of", "fit_wear"]


def __getattr__(name: str) -> Any:
    home = {"fit_wear": "fit", "WearResult": "result", "basic_tables": "tables",
            "basic_tables_of": "tables"}.get(name)
    if home is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{home}"), name)
