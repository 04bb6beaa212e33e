"""Parameters of the invented Fellbridge laboratory, and every true value that follows from them.

Nothing here is estimated from the simulated data: each truth is computed from the parameters by closed form
or by quadrature. ``make_demo.py`` draws the data from the same parameters.
"""

from __future__ import annotations

import math
from statistics import NormalDist
from typing import Any

import numpy as np
from numpy.typing import NDArray

FULL_SCALE = 1023.0  # [count], 10-bit output
OFFSET = 3.0  # [count], output of an unloaded sensor

CHECK_USES = (0, 1, 2, *range(5, 61, 5))
CHECK_PRESSURES = (200.0, 400.0, 600.0, 800.0, 1000.0)  # [kPa]
MOUNTINGS = 2
PLANNED_USES = 60
BATCHES = 6
SENSORS_PER_BATCH = 2

# Log sensitivity of sensor i of batch b after u uses: (m0 + B0_b + S0_i) + (m1 + B1_b + S1_i) u.
CONSTRUCTIONS: dict[str, dict[str, float]] = {
    "plain": {"fresh_sensitivity": 1.02, "drift_per_use": -0.0070,
              "batch_sd_start": 0.010, "sensor_sd_start": 0.020,
              "batch_sd_drift": 0.0004, "sensor_sd_drift": 0.0007},
    "laminated": {"fresh_sensitivity": 0.95, "drift_per_use": -0.0036,
                  "batch_sd_start": 0.010, "sensor_sd_start": 0.020,
                  "batch_sd_drift": 0.0002, "sensor_sd_drift": 0.0004},
}
CHECKING: dict[str, float] = {
    "occasion_sd": 0.010,  # of log sensitivity, one value a sensor and use
    "mounting_sd": 0.008,  # of log sensitivity, one value a mounting
    "reading_sd": 2.0,  # [count], one value a reading
    "cell_spread": 0.03,  # relative spread of cell outputs under one pressure
    "reference_sd": 1.0,  # [kPa], how far the bench sets off its nominal pressure (recorded)
    "operator_off": 0.012,  # log reading added by the one operator who is off
    "missed_occasion": 0.04, "missed_mounting": 0.015,
}
LIMITS = {"sensitivity_change": 0.25, "saturation_pressure": 1400.0}  # share, [kPa]
CONTENT, CONFIDENCE = 0.90, 0.95
TOLERANCE = 0.05  # of readings since the last calibration, as a factor 1.05 either way

# Trials, in the unit of the measure; every SD below is multiplied by the region's scale.
REGIONS: dict[str, dict[str, Any]] = {
    "heel": {"measure": "peak pressure", "unit": "kPa", "mean": 260.0, "scale": 1.0},
    "midfoot": {"measure": "peak pressure", "unit": "kPa", "mean": 120.0, "scale": 0.5},
    "forefoot": {"measure": "peak pressure", "unit": "kPa", "mean": 310.0, "scale": 1.0},
    "whole foot": {"measure": "total force", "unit": "N", "mean": 820.0, "scale": 2.0},
}
TRIAL_SD: dict[str, float] = {
    "participant": 40.0, "session": 3.0, "participant x session": 9.0,
    "sensor": 5.0, "participant x sensor": 3.0, "participant x session x sensor": 4.0, "walk": 8.0,
}
GAINS: dict[str, float] = {"equalised": 0.0, "as made": 10.0}  # SD added between sensors, per region
METHODS: dict[str, dict[str, float]] = {
    "bench": {"bias": 0.0, "bias_per_use": 0.0, "participant": 0.0, "sensor": 0.0, "visit": 0.0, "reading": 2.0},
    "stance": {"bias": 1.5, "bias_per_use": 0.0, "participant": 2.0, "sensor": 0.6, "visit": 1.5, "reading": 5.0},
    "gait": {"bias": -10.0, "bias_per_use": -0.6, "participant": 5.0, "sensor": 3.0, "visit": 0.0, "reading": 6.0},
}
WALKERS, VISITS, WALKS = 20, 3, 2
LOST_WALK, LOST_CALIBRATION = 0.02, 0.02
HARMLESS = 25.0  # [kPa]
AGREEMENT_REGION = "forefoot"


