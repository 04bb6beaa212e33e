"""First passage beside the count: five ways of wearing, how far apart they are, and how well each predicts."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.first_passage import (
    FAMILIES,
    FIXED,
    GAMMA,
    WIENER,
    Paths,
    bootstrap_uses,
    fit_passage,
    paths_from_checks,
    reflected,
    share_past,
    use_at_share,
)
from drift.engine.passage_scores import left_out_scores
from drift.errors import Finding
from drift.results import Estimate, ResultTable
from drift.retirement.companion import Companion, Setting
from drift.retirement.crossings import first_passage as crossing
from drift.retirement.crossings import upward
from drift.retirement.eligibility import MINIMUM_SENSORS, worn_sensors
from drift.retirement.groups import POOLED
from drift.retirement.life_tables import percent
from drift.retirement.limits import QUESTION, Limit, paths_of
from drift.retirement.wording import label_of, labels

Floats = NDArray[np.float64]

DRAWS, POINTS = 199, 80
TOLD_APART = 10
CHECKS = 3


@dataclass(frozen=True, kw_only=True)
class Row:
    """One family of one construction and limit."""

    construction: str
    limit: str
    family: str
    use: float
    low: float
    high: float
    never: float
    score: float
    n: int


@dataclass(frozen=True, kw_only=True, eq=False)
class Group:
    """Sensors with three checks or more of one construction against one limit, wear upwards."""

    construction: str
    limit: Limit
    x: Floats
    y: Floats
    paths: Paths
    crossed: int

    @property
    def edge(self) -> float:
        """Limit on the upward scale, or distance from the own start."""
        return self.limit.threshold()


def companion(setting: Setting) -> Companion | None:
    """Use at which the share is reached by each family, with intervals, scores and the spread between families."""
    groups = groups_of(setting)
    if not groups:
        return None
    rows, curves, findings, estimates = [], [], [], []
    for g in groups:
        made = [_row(g, family, setting) for family in FAMILIES if _applies(family, g)]
        rows += made
        curves += _curves(g, [r.family for r in made if math.isfinite(r.use)], setting)
        estimates += _estimates(made, g, setting)
        findings += _findings(made, g, setting)
    return Companion(estimates=tuple(estimates), findings=tuple(findings),
                     tables=(_table(rows, setting), _curve_table(curves, setting)))


def groups_of(setting: Setting) -> list[Group]:
    """Collect the sensors that have lines, by limit and construction."""
    found = []
    for limit in setting.limits:
        paths = paths_of(limit, setting.occasions, setting.mountings)
        worn = worn_sensors(paths.sensor, setting.tables)
        y = upward(limit, paths)
        if limit.relative and limit.log:  # starts are the sensor's own: raw values keep their errors apart
            y = -paths.y
        past = upward(limit, paths) > limit.threshold()
        names = np.array([POOLED if setting.pooled else str(c) for c in paths.construction], dtype=object)
        for name in sorted(set(names[worn])):
            ok = np.isfinite(y) & np.isfinite(paths.x)
            enough = np.array([len(np.unique(u[k])) >= CHECKS for u, k in zip(paths.x, ok, strict=True)], bool)
            pick = worn & (names == name) & enough
            if int(pick.sum()) < MINIMUM_SENSORS:
                continue
            crossed = sum(math.isfinite(life[1]) for i in np.flatnonzero(pick)
                          if (life := crossing(paths.x[i][ok[i]], past[i][ok[i]])) is not None)
            x = np.where(ok, paths.x, np.nan)[pick]
            found.append(Group(construction=str(name), limit=limit, x=x, y=y[pick],
                               paths=paths_from_checks(x, y[pick]), crossed=crossed))
    return found


def _applies(family: str, g: Group) -> bool:
    """Tell whether a family applies: for a fall from the own start the first two families are one."""
    return not (g.limit.relative and family == FAMILIES[1])


def _row(g: Group, family: str, setting: Setting) -> Row:
    fit = fit_passage(family, g.paths)
    share, relative = 1 - setting.spec.content, g.limit.relative
    nan = math.nan
    # Steps that do not scatter are a line, not a process: the other families say all there is to say.
    even = family in (WIENER, GAMMA) and float(fit.spread) < 1e-6 * abs(float(fit.drift))
    if even or not bool(fit.usable):
        return Row(construction=g.construction, limit=g.limit.key, family=family, use=nan, low=nan, high=nan, never=nan,
                   score=nan, n=len(g.x))
    use = float(use_at_share(fit, share, g.edge, relative=relative))
    drawn = bootstrap_uses(fit, g.paths, share, g.edge, relative=relative, rng=setting.rng, draws=DRAWS)
    low, high = (float(v) for v in reflected(use, drawn, setting.level, len(g.x) - 1))
    scores = left_out_scores(family, g.paths, g.x, g.y, relative=relative)
    never = 100 * (1 - float(share_past(fit, 1e9, g.edge, relative=relative)))
    return Row(construction=g.construction, limit=g.limit.key, family=family, use=use if math.isfinite(use) else nan,
               low=low, high=high, never=never, score=float(scores.mean()), n=len(g.x))


def _curves(g: Group, families: list[str], setting: Setting) -> list[tuple[str, str, str, float, float]]:
    last = float(np.nanmax(g.x))
    grid = np.unique(np.round(np.linspace(0, 1.25 * last, POINTS + 1))) if setting.exposure.is_use else np.linspace(
        0, 1.25 * last, POINTS + 1)
    made = []
    for family in families:
        share = share_past(fit_passage(family, g.paths), grid[1:], g.edge, relative=g.limit.relative)
        made += [(g.construction, g.limit.key, family, float(t), float(s)) for t, s in
                 zip(grid, np.maximum.accumulate(np.concatenate([[0.0], share])), strict=True)]
    return made


def _name(setting: Setting) -> str:
    return f"use by which {percent(1 - setting.spec.content)} are past the limit"


def _estimates(rows: list[Row], g: Group, setting: Setting) -> list[Estimate]:
    of = labels(g.construction, g.limit.key)
    made = [Estimate(name=_name(setting), value=r.use, low=r.low, high=r.high, level=setting.level, n=r.n,
                     unit=setting.exposure.unit, of={**of, "family": r.family},
                     method=f"first passage, {r.family}, moments of the sensors' lines; interval from {DRAWS} studies "
                            "simulated from the fit, reflected on the log scale, widened by t over normal")
            for r in rows if math.isfinite(r.use) and math.isfinite(r.low)]
    uses = [r.use for r in rows if math.isfinite(r.use)]
    if len(uses) > 1:
        made.append(Estimate(name="spread of the families", value=max(uses) - min(uses), n=g.paths.slope.shape[-1],
                             unit=setting.exposure.unit, of=of,
                             method=f"largest less smallest {_name(setting)} over {len(uses)} families of wear"))
    return made


def _findings(rows: list[Row], g: Group, setting: Setting) -> list[Finding]:
    uses = [(r.use, r.family) for r in rows if math.isfinite(r.use)]
    name, key = label_of(g.construction), g.limit.key
    found = []
    if len(uses) > 1:
        (low, first), (high, last) = min(uses), max(uses)
        apart = (f"the {g.crossed} crossings seen cannot tell them apart, so that this is what the choice of a model "
                 f"adds "
                 "to the uncertainty" if g.crossed < TOLD_APART else f"the best predicted are {_best(rows)}")
        found.append(Finding(severity="note", code="family-spread", question=QUESTION, message=(
            f"{name}, {key}: {percent(1 - setting.spec.content)} are past the limit by {low:.0f} ({first}) to "
            f"{high:.0f} "
            f"{setting.exposure.per} ({last}) by {len(uses)} ways of wearing; {apart}")))
    out = [r.family for r in rows if not math.isfinite(r.use)]
    if out:
        found.append(Finding(severity="note", code="family-not-fitted", question=QUESTION, message=(
            f"{name}, {key}: {', '.join(out)} not given, because some sensor does not wear towards the limit or the "
            "share is never reached")))
    return found


def _best(rows: list[Row]) -> str:
    best = max((r for r in rows if math.isfinite(r.score)), key=lambda r: r.score, default=None)
    return best.family if best else "none"


def _table(rows: list[Row], setting: Setting) -> ResultTable:
    top = {(r.construction, r.limit): max((x.score for x in rows if (x.construction, x.limit) == (
        r.construction, r.limit) and math.isfinite(x.score)), default=math.nan) for r in rows}
    unit = setting.exposure.unit
    return ResultTable.build("first-passage families", {
        "construction": [r.construction for r in rows], "limit": [r.limit for r in rows],
        "family": [r.family for r in rows], "use": [r.use for r in rows], "low": [r.low for r in rows],
        "high": [r.high for r in rows], "never past": [r.never for r in rows],
        "score behind the best": [top[r.construction, r.limit] - r.score for r in rows]},
        units={"use": unit, "low": unit, "high": unit, "never past": "%"},
        caption=f"Uses by which {percent(1 - setting.spec.content)} of sensors are past the limit, by five ways of "
                "wearing, with simulated intervals; the share that never gets there; and how much worse each predicts "
                "the checks of a sensor left out (mean log density a sensor; 0 is the best, 1 clearly worse). "
                "Beside the count, not inside it.")


def _curve_table(curves: list[tuple[str, str, str, float, float]], setting: Setting) -> ResultTable:
    names = ("construction", "limit", "family", "use", "share past")
    return ResultTable.build("first passage", {n: [c[i] for c in curves] for i, n in enumerate(names)},
                             units={"use": setting.exposure.unit},
                             caption="Share of sensors past the limit during or before each use, by family.")


__all__ = ["FIXED", "companion"]
