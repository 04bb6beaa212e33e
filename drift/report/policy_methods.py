"""Methods paragraphs of the recalibration interval and of the comparison of policies."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from drift.results import Estimate, Result, join_words


def policy_methods(part: Result, study: Mapping[str, Any]) -> str:
    """Return the paragraph of a recalibration or a policy result."""
    return _recalibration(part) if part.command == "recalibrate" else _policy(part, study)


def _recalibration(part: Result) -> str:
    found = [e for e in part.estimates if e.name == "recalibrate every"]
    method = next((e.method for e in found if math.isfinite(e.value)), "")
    settings = part.provenance.settings
    tolerance = float(settings.get("tolerance", math.nan)) if "tolerance" in settings else math.nan
    limit = f" of {100 * tolerance:g} %" if math.isfinite(tolerance) else ""
    told = join_words(f"{_count(e)}{' for ' + e.of['construction'] if e.of.get('construction') else ''}"
                      for e in found)
    return (f"A reading was called out of tolerance when the sensor's sensitivity had changed since its last "
            f"calibration by more than the tolerance{limit}, as a factor in either direction. The recalibration "
            "interval is the largest number of uses after a calibration that keeps the statement "
            f"({method or 'refused'}). Recalibrate every: {told or 'not given'}.")


def _count(e: Estimate) -> str:
    if not math.isfinite(e.value):
        return "no interval"
    return f"{'at least ' if e.bound == 'at least' else ''}{e.value:g} {e.unit or 'uses'}"


def _policy(part: Result, study: Mapping[str, Any]) -> str:
    method = next((e.method for e in part.estimates if e.name in ("cost per use", "spoilt sessions per 100 uses")), "")
    return (f"Policies were compared by simulation of sensors from the population that the sensors' own lines describe "
            f"({method or 'refused'}). {part.answer}")
