"""Concordance correlation beside the limits of agreement: one coefficient for a reader who asks for it.

It decides nothing. CCC relates differences to how different the targets are, so that the same two methods have a high
one among targets that differ much and a low one among targets that are alike; the limits do not depend on that.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from drift.agreement.answer import Answer
from drift.agreement.checks import ALPHA, shapiro
from drift.agreement.companion import Companion, Setting
from drift.agreement.quoted import design_of
from drift.agreement.structure import by_factors
from drift.agreement.words import number
from drift.engine.concordance import (
    Concordance,
    concordance,
    correlation_interval,
    lin_interval,
    lin_std_error,
    scale_interval,
)
from drift.engine.concordance_overall import jackknife_z, leave_one_out
from drift.engine.concordance_strata import (
    PairStrata,
    Parts,
    accuracy_interval,
    delta_interval,
    draw,
    estimate,
    parts_of,
    precision_interval,
    quantiles,
    repeated_strata,
    simple_strata,
    unlinked_strata,
)
from drift.errors import MINUS, Finding
from drift.results import Estimate, ResultTable, decimals_for
from drift.simulated.quoting import Asked

FAMILY, TABLE = "concordance", "concordance"
FEWEST_TARGETS, FEWEST_LEVELS = 5, 3
NONE = (math.nan, math.nan)
PIVOTAL, FISHER, DELTA, EXACT = ("pivotal interval", "Fisher's z (Lin 2000)", "Fisher's z (delta method)",
                                 "exact interval")
JACKKNIFE, SKEWED = "jackknife on Fisher's z", "skewed targets"
LIN = f"Lin 1989, divisor n; {PIVOTAL}"
COMPONENTS = {"simple": "variance components of pairs, = ICC(A,1)",
              "repeated": "variance components (Carrasco & Jover 2003), REML",
              "unpaired": "variance components (Carrasco & Jover 2003)",
              "unequal": "variance components by unweighted means of targets (not REML)"}
NAMES = ("CCC", "precision", "accuracy", "location shift", "scale shift")


@dataclass(frozen=True, kw_only=True)
class Row:
    """One row of the table."""

    coefficient: str
    value: float
    ends: tuple[float, float]
    method: str


@dataclass(frozen=True, kw_only=True, eq=False)
class Found:
    """What was computed for one group of pairs: strata, estimate by components, draws, and Lin's where they hold."""

    strata: PairStrata
    parts: Parts
    drawn: Parts | None
    lin: Concordance | None


def companion(setting: Setting) -> Companion | None:
    """Concordance correlation of the pairs of one group, with its factors and shifts.

    Parameters
    ----------
    setting : Setting

    Returns
    -------
    Companion
        Estimates "CCC", "precision", "accuracy", "location shift", "scale shift", the table "concordance", and in words
        how much of the coefficient the spread of the targets makes.

    References
    ----------
    Lin (1989, 2000), Biometrics 45:255-268 and 56:324-325; Carrasco & Jover (2003), Biometrics 59:849-858.
    """
    try:
        found = compute(setting)
    except (ValueError, ArithmeticError, np.linalg.LinAlgError) as reason:
        return _refused(setting, f"the variances of sums and differences cannot be told apart ({reason})")
    if not math.isfinite(float(found.parts.value)):
        return _refused(setting, "neither method varies over the targets")
    rows = _rows(found, setting)
    shown = {r.coefficient: r for r in reversed(rows)}  # the first row of each coefficient is the printed one
    n = setting.structure.n_units
    estimates = tuple(_estimate(shown[name], found, setting, n) for name in NAMES)
    return Companion(estimates=estimates, tables=(_table(rows, setting),), findings=tuple(_findings(found, setting)),
                     sentences=(_sentence(estimates),), asked=_asked(estimates, setting))


