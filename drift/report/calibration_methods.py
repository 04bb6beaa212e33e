"""Methods paragraphs of calibrations and of gains of cells, ready to paste."""

from __future__ import annotations

import math

from drift.report.figures import table_of
from drift.results import Estimate, Result, join_words


def calibration_paragraph(part: Result) -> str:
    """Return what was done, with the numbers in it."""
    return _cells(part) if part.command == "cells" else _curves(part)


def _curves(part: Result) -> str:
    table = table_of(part, "calibration curves")
    if table is None or not len(table):
        return f"No calibration curve could be fitted ({part.question})."
    said = []
    for i in range(min(len(table), 4)):
        if not table["curve"][i]:
            continue
        many = float(table["mountings"][i])
        mounts = f", {many:.0f} mountings" if many > 1 else ""
        said.append(f"{table['curve'][i]} ({table['model'][i]}; {table['readings'][i]:.0f} readings"
                    f"{mounts}, levels from "
                    f"{table['from'][i]:.4g} to {table['to'][i]:.4g}; {table['spread'][i]})")
    loads = [e for e in part.estimates if e.name in ("saturation pressure", "load at a reading")]
    found = join_words(f"{_named(e)} {e.text()}" for e in loads[:4] if math.isfinite(e.value))
    bounds = " Readings at full scale or at zero entered the likelihood as bounds." if any(table["bounds"]) else ""
    hull = (" The saturation pressure beyond the levels has the hull of the exact sets of all curves that lack of fit "
            "does not reject." if any(e.name == "saturation pressure" and "an extrapolation" in e.method
                                      for e in part.estimates) else "")
    return (f"Calibration ({part.question}): of a straight line, a power law and a quadratic the one with the fewest "
            f"coefficients was taken that the replicates did not reject (lack of fit, 1 %) and whose AICc was within "
            f"2 of the lowest, unless one was asked for: {join_words(said) or 'none could be fitted'}.{bounds}{hull} "
            f"Loads behind readings are exact sets by inversion of the curve (Fieller 1954)"
            f"{f': {found}' if found else ''}, with {100 * part.provenance.level:g} % intervals.")


def _named(estimate: Estimate) -> str:
    return f"load at {estimate.of['reading']}" if "reading" in estimate.of else estimate.name


def _cells(part: Result) -> str:
    numbers = {e.name: e for e in part.estimates}
    spread, each = (numbers.get(n) for n in ("SD of gains between cells, percent", "SD of an exposure, percent"))
    sizes = (f" (SD of gains {spread.text()}, of an exposure {each.text()})" if spread is not None and each is not None
             else "")
    return (f"Gains of cells ({part.question}) are from a two-way fit of the logarithms of readings to cells and "
        f"uniform "
            f"exposures{sizes}, mean 1 over live cells, shrunk towards their mean, averaged over the restricted "
        f"likelihood of their spread (Morris 1983; Laird and Louis 1987). "
            f"Dead "
            "cells read nothing above the noise floor under load, or lie five robust SDs below the median; dead rows "
            "and "
            "columns were told from chance by the binomial tail with Holm's adjustment, at 1 %.")
