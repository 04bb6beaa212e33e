"""The methods paragraph of an uncertainty budget."""

from __future__ import annotations

from drift.report.gauge_tables import rows_of
from drift.results import Result, join_words


def budget_methods(part: Result) -> str:
    """Return what was done, with the numbers in it."""
    found = [e for e in part.estimates if e.name == "pressure"]
    draws = next((e.method for e in part.estimates if e.name == "pressure, Monte Carlo"), "")
    stated = list(dict.fromkeys(str(r["quantity"]) for r in rows_of(part.table("budget")) if r["type"] == "B"))
    missing = list(dict.fromkeys(str(r["component"]) for r in rows_of(part.table("left out"))))
    of = [join_words(v for k, v in e.of.items() if k != "question") for e in found]
    figures = join_words(f"{e.text()}{f' for {who}' if who else ''}" for e, who in zip(found, of, strict=True))
    method = next((e.method for e in found if e.method), "law of propagation of uncertainty")
    return (f"The uncertainty of a pressure was evaluated by the {method}. Calibration, scatter, mounting, day and "
            "drift came from the checks (type A)"
            + (f", {join_words(stated)} from what the laboratory states (type B)" if stated else "")
            + (f"; {join_words(missing)} were not stated and are not in it" if missing else "")
            + (f". It was compared with {draws}" if draws else "") + f". The pressure was {figures}.")
