"""What is said about gains of cells."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from drift.errors import Finding, Severity
from drift.results import join_words

if TYPE_CHECKING:
    from drift.calibration.cells import Gains
FEWEST = 3
SURE = 0.01


def cell_answer(g: Gains) -> str:
    """Return what the gains of one sheet are like, in a sentence."""
    cells, live = len(g.state), g.state == "live"
    dead, faint = int((g.state == "dead").sum()), int((g.state == "intermittent").sum())
    k = g.sheet.reading.shape[1]
    if not g.fit.df >= 1:
        return (f"Sensor {g.sheet.sensor}: one exposure cannot tell gains of cells from chance; {dead} of {cells} "
                "cells read nothing or far too little.")
    text = (f"Sensor {g.sheet.sensor}: the true gains of {int(live.sum())} live cells differ with an SD of "
            f"{100 * g.shrunk.tau:.1f} %, from {k} exposure{'s' if k != 1 else ''}")
    weight = float(np.nanmean(g.shrunk.weight))
    text += f"; a measured gain counts for {100 * weight:.0f} % in the shrunk one"
    text += f"; {dead} of {cells} cells {'is' if dead == 1 else 'are'} dead"
    lines = [f"{x.of} {x.number}" for x in g.lines if x.adjusted < SURE]
    if lines:
        text += f", with {'dead lines' if len(lines) > 1 else 'a dead line'} ({join_words(lines)})"
    return text + (f", and {faint} {'is' if faint == 1 else 'are'} intermittent." if faint else ".")


def cell_findings(g: Gains, question: str) -> list[Finding]:
    """Return cautions and notes about one sheet."""
    made: list[Finding] = []
    lead = f"sensor {g.sheet.sensor}: "

    def say(severity: Severity, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, question=question, message=lead + message, mend=mend))

    k = g.sheet.reading.shape[1]
    levels = len(np.unique(np.round(g.sheet.load[np.isfinite(g.sheet.load)], 9)))
    if k < FEWEST:
        say("warning", "few-exposures", f"{k} exposure{'s' if k != 1 else ''}: fewer than three cannot tell the gain "
            f"of a "
            "cell from its offset" + (", and one cannot tell it from chance" if k < 2 else ""),
            "Expose the sheet three times or more, at loads over its range.")
    elif levels < FEWEST:
        say("note", "one-level", "exposures at fewer than three loads: a cell's offset counts as gain",
            "Spread the exposures over the range of use.")
    elif g.offset is not None and g.offset.p < SURE:
        say("warning", "gain-changes-with-load", f"the cells' gains change with the load beyond chance (F = "
            f"{g.offset.F:.1f}, p < 0.01): offsets or curves of their own", "Give cells curves of their own, or use "
            "gains "
            "near one load only.")
    if len(g.sheet.orientations) < 2:
        say("note", "rig-bias-unknown", "the sheet lay one way only: what the rig does at each place is part of the "
            "gains and does not average out", "Turn or flip the sheet for half of the exposures.")
    elif g.rig is not None and math.isfinite(g.rig.F):
        p = f"F = {g.rig.F:.2f}, p {'< 0.001' if g.rig.p < 0.001 else f'= {g.rig.p:.3f}'}"
        if g.rig.p < SURE:
            say("warning", "rig-bias", f"cells read differently as the sheet is turned ({p}): the rig loads some "
                f"places "
                f"{100 * g.rig.sd:.1f} % more or less (SD); this is in the errors of the gains",
                "Look at the bladder or plate; turn the sheet in more ways.")
        else:
            say("note", "no-rig-bias", f"turning the sheet changes nothing that can be told from chance ({p})")
    if g.along_use is not None and g.along_use.p < SURE:
        say("warning", "gains-drift", f"gains drift apart with use: SD between cells {100 * g.along_use.sd:.2g} % per "
            f"use "
            f"(F = {g.along_use.F:.1f}, p {'< 0.001' if g.along_use.p < 0.001 else f'= {g.along_use.p:.3f}'})",
            "Fit gains anew at checks.")
    elif g.along_use is not None and math.isfinite(g.along_use.F):
        say("note", "gains-steady", f"no drift of gains between cells can be told from chance (F = "
            f"{g.along_use.F:.2f}, "
            f"p = {g.along_use.p:.3f})")
    dead = int((g.state == "dead").sum())
    if dead:
        say("note", "force-lost", f"{dead} dead cells carry {100 * dead / len(g.state):.1f} % of a uniform load, which "
            "the sum over cells lacks; gains have mean 1 over live cells and leave their sum as it is")
    faint = [f"({int(r)}, {int(c)})" for r, c, x in zip(g.sheet.row, g.sheet.col, g.state, strict=True)
             if x == "intermittent"]
    if faint:
        more = f" and {len(faint) - 8} more" if len(faint) > 8 else ""
        say("warning", "intermittent", f"cells that show nothing in some loaded exposures: "
            f"{', '.join(faint[:8])}{more}; "
            "they have no gain", "Look at their contacts.")
    return made
