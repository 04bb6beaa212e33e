"""What the checks of a study tell a budget: scatter of readings, mountings and days, and drift of a sensor."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.budget.quantities import Quantity
from drift.calibration import codes_of
from drift.engine.mixed_combination import Combination, predict_combination
from drift.sensitivity.design import WearData
from drift.sensitivity.engine_calls import contrast_errors, fit_rows
from drift.sensitivity.lines import occasion_means, sensor_lines
from drift.sensitivity.model import MIN_SENSORS, GroupRows, assemble

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True)
class Spread:
    """An SD on the scale of the response, with its degrees of freedom."""

    sd: float
    df: float


@dataclass(frozen=True, kw_only=True)
class Drift:
    """Predicted drift per use of one sensor.

    Parameters
    ----------
    value, u, df : float
    weight : float
        Sum of the weights of the calibration's own mountings in the prediction: how much an error of that day moves it.
    own : bool
        Whether the sensor has two or more checks of its own in it.
    n_sensors : int
    method : str
    of_days : bool
        Whether its error is worked out from the scatter about the lines that the days have too: one variance estimate.
    """

    value: float
    u: float
    df: float
    weight: float
    own: bool
    n_sensors: int
    method: str
    of_days: bool = False


@dataclass(frozen=True, kw_only=True)
class Evidence:
    """Scatter and drift of the sensors of one construction.

    Parameters
    ----------
    mounting, day : Spread or None
        Between mountings of one occasion, and between occasions; None where the checks cannot tell.
    joint : bool
        ``day`` holds the scatter of mountings too: they cannot be told apart.
    first_use, last_use : float
        Range of the checks.
    drift : Drift or None
    said : tuple of str
        What a reader should know of it.
    static : tuple of Quantity
        What the calibration itself tells of hysteresis, creep and zero.
    checks : int
        Uses at which the sensor was checked; of any sensor, the median.
    """

    mounting: Spread | None
    day: Spread | None
    joint: bool
    first_use: float
    last_use: float
    drift: Drift | None
    said: tuple[str, ...] = ()
    static: tuple[Quantity, ...] = ()
    checks: int = 0


@dataclass(frozen=True, kw_only=True, eq=False)
class Fitted:
    """The wear model of one construction, fitted once for any sensor and calibration; ``laid`` None without one."""

    rows: Bools
    group: GroupRows
    laid: object
    fit: object
    mean_se: float
    mean_df: float
    counts: tuple[int, int, int]
    n_followed: int


def fitted_group(data: WearData, construction: str) -> Fitted:
    """Fit the wear model of one construction; without enough sensors or scatter there is none, and lines serve."""
    rows = np.asarray(data.construction == construction, dtype=np.bool_)
    occasion = codes_of([data.sensor[rows], data.use[rows], data.epoch[rows]])[0]
    group = GroupRows(response=data.response[rows], use=data.use[rows], sensor=data.sensor[rows],
                      batch=data.batch[rows], epoch=data.epoch[rows], occasion=occasion)
    n_sensors, n_occasions = len(set(group.sensor.tolist())), int(occasion.max()) + 1
    counts = (n_sensors, n_occasions, len(occasion))
    laid = fit = None
    se = df = float("nan")
    per_sensor = np.bincount(codes_of([group.sensor])[0][codes_of([group.sensor, group.use])[1]])
    if n_sensors >= MIN_SENSORS and int((per_sensor >= 2).sum()) >= MIN_SENSORS and (
            per_sensor.max() >= 3 or n_occasions < len(occasion)):
        try:
            laid = assemble(group)
            design, fit = fit_rows(group.response, laid.columns, laid.levels)
            errors, dfs = contrast_errors(design, fit, np.vstack([laid.slopes, laid.slopes]))
            se, df = float(errors[0]), float(dfs[0])
        except ValueError:
            laid = fit = None
    return Fitted(rows=rows, group=group, laid=laid, fit=fit, mean_se=se, mean_df=df, counts=counts,
                  n_followed=int((per_sensor >= 2).sum()))


def evidence(data: WearData, found: Fitted, *, sensor: str | None, calibration: NDArray[np.int64]) -> Evidence:
    """Return scatter and drift for a sensor with its own checks (``sensor``), or for any sensor of the construction.

    Parameters
    ----------
    calibration : array of int
        Mountings of ``data`` that make the calibration.
    """
    g = found.group
    first, last = float(g.use.min()), float(g.use.max())
    if sensor is not None and (g.sensor == sensor).any():
        first, last = float(g.use[g.sensor == sensor].min()), float(g.use[g.sensor == sensor].max())
    own_rows = np.isin(np.flatnonzero(found.rows), calibration)
    each = {s: len(np.unique(g.use[g.sensor == s])) for s in {*g.sensor.tolist()}}
    checks = int(each.get(sensor, np.median(list(each.values()))))
    if found.laid is None:
        return replace(_from_lines(data, found, sensor, own_rows, first, last), checks=checks)
    mounting, day, joint, said = _spreads(data, found)
    return Evidence(mounting=mounting, day=day, joint=joint, first_use=first, last_use=last, said=said, checks=checks,
                    drift=_predicted(found, sensor, own_rows))


def _spreads(data: WearData, found: Fitted) -> tuple[Spread | None, Spread | None, bool, tuple[str, ...]]:
    """Take SDs of mountings and days from the variance components."""
    laid, fit = found.laid, found.fit
    n_sensors, n_occasions, n_mountings = found.counts
    sigma2 = float(fit.sigma2)  # type: ignore[attr-defined]
    if "occasions" not in laid.level_names:  # type: ignore[attr-defined]
        return None, Spread(sd=sigma2**0.5, df=float(max(n_mountings - 2 * n_sensors, 1))), True, ()
    tau2 = float(fit.covariances[-1][0, 0])  # type: ignore[attr-defined]
    said = ("the variance between days is estimated as zero",) if tau2 <= 1e-9 * sigma2 else ()
    mounting = _less_fit(data, found, sigma2, float(n_mountings - n_occasions))
    return mounting, Spread(sd=tau2**0.5, df=float(max(n_occasions - 2 * n_sensors, 1))), False, said


def _less_fit(data: WearData, found: Fitted, variance: float, df: float) -> Spread:
    """Take out of the scatter of mountings what the scatter of readings about each line already explains.

    Satterthwaite degrees of freedom of the difference. Zero where nothing is left.
    """
    se = data.response_se[found.rows]
    known = np.isfinite(se)
    if not known.any():
        return Spread(sd=variance**0.5, df=max(df, 1.0))
    explained = float(np.mean(se[known] ** 2))
    rest = max(variance - explained, 0.0)
    n = float(data.calibration.n[found.rows][known].sum() - 2 * known.sum())
    spent = variance**2 / max(df, 1.0) + explained**2 / max(n, 1.0)
    return Spread(sd=rest**0.5, df=max(rest**2 / spent, 1.0) if rest > 0 else max(df, 1.0))


def _predicted(found: Fitted, sensor: str | None, calibration: Bools) -> Drift:
    """Predict the drift of one sensor from the wear model.

    The variance components are estimated from few sensors, so the prediction has as many degrees of freedom as sensors
    were checked more than once, less one. A sensor checked once has its drift predicted as that of a new one: what its
    start says about its slope rests on a correlation that few sensors hardly tell.
    """
    laid, fit, g = found.laid, found.fit, found.group
    fixed = np.array(laid.slopes[0], dtype=np.float64)  # type: ignore[attr-defined]
    mine = np.flatnonzero(g.sensor == sensor) if sensor is not None else np.zeros(0, dtype=np.int64)
    n_checks = len(set(g.use[mine].tolist()))
    if len(mine):
        worn = mine[g.use[mine] != 0]
        for i, name in enumerate(laid.names):  # type: ignore[attr-defined]
            if name.startswith("batch ") and name.endswith("drift per use") and len(worn):
                fixed[i] = laid.columns[worn[0], i] / g.use[worn[0]]  # type: ignore[attr-defined]
    random: list[tuple[int | None, Floats]] = []
    for name, (z, codes) in zip(laid.level_names, laid.levels, strict=True):  # type: ignore[attr-defined]
        if name == "occasions":
            continue
        m = np.zeros(z.shape[1])
        m[-1] = 1.0
        random.append((int(codes[mine[0]]) if n_checks >= 2 else None, m))
    made: Combination = predict_combination(
        g.response, laid.columns, laid.levels, fit.covariances, float(fit.sigma2),  # type: ignore[attr-defined]
        fixed=fixed, random=random)
    # The fixed effects' own error is the larger, small-sample one.
    extra = max(found.mean_se**2 - made.fixed_variance, 0.0) if np.isfinite(found.mean_se) else 0.0
    df = max(float(found.n_followed - 1), 1.0)
    how = ("predicted by the mixed model from its own checks and the other sensors'" if n_checks >= 2 else
           "mean of the sensors by the mixed model, with the spread between sensors")
    return Drift(value=made.value, u=float(np.sqrt(made.variance + extra)), df=df, own=n_checks >= 2,
                 weight=float(made.weights[calibration].sum()) if len(mine) else 0.0, n_sensors=found.n_followed,
                 method=how)


def _from_lines(data: WearData, found: Fitted, sensor: str | None, calibration: Bools, first: float, last: float
                ) -> Evidence:
    """Use the sensors' own least-squares lines: too few sensors for a mixed model, or no scatter for one."""
    means = occasion_means(data)
    lines = sensor_lines(means)
    of_group = np.isin(lines.sensor.astype(str), found.group.sensor.astype(str))
    df = lines.df[of_group]
    spent = float(df[df > 0].sum())
    inside = of_group[lines.sensor_of_occasion]
    # A sensor whose line has no degrees of freedom left has residuals of zero, which tell nothing.
    sse = float(np.nansum(lines.residual[inside] ** 2))
    day = Spread(sd=(sse / spent) ** 0.5, df=spent) if spent > 0 else None
    n = means.n[inside]
    within = float((n - 1).sum())
    mounting = None
    if within > 0:
        squares = float(np.nansum(means.response_se[inside] ** 2 * n * (n - 1) * (n > 1)))
        mounting = Spread(sd=(squares / within) ** 0.5, df=within)
    drift = _own_line(lines, means, sensor, day, float(means.n[inside].mean()), of_group,
                      data.use[np.flatnonzero(found.rows)][calibration])
    return Evidence(mounting=mounting, day=day, joint=True, first_use=first, last_use=last, drift=drift)


