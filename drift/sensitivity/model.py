"""The wear model of one construction: random starts and slopes of sensors, occasions nested in them, by REML."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.calibration import codes_of, fit_lines
from drift.sensitivity.engine_calls import contrast_errors, fit_rows, predicted_effects, spread_intervals

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Words = NDArray[np.object_]

MIN_SENSORS = 5
MIN_RANDOM_BATCHES = 4
REML_INTERVAL = "REML, Kenward-Roger t interval"
LINES_INTERVAL = "mean of the sensors' own least-squares slopes, t interval over sensors"


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupRows:
    """Rows of one construction: mountings with response, use and labels, each of shape ``(n_mountings,)``.

    ``extra`` holds further fixed-effect columns, centred so that start and slope stay those of the average sensor:
    name to column.
    """

    response: Floats
    use: Floats
    sensor: Words
    batch: Words
    epoch: Words
    occasion: Ints
    extra: dict[str, Floats] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, eq=False)
class Component:
    """One variance component as an SD with its interval."""

    name: str
    sd: float
    low: float = float("nan")
    high: float = float("nan")
    share: float = float("nan")
    method: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class GroupFit:
    """The fitted wear model of one construction.

    Parameters
    ----------
    start, slope : (value, se, df) of use 0 and of one unit of exposure
    effects : mapping of name to (value, se, df) for covariates and fixed batches
    band : arrays use, fit, low, high of the population line
    blup_intercept, blup_slope : mapping of sensor to predicted line
    batch : {"random", "fixed", "none"}
    method : str
        What the estimates are called in print.
    boundary : tuple of str
        Variances estimated as zero and correlations as one.
    refused : str
        Why there is no population estimate; empty when there is one.
    """

    n_sensors: int
    start: tuple[float, float, float]
    slope: tuple[float, float, float]
    effects: dict[str, tuple[float, float, float]]
    band: tuple[Floats, Floats, Floats, Floats]
    components: tuple[Component, ...]
    correlation: tuple[float, float, float]
    blup_intercept: dict[str, float]
    blup_slope: dict[str, float]
    batch: str
    occasion: bool
    method: str
    boundary: tuple[str, ...]
    converged: bool
    refused: str = ""


def t_interval(value: float, se: float, df: float, level: float) -> tuple[float, float]:
    """Two-sided t interval; NaN ends when the standard error or its degrees of freedom do not exist."""
    from scipy.special import stdtrit

    if not (np.isfinite(se) and np.isfinite(df) and df > 0):
        return float("nan"), float("nan")
    half = float(stdtrit(df, 0.5 + level / 2)) * se
    return value - half, value + half


def lines_only(rows: GroupRows, slopes: Floats, intercepts: Floats, grid: Floats, *, level: float) -> GroupFit:
    """Summarise the sensors' own lines: mean slope and start with t intervals over sensors.

    Used where the mixed model cannot be fitted (no residual variation, or too few checks to tell the variances
    apart). Exact when sensors share one schedule.
    """
    good = np.isfinite(slopes)
    n = int(good.sum())
    b, a = slopes[good], intercepts[good]
    none = np.full(len(grid), np.nan)

    def mean(values: Floats) -> tuple[float, float, float]:
        se = float(values.std(ddof=1) / np.sqrt(n)) if n > 1 else float("nan")
        return float(values.mean()) if n else float("nan"), se, float(n - 1)

    path = a[:, None] + b[:, None] * grid[None, :] if n else np.full((1, len(grid)), np.nan)
    fitted = path.mean(axis=0)
    low, high = none, none
    if n > 1:
        ends = [t_interval(float(f), float(s), n - 1, level)
                for f, s in zip(fitted, path.std(axis=0, ddof=1) / np.sqrt(n), strict=True)]
        low, high = np.array([e[0] for e in ends]), np.array([e[1] for e in ends])
    sd = float(b.std(ddof=1)) if n > 1 else float("nan")
    return GroupFit(n_sensors=len(slopes), start=mean(a), slope=mean(b), effects={}, band=(grid, fitted, low, high),
                    components=(Component(name="between sensors, drift per use", sd=sd,
                                          method="SD of the sensors' own slopes, estimation error included"),),
                    correlation=(float("nan"),) * 3, blup_intercept={}, blup_slope={}, batch="none", occasion=False,
                    method=LINES_INTERVAL, boundary=(), converged=True)


def batch_role(sensor: Words, batch: Words) -> str:
    """Decide how batches enter: random with four or more, fixed with two or three, else not at all."""
    pairs = {(s, b) for s, b in zip(sensor, batch, strict=True)}
    names = {b for _, b in pairs}
    if "" in names or len(names) < 2:
        return "none"
    if len(names) >= MIN_RANDOM_BATCHES:
        # With one sensor in every batch the two levels are one.
        return "random" if len(pairs) > len(names) else "none"
    return "fixed" if len(pairs) - len(names) >= 3 else "none"


@dataclass(frozen=True, kw_only=True, eq=False)
class Assembled:
    """Fixed columns and grouping levels of a wear model; ``starts`` and ``slopes`` are contrasts on the columns.

    One row of ``starts`` and ``slopes`` for each group of sensors whose line is wanted (one construction, or each
    construction of a joint fit), shape ``(n_groups, n_columns)``.
    """

    columns: Floats
    names: tuple[str, ...]
    starts: Floats
    slopes: Floats
    levels: tuple[tuple[Floats, Ints], ...]
    level_names: tuple[str, ...]
    batch: str


def assemble(rows: GroupRows, *, group: Words | None = None, role: str | None = None) -> Assembled:
    """Lay out the wear model: starts and slopes by group, sensors with random start and slope, occasions inside.

    Where ``rows.epoch`` names calibrations (displayed pressures) every sensor and calibration has an offset of its
    own as a fixed effect, and only slopes are random. ``role`` says how batches enter; left out it follows from
    the number of batches.
    """
    group = np.full(len(rows.use), "", dtype=object) if group is None else group
    code, _ = codes_of([group])
    sensor, first = codes_of([rows.sensor])
    n_groups = int(code.max()) + 1
    member = (code[:, None] == np.arange(n_groups)[None, :]).astype(np.float64)
    steps = member.copy()
    by_epoch = bool((rows.epoch != "").any())
    one, x = np.ones(len(rows.use)), rows.use
    random = x[:, None] if by_epoch else np.column_stack([one, x])
    if by_epoch:
        offsets, epoch_first = codes_of([rows.sensor, rows.epoch])
        heads = (offsets[:, None] == np.arange(len(epoch_first))[None, :]).astype(np.float64)
        starts = _first_epochs(rows, offsets, code, n_groups)
        names = [f"offset {rows.sensor[i]} {rows.epoch[i]}" for i in epoch_first]
    else:
        heads, starts = member, np.eye(n_groups)
        names = [f"start {i}" for i in range(n_groups)]
    # The first column is the constant and the others are differences from it, which lets the engine centre.
    heads[:, 0] = 1.0
    starts[:, 0] = 1.0
    steps *= x[:, None]
    steps[:, 0] = x
    columns = [*heads.T, *steps.T]
    names += [f"slope {i}" for i in range(n_groups)]
    role = batch_role(rows.sensor, rows.batch) if role is None else role
    if role == "fixed":
        for name, column in _contrasts(rows.batch, sensor, first).items():
            columns += [column * x] if by_epoch else [column, column * x]
            names += [f"batch {name}: drift per use"] if by_epoch else [f"batch {name}: start",
                                                                         f"batch {name}: drift per use"]
    for name, column in rows.extra.items():
        columns.append(column)
        names.append(name)
    levels = [(random, sensor)]
    level_names = ["sensors"]
    if role == "random":
        levels.insert(0, (random, codes_of([group, rows.batch])[0]))
        level_names.insert(0, "batches")
    if int(np.bincount(rows.occasion).max()) > 1:
        levels.append((one[:, None], rows.occasion))
        level_names.append("occasions")
    total = len(columns)
    start_rows, slope_rows = np.zeros((n_groups, total)), np.zeros((n_groups, total))
    start_rows[:, : starts.shape[1]] = starts
    slope_rows[np.arange(n_groups), starts.shape[1] + np.arange(n_groups)] = 1.0
    slope_rows[:, starts.shape[1]] = 1.0
    return Assembled(columns=np.column_stack(columns), names=tuple(names), starts=start_rows, slopes=slope_rows,
                     levels=tuple(levels), level_names=tuple(level_names), batch=role)


def _first_epochs(rows: GroupRows, offsets: Ints, code: Ints, n_groups: int) -> Floats:
    """Contrast that averages the offset of each sensor's first calibration."""
    first: dict[str, tuple[float, int, int]] = {}
    for s, u, e, g in zip(rows.sensor, rows.use, offsets, code, strict=True):
        if s not in first or u < first[s][0]:
            first[s] = (float(u), int(e), int(g))
    out = np.zeros((n_groups, int(offsets.max()) + 1))
    for _, e, g in first.values():
        out[g, e] = 1.0
    return np.asarray(out / out.sum(axis=1, keepdims=True), dtype=np.float64)