def compute(setting: Setting) -> Found:
    """Estimate the strata of one group and draw from them.

    Raises
    ------
    ValueError
        If nothing is left within the levels of sums.
    """
    group, structure = setting.group, setting.structure
    lin, a, b = None, group.a, group.b
    if structure.kind == "unpaired":
        assert group.readings is not None
        strata = unlinked_strata(*group.readings)
    elif structure.kind == "repeated" and setting.analysis.fit is not None:
        strata = repeated_strata(a, b, structure.codes, differences=by_factors(structure, group, setting.analysis))
    else:
        if structure.kind == "repeated":  # repeats without any spread: each target counts once
            code = structure.codes[0]
            a, b = (np.bincount(code, weights=v) / np.bincount(code) for v in (a, b))
        strata, lin = simple_strata(a, b), concordance(a, b)
    parts = estimate(strata)
    if not np.all(np.isfinite(strata.sum)):
        raise ValueError("sums have no finite variance")
    drawn = None if _too_few(setting) or not math.isfinite(float(parts.precision)) else draw(strata, setting.rng)
    return Found(strata=strata, parts=parts, drawn=drawn, lin=lin)


def _too_few(setting: Setting) -> str:
    """Say why no interval can be given, empty where one can."""
    s = setting.structure
    levels = [(name, len(np.unique(c))) for name, c in zip(s.factors, s.codes, strict=True)]
    what = setting.pairing.target_name if setting.pairing.target_name != "pair" else "target"
    for name, k in levels:
        if k < FEWEST_LEVELS:
            return f"there are only {k} levels of {name}"
    if not levels and s.n_targets < FEWEST_TARGETS:
        return f"there are only {s.n_targets} pairs" if s.kind == "simple" else f"there are only {s.n_targets} {what}s"
    return ""


def _rows(found: Found, setting: Setting) -> list[Row]:
    level, drawn, parts, lin = setting.level, found.drawn, found.parts, found.lin
    ends = {k: quantiles(getattr(drawn, k), level) if drawn is not None else NONE
            for k in ("value", "location", "scale")}
    ends["precision"] = (precision_interval(found.strata, drawn, level, rng=setting.rng) if drawn is not None else NONE)
    accuracy = accuracy_interval(drawn, level) if drawn is not None else NONE
    how = COMPONENTS["simple" if lin is not None else "unequal" if _unequal(setting) else setting.structure.kind]
    few = drawn is None
    bare = "no interval"
    rows = []
    if lin is not None:
        less = concordance(setting.group.a, setting.group.b, ddof=1) if lin.n == len(setting.group.a) else lin
        rows = [Row(coefficient="CCC", value=lin.value, ends=ends["value"], method=_method(LIN, few)),
                Row(coefficient="CCC", value=lin.value, ends=NONE if few else lin_interval(lin, level),
                    method=f"Lin 1989, divisor n; {bare if few else FISHER}"),
                Row(coefficient="CCC", value=lin.value, ends=NONE if few else _jackknife(lin, setting),
                    method=f"Lin 1989, divisor n; {bare if few else JACKKNIFE}"),
                Row(coefficient="CCC", value=less.value, ends=NONE if few else lin_interval(less, level),
                    method=f"divisor n {MINUS} 1; {bare if few else FISHER}"),
                Row(coefficient="CCC", value=float(parts.value), ends=ends["value"], method=_method(
                    f"{how}; {PIVOTAL}", few))]
        values = {"precision": lin.precision, "accuracy": lin.accuracy, "location": lin.location_shift,
                  "scale": lin.scale_shift}
        words = "Lin 1989, divisor n"
    else:
        rows = [Row(coefficient="CCC", value=float(parts.value), ends=ends["value"],
                    method=_method(f"{how}; {PIVOTAL}", few)),
                Row(coefficient="CCC", value=float(parts.value),
                    ends=NONE if few else delta_interval(found.strata, level),
                    method=f"{how}; {bare if few else DELTA}")]
        values = {k: float(getattr(parts, k)) for k in ("precision", "accuracy", "location", "scale")}
        words = how
    scale, scale_words, precision, precision_words = ends["scale"], PIVOTAL, ends["precision"], PIVOTAL
    if lin is not None and not few:
        scale, scale_words = scale_interval(lin, level), EXACT
        precision, precision_words = correlation_interval(lin.precision, lin.n, level), "Fisher's z"
    a, b = setting.question.a, setting.question.b
    return [*rows,
            Row(coefficient="precision", value=values["precision"], ends=precision,
                method=_method(f"{words}; correlation of the two readings of a pair; {precision_words}", few)),
            Row(coefficient="accuracy", value=values["accuracy"], ends=accuracy,
                method=_method(f"{words}; C_b, at most 1; {PIVOTAL}", few)),
            Row(coefficient="location shift", value=values["location"], ends=ends["location"],
                method=_method(f"mean of {a} {MINUS} {b} in SDs (geometric mean of the two); {PIVOTAL}", few)),
            Row(coefficient="scale shift", value=values["scale"], ends=scale,
                method=_method(f"SD of {a} over SD of {b}; {scale_words}", few))]