def _own_line(lines: object, means: object, sensor: str | None, day: Spread | None, mountings: float, of_group: Bools,
              at: Floats) -> Drift | None:
    """Return the slope of a sensor's own line, or the mean of the slopes for any sensor of five or more."""
    slope, names = lines.slope, lines.sensor  # type: ignore[attr-defined]
    n_sensors = int(of_group.sum())
    if sensor is None:
        b = slope[of_group][np.isfinite(slope[of_group])]
        if len(b) < MIN_SENSORS:
            return None
        return Drift(value=float(b.mean()), u=float(b.std(ddof=1) * np.sqrt(1 + 1 / len(b))), df=float(len(b) - 1),
                     weight=0.0, own=False, n_sensors=n_sensors, method="mean of the sensors' own slopes, with the "
                     "spread between sensors")
    i = int(np.flatnonzero(names == sensor)[0])
    if not np.isfinite(slope[i]) or day is None:
        return None
    x = means.use[lines.sensor_of_occasion == i]  # type: ignore[attr-defined]
    sxx = float(((x - x.mean()) ** 2).sum())
    weight = float((at[0] - x.mean()) / sxx) if len(at) else 0.0
    return Drift(value=float(slope[i]), u=day.sd / sxx**0.5, df=day.df, weight=weight, own=True, n_sensors=n_sensors,
                 method="slope of its own least-squares line", of_days=True)