def _contrasts(label: Words, sensor: Ints, first: Ints) -> dict[str, Floats]:
    """Sum-to-zero columns of a label of sensors, so that start and slope are the mean over its values."""
    values = sorted(set(label.tolist()))
    last = (label == values[-1]).astype(np.float64)
    return {v: (label == v).astype(np.float64) - last for v in values[:-1]}


def fit_group(rows: GroupRows, grid: Floats, *, level: float, spreads: bool = True) -> GroupFit:
    """Fit the wear model of one construction by REML and read off what is reported.

    ``spreads=False`` leaves out variance components with their profile intervals, the costliest part.

    Raises
    ------
    ValueError
        When the data leave no residual variation, or cannot tell the variances apart.
    """
    _refuse_perfect(rows)
    laid = assemble(rows)
    design, fit = fit_rows(rows.response, laid.columns, laid.levels)
    line = laid.starts[0][None, :] + grid[:, None] * laid.slopes[0][None, :]
    effects = [i for i, name in enumerate(laid.names) if not name.startswith(("start ", "slope ", "offset "))]
    wanted = np.vstack([laid.starts, laid.slopes, np.eye(len(laid.names))[effects], line])
    se, df = contrast_errors(design, fit, wanted)
    value = wanted @ fit.beta
    sure = [(float(v), float(s), float(d)) for v, s, d in zip(value, se, df, strict=True)]
    band = [t_interval(*one, level) for one in sure[2 + len(effects):]]
    predicted = _predicted_lines(rows, laid, design, fit, predicted_effects(design, fit))
    components: tuple[Component, ...] = ()
    correlation = (float("nan"),) * 3
    if spreads:
        components, correlation = _components(rows, laid, design, fit, level=level)
    return GroupFit(
        n_sensors=len(set(rows.sensor.tolist())), start=sure[0], slope=sure[1],
        effects={laid.names[i]: sure[2 + j] for j, i in enumerate(effects)},
        band=(grid, value[2 + len(effects):], np.array([b[0] for b in band]), np.array([b[1] for b in band])),
        components=components, correlation=correlation, blup_intercept=predicted[0], blup_slope=predicted[1],
        batch=laid.batch, occasion="occasions" in laid.level_names, method=REML_INTERVAL,
        boundary=tuple(_in_words(b, laid.level_names) for b in fit.boundary), converged=bool(fit.converged))


