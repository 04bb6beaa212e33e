"""What the data say of a protocol: do equalised sheets repeat better, is load missing, which method agrees best."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.items.data_tests import cells_of, coded
from drift.items.evidence import Evidence, of_name
from drift.records import TRIAL_KEYS
from drift.results import Estimate, Result, format_interval, join_words
from drift.units import FORCE, PRESSURE

Floats = NDArray[np.float64]
_EQUALISED = re.compile(r"(gains )?equali[sz]ed", re.IGNORECASE)
_PLAIN = re.compile(r"(not equali[sz]ed|as made|raw|unequali[sz]ed|none|plain)", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Ratio:
    """Ratio of two SDs of paired deviations, with its interval."""

    value: float
    low: float
    high: float
    df: int


def paired_sd_ratio(x: Floats, y: Floats, df: int, *, level: float = 0.95) -> Ratio | None:
    """Estimate the ratio of the SDs of x and y, which come in pairs.

    Parameters
    ----------
    x, y : array, shape (n_pairs,)
        Deviations from the means of their cells.
    df : int
        Degrees of freedom of each, less than the number of pairs because means were taken out.
    level : float

    Returns
    -------
    Ratio or None
        None with fewer than three degrees of freedom or without spread.

    Notes
    -----
    The variances are equal just when x + y and x - y are uncorrelated (Pitman 1939; Morgan 1939); turned round, the
    interval of the ratio w of variances is w (K +- sqrt(K^2 - 1)) with K = 1 + 2 (1 - r^2) t^2 / (df - 1). Taking the
    two as independent (F distribution) is too wide where pairs resemble each other.

    References
    ----------
    Pitman EJG (1939), Biometrika 31, 9-12, section 2.
    """
    from scipy.special import stdtrit

    sxx, syy, sxy = float(x @ x), float(y @ y), float(x @ y)
    if df < 3 or not (sxx > 0 and syy > 0):
        return None
    r = min(1.0, max(-1.0, sxy / math.sqrt(sxx * syy)))
    t = float(stdtrit(df - 1, (1 + level) / 2))
    k = 1 + 2 * (1 - r * r) * t * t / (df - 1)
    root = math.sqrt(max(0.0, k * k - 1))
    w = sxx / syy
    return Ratio(value=math.sqrt(w), low=math.sqrt(w * (k - root)), high=math.sqrt(w * (k + root)), df=df)


def gain_labels(e: Evidence) -> tuple[str, str, str] | None:
    """Return the column that tells equalised from plain gains, and the two labels; None where there is none."""
    trials = e.trials
    if trials is None:
        return None
    for column, values in trials.columns.items():
        if values.dtype.kind == "f":
            continue
        names = sorted({str(v) for v in values if v is not None})
        if column == "equalised" and {n.casefold() for n in names} <= {"yes", "no", "true", "false"}:
            yes = [n for n in names if n.casefold() in ("yes", "true")]
            no = [n for n in names if n.casefold() in ("no", "false")]
        else:
            yes = [n for n in names if _EQUALISED.fullmatch(n)]
            no = [n for n in names if _PLAIN.fullmatch(n)]
        if len(yes) == 1 and len(no) == 1:
            return column, yes[0], no[0]
    return None


def pressure_rows(e: Evidence) -> NDArray[np.bool_]:
    """Return the rows of the trials whose reading is a pressure."""
    trials = e.trials
    rows = e.rows({})
    if trials is None or "measure" not in trials:
        return rows & (trials is not None and trials.units.get("reading") == PRESSURE)
    own = {m: trials.units.get(f"reading[{m}]", trials.units.get("reading", "")) for m in set(e.words("measure"))}
    return rows & np.array([own[m] == PRESSURE for m in e.words("measure")], dtype=np.bool_)


def repeats_by_gains(e: Evidence) -> tuple[Ratio, str, str] | None:
    """Compare repeats of one recording's cell with equalised and with plain gains.

    Deviations are in the reading's unit; those of a region or measure are divided by their common SD, so that each
    counts alike.

    Returns
    -------
    (ratio of SDs, label equalised, label plain) or None
    """
    found = gain_labels(e)
    trials = e.trials
    if found is None or trials is None or "replicate" not in trials:
        return None
    column, yes, no = found
    rows = pressure_rows(e) & np.isin(e.words(column).astype(str), [yes, no]) & (trials["reading"] > 0)
    keys = [c for c in TRIAL_KEYS if c in trials and c not in ("replicate", column)]
    if not rows.any() or not keys:
        return None
    cell = cells_of([e.words(c)[rows] for c in keys])
    mark, _ = coded(e.words("replicate")[rows])
    is_yes = e.words(column)[rows].astype(str) == yes
    values = trials["reading"][rows]
    width = int(mark.max()) + 1
    grid = np.full((2, int(cell.max()) + 1, width), np.nan)
    grid[0][cell[is_yes], mark[is_yes]] = values[is_yes]
    grid[1][cell[~is_yes], mark[~is_yes]] = values[~is_yes]
    both = np.isfinite(grid).all(axis=0)
    grid = np.where(both, grid, np.nan)
    several = both.sum(axis=1) > 1
    if not several.any():
        return None
    kept = grid[:, several]
    away = kept - np.nanmean(kept, axis=2, keepdims=True)
    kinds = np.zeros(int(cell.max()) + 1, dtype=np.intp)
    of_kind = [e.words(c)[rows] for c in ("region", "measure") if c in trials]
    if of_kind:
        kinds[cell] = cells_of(of_kind)
    kinds = kinds[several]
    for k in np.unique(kinds):
        away[:, kinds == k] /= np.nanstd(away[:, kinds == k]) or 1.0
    deviations = away.reshape(2, -1)
    there = np.isfinite(deviations).all(axis=0)
    df = int(both[several].sum() - several.sum())
    ratio = paired_sd_ratio(deviations[0][there], deviations[1][there], df)
    return None if ratio is None else (ratio, yes, no)


def sem_by_gains(e: Evidence) -> list[str]:
    """Return the SEM over sensors with equalised and with plain gains, where a question repeats itself by them."""
    found = gain_labels(e)
    if found is None:
        return []
    column, yes, no = found
    said = []
    for q, part in e.reliability:
        if column not in q.by:
            continue
        sems = of_name(part, "SEM (agreement)", "SEM (absolute)")
        for x in (s for s in sems if s.of.get(column) == yes):
            rest = {k: v for k, v in x.of.items() if k != column}
            other = next((s for s in sems if s.of.get(column) == no and {k: v for k, v in s.of.items() if k != column}
                          == rest), None)
            if other is not None:
                where = ", ".join(f"{k} {v}" for k, v in rest.items() if k != "question")
                said.append(f"{_short(x)} against {_short(other)}{f' in {where}' if where else ''} ({q.name})")
    return said


def _short(x: Estimate) -> str:
    return f"{format_interval(x.value, x.low, x.high)} {x.unit}".strip()


def outer(part: Result, method: str | None = None) -> tuple[Estimate, float] | None:
    """Return the outer limit of agreement of a question and its distance from zero; of one method among several."""
    if method is not None:
        found = [x for x in of_name(part, "limit of agreement with the mean") if x.of.get("method") == method]
    else:
        found = [x for x in of_name(part, "lower limit", "upper limit") if math.isfinite(x.value)]
    found = [x for x in found if math.isfinite(x.value)]
    if not found:
        return None
    far = max(found, key=lambda x: abs(x.value))
    return far, abs(far.value)


def limits_text(part: Result) -> str:
    """Return the limits of a question for a sentence."""
    ends = {x.name: x for x in of_name(part, "lower limit", "upper limit")}
    if len(ends) < 2:
        return ""
    low, high = ends["lower limit"], ends["upper limit"]
    from drift.results import decimals_for

    d = min(decimals_for(x.low, x.high, x.value) for x in (low, high))
    return f"{low.value:.{d}f} to {high.value:.{d}f} {high.unit}".replace("-", "\N{MINUS SIGN}")


def missing_load(e: Evidence, method: str | None = None) -> tuple[str, bool | None]:
    """Say whether total force went missing, and whether that is so; None where it cannot be told.

    Only readings of ``method`` are looked at where the trials have it: another calibration may read low by itself.
    """
    trials = e.trials
    if trials is None:
        return "there are no trials", None
    share = e.study.screening.force_fraction
    forces = _force_rows(e)
    if method is not None and "method" in trials and method in set(e.words("method")):
        forces = forces & (e.words("method") == method)
    if not forces.any():
        return "no total force is among the trials, so that load off the sheet cannot be seen", None
    force = trials["reading"][forces]
    if "reference" in trials and np.isfinite(trials["reference"][forces]).any():
        known = trials["reference"][forces]
        with np.errstate(invalid="ignore", divide="ignore"):
            low = (force / known) < share
        n = int(np.isfinite(known).sum())
        return (f"{int(low.sum())} of {n} recordings with a known force show less than {100 * share:g} % of it",
                bool(low.any()))
    target = next((c for c in ("participant", "target", "object") if c in trials), None)
    if target is None:
        return "the total force has no known value to compare with (column reference)", None
    who, _ = coded(e.words(target)[forces])
    middle = np.array([np.median(force[who == w]) for w in range(int(who.max()) + 1)])
    low = force < share * middle[who]
    return (f"no known force stands beside the total force; set against each {target}'s own median, {int(low.sum())} "
            f"of {len(force)} recordings read less than {100 * share:g} %", bool(low.any()))


def _force_rows(e: Evidence) -> NDArray[np.bool_]:
    trials = e.trials
    assert trials is not None
    rows = e.rows({})
    if "measure" in trials:
        named = np.array(["force" in str(m).casefold() for m in e.words("measure")], dtype=np.bool_)
        return np.asarray(rows & named & (trials["reading"] > 0), dtype=np.bool_)
    whole = trials.units.get("reading") == FORCE
    return np.asarray(rows & whole, dtype=np.bool_)


def outside_range(e: Evidence) -> tuple[str, float] | None:
    """Say how many pressure readings lie beyond the loads of the checks, and their share."""
    checks, trials = e.tables.checks, e.trials
    if checks is None or trials is None or "reference" not in checks or checks.units.get("reference") != PRESSURE:
        return None
    loads = checks["reference"][np.isfinite(checks["reference"])]
    rows = pressure_rows(e)
    if not len(loads) or not rows.any():
        return None
    low, high = float(loads.min()), float(loads.max())
    values = trials["reading"][rows]
    below, above = float((values < low).mean()), float((values > high).mean())
    parts = [f"{100 * s:.2g} % of pressure readings lie {w} the loads of the checks ({v:.4g} {PRESSURE})"
             for s, w, v in ((below, "below", low), (above, "above", high)) if s > 0]
    inside = f"every pressure reading lies within the loads of the checks ({low:.4g} to {high:.4g} {PRESSURE})"
    return join_words(parts) or inside, below + above


def dead_by_construction(e: Evidence) -> str:
    """Return how many sensors of each construction ever had dead cells; empty where it cannot be told."""
    checks, sensors = e.tables.checks, e.tables.sensors
    if checks is None or sensors is None or "dead" not in checks or "construction" not in sensors:
        return ""
    worst: dict[str, float] = {}
    for s, d in zip(checks["sensor"], checks["dead"], strict=True):
        if d == d:
            worst[str(s)] = max(worst.get(str(s), 0.0), float(d))
    counts: dict[str, list[int]] = {}
    for s, c in zip(sensors["sensor"], sensors["construction"], strict=True):
        if str(s) in worst and c is not None:
            held = counts.setdefault(str(c), [0, 0])
            held[0] += worst[str(s)] > 0
            held[1] += 1
    return join_words([f"{dead} of {n} {c} sensors" for c, (dead, n) in sorted(counts.items())])