def _unequal(setting: Setting) -> bool:
    """Tell whether targets were read unequally often by unlinked methods: each then counts once, whatever its number.

    With equal numbers the estimate is that of REML unless a component would be negative.
    """
    readings = setting.group.readings
    return setting.structure.kind == "unpaired" and readings is not None and any(
        bool(np.ptp(np.bincount(code)) > 0) for code in (readings[1], readings[3]))


def _jackknife(lin: Concordance, setting: Setting) -> tuple[float, float]:
    y = np.column_stack([setting.group.a, setting.group.b])
    return jackknife_z(lin.value, leave_one_out(y, ddof=0), setting.level) if lin.n == len(y) else NONE


def _method(words: str, few: bool) -> str:
    return f"{words.rpartition('; ')[0]}; no interval" if few else words


def _estimate(row: Row, found: Found, setting: Setting, n: int) -> Estimate:
    se = math.nan
    if row.coefficient == "CCC" and found.lin is not None and found.drawn is not None:
        se = lin_std_error(found.lin)
    there = math.isfinite(row.ends[0]) and math.isfinite(row.value)
    return Estimate(name=row.coefficient, value=row.value, low=row.ends[0] if there else math.nan,
                    high=row.ends[1] if there else math.nan, std_error=se, level=setting.level if there else math.nan,
                    of=setting.of, n=n, method=row.method if math.isfinite(row.value) else "not computed")


def _table(rows: list[Row], setting: Setting) -> ResultTable:
    q = setting.question
    return ResultTable.build(TABLE, {
        "coefficient": [r.coefficient for r in rows], "value": np.array([r.value for r in rows]),
        "low": np.array([r.ends[0] for r in rows]), "high": np.array([r.ends[1] for r in rows]),
        "method": [r.method for r in rows]},
        caption=f"Concordance of {q.a} and {q.b}: the printed coefficient first, others beside it under their names")


def _sentence(estimates: tuple[Estimate, ...]) -> str:
    ccc = estimates[0]
    d = max(2, decimals_for(ccc.low, ccc.high, ccc.value))
    ends = f" ({number(ccc.low, d)} to {number(ccc.high, d)})" if math.isfinite(ccc.low) else ""
    return f"The concordance correlation is {number(ccc.value, d)}{ends}, among targets as different as these."


def narrower(strata: PairStrata, spread: float = 0.5) -> float:
    """CCC by components that the same methods would have if the targets differed less.

    Parameters
    ----------
    strata : PairStrata
    spread : float
        SD of what both methods see, as a share of the present one; bias and differences stay as they are.
    """
    vd, vs, cov = strata.covariance
    squared = max(strata.bias**2 - strata.bias_variance, 0.0)
    return float(parts_of(vd, vd + spread**2 * (vs - vd), cov, strata.bias, squared).value)