def _refuse_perfect(rows: GroupRows) -> None:
    """Refuse rows that lie on their sensors' lines exactly: there is no scatter to build an interval on."""
    sensor, _ = codes_of([rows.sensor, rows.epoch])
    scatter = fit_lines(rows.response, rows.use, group=sensor).pooled_sd
    if not scatter > 1e-9 * float(np.ptp(rows.response)):
        raise ValueError("every check lies on its sensor's line exactly")


def _in_words(boundary: str, level_names: tuple[str, ...]) -> str:
    """Put the name of the grouping level into the engine's words for a boundary fit."""
    for number, name in enumerate(level_names, 1):
        boundary = boundary.replace(f"level {number}", name)
    return boundary.replace("intercept", "start")


def _predicted_lines(rows: GroupRows, laid: Assembled, design: Any, fit: Any, effects: list[Floats]
                     ) -> tuple[dict[str, float], dict[str, float]]:
    """Add predicted sensor (and batch) deviations, and a sensor's own fixed effects, to the population line."""
    _, first = codes_of([rows.sensor])
    names = rows.sensor[first]
    start = np.full(len(names), float(laid.starts[0] @ fit.beta))
    slope = np.full(len(names), float(laid.slopes[0] @ fit.beta))
    for i, name in enumerate(laid.names):
        if name.startswith("batch "):
            column = laid.columns[first, i]
            if name.endswith("start"):
                start = start + column * fit.beta[i]
            else:
                sign = np.array([_batch_sign(rows, laid, s, i) for s in names], dtype=np.float64)
                slope = slope + sign * fit.beta[i]
    for level, name in enumerate(laid.level_names):
        if name == "occasions":
            continue
        own = laid.levels[level][1][first]
        node = {int(c): k for k, c in enumerate(design.levels[level].codes)}
        # Sensor codes are unique over batches, so a node is known by its code alone.
        found = effects[level][[node[int(c)] for c in own]]
        if found.shape[1] == 2:
            start, slope = start + found[:, 0], slope + found[:, 1]
        else:
            slope = slope + found[:, 0]
    if bool((rows.epoch != "").any()):
        start = np.array([float(np.nan)] * len(names))
    return dict(zip(names, start.tolist(), strict=True)), dict(zip(names, slope.tolist(), strict=True))


