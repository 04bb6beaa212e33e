"""Estimates of a gauge study: SDs, shares of the study variation, shares of the tolerance, distinct categories."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from drift.engine.gauge import Sized, categories
from drift.reliability.gauge.analysis import MLS, GaugeParts
from drift.reliability.gauge.rows import GaugeGroup
from drift.results import Estimate
from drift.study import GaugeQuestion

NAMES = {"EV": "repeatability (EV)", "AV": "reproducibility (AV)", "INT": "part x operator interaction (INT)",
         "GRR": "gauge R&R (GRR)", "PV": "part variation (PV)", "TV": "total variation (TV)"}
STUDY, CONTRIBUTION, TOLERANCE = ", percent of study variation", ", percent contribution", ", percent of tolerance"
NDC, RATIO = "number of distinct categories (ndc)", "1.41 PV / GRR, not truncated"


@dataclass(frozen=True)
class Tolerance:
    """What a percent of tolerance is taken of: so many SDs over a width, and in which words."""

    multiple: float
    width: float
    words: str

    def percent(self, sd: float) -> float:
        """Return an SD in percent of the tolerance."""
        return 100 * self.multiple * sd / self.width


def tolerance_of(question: GaugeQuestion, group: GaugeGroup) -> Tolerance | None:
    """Return the tolerance of a question; None without one, or where a one-sided limit is not beyond the mean."""
    k, lower, upper = question.study_variation, question.lower, question.upper
    if question.tolerance is not None:
        return Tolerance(k, question.tolerance, f"{k:g} SD over the tolerance of {question.tolerance:g}")
    if lower is not None and upper is not None:
        return Tolerance(k, upper - lower, f"{k:g} SD over the tolerance from {lower:g} to {upper:g}")
    limit = upper if lower is None else lower
    if limit is None:
        return None
    mean = float(np.mean(group.values))
    width = limit - mean if lower is None else mean - limit
    if not width > 0:
        return None
    return Tolerance(k / 2, width, f"{k / 2:g} SD over the distance from the mean, {mean:.6g}, taken as known, to the "
                     f"one limit, {limit:g}")


def estimates_of(group: GaugeGroup, parts: GaugeParts, question: GaugeQuestion, *, level: float) -> list[Estimate]:
    """Return every estimate of one group."""
    of = {"question": question.name, **group.labels}
    out = [e for name, s in parts.sized.items() for e in _of_one(name, s, parts, of, group.unit, level)]
    tolerance = tolerance_of(question, group)
    if tolerance is not None:
        out += [_percent_of_tolerance(name, s, parts, of, tolerance, level) for name, s in parts.sized.items()
                if name not in ("PV", "TV") and not (name == "INT" and parts.pooled)]
    grr = parts.sized.get("GRR")
    if grr is not None and math.isfinite(grr.share):
        out += _categories(grr, parts, of, level)
    order = [NAMES["GRR"] + STUDY, NAMES["GRR"]]
    return sorted(out, key=lambda e: order.index(e.name) if e.name in order else len(order))


def _n(name: str, parts: GaugeParts) -> int:
    p, o, _ = parts.shape
    return o if name == "AV" else p


def _of_one(name: str, s: Sized, parts: GaugeParts, of: Mapping[str, str], unit: str,
            level: float) -> Iterator[Estimate]:
    held = {**of, "holds": f"repeatability and {parts.confounded}"} if name == "EV" and parts.confounded else of
    n, method = _n(name, parts), parts.method
    if name == "INT" and parts.pooled:  # shown beside a GRR that does not hold it
        held = {**of, "holds": "no part of GRR: pooled with the repeatability"}
        method = f"mean squares, interaction in the model, {MLS}"
    yield Estimate(name=NAMES[name], value=math.sqrt(s.variance), low=math.sqrt(s.low), high=math.sqrt(s.high),
                   level=level, unit=unit, method=method, n=n, of=held)
    if name == "TV" or not math.isfinite(s.share):
        return
    yield Estimate(name=NAMES[name] + STUDY, value=100 * math.sqrt(s.share), low=100 * math.sqrt(s.share_low),
                   high=100 * math.sqrt(s.share_high), level=level, unit="%", method=f"SD over TV; {method}", n=n,
                   of=held)
    yield Estimate(name=NAMES[name] + CONTRIBUTION, value=100 * s.share, low=100 * s.share_low, high=100 * s.share_high,
                   level=level, unit="%", method=f"variance over the total variance; {method}", n=n, of=held)


def _percent_of_tolerance(name: str, s: Sized, parts: GaugeParts, of: Mapping[str, str], tolerance: Tolerance,
                          level: float) -> Estimate:
    held = {**of, "holds": f"repeatability and {parts.confounded}"} if name == "EV" and parts.confounded else of
    return Estimate(name=NAMES[name] + TOLERANCE, value=tolerance.percent(math.sqrt(s.variance)),
                    low=tolerance.percent(math.sqrt(s.low)), high=tolerance.percent(math.sqrt(s.high)), level=level,
                    unit="%", method=f"{tolerance.words}; {parts.method}", n=_n(name, parts), of=held)


def _categories(grr: Sized, parts: GaugeParts, of: Mapping[str, str], level: float) -> list[Estimate]:
    value, low, high = (categories(x) for x in (grr.share, grr.share_high, grr.share_low))
    if not math.isfinite(value):
        return []
    n = _n("GRR", parts)

    def whole(x: float) -> float:
        return math.floor(x + 1e-9) if math.isfinite(x) else math.nan

    return [Estimate(name=NDC, value=whole(value), low=whole(low), high=whole(high), level=level, n=n, of=of,
                     method=f"1.41 PV / GRR, truncated; {parts.method}"),
            Estimate(name=RATIO, value=value, low=low, high=high if math.isfinite(high) else math.nan, level=level, n=n,
                     of=of, method=f"1.41 PV / GRR; {parts.method}")]


def refused(question: GaugeQuestion, group: GaugeGroup, why: str) -> list[Estimate]:
    """Return the two leading estimates without a value."""
    of = {"question": question.name, **group.labels}
    return [Estimate(name=NAMES["GRR"] + STUDY, value=math.nan, unit="%", of=of, method=f"refused: {why}"),
            Estimate(name=NAMES["GRR"], value=math.nan, unit=group.unit, of=of, method=f"refused: {why}")]