def share_within(construction: str, uses: float, *, limit: str | None = None, nodes: int = 400) -> float:
    """Share of new sensors from new batches within the limit after so many uses, state without measurement error.

    ``limit`` is ``"sensitivity_change"``, ``"saturation_pressure"`` or None for both together. The joint share is
    the integral over the slope of the normal probability of the start (Gauss-Legendre on +-8 SD).
    """
    p = CONSTRUCTIONS[construction]
    sd0 = math.hypot(p["batch_sd_start"], p["sensor_sd_start"])
    sd1 = math.hypot(p["batch_sd_drift"], p["sensor_sd_drift"])
    m0, m1 = math.log(p["fresh_sensitivity"]), p["drift_per_use"]
    slope_floor = math.log(1 - LIMITS["sensitivity_change"]) / uses if uses > 0 else -math.inf
    level_floor = math.log((FULL_SCALE - OFFSET) / LIMITS["saturation_pressure"])
    cdf = NormalDist().cdf
    if limit == "sensitivity_change":
        return 1 - cdf((slope_floor - m1) / sd1)
    if limit == "saturation_pressure":
        return 1 - cdf((level_floor - m0 - m1 * uses) / math.hypot(sd0, sd1 * uses))
    low, high = max(slope_floor, m1 - 8 * sd1), m1 + 8 * sd1
    if low >= high:
        return 0.0
    x, w = np.polynomial.legendre.leggauss(nodes)
    slope = low + (high - low) * (x + 1) / 2
    density = np.exp(-0.5 * ((slope - m1) / sd1) ** 2) / (sd1 * math.sqrt(2 * math.pi))
    fit = np.array([1 - cdf((level_floor - m0 - s * uses) / sd0) for s in slope])
    return float(np.sum(w * density * fit) * (high - low) / 2)


def retire_after(construction: str, *, limit: str | None = None, content: float = CONTENT) -> int:
    """Largest whole number of uses up to which at least ``content`` of new sensors stay within the limit."""
    n = 0
    while share_within(construction, n + 1, limit=limit) >= content:
        n += 1
    return n


def recalibrate_every(construction: str, *, tolerance: float = TOLERANCE, content: float = CONTENT) -> int:
    """Largest whole number of uses after a calibration at which ``content`` of new sensors are within the tolerance."""
    p = CONSTRUCTIONS[construction]
    sd1, m1, end = math.hypot(p["batch_sd_drift"], p["sensor_sd_drift"]), p["drift_per_use"], math.log1p(tolerance)
    cdf = NormalDist().cdf

    def within(m: int) -> float:
        return cdf((end / m - m1) / sd1) - cdf((-end / m - m1) / sd1)

    m = 0
    while within(m + 1) >= content:
        m += 1
    return m


def reliability_truth(question: str, region: str, gains: str) -> dict[str, float]:
    """Return true components, coefficients and measurement errors of one of the two reliability questions.

    "another day": one sensor, bench calibration; "another sensor": one visit, bench calibration. What does not
    vary inside the question belongs to the target.
    """
    sd, scale = TRIAL_SD, REGIONS[region]["scale"]
    within = sd["walk"] ** 2 + METHODS["bench"]["reading"] ** 2
    if question == "same person, another day":
        target = sd["participant"] ** 2 + sd["participant x sensor"] ** 2
        facet = sd["session"] ** 2
        both = sd["participant x session"] ** 2 + sd["participant x session x sensor"] ** 2
    else:
        target = sd["participant"] ** 2 + sd["participant x session"] ** 2
        facet = sd["sensor"] ** 2 + GAINS[gains] ** 2
        both = sd["participant x sensor"] ** 2 + sd["participant x session x sensor"] ** 2
    total = target + facet + both + within
    return {"target_sd": scale * math.sqrt(target), "facet_sd": scale * math.sqrt(facet),
            "interaction_sd": scale * math.sqrt(both), "within_sd": scale * math.sqrt(within),
            "ICC(A,1)": target / total, "ICC(C,1)": target / (total - facet),
            "SEM (agreement)": scale * math.sqrt(facet + both + within),
            "SEM (consistency)": scale * math.sqrt(both + within)}


