"""An uncertainty budget as text: the table, the figures, what was left out."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from drift.report.budget_tables import budget_grids, source_grids

if TYPE_CHECKING:
    from drift.results import Result


def budget_blocks(result: Result) -> list[str]:
    """Return the blocks below the answer."""
    from drift.cli.show import accounts_text, estimates_text, findings_text, grid, paragraph, width

    blocks = [f"{g.caption}\n{grid([list(g.heads), *(list(r) for r in g.rows)])}" for g in budget_grids(result)]
    note = ("u: standard uncertainty; c: sensitivity coefficient; share of the variance, with half of each covariance. "
            "Effects without a known size have estimate 0.")
    if blocks:
        blocks.append(textwrap.fill(note, width(), initial_indent="  ", subsequent_indent="  "))
    blocks.append(estimates_text(result.estimates))
    for g in source_grids(result):
        if g.caption.startswith("Correlations"):
            blocks.append(f"{g.caption}\n{grid([list(g.heads), *(list(r) for r in g.rows)])}")
        elif g.caption.startswith("Left out"):
            blocks.append("\n".join([g.caption, *(paragraph(f"- {name}: {how}", indent="  ", further="    ")
                                                  for name, how in g.rows)]))
    return [*blocks, findings_text(result.findings), accounts_text(result)]
