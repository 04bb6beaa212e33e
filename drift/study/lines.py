"""The line at which a key of a TOML file stands."""

from __future__ import annotations

import re
from collections.abc import Sequence


class Lines:
    """Finds the line of a key in TOML text. Exact for keys in tables; the table's line for anything nested."""

    _TABLE = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
    _PART = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
    _KEY = re.compile(rf"^\s*({_PART}(?:\s*\.\s*{_PART})*)\s*=")

    def __init__(self, text: str) -> None:
        self._at: dict[tuple[str | int, ...], int] = {}
        counts: dict[tuple[str, ...], int] = {}
        table: tuple[str | int, ...] = ()
        for number, line in enumerate(text.split("\n"), 1):
            head = self._TABLE.match(line)
            if head:
                name = tuple(p.strip().strip("\"'") for p in head.group(2).split("."))
                if head.group(1) == "[[":
                    counts[name] = counts.get(name, -1) + 1
                    table = (*name, counts[name])
                else:
                    table = (name[0], counts[name[:1]], *name[1:]) if name[:1] in counts else name
                self._at.setdefault(table, number)
                self._at.setdefault(table[:1], number)
                continue
            key = self._KEY.match(line)
            if key:
                parts = tuple(p.strip().strip("\"'") for p in re.findall(self._PART, key.group(1)))
                for i in range(1, len(parts) + 1):
                    self._at.setdefault((*table, *parts[:i]), number)

    def find(self, path: Sequence[str | int]) -> int | None:
        """Return the line of a path, or of the nearest part of it that has one."""
        for end in range(len(path), 0, -1):
            if tuple(path[:end]) in self._at:
                return self._at[tuple(path[:end])]
        return None
