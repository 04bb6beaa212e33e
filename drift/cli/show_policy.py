"""Policies in the terminal: one table a construction, cautions, costs."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.results import Result

SHOWN = 14
SHORT = {"spoilt per 100 uses": "spoilt", "sensors per 100": "sensors", "checks per 100": "checks",
         "recalibrations per 100": "recalibrated"}


def policy_blocks(result: Result) -> list[str]:
    """Return the tables of policies, then what must be known to read them."""
    from drift.cli.show import accounts_text, findings_text, grid, width
    from drift.report.policy_grids import constructions_of, guard_caption, guard_rows, policy_rows

    blocks = []
    for name in constructions_of(result):
        head, rows = policy_rows(result, name)
        shown = [r for i, r in enumerate(rows) if i < SHOWN or r[0]]
        again = any("recalib" in h for h in head)
        told = "sensors, checks and recalibrations" if again else "sensors and checks"
        title = textwrap.fill(f"Policies{f', {name}' if name else ''}, cheapest first; spoilt sessions, {told} per 100 "
                              "uses", width())
        marks = [[{"chosen": "=>", "beaten by none": "*"}.get(r[0], "") + _broken(r[-1]), *r[1:-1]]
                 for r in shown]
        more = len(rows) - len(shown)
        both = ", c that of [recalibration]" if any("recalibration" in r[-1] for r in rows) else ""
        note = ("  => chosen; * beaten by none in cost and spoilt sessions together; x breaks the statement of "
                f"[retirement]{both}.{f' {more} more stand in --json and --out.' if more else ''}")
        blocks.append("\n".join([title, grid([["", *(SHORT.get(h, h) for h in head[1:-1])], *_wrapped(marks)]),
                                 textwrap.fill(note, width(), subsequent_indent="  ")]))
        head, rows = guard_rows(result, name)
        if rows:
            blocks.append("\n".join([textwrap.fill(guard_caption(name), width()), grid([head, *rows])]))
    return [*blocks, findings_text(result.findings), accounts_text(result)]


def _broken(words: str) -> str:
    return ("x" if "retirement" in words else "") + ("c" if "recalibration" in words else "")


def _wrapped(rows: list[list[str]]) -> list[list[str]]:
    """Break the words of a policy so that the table fits."""
    made = []
    for r in rows:
        lines = textwrap.wrap(r[1], 34) or [""]
        made.append([r[0], lines[0], *r[2:]])
        made += [["", f"  {line}", *([""] * (len(r) - 2))] for line in lines[1:]]
    return made