def _batch_sign(rows: GroupRows, laid: Assembled, sensor: str, column: int) -> float:
    """Value of a batch contrast for one sensor, read off a row with exposure above zero."""
    mine = np.flatnonzero((rows.sensor == sensor) & (rows.use != 0))
    return float(laid.columns[mine[0], column] / rows.use[mine[0]]) if len(mine) else 0.0


def _components(rows: GroupRows, laid: Assembled, design: Any, fit: Any, *, level: float
                ) -> tuple[tuple[Component, ...], tuple[float, float, float]]:
    """List variance components as SDs, with the share of each in one mounting's response at the mean use."""
    middle = float(rows.use.mean())
    ends = spread_intervals(design, fit, level)
    variances: list[float] = []
    sources: list[tuple[str, tuple[tuple[str, float], ...]]] = []
    for number, name in enumerate(laid.level_names):
        covariance = fit.covariances[number]
        if name == "occasions":
            labels: tuple[str, ...] = ("",)
            path = np.ones(1)
        elif covariance.shape[0] == 2:
            labels, path = (", start", ", drift per use"), np.array([1.0, middle])
        else:
            labels, path = (", drift per use",), np.array([middle])
        variances.append(float(path @ covariance @ path))
        sources.append((f"between {name}", tuple((label, float(np.sqrt(covariance[j, j])))
                                                 for j, label in enumerate(labels))))
    total = sum(variances) + float(fit.sigma2)
    made: list[Component] = []
    for number, (source, parts) in enumerate(sources):
        share = variances[number] / total if len(parts) == 1 and not parts[0][0] else float("nan")
        for (label, sd), (low, high, method) in zip(parts, ends[number + 1, "sd"], strict=True):
            made.append(Component(name=source + label, sd=sd, low=low, high=high, share=share, method=method))
    low, high, method = ends[0, "sd"][0]
    residual = "between mountings" if "occasions" in laid.level_names else "residual, occasion included"
    made.append(Component(name=residual, sd=float(np.sqrt(fit.sigma2)), low=low, high=high,
                          share=float(fit.sigma2) / total, method=method))
    made += [Component(name=f"{source} at the mean exposure", sd=float(np.sqrt(v)), share=v / total,
                       method=f"{fit.method}, start and drift together at {middle:.4g}")
             for (source, parts), v in zip(sources, variances, strict=True) if source != "between occasions"]
    return tuple(made), _correlation(laid, fit, ends)


def _correlation(laid: Assembled, fit: Any, ends: dict[tuple[int, str], list[tuple[float, float, str]]]
                 ) -> tuple[float, float, float]:
    """Correlation of start and drift between sensors with its interval; NaN where it does not exist."""
    number = laid.level_names.index("sensors")
    covariance = fit.covariances[number]
    if covariance.shape[0] != 2:
        return (float("nan"),) * 3
    with np.errstate(divide="ignore", invalid="ignore"):
        r = float(covariance[0, 1] / np.sqrt(covariance[0, 0] * covariance[1, 1]))
    low, high, _ = ends[number + 1, "correlation"][0]
    return r, low, high
