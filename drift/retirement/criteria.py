"""Several limits at once beside the count: when the first of them is passed, and which one binds."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from drift.engine.joint_passage import Incidence, JointLines, joint_lines, simulate_first
from drift.errors import Finding
from drift.results import Estimate, ResultTable, join_words
from drift.retirement.companion import Companion, Setting
from drift.retirement.crossings import upward
from drift.retirement.eligibility import MINIMUM_CHECKS, MINIMUM_SENSORS, worn_sensors
from drift.retirement.groups import POOLED
from drift.retirement.life_tables import percent
from drift.retirement.limits import QUESTION, paths_of
from drift.retirement.wording import label_of, labels

Floats = NDArray[np.float64]
POINTS = 40


def companion(setting: Setting) -> Companion | None:
    """Simulate the first of all limits that lines can be put through; None with fewer than two of them."""
    rows: list[tuple[str, str, float, float, float, float]] = []
    estimates, findings = [], []
    for name, keys, lines, last in _groups(setting):
        grid = np.linspace(0, 1.5 * last, POINTS + 1)[1:]
        found = simulate_first(lines, grid, 1 - setting.spec.content, setting.level, setting.rng)
        rows += [(name, k, float(t), float(found.share[j, i]), float(found.low[j, i]), float(found.high[j, i]))
                 for j, k in enumerate(keys) for i, t in enumerate(grid)]
        estimates += _estimates(name, found, len(lines.theta), setting)
        findings.append(_finding(name, keys, found, lines, setting))
    if not rows:
        return None
    names = ("construction", "first limit", "use", "share past", "low", "high")
    table = ResultTable.build("cumulative incidence simulated", {n: [r[i] for r in rows] for i, n in enumerate(names)},
                              units={"use": setting.exposure.unit},
                              caption="Share of sensors of which each limit is the first to be passed, simulated from "
                                      "starts and slopes that vary together over sensors, with bands. Limits of a "
                                      "protocol (reliability, agreement) are no property of a sensor and stand apart.")
    return Companion(estimates=tuple(estimates), tables=(table,), findings=tuple(findings))


def _groups(setting: Setting) -> list[tuple[str, list[str], JointLines, float]]:
    """Collect the checks of every sensor against every limit: continuous ones, and dead cells as a share that grows."""
    made: dict[str, tuple[dict[str, Floats], dict[str, Floats], float]] = {}
    label: dict[str, str] = {}
    for limit in setting.limits:
        paths = paths_of(limit, setting.occasions, setting.mountings)
        worn = worn_sensors(paths.sensor, setting.tables)
        y = upward(limit, paths)
        names = [str(s) for s in paths.sensor]
        made[limit.key] = ({s: paths.x[i] for i, s in enumerate(names) if worn[i]},
                           {s: y[i] for i, s in enumerate(names) if worn[i]}, limit.threshold())
        label |= {s: POOLED if setting.pooled else str(c) for s, c, w in zip(names, paths.construction, worn,
                                                                             strict=True)
                  if w}
    dead = _dead(setting, label)
    if dead is not None:
        made["dead_fraction"] = dead
    if len(made) < 2:
        return []
    keys, found = list(made), []
    for name in sorted(set(label.values())):
        mine = [s for s, c in label.items() if c == name and all(s in made[k][0] and _enough(
            made[k][0][s], made[k][1][s]) for k in keys)]
        if len(mine) < MINIMUM_SENSORS:
            continue
        uses = np.unique(np.concatenate([made[k][0][s][np.isfinite(made[k][0][s])] for k in keys for s in mine]))
        x = np.broadcast_to(uses, (len(keys), len(mine), len(uses))).copy()
        y = np.full(x.shape, np.nan)
        for a, k in enumerate(keys):
            for b, s in enumerate(mine):
                at = np.isfinite(made[k][0][s])
                y[a, b, np.searchsorted(uses, made[k][0][s][at])] = made[k][1][s][at]
        found.append((name, keys, joint_lines(x, y, np.array([made[k][2] for k in keys])), float(uses[-1])))
    return found


def _enough(x: Floats, y: Floats) -> bool:
    return int((np.isfinite(x) & np.isfinite(y)).sum()) >= MINIMUM_CHECKS


def _dead(setting: Setting, label: dict[str, str]) -> tuple[dict[str, Floats], dict[str, Floats], float] | None:
    limit, checks = setting.study.limits.dead_fraction, setting.tables.checks
    if limit is None or checks is None or "dead" not in checks:
        return None
    values, use = np.asarray(checks["dead"], np.float64), np.asarray(checks[setting.exposure.name], np.float64)
    sensors, ok = checks["sensor"].astype(str), np.isfinite(values) & np.isfinite(use)
    x, y = {}, {}
    for s in label:
        at = np.unique(use[ok & (sensors == s)])
        x[s], y[s] = at, np.array([values[ok & (sensors == s) & (use == u)].mean() for u in at])
    # Without any dead cell there is nothing that could be put on a line.
    return (x, y, float(limit)) if any(bool((v > 0).any()) for v in y.values()) else None


def _estimates(name: str, found: Incidence, n: int, setting: Setting) -> list[Estimate]:
    use, low, high = (v if math.isfinite(v) else math.nan for v in found.first)
    share = percent(1 - setting.spec.content)
    return [Estimate(name=f"use by which {share} are past any limit", value=use, low=low, high=high,
                     level=setting.level,
                     unit=setting.exposure.unit, n=n, of=labels(name),
                     method="joint simulation of starts and slopes that vary together over sensors; interval: "
                            "quantiles over draws of the population from the pivotal distributions of mean and size "
                            "of its covariance")]


def _finding(name: str, keys: list[str], found: Incidence, lines: JointLines, setting: Setting) -> Finding:
    at = int(np.searchsorted(found.time, found.first[0]).clip(0, len(found.time) - 1))
    each = found.share[:, at] / max(float(found.share[:, at].sum()), 1e-12)
    order = np.argsort(-each)
    told = join_words([f"{keys[j]} in {100 * each[j]:.0f} %" for j in order if each[j] > 0.005])
    slopes = lines.theta[:, 1::2]
    slopes = slopes[:, slopes.std(axis=0) > 0]
    corr = np.atleast_2d(np.corrcoef(slopes, rowvar=False)) if slopes.shape[1] > 1 else np.ones((2, 2))
    together = float(np.min(corr[np.triu_indices(len(corr), 1)]))
    return Finding(severity="note", code="which-limit-binds", question=QUESTION, message=(
        f"{label_of(name)}: {percent(1 - setting.spec.content)} are past some limit by {found.first[0]:.0f} "
        f"{setting.exposure.per} when all limits are simulated together; the first limit is then {told}. Treating the "
        f"limits as independent would say {found.alone:.0f}, although their slopes go together (lowest correlation "
        f"{together:.2f})"))
