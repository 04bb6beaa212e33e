"""Alias check: whether drift can be told apart from who checked, on which rig, and on which day.

A trend within sensors can be put down to use only if operator, rig and day vary at the same use counts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.calibration import codes_of, numbers, words
from drift.engine.readonly import frozen_mapping
from drift.errors import Finding, Severity
from drift.records import CheckTable
from drift.results import ResultTable, join_words

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.object_]

FULL = 1 - 1e-8
NEAR_VIF = 10.0

_MENDS = frozen_mapping({
    "operator": "Let each operator check at early and late uses, or let two operators check the same sensors at some "
                "uses.",
    "rig": "Check at early and late uses on each rig, or check some sensors on both rigs at the same use.",
    "day": "Check a never-worn sensor (role control) on every day, or let sensors of different use counts share days.",
    "calendar time": "Check stored, never-worn sensors (role control) over the same time.",
})


@dataclass(frozen=True, kw_only=True, eq=False)
class AliasCheck:
    """What the alias check found: table "aliases", findings, and the factors that cannot be told from use."""

    table: ResultTable
    findings: tuple[Finding, ...]
    confounded: tuple[str, ...]


def alias_check(checks: CheckTable, rows: NDArray[np.bool_], *, exposure: str = "use", per: str = "use count",
                question: str | None = None) -> AliasCheck:
    """Measure how far operator, rig, day and other conditions follow use within sensors.

    Parameters
    ----------
    checks : CheckTable
    rows : array of bool, shape (n_rows,)
        Rows to look at: those that enter the wear model, and those of never-worn controls.
    exposure, per : str
        Column that counts wear, and one stand of it in words.

    Returns
    -------
    AliasCheck

    Notes
    -----
    Sensor means are taken out of use and of the factor's indicator columns; the canonical correlation is the root of
    the share of use explained by the factor, and VIF = 1/(1 - share). A share of 1 is a rank deficiency of
    [use, factor]: no analysis of these data can tell the two apart. Days count as a factor where two or more sensors
    share one on average (a day of one sensor is part of that occasion's own effect); they are a caution where a day
    held half of the sensors or more, else context, since effects of many days average out. Calendar time enters as a
    straight line.

    References
    ----------
    D. R. Cox (1958), Planning of Experiments, ch. 1 and 11 (confounding);
    G. A. F. Seber (1984), Multivariate Observations, section 5.7 (canonical correlation).
    """
    picked = np.flatnonzero(rows)
    factors = _factors(checks, picked)
    sensor, _ = codes_of([words(checks, "sensor")[picked]]) if len(picked) else (np.zeros(0, dtype=np.int64), None)
    use = numbers(checks, exposure)[picked]
    columns: dict[str, list[Any]] = {k: [] for k in ("factor", "levels", "canonical correlation", "VIF", "verdict")}
    findings: list[Finding] = []
    confounded: list[str] = []
    joint: list[tuple[str, Floats]] = []
    for name, (matrix, levels) in factors.items():
        share = share_explained(use, matrix, sensor)
        verdict = _verdict(share)
        if name in ("operator", "rig", "day") and verdict in ("separable", "nearly aliased"):
            joint.append((name, matrix))
        _append(columns, name, levels, share, verdict)
        if verdict != "separable":
            calm = name == "calendar time" or (name == "day" and not _held_by_half(checks, picked))
            findings.append(_finding(name, share, verdict, checks, per, question, calm=calm))
        if verdict == "cannot be told apart" and name in ("operator", "rig"):
            confounded.append(name)
    if len(joint) > 1:
        share = share_explained(use, np.hstack([m for _, m in joint]), sensor)
        name = " + ".join(n for n, _ in joint)
        _append(columns, name, float(sum(m.shape[1] for _, m in joint)), share, _verdict(share))
        if _verdict(share) == "cannot be told apart":
            findings.append(_finding(join_words([n for n, _ in joint]) + " together", share, _verdict(share), checks,
                                     per, question, calm=False))
    table = ResultTable.build(
        "aliases", {k: np.array(v, dtype=np.dtype(object) if k in ("factor", "verdict") else np.dtype(np.float64))
                    for k, v in columns.items()},
        caption="How far each condition of checking follows use within sensors: canonical correlation, and the factor "
                "by which it inflates the variance of the drift (VIF).")
    return AliasCheck(table=table, findings=tuple(findings), confounded=tuple(confounded))


def _factors(checks: CheckTable, picked: Ints) -> dict[str, tuple[Floats, float]]:
    """Build indicator columns of the conditions that vary."""
    found: dict[str, tuple[Floats, float]] = {}
    sensor = words(checks, "sensor")[picked]
    for name in ("operator", "rig"):
        label = words(checks, name)[picked]
        if len(set(label)) > 1:
            found[name] = (_indicators(label), float(len(set(label))))
    day = _days(checks, picked)
    if len(set(day)) > 1 and bool((day != "").all()):
        pairs = {(d, s) for d, s in zip(day, sensor, strict=True)}
        if len(pairs) >= 2 * len(set(day)):
            found["day"] = (_indicators(day), float(len(set(day))))
        ordinal = day.astype("datetime64[D]").astype(np.int64).astype(np.float64)
        found["calendar time"] = (ordinal[:, None], float(len(set(day))))
    temperature = numbers(checks, "temperature")[picked]
    if len(temperature) and np.isfinite(temperature).all() and np.ptp(temperature) > 0:
        found["temperature"] = (temperature[:, None], float(len(np.unique(temperature))))
    return found


def _days(checks: CheckTable, picked: Ints) -> Words:
    return np.array([t[:10] for t in words(checks, "time")[picked]], dtype=object)


def _held_by_half(checks: CheckTable, picked: Ints) -> bool:
    """Tell whether an average day held half of the sensors or more."""
    sensor, day = words(checks, "sensor")[picked], _days(checks, picked)
    pairs = {(d, s) for d, s in zip(day, sensor, strict=True)}
    return 2 * len(pairs) >= len(set(day)) * len(set(sensor))


def _indicators(label: Words) -> Floats:
    code, first = codes_of([label])
    return np.asarray(code[:, None] == np.arange(1, len(first))[None, :], dtype=np.float64)


def share_explained(use: Floats, matrix: Floats, sensor: Ints) -> float:
    """Return the share of the within-sensor variation of use that the columns explain."""
    if not len(use):
        return float("nan")
    count = np.bincount(sensor)

    def within(v: Floats) -> Floats:
        return np.asarray(v - (np.bincount(sensor, weights=v) / count)[sensor], dtype=np.float64)

    x = within(use)
    total = float(x @ x)
    if total <= 0:
        return float("nan")
    z = np.column_stack([within(matrix[:, j]) for j in range(matrix.shape[1])])
    scale = np.sqrt((z**2).sum(axis=0))
    z = z[:, scale > 1e-9 * np.sqrt(len(use))] / scale[scale > 1e-9 * np.sqrt(len(use))]
    if not z.shape[1]:
        return 0.0
    u, s, _ = np.linalg.svd(z, full_matrices=False)
    fitted = u[:, s > 1e-9 * s[0]].T @ x
    return min(1.0, float(fitted @ fitted) / total)


def _verdict(share: float) -> str:
    if not np.isfinite(share):
        return "no use varies"
    if share >= FULL:
        return "cannot be told apart"
    return "nearly aliased" if 1 / (1 - share) >= NEAR_VIF else "separable"


def _append(columns: dict[str, list[Any]], name: str, levels: float, share: float, verdict: str) -> None:
    vif = np.nan if share >= FULL else 1 / (1 - share) if np.isfinite(share) else np.nan
    values = (name, levels, float(np.sqrt(share)) if share >= 0 else np.nan, vif, verdict)
    for key, value in zip(columns, values, strict=True):
        columns[key].append(value)


def _finding(name: str, share: float, verdict: str, checks: CheckTable, per: str, question: str | None, *,
             calm: bool) -> Finding:
    """Word the refusal to attribute."""
    mend = _MENDS.get(name, "Vary it at the same use counts, or hold it fixed.")
    r = np.sqrt(share) if share >= 0 else np.nan
    column = name if name in ("operator", "rig", "temperature") else "time" if name in _MENDS else None
    if verdict == "cannot be told apart" and name in ("day", "calendar time"):
        message = (f"Drift and {name} cannot be told apart: sensors that shared a day had always the same {per}, "
                   "so that a rig that changed from day to day would look like wear" if name == "day" else
                   "Drift and calendar time cannot be told apart: within sensors use rises in step with the date, so "
                   "that ageing, or a steady drift of the rig, would look like wear")
    elif verdict == "cannot be told apart":
        message = (f"Drift and {name} cannot be told apart: within sensors {name} changes exactly as the {per} "
                   "does, so the estimated drift is not attributed to wear alone")
    elif verdict == "nearly aliased":
        message = (f"Drift and {name} can hardly be told apart: within sensors their canonical correlation is "
                   f"{r:.3f} (variance inflation {1 / (1 - share):.0f})")
    else:
        return Finding(severity="warning", code="no-use-varies", message=f"No sensor was checked at more than one "
                       f"{per}", mend="Check each sensor at three or more of them.", question=question)
    severity: Severity = "note" if calm else "warning"
    return Finding(severity=severity, code="alias-" + name.split(" ")[0].strip(","), message=message, mend=mend,
                   file=checks.file, column=column, question=question)
