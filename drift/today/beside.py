"""What the report that lies beside a study says, where it was made from the files as they are now."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from drift.study import Study

LOCK = "study.lock"  # says when questions were fixed, and changes no number
COUNT, EVERY, POLICIES, READ = "retire after", "recalibrate every", "policy: policies", "retire at, "


@dataclass(frozen=True, kw_only=True)
class Guard:
    """What a check shows, for one limit, at which a policy retires a sensor."""

    key: str
    value: float
    unit: str

    @property
    def number(self) -> str:
        """``17 %``, ``1,277 kPa``."""
        return f"{self.value:,.10g} {self.unit}".rstrip()


@dataclass(frozen=True, kw_only=True, eq=False)
class Beside:
    """Counts and intervals by construction, and the chosen policy with checks where one was chosen.

    ``stated`` holds count, whether it is "at least", interval, and whether that is; ``guards`` the guard band, uses
    between checks, and the count that ends the policy.
    """

    stated: Mapping[str, tuple[float, bool, float, bool]]
    guards: Mapping[str, tuple[tuple[Guard, ...], int, float]]


def nothing_beside() -> Beside:
    """Return what an absent report says."""
    return Beside(stated={}, guards={})


def results_beside(study: Study, inputs: Mapping[str, str]) -> Beside:
    """Read the report beside a study; nothing where there is none, or it was made from other files.

    Parameters
    ----------
    study : Study
    inputs : mapping
        Hashes of the files as they are now, by name.
    """
    if study.folder is None or study.file_name != "study.toml":
        return nothing_beside()
    folder = study.folder.resolve()  # "." has no name of its own
    path = folder.with_name(f"{folder.name}-report") / "results.json"
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        made = data["provenance"]["inputs"]
        if not made or any(inputs.get(k) != v for k, v in made.items() if k != LOCK):
            return nothing_beside()
        return Beside(stated=_stated(data["estimates"]), guards=_guards(data["tables"]))
    except (OSError, ValueError, KeyError, TypeError):  # no report, or none of this version
        return nothing_beside()


def _stated(estimates: list[dict[str, Any]]) -> dict[str, tuple[float, bool, float, bool]]:
    found: dict[str, list[Any]] = {}
    for e in estimates:
        if e["name"] in (COUNT, EVERY) and "limit" not in e["of"]:
            row = found.setdefault(e["of"].get("construction", ""), [math.nan, False, math.nan, False])
            at = 0 if e["name"] == COUNT else 2
            row[at:at + 2] = math.nan if e["value"] is None else float(e["value"]), e["bound"] == "at least"
    return {c: (r[0], r[1], r[2], r[3]) for c, r in found.items()}


def _guards(tables: list[dict[str, Any]]) -> dict[str, tuple[tuple[Guard, ...], int, float]]:
    table = next((t for t in tables if t["name"] == POLICIES), None)
    if table is None:
        return {}
    names = [c["name"] for c in table["columns"]]
    units = {c["name"]: c["unit"] for c in table["columns"]}
    found = {}
    for cells in table["rows"]:
        row = dict(zip(names, cells, strict=True))
        if row["chosen"] == "yes" and row["check every"] is not None:
            at = tuple(Guard(key=k.removeprefix(READ), value=float(v), unit=units[k]) for k, v in row.items()
                       if k.startswith(READ) and v is not None)
            ends = math.nan if row["retire after"] is None else float(row["retire after"])
            found[str(row["construction"])] = at, int(row["check every"]), ends
    return found
