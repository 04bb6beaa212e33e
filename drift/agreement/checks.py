"""The checks a reader owes to limits of agreement: trend, spread, normality, outliers, drift with use."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.engine.difference_checks import breusch_pagan, deleted_residuals, shapiro_wilk
from drift.engine.limits_of_agreement import t_quantile
from drift.engine.paired_components import fit_paired
from drift.engine.paired_regression import of_occasions
from drift.engine.regression_limits import regression_limits

FloatArray = NDArray[np.float64]
ALPHA = 0.05
GROWS = "the spread grows with the size of the reading"
FALLS = "the spread falls with the size of the reading"


@dataclass(frozen=True, kw_only=True)
class Check:
    """One check: what was looked at, what was found, whether it holds."""

    name: str
    statistic: str
    value: float = math.nan
    low: float = math.nan
    high: float = math.nan
    p: float = math.nan
    words: str = ""

    @property
    def holds(self) -> str:
        """``"yes"``, ``"no"`` or ``"not judged"``."""
        if not math.isfinite(self.p):
            return "not judged"
        return "yes" if self.p >= ALPHA else "no"


def _slope(x: FloatArray, y: FloatArray, structure: Structure, level: float) -> tuple[float, float, float, float]:
    """Slope of y on x with interval and p-value, by least squares or by the mixed model of the structure."""
    from scipy import special

    line = regression_limits(x, y)
    if not line.residual_sd > 1e-9 * float(np.std(y)):  # differences on a line: nothing is left to be uncertain about
        return line.slope, line.slope, line.slope, 0.0 if abs(line.slope) > 0 else 1.0
    if structure.kind == "repeated":
        codes: Sequence[NDArray[np.int64]] = structure.codes
        if structure.occasion is not None:  # pairs of one occasion may resemble each other: each occasion counts once
            codes, (x, y) = of_occasions(structure.occasion.code, structure.codes, x, y)
        centre, scale = float(np.mean(x)), float(np.std(x))
        fit = fit_paired(y, codes, X=np.column_stack([np.ones_like(x), (x - centre) / scale]))
        slope, se = float(fit.beta[1]) / scale, float(np.sqrt(fit.cov_beta[1, 1])) / scale
        df = max(structure.n_targets - 2.0, 1.0)
    else:
        slope, se, df = line.slope, line.slope_se, line.df
    if not se > 1e-12 * (abs(slope) + float(np.std(y)) / float(np.std(x)) * 1e-3 + 1e-300):
        return slope, slope, slope, 1.0 if abs(slope) < 1e-9 else 0.0
    half = t_quantile(0.5 + level / 2, df) * se
    return slope, slope - half, slope + half, float(2 * special.stdtr(df, -abs(slope) / se))


def _varies(x: FloatArray) -> bool:
    return bool(np.ptp(x) > 1e-9 * max(1e-300, float(np.max(np.abs(x)))))


def trend_check(group: Group, structure: Structure, level: float) -> Check:
    """Slope of differences on means (Bland & Altman 1999, section 3)."""
    how = "slope of difference on mean" + (", mixed model" if structure.kind == "repeated" else "")
    if len(group.a) < 4 or not _varies(group.mean) or not _varies(group.difference):
        return Check(name="trend with size", statistic=how, words="the readings or differences do not vary")
    slope, low, high, p = _slope(group.mean, group.difference, structure, level)
    words = "differences change with the size of the reading" if p < ALPHA else "no trend with size seen"
    return Check(name="trend with size", statistic=how, value=slope, low=low, high=high, p=p, words=words)


def spread_check(group: Group, structure: Structure, level: float) -> Check:
    """Spread of differences against the mean: Breusch-Pagan, or absolute residuals in repeated designs."""
    x, d = group.mean, group.difference
    repeated = structure.kind == "repeated"
    how = "slope of absolute residual on mean, mixed model" if repeated else "Breusch-Pagan, studentised"
    if len(d) < 4 or not _varies(x) or not _varies(d):
        return Check(name="spread with size", statistic=how, words="the readings or differences do not vary")
    line = regression_limits(x, d)
    residual = d - line.intercept - line.slope * x
    if not np.std(residual) > 1e-9 * np.std(d):
        return Check(name="spread with size", statistic=how, words="the differences lie on a line")
    if repeated:
        slope, low, high, p = _slope(x, np.abs(residual), structure, level)
        made = {"value": slope, "low": low, "high": high, "p": p}
    else:
        statistic, p = breusch_pagan(x, residual)
        slope, made = line.abs_slope, {"value": statistic, "p": p}
    words = "no change of spread with size seen" if p >= ALPHA else GROWS if slope > 0 else FALLS
    return Check(name="spread with size", statistic=how, words=words, **made)


def shapiro(values: FloatArray) -> tuple[float, float]:
    """Shapiro-Wilk W and p, on at most 5,000 evenly taken order statistics."""
    x = np.sort(values)
    if len(x) > 5000:
        x = x[np.linspace(0, len(x) - 1, 5000).round().astype(int)]
    return shapiro_wilk(x)


def _parts(group: Group, structure: Structure) -> list[tuple[str, FloatArray, NDArray[np.object_]]]:
    """Return what should be normal: differences, or target means and deviations from them."""
    d = group.difference
    if structure.kind != "repeated":
        return [("differences", d, group.key)]
    parts = []
    rest = d - d.mean()
    for name, code in zip(structure.factors, structure.codes, strict=True):
        number = np.bincount(code)
        means = np.bincount(code, weights=d) / number
        first = np.array([int(np.nonzero(code == c)[0][0]) for c in range(len(number))])
        source = group.sensor if group.sensor is not None and name != structure.factors[0] else group.target
        if len(structure.factors) == 1 and group.sensor is not None and len(number) == len(set(group.sensor)):
            source = group.sensor
        parts.append((f"means of {name}", means, np.array([f"{name} {source[j]}" for j in first], dtype=object)))
        rest = rest - (np.bincount(code, weights=rest) / number)[code]
    return [*parts, ("deviations within", rest, group.key)]


def normality_checks(group: Group, structure: Structure) -> list[Check]:
    """Shapiro-Wilk of each part of the differences that should be normal; look at the plot first."""
    made = []
    for name, values, _ in _parts(group, structure):
        if len(values) < 4 or not _varies(values - values.mean()) or np.std(values) < 1e-9 * np.std(group.difference):
            made.append(Check(name=f"normality of {name}", statistic="Shapiro-Wilk W", words="too few or no spread"))
            continue
        w, p = shapiro(values)
        words = "not normal" if p < ALPHA else "no departure from normal seen"
        made.append(Check(name=f"normality of {name}", statistic="Shapiro-Wilk W", value=w, p=p, words=words))
    return made


def outliers(group: Group, structure: Structure) -> list[tuple[str, str, float]]:
    """Name what stands out at a Bonferroni 5 % level: (part, key, studentised deviation)."""
    found = []
    for name, values, keys in _parts(group, structure):
        t, limit = deleted_residuals(values)
        found += [(name, str(keys[j]), float(t[j])) for j in np.nonzero(np.abs(t) > limit)[0]]
    return found


@dataclass(frozen=True, kw_only=True)
class UseTrend:
    """Slope of the difference on use, with the way it was obtained."""

    slope: float
    se: float
    low: float
    high: float
    p: float
    n: int
    method: str


def trend_with_use(group: Group, structure: Structure, level: float, *, target: str,
                   sensor: str | None) -> UseTrend | None:
    """Slope of differences on use, counted over sensors (or targets), never over rows.

    Where sensors were seen along use each has a line of its own and the mean slope gets a t interval over sensors:
    slopes of sensors may differ, and rows of one sensor are not independent. Otherwise the slope is taken within the
    model of the structure.
    """
    from drift.agreement.along_use_model import NotAlongError, along_of
    from drift.agreement.along_use_terms import slope_term

    use, d = group.use, group.difference
    if use is None or group.readings is not None or len(d) < 5 or not _varies(use) or not _varies(d):
        return None
    try:
        along = along_of(group, structure, target=target, sensor=sensor)
    except NotAlongError:
        slope, low, high, p = _slope(use, d, structure, level)
        how = "least squares slope" if structure.kind != "repeated" else "slope in the mixed model (REML)"
        return UseTrend(slope=slope, se=math.nan, low=low, high=high, p=p, n=structure.n_targets,
                        method=f"{how}, t interval; slopes of sensors taken as equal")
    found = slope_term(along, level, group.unit, group.exposure)
    return UseTrend(slope=found.value, se=math.sqrt(float(along.slope.mean_variance[0])), low=found.low,
                    high=found.high, p=found.p, n=along.n_lines, method=found.method)
