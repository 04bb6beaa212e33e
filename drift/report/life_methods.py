"""The methods paragraph of lives."""

from __future__ import annotations

from drift.results import Result


def life_paragraph(part: Result) -> str:
    """Return what was done with the lives, with the numbers in it."""
    first = next((e for e in part.estimates if e.name.startswith("life by which") and "lognormal" not in e.name), None)
    bound = next((e for e in part.estimates if e.name.startswith("lower bound of the life")
                  and "lognormal" not in e.name), None)
    curve = next((e.method for e in part.estimates if e.name == "share failed"), "")
    if first is None:
        return f"Lives were analysed as interval- and right-censored. {part.answer}"
    lower = f" (lower bound {bound.text()}; {bound.method})" if bound is not None else ""
    return (f"Lives were analysed by {first.method} (Meeker and Escobar 1998). The {first.name} was "
            f"{first.text()}{lower}. "
            f"The share failed without a model was {curve}.")
