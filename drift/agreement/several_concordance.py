"""Overall concordance of several methods, with the interval that suits what repeats."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.agreement.several_found import Found
from drift.engine.concordance import overall_concordance
from drift.engine.concordance_overall import jackknife_z, overall_interval
from drift.engine.concordance_strata import PairStrata, repeated_strata, unlinked_strata
from drift.results import Estimate

FloatArray = NDArray[np.float64]
FEWEST_TARGETS, FEWEST_LEVELS = 5, 3
MOST_LEFT_OUT = 200


def overall(found: Found, level: float, rng: np.random.Generator) -> Estimate:
    """Overall concordance correlation of the methods.

    One reading a cell: Barnhart, Haber & Song (2002), divisor n - 1, pivotal interval, targets that every method read.
    Repeats: covariances and variances of the pairs by components (Carrasco & Jover 2003), put together alike; interval
    by the jackknife over targets (or over sensors, whichever is wider) of the moments, on Fisher's z.
    """
    cells, structure = found.cells, found.structure
    n = structure.n_units
    whole = cells.table[np.isfinite(cells.table).all(axis=1)]
    if structure.kind == "simple":
        return _simple(found, whole, level, rng)
    try:
        value = _by_components(found)
    except (ValueError, ArithmeticError, np.linalg.LinAlgError):
        value = math.nan
    if not math.isfinite(value):
        return Estimate(name="overall CCC", value=math.nan, of=found.of, n=n, method="not computed")
    ends, how = _jackknife(found, value, level)
    there = math.isfinite(ends[0])
    return Estimate(name="overall CCC", value=value, low=ends[0], high=ends[1], level=level if there else math.nan,
                    of=found.of, n=n, method=f"variance components of all pairs; {how if there else 'no interval'}")


def _simple(found: Found, whole: FloatArray, level: float, rng: np.random.Generator) -> Estimate:
    gaps = len(whole) < len(found.cells.table)
    how = f"Barnhart et al. 2002, divisor n - 1{', targets that every method read' if gaps else ''}"
    if len(whole) < 2 or not np.ptp(whole) > 0:
        return Estimate(name="overall CCC", value=math.nan, of=found.of, n=len(whole), method="not computed")
    value = overall_concordance(whole).value
    ends = overall_interval(whole, level, rng=rng) if len(whole) >= FEWEST_TARGETS else (math.nan, math.nan)
    there = math.isfinite(ends[0]) and math.isfinite(value)
    return Estimate(name="overall CCC", value=value, low=ends[0] if there else math.nan,
                    high=ends[1] if there else math.nan, level=level if there else math.nan, of=found.of, n=len(whole),
                    method=f"{how}; {'pivotal interval' if there else 'no interval'}")


def _by_components(found: Found) -> float:
    top, bottom = 0.0, 0.0
    for p in found.pairs:
        if p.analysis is None:
            return math.nan
        strata: PairStrata
        if p.structure.kind == "unpaired":
            assert p.group.readings is not None
            strata = unlinked_strata(*p.group.readings)
        elif p.structure.kind == "repeated" and p.analysis.fit is not None:
            strata = repeated_strata(p.group.a, p.group.b, p.structure.codes, differences=p.analysis.strata)
        else:
            return math.nan
        vd, vs, _ = strata.covariance
        top += (vs - vd) / 2
        bottom += (vs + vd) / 2 + max(strata.bias**2 - strata.bias_variance, 0.0)
    return top / bottom if bottom > 0 else math.nan


def _jackknife(found: Found, value: float, level: float) -> tuple[tuple[float, float], str]:
    """Leave out targets in turn, and sensors where those are a factor too; the wider interval counts."""
    cells = found.cells
    whole = np.asarray(np.isfinite(cells.table).all(axis=1), dtype=bool)
    if cells.loose is not None:
        number = len(cells.key)
        groups = [np.arange(number) % MOST_LEFT_OUT if number > MOST_LEFT_OUT else np.arange(number)]
    else:
        groups = []
        for values in (cells.target, cells.sensor):
            if values is not None:
                code = np.unique(values[whole].astype(str), return_inverse=True)[1].reshape(-1)
                groups.append(code % MOST_LEFT_OUT)
    best, widest = (math.nan, math.nan), -1.0
    for code in groups:
        left = np.unique(code)
        if len(left) < FEWEST_LEVELS:
            return (math.nan, math.nan), ""
        centre = _moments(found, whole, np.asarray(code >= 0, dtype=bool))
        values = np.array([_moments(found, whole, np.asarray(code != g, dtype=bool)) for g in left])
        # Moments stand in for components: their jackknife is moved to the estimate on the scale of z.
        low, high = jackknife_z(centre, values, level)
        if not math.isfinite(low):
            continue
        shift = math.atanh(value) - (math.atanh(low) + math.atanh(high)) / 2 if abs(value) < 1 else 0.0
        low, high = math.tanh(math.atanh(low) + shift), math.tanh(math.atanh(high) + shift)
        if high - low > widest:
            best, widest = (low, high), high - low
    return best, "jackknife over targets on Fisher's z"


def _moments(found: Found, whole: NDArray[np.bool_], keep: NDArray[np.bool_]) -> float:
    cells = found.cells
    if cells.loose is None:
        return overall_concordance(cells.table[whole][keep]).value
    table = cells.table[keep]
    table = table[np.isfinite(table).all(axis=1)]
    k = table.shape[1]
    extra = np.zeros(k)
    for j, (values, code) in enumerate(cells.loose):
        inside = keep[code]
        number = np.bincount(code[inside], minlength=len(keep)).astype(float)
        means = np.bincount(code[inside], weights=values[inside], minlength=len(keep)) / np.maximum(number, 1)
        nu = float(inside.sum() - np.sum(number > 0))
        if nu > 0:
            within = float(np.sum((values[inside] - means[code[inside]]) ** 2)) / nu
            extra[j] = within * (1 - float(np.mean(1 / number[number > 0])))
    mean, s = table.mean(axis=0), np.cov(table, rowvar=False)
    total = float(np.trace(s) + extra.sum())
    apart = k * float(np.sum((mean - mean.mean()) ** 2))
    return float((s.sum() - np.trace(s)) / ((k - 1) * total + apart))
