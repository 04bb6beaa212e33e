"""Measurement error in the reading's own unit: SEM, smallest real change, repeatability, coefficient of variation.

Beside a coefficient these are what a laboratory acts on: they do not depend on how different the people are.

References
----------
Bland JM, Altman DG (1996). Statistics notes: Measurement error. BMJ 313:744; and Measurement error
    proportional to the mean. BMJ 313:106.
Weir JP (2005). Quantifying test-retest reliability using the intraclass correlation coefficient and the SEM.
    Journal of Strength and Conditioning Research 19:231-240.
Graybill FA, Wang CM (1980). JASA 75:869-873 (modified large-sample interval).
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from drift.engine.meansquares import Interval, chi_square_sd
from drift.engine.pivotal import difference_interval
from drift.reliability.components import NO_INTERVAL, Components
from drift.reliability.error_logs import log_sizes, variation
from drift.reliability.error_sizes import (
    CHANGE,
    ErrorSize,
    Kind,
    Reading,
    around,
    in_percent,
    mean_of_all,
    root,
    sem,
)
from drift.reliability.rows import Group
from drift.reliability.spread import ALPHA, kendall, spread_grows
from drift.reliability.words import plural

__all__ = ["CHANGE", "ErrorSize", "error_sizes", "kendall", "pooled_repeatability", "spread_grows"]

NOTHING: tuple[Interval, str] = (NO_INTERVAL, "no spread, no interval")


def pooled_repeatability(reading_sd: ArrayLike, reading_n: ArrayLike) -> tuple[float, int]:
    """Pool standard deviations of rows that are already means.

    Parameters
    ----------
    reading_sd : array_like of float, shape (n_rows,)
        SD of the readings behind each row; rows with NaN are left out.
    reading_n : array_like of float, shape (n_rows,)
        Number of those readings.

    Returns
    -------
    sd : float
        sqrt(sum (n - 1) s^2 / sum (n - 1)); NaN without a row of two or more readings.
    df : int
        sum (n - 1).

    References
    ----------
    NIST/SEMATECH e-Handbook of Statistical Methods, section 2.6.1.2 (level-1 standard deviations).
    """
    sd, n = np.asarray(reading_sd, dtype=np.float64), np.asarray(reading_n, dtype=np.float64)
    good = np.isfinite(sd) & np.isfinite(n) & (n > 1)
    df = n[good] - 1
    total = float(df.sum())
    return (math.sqrt(float(df @ sd[good] ** 2) / total), round(total)) if total > 0 else (math.nan, 0)


def error_sizes(parts: Components, group: Group, *, level: float, target: str = "target",
                facet: str = "facet level") -> tuple[ErrorSize, ...]:
    """Return SEM, MDC, repeatability coefficient and within-target CV of one group.

    Parameters
    ----------
    parts : Components
    group : Group
        The readings that ``parts`` were computed from.
    level : float
        Confidence level, two-sided.
    target, facet : str
        Column names, for the words that say which figure belongs to which situation.

    Returns
    -------
    tuple of ErrorSize
        One reading first, then means over all facet levels and over the replicates of a cell; each in the unit
        and, where the mean is positive, in percent of it; then what comes from logarithms.

    Notes
    -----
    SEM (agreement) = sqrt(facet + interaction + residual variance), SEM (consistency) leaves the facet out;
    MDC = 1.96 sqrt(2) SEM. The mean over k facet levels has SEM / sqrt(k), the mean of m replicates of a cell
    only its within-cell variance divided by m. A facet variance estimated below zero counts as zero. Where the
    facet levels are fixed, the facet variance is theta^2 = sum (b_j - mean)^2 / (k - 1) and its interval is that
    of fixed offsets.
    """
    sizes = sizes_in_unit(parts, level=level, target=target, facet=facet)
    if not parts.average:
        sizes += variation(group, level)
        sizes += _rows_that_are_means(parts, group, level)
    tau, p, _ = spread_grows(group)
    if math.isfinite(p) and p < ALPHA and tau > 0:
        sizes += [replace(s, when=_when(s.name[:3], "agreement" if "agree" in s.name else "consistency", target, facet))
                  for s in log_sizes(parts, group, level=level, target=target, facet=facet)]
    return tuple(sizes)


def sizes_in_unit(parts: Components, *, level: float, target: str, facet: str) -> list[ErrorSize]:
    """Return what follows from the components alone: SEM, MDC and repeatability, in the unit and in percent."""
    k = parts.shape[1]
    sizes = _pair(parts, level, target, facet)
    sizes.append(_repeatability(parts, sizes[0], level, target, facet))
    sizes += _means_of_levels(sizes[:4], k, facet)
    m = replicates_averaged(parts)
    if m > 1:
        sizes += _pair(parts, level, target, facet, m)
    if parts.mean > 0:
        mean_ends = mean_of_all(parts, level)
        sizes += [in_percent(s, parts.mean, mean_ends) for s in sizes]
    return sizes


def replicates_averaged(parts: Components) -> int:
    """Return how many replicates of a cell a mean row is about; 1 where cells do not all hold two or more."""
    return int(1 / parts.pivots.inverse_m + 1e-9) if parts.pivots is not None and parts.replicated else 1


def _pair(parts: Components, level: float, target: str, facet: str, mean_of: int = 1) -> list[ErrorSize]:
    """SEM and MDC, agreement and consistency, of one reading or of the mean of the replicates of a cell."""
    found = []
    reading: Reading = "replicates" if mean_of > 1 else "one"
    both: dict[Kind, tuple[float, Interval, str]] = {kind: sem(parts, kind, level, mean_of)
                                                     for kind in ("agreement", "consistency")}
    for name, factor in (("SEM", 1.0), ("MDC", CHANGE)):
        for kind, (value, ends, method) in both.items():
            how = method if name == "SEM" else f"1.96 sqrt(2) SEM; {method}"
            found.append(ErrorSize(name=f"{name} ({kind})", value=factor * value, low=factor * ends[0],
                                   high=factor * ends[1], method=how, reading=reading, of=mean_of,
                                   when=_when(name, kind, target, facet, reading, mean_of)))
    return found


def _means_of_levels(sizes: list[ErrorSize], k: int, facet: str) -> list[ErrorSize]:
    return [replace(s, value=s.value / math.sqrt(k), low=s.low / math.sqrt(k), high=s.high / math.sqrt(k),
                    method=f"{s.method}; over sqrt({k})", reading="levels", of=k,
                    when=_when(s.name[:3], "agreement" if "agree" in s.name else "consistency", "", facet, "levels", k))
            for s in sizes]


def _when(name: str, kind: Kind, target: str, facet: str, reading: Reading = "one", of: int = 1) -> str:
    """Say which situation a figure belongs to."""
    many = plural(facet)
    what = {"one": "reading", "levels": f"mean over {of} {many}", "replicates": f"mean of {of} replicates"}[reading]
    several = {"one": "readings", "levels": f"means over {of} {many}",
               "replicates": f"means of {of} replicates"}[reading]
    if name == "SEM":
        who = f"any {facet}" if kind == "agreement" else f"a {facet} used throughout"
        return f"{what} with {who}" if reading != "levels" else (
            f"{what}, any {of}" if kind == "agreement" else f"{what}, the same ones throughout")
    if reading == "levels":
        return f"change between two {several}: " + ("other ones each time" if kind == "agreement" else
                                                    "the same ones both times")
    return f"change between {several} with " + (f"different {many}" if kind == "agreement" else
                                                f"the same {facet}: its offset cancels")


def _repeatability(parts: Components, agreement: ErrorSize, level: float, target: str, facet: str) -> ErrorSize:
    """1.96 sqrt(2) within-cell SD with replicates, within-target SD without (Bland & Altman 1996).

    Without replicates the within-target variance is that of the agreement SEM (facet + residual) and has its
    interval: a chi-square on all within-target degrees of freedom takes the few facet offsets for scatter that
    every target draws anew, and held the truth in 38 % of simulated studies (20 x 2, facet share 0.16).
    """
    if parts.replicated:
        ss, df, what = parts.design.ss_within, parts.design.df_within, "readings of one cell"
        ends, how = (chi_square_sd(ss / df, df, level), "exact chi-square interval") if ss > 0 else NOTHING
        when = f"two readings of one {target} with the same {facet}, repeated"
    else:
        ss, df, what = parts.flat.ss_within, parts.flat.df_within, "all readings of a target, whatever the facet level"
        ends, how = ((agreement.low, agreement.high), agreement.method) if ss > 0 else NOTHING
        when = f"two readings of one {target}, whatever the {facet}"
    low, high = around(math.sqrt(ss / df), ends)
    return ErrorSize(name="repeatability coefficient", value=CHANGE * math.sqrt(ss / df), low=CHANGE * low,
                     high=CHANGE * high, method=f"1.96 sqrt(2) SD between {what}; {how}", when=when)


def _rows_that_are_means(parts: Components, group: Group, level: float) -> list[ErrorSize]:
    """Take the known scatter behind rows that are means (``reading_sd``, ``reading_n``) out of the residual.

    The first is the SD of single readings, the second what varies between rows of one cell (or, without
    replicates, between cells about the additive model) beyond the scatter of their readings / n.
    """
    sd, df = pooled_repeatability(group.reading_sd, group.reading_n)
    p = parts.pivots
    if df == 0 or sd == 0 or p is None:
        return []
    low, high = chi_square_sd(sd**2, df, level)
    good = np.isfinite(group.reading_n) & (group.reading_n > 1)
    share = float(np.mean(1.0 / group.reading_n[good]))
    rows, row_df = (p.ss_within / p.df_within, p.df_within) if p.df_within else (p.ss_inner / p.df_inner, p.df_inner)
    ends = root(difference_interval((rows, row_df), (sd**2, df), share, level))
    return [ErrorSize(name="SD of single readings within a row", value=sd, low=low, high=high,
                      when="readings behind one row", method=f"pooled over rows with {df} degrees of freedom, exact "
                      "chi-square interval"),
            ErrorSize(name="SD between rows beyond their readings", value=math.sqrt(max(rows - share * sd**2, 0.0)),
                      low=ends[0], high=ends[1], when="rows, the scatter of their readings taken out",
                      method="mean square between rows less the pooled variance of a row's mean, generalised pivotal "
                      "interval")]
