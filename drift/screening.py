"""Screening: which rows of checks and trials to look at before they are used, and why.

The rules are common practice in the trade, without a source; their limits can be changed in ``[screening]``.
A row that fails is listed with rule, value and limit. It leaves the analysis only if ``drop`` names the rule.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.calibration import codes_of, numbers, words
from drift.engine.readonly import frozen_mapping
from drift.errors import Finding, Severity
from drift.records import CheckTable, SensorTable, Table, TrialTable
from drift.results import ResultTable, join_words
from drift.study import ScreeningSpec
from drift.units import FORCE

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]

CONSEQUENCES: Mapping[str, str] = frozen_mapping({
    "saturated cells": "the reading is a lower bound and is treated as censored",
    "dead cells": "readings may be low: look at the sensor before using it",
    "dead line": "the total force reads low: replace the sensor",
    "load off the sheet": "load off the sheet, dead lines or a worn sensor: look before using",
    "cut cells": "cells cut through by trimming must be masked out, never averaged in",
    "calibration method against purpose": "a calibration from walking is narrow for this purpose",
    "gains not equalised": "research wants the gains of the cells equalised",
    "thick liner": "a thick liner or sock spreads pressure, and peaks read low",
})
RULES: tuple[str, ...] = tuple(CONSEQUENCES)

_FORCE_KEYS = ("participant", "session", "sensor", "side", "operator", "method", "condition", "replicate", "use")
_NO_WORDS = frozenset({"no", "false", "0", "none", "not equalised"})
_WALK_WORDS = frozenset({"gait", "walk", "walking"})
_WIDE_PURPOSES = frozenset({"research", "running", "standing"})


@dataclass(frozen=True, kw_only=True, eq=False)
class Screening:
    """What screening found in one table.

    Parameters
    ----------
    flags : mapping of rule to array of bool, shape (n_rows,)
        Only rules the table holds the columns for.
    dropped : array of bool, shape (n_rows,)
        Rows that leave the analysis because ``drop`` names a rule they fail.
    reasons : array of str, shape (n_rows,)
        Reason of each dropped row, ``""`` elsewhere.
    findings : tuple of Finding
        One for each rule that something failed, and an error for each unknown name in ``drop``.
    table : ResultTable
        Table "screening": one line for each failing row and rule.
    """

    flags: Mapping[str, Bools]
    dropped: Bools
    reasons: NDArray[np.object_]
    findings: tuple[Finding, ...]
    table: ResultTable

    def __post_init__(self) -> None:
        held = {}
        for rule, flag in self.flags.items():
            copy = np.array(flag, dtype=np.bool_)
            copy.setflags(write=False)
            held[rule] = copy
        object.__setattr__(self, "flags", frozen_mapping(held))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Outcome:
    """One rule on one table: who fails, with the value seen and the limit as text."""

    failed: Bools
    value: Floats
    limit: str


def screen(table: CheckTable | TrialTable, spec: ScreeningSpec, *, sensors: SensorTable | None = None,
           full_scale: ArrayLike | None = None, consider: ArrayLike | None = None,
           question: str | None = None) -> Screening:
    """Apply every rule the table holds the columns for.

    Parameters
    ----------
    table : CheckTable or TrialTable
    spec : ScreeningSpec
        Limits of the rules and the names of those whose rows leave the analysis.
    sensors : SensorTable, optional
        Rows and columns of the sheets, from which the share of one whole line is known.
    full_scale : float or array_like, shape (n_rows,), optional
        Ceiling of the reading.
    consider : array_like of bool, shape (n_rows,), optional
        Rows to look at; the others are neither flagged nor dropped.
    question : str, optional
        Name written into the findings.

    Returns
    -------
    Screening
    """
    looked = np.ones(len(table), dtype=np.bool_) if consider is None else np.asarray(consider, dtype=np.bool_)
    outcomes = _apply(table, spec, sensors, full_scale)
    outcomes = {rule: _Outcome(failed=o.failed & looked, value=o.value, limit=o.limit)
                for rule, o in outcomes.items()}
    dropped = np.zeros(len(table), dtype=np.bool_)
    reasons = np.full(len(table), "", dtype=object)
    for rule in spec.drop:
        if rule in outcomes:
            hit = outcomes[rule].failed & ~dropped
            reasons[hit] = f"screening: {rule} ({outcomes[rule].limit})"
            dropped |= hit
    findings = [*unknown_rules(spec), *_word_findings(table, spec, outcomes, question)]
    for array in (dropped, reasons):
        array.setflags(write=False)
    return Screening(flags={rule: o.failed for rule, o in outcomes.items()}, dropped=dropped, reasons=reasons,
                     findings=tuple(findings), table=_listing(table, spec, outcomes))


def unknown_rules(spec: ScreeningSpec) -> tuple[Finding, ...]:
    """Return an error for each name in ``drop`` that is no rule, with the nearest rule as the mend."""
    from difflib import get_close_matches

    found = []
    for name in spec.drop:
        if name not in CONSEQUENCES:
            near = get_close_matches(name, RULES, n=1, cutoff=0.0)
            found.append(Finding(severity="error", code="unknown-screening-rule", message="[screening] drop names no "
                                 "rule of screening", value=name, expected=f"one of {join_words(RULES)}",
                                 mend=f"Did you mean {near[0]!r}?", file="study.toml", column="drop"))
    return tuple(found)


def _apply(table: Table, spec: ScreeningSpec, sensors: SensorTable | None, full_scale: ArrayLike | None
           ) -> dict[str, _Outcome]:
    """Run the rules whose columns are there."""
    out: dict[str, _Outcome] = {}
    saturated, dead, reading = numbers(table, "saturated"), numbers(table, "dead"), numbers(table, "reading")
    ceiling = np.asarray(np.nan if full_scale is None else full_scale, dtype=np.float64)
    with np.errstate(invalid="ignore"):
        if np.isfinite(saturated).any() or np.isfinite(ceiling).any():
            at_top = reading >= ceiling
            share = np.where(np.isfinite(saturated), saturated, np.where(at_top, 1.0, np.nan))
            out["saturated cells"] = _Outcome(
                failed=(saturated > spec.saturated_fraction) | at_top, value=share,
                limit=f"saturated fraction above {spec.saturated_fraction:g}, or reading at full scale")
        if np.isfinite(dead).any():
            out["dead cells"] = _Outcome(failed=dead > spec.dead_fraction, value=dead,
                                         limit=f"dead fraction above {spec.dead_fraction:g}")
    line = _dead_lines(table, dead, sensors)
    if line is not None:
        out["dead line"] = line
    in_force = table.units.get("reading") == table.units.get("reference") == FORCE
    force = _total_force(table, spec, every=in_force) if isinstance(table, TrialTable) or in_force else None
    if force is not None:
        out["load off the sheet"] = force
    out.update(_declared(table))
    return out


def _dead_lines(table: Table, dead: Floats, sensors: SensorTable | None) -> _Outcome | None:
    """Count dead rows or columns where a column says so, else see whether a whole line could be dead."""
    if "dead_lines" in table:
        count = numbers(table, "dead_lines")
        return _Outcome(failed=np.nan_to_num(count) > 0, value=count, limit="any dead row or column")
    if sensors is None or "rows" not in sensors or "cols" not in sensors or not np.isfinite(dead).any():
        return None
    lines = np.fmax(numbers(sensors, "rows"), numbers(sensors, "cols"))
    share = dict(zip(words(sensors, "sensor"), 1.0 / lines, strict=True))
    whole = np.array([share.get(s, np.nan) for s in words(table, "sensor")], dtype=np.float64)
    with np.errstate(invalid="ignore"):
        # Half a cell of slack: fractions in files are rounded.
        failed = dead >= whole - 0.5 * whole**2
    return _Outcome(failed=failed, value=dead, limit="as many dead cells as one whole row or column")


def _total_force(table: Table, spec: ScreeningSpec, *, every: bool) -> _Outcome | None:
    """Compare total force with its known value; the other rows of the same recording fail with it.

    ``every``: reading and reference of the whole table are forces, whatever the measure is called.
    """
    measure = words(table, "measure")
    is_force = np.array([every or "force" in m.lower() for m in measure], dtype=np.bool_)
    reference, reading = numbers(table, "reference"), numbers(table, "reading")
    known = is_force & np.isfinite(reference) & (reference > 0) & np.isfinite(reading)
    if not known.any():
        return None
    ratio = np.full(len(table), np.nan)
    ratio[known] = reading[known] / reference[known]
    low = known & (np.nan_to_num(ratio, nan=np.inf) < spec.force_fraction)
    keys = [words(table, k) for k in _FORCE_KEYS if k in table]
    failed = low.copy()
    if keys and low.any() and not known.all():
        recording, _ = codes_of(keys)
        worst = np.full(int(recording.max()) + 1, np.inf)
        np.minimum.at(worst, recording[known], ratio[known])
        failed = worst[recording] < spec.force_fraction
        ratio = np.where(failed, worst[recording], ratio)
    return _Outcome(failed=failed, value=ratio,
                    limit=f"total force of the recording below {100 * spec.force_fraction:g} % of the known force")


def _declared(table: Table) -> dict[str, _Outcome]:
    """Apply the rules that rest on what the table declares in words."""
    out: dict[str, _Outcome] = {}
    none = np.full(len(table), np.nan)

    def lower(name: str) -> NDArray[np.object_]:
        return np.array([w.strip().lower() for w in words(table, name)], dtype=object)

    if "cut" in table:
        cut = numbers(table, "cut")
        out["cut cells"] = _Outcome(failed=np.nan_to_num(cut) > 0, value=cut, limit="any cell cut through")
    purpose = lower("purpose")
    if "purpose" in table and "method" in table:
        failed = np.isin(lower("method").astype(str), list(_WALK_WORDS)) & np.isin(purpose.astype(str),
                                                                                   list(_WIDE_PURPOSES))
        out["calibration method against purpose"] = _Outcome(
            failed=failed, value=none, limit="calibrated by walking, used for research, running or standing")
    if "purpose" in table and "equalised" in table:
        failed = np.isin(lower("equalised").astype(str), list(_NO_WORDS)) & (purpose == "research")
        out["gains not equalised"] = _Outcome(failed=failed, value=none, limit="research purpose")
    if "liner" in table:
        out["thick liner"] = _Outcome(failed=lower("liner") == "thick", value=none, limit="declared thick")
    return out


def _word_findings(table: Table, spec: ScreeningSpec, outcomes: Mapping[str, _Outcome], question: str | None
                   ) -> list[Finding]:
    """Say how many rows failed, of which sensors, and whether they stay; rules failed by the same rows go together."""
    found = []
    sensor = words(table, "sensor")
    failing = [rule for rule, outcome in outcomes.items() if outcome.failed.any()]
    alike: dict[tuple[bytes, bool], list[str]] = {}
    for rule in failing:
        mild = rule == "saturated cells"
        key = (b"" if mild else outcomes[rule].failed.tobytes(), rule in spec.drop)
        alike.setdefault(key, []).append(rule)
    for (_, drop), rules in alike.items():
        failed = outcomes[rules[0]].failed
        who = sorted({s for s in sensor[failed] if s})
        of = f" of {len(who)} sensors" if len(who) > 6 else f" of sensor{'s' * (len(who) > 1)} {join_words(who)}"
        stay = ("they leave the analysis" if drop else "they stay in the analysis")
        mild = rules == ["saturated cells"]
        severity: Severity = "note" if mild else "warning"
        named = join_words([f'"{rule}"' for rule in rules])
        mend = "" if drop or mild else f"Look at them; add {named} to drop under [screening] to leave them out."
        limits = join_words([outcomes[rule].limit for rule in rules])
        found.append(Finding(
            severity=severity, code="screening-" + rules[-1].replace(" ", "-"), file=table.file, question=question,
            message=f"Screening, {join_words(rules)}: {int(failed.sum())} of {len(table)} rows{of if who else ''} fail "
                    f"({limits}); {'; '.join(CONSEQUENCES[rule] for rule in rules)}; {stay}", mend=mend))
    return found


def _listing(table: Table, spec: ScreeningSpec, outcomes: Mapping[str, _Outcome]) -> ResultTable:
    """List every failing row under every rule it fails."""
    sensor, use = words(table, "sensor"), numbers(table, "use")
    columns: dict[str, list[object]] = {k: [] for k in ("rule", "table", "row", "sensor", "use", "value", "limit",
                                                        "consequence", "leaves the analysis")}
    kind = "checks" if isinstance(table, CheckTable) else "trials"
    for rule, outcome in outcomes.items():
        for i in np.flatnonzero(outcome.failed):
            for name, value in zip(columns, (rule, kind, float(table.row[i]), sensor[i], float(use[i]),
                                             float(outcome.value[i]), outcome.limit, CONSEQUENCES[rule],
                                             "yes" if rule in spec.drop else "no"), strict=True):
                columns[name].append(value)
    texts = {"rule", "table", "sensor", "limit", "consequence", "leaves the analysis"}
    built = {k: np.array(v, dtype=object if k in texts else np.float64) for k, v in columns.items()}
    return ResultTable.build("screening", built, caption="Rows that failed a screening rule; common practice, "
                             "no source.")