def _findings(found: Found, setting: Setting) -> list[Finding]:
    q, label = setting.question, setting.label
    made = []

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        made.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                            question=q.name))

    value = float(found.parts.value)
    flat = _flat(found, setting)
    few = _too_few(setting)
    if flat:
        say("warning", "concordance-flat", f"Readings by {flat} are the same on every target{label}, so that CCC is 0 "
            "by definition and says nothing about agreement", f"Look whether {flat} was read at all.")
    elif few:
        say("warning", "concordance-few", f"CCC has no interval{label}: {few}",
            f"Measure at least {FEWEST_TARGETS} targets, and at least {FEWEST_LEVELS} levels of what else repeats.")
    elif not math.isfinite(float(found.parts.precision)):
        say("warning", "concordance-flat", f"One of the methods has no variance left{label}, so that precision and "
            "accuracy are not defined", "Measure targets that differ more.")
    if not few and not flat and _skewed(setting):
        beside = "The jackknife interval beside it comes nearer. " if found.lin is not None else ""
        say("warning", "concordance-skewed", f"A few targets seem to lie far from the rest{label}; the interval of CCC "
            "takes targets as about normal and may be too short",
            f"{beside}Report the limits, which do not depend on how the targets are spread.")
    if value < 0:
        say("warning", "concordance-negative", f"CCC is below zero{label}: where {q.a} reads high, {q.b} reads low",
            "Look whether rows or signs were mixed up.")
    if value > 0 and not flat:
        half = narrower(found.strata)
        text = f"{half:.2f}" if half < 0.995 or value > 0.9995 else f"{half:.3f}"
        say("note", "concordance-spread", f"CCC depends on how different the targets are{label}: among targets with "
            f"half the spread the same two methods would have {text}. Limits of agreement decide, not CCC")
    return made


def _skewed(setting: Setting) -> bool:
    """Tell whether the targets clearly have longer tails than normal ones: then their spread is hardly known."""
    group, structure = setting.group, setting.structure
    means = group.mean
    if structure.kind == "repeated":
        code = structure.codes[0]
        means = np.bincount(code, weights=means) / np.bincount(code)
    z = means - means.mean()
    spread = float(np.mean(z**2))
    if not spread > 0 or not float(np.mean(z**4)) > 3 * spread**2:
        return False
    return shapiro(means)[1] < ALPHA


def _flat(found: Found, setting: Setting) -> str:
    """Return the method that reads the same on every target, if one does."""
    if found.lin is None or math.isfinite(found.lin.precision):
        return ""
    spread = {setting.question.a: float(np.ptp(setting.group.a)), setting.question.b: float(np.ptp(setting.group.b))}
    return min(spread, key=lambda k: spread[k])


def _refused(setting: Setting, reason: str) -> Companion:
    estimates = tuple(Estimate(name=name, value=math.nan, of=setting.of, n=setting.structure.n_units,
                               method="not computed") for name in NAMES)
    return Companion(estimates=estimates, findings=(Finding(
        severity="warning", code="concordance-refused", question=setting.question.name,
        message=f"Concordance cannot be given{setting.label}: {reason}", mend="Measure targets that differ."),))


def _asked(estimates: tuple[Estimate, ...], setting: Setting) -> tuple[tuple[str, Asked], ...]:
    base = design_of(Answer(group=setting.group, structure=setting.structure, of=setting.of, analysis=setting.analysis,
                            estimates=()))
    ccc = estimates[0].value
    design = replace(base, share=None, icc=ccc if math.isfinite(ccc) else None,
                     kinds=base.kinds | ({SKEWED} if _skewed(setting) else set()))
    of = ", ".join(v for k, v in setting.of.items() if k != "question")
    return tuple((FAMILY, Asked(quantity=e.name, named=e.name, method=e.method.split("; ")[-1], design=design, of=of))
                 for e in estimates if e.low == e.low)