def agreement_truth(method: str, region: str, uses: NDArray[np.float64] | None = None) -> dict[str, float]:
    """Return true bias (method - bench) and 95 % limits for a new person and sensor over uses made equally often.

    Over several uses the limits are those of the normal approximation, bias +- 1.96 SD of all differences, which
    is what limits of agreement estimate.
    """
    m, scale = METHODS[method], REGIONS[region]["scale"]
    u = np.arange(WALKERS * VISITS, dtype=np.float64) if uses is None else np.asarray(uses, dtype=np.float64)
    bias = m["bias"] + m["bias_per_use"] * float(u.mean())
    variance = (sum(m[k] ** 2 for k in ("participant", "sensor", "visit", "reading"))
                + METHODS["bench"]["reading"] ** 2 + m["bias_per_use"] ** 2 * float(u.var()))
    half = 1.959963984540054 * math.sqrt(variance)
    return {"bias": scale * bias, "SD of differences": scale * math.sqrt(variance),
            "lower limit": scale * (bias - half), "upper limit": scale * (bias + half)}


def rounded(value: Any) -> Any:
    """Round every float to nine significant digits, so that the file is the same on every machine."""
    if isinstance(value, dict):
        return {k: rounded(v) for k, v in value.items()}
    if isinstance(value, list):
        return [rounded(v) for v in value]
    return float(f"{value:.9g}") if isinstance(value, float) else value


def truth(seed: int) -> dict[str, Any]:
    """Everything ``truth.json`` holds."""
    wear: dict[str, Any] = {}
    for name, p in CONSTRUCTIONS.items():
        m0, m1 = math.log(p["fresh_sensitivity"]), p["drift_per_use"]
        counts = {limit: retire_after(name, limit=limit) for limit in LIMITS}
        both = retire_after(name)
        wear[name] = {
            "drift per use": m1, "drift per use, percent": 100 * math.expm1(m1),
            "growth of saturation pressure per use, percent": 100 * math.expm1(-m1),
            "sensitivity at use 0": p["fresh_sensitivity"],
            "saturation pressure at use 0": (FULL_SCALE - OFFSET) / p["fresh_sensitivity"],
            "SD of drift, new sensor of a new batch": math.hypot(p["batch_sd_drift"], p["sensor_sd_drift"]),
            "SD of start, new sensor of a new batch": math.hypot(p["batch_sd_start"], p["sensor_sd_start"]),
            "retire after": {**counts, "all limits": both},
            "recalibrate every": recalibrate_every(name),
            "share within at retire after": share_within(name, both),
            "share within one use later": share_within(name, both + 1),
            "average sensor crosses": {
                "sensitivity_change": math.log(1 - LIMITS["sensitivity_change"]) / m1,
                "saturation_pressure": (math.log((FULL_SCALE - OFFSET) / LIMITS["saturation_pressure"]) - m0) / m1},
        }
    reliability = {
        question: {region: {gains: reliability_truth(question, region, gains) for gains in GAINS}
                   for region in REGIONS}
        for question in ("same person, another day", "same person, another sensor")}
    agreement = {
        f"{method} against bench": {region: {
            "over uses 0 to 59": agreement_truth(method, region),
            "by use": {str(u): agreement_truth(method, region, np.array([float(u)])) for u in (0, 15, 30, 45, 59)},
        } for region in REGIONS} for method in ("stance", "gait")}
    return rounded({
        "invented": True, "seed": seed,
        "parameters": {"full_scale": FULL_SCALE, "offset": OFFSET, "constructions": CONSTRUCTIONS,
                       "checking": CHECKING, "limits": LIMITS, "content": CONTENT, "confidence": CONFIDENCE,
                       "regions": REGIONS, "trial_sd": TRIAL_SD, "gains_sd": GAINS, "methods": METHODS,
                       "harmless": HARMLESS},
        "wear": wear, "reliability": reliability, "agreement": agreement,
        "interchangeable": {"stance against bench": True, "gait against bench": False},
    })
