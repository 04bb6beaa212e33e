"""Gains of the cells of a matrix sensor from uniform exposures: two-way fit of logs, shrinkage, dead cells."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.engine.readonly import frozen_array
from drift.engine.spread_likelihood import mixed, mixed_ends, spread_likelihood

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
_TO_SD = 1.4826
DEAD_BELOW = 5.0  # robust SDs below the median log gain
LOADED = 0.3  # share of the range from which on a live cell must read above the noise floor


@dataclass(frozen=True, kw_only=True, eq=False)
class TwoWay:
    """log reading = gamma of the cell + pi of the exposure + error.

    Parameters
    ----------
    gamma : array, shape (n_cells,)
        Mean zero over the cells; NaN for a cell without a reading.
    pi : array, shape (n_exposures,)
    sigma, df : float
        Residual SD and degrees of freedom.
    count : array, shape (n_cells,)
        Exposures of each cell.
    residual : array, shape (n_cells, n_exposures)
    """

    gamma: Floats
    pi: Floats
    sigma: float
    df: float
    count: Floats
    residual: Floats

    def __post_init__(self) -> None:
        for name in ("gamma", "pi", "count", "residual"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def two_way(logs: Floats) -> TwoWay:
    """Fit cells and exposures additively to logs by least squares; NaN cells are missing.

    Parameters
    ----------
    logs : array, shape (n_cells, n_exposures)

    Notes
    -----
    Means of rows and columns where nothing is missing; else they alternate until nothing changes, which is the same
    least squares.
    """
    there = np.isfinite(logs)
    y = np.where(there, logs, 0.0)
    rows, columns = there.sum(axis=1), there.sum(axis=0)
    gamma, pi = np.zeros(logs.shape[0]), np.zeros(logs.shape[1])
    for _ in range(10_000):
        pi = ((y - gamma[:, None]) * there).sum(axis=0) / np.maximum(columns, 1)
        new = ((y - pi[None, :]) * there).sum(axis=1) / np.maximum(rows, 1)
        new = new - new[rows > 0].mean() if (rows > 0).any() else new
        moved = float(np.abs(new - gamma).max(initial=0.0))
        gamma = new
        if moved < 1e-13:
            break
    pi = ((y - gamma[:, None]) * there).sum(axis=0) / np.maximum(columns, 1)
    residual = np.where(there, y - gamma[:, None] - pi[None, :], np.nan)
    df = float(there.sum() - (rows > 0).sum() - (columns > 0).sum() + 1)
    sse = float(np.nansum(residual**2))
    return TwoWay(gamma=np.where(rows > 0, gamma, np.nan), pi=pi, sigma=float(np.sqrt(sse / df)) if df > 0 else
                  float("nan"), df=df, count=rows.astype(np.float64), residual=residual)


def median_polish(logs: Floats, *, sweeps: int = 30) -> Floats:
    """Return the cells' log gains by medians in place of means, median zero, shape (n_cells,).

    References
    ----------
    J. W. Tukey (1977), Exploratory Data Analysis, ch. 11.
    """
    rest = logs.copy()
    gamma = np.zeros(logs.shape[0])
    empty = ~np.isfinite(logs).any(axis=1)
    rest[empty] = 0.0
    for _ in range(sweeps):
        rest = rest - np.nanmedian(rest, axis=0)[None, :]
        move = np.nanmedian(rest, axis=1)
        gamma, rest = gamma + move, rest - move[:, None]
        if float(np.abs(move).max(initial=0.0)) < 1e-12:
            break
    gamma = np.where(empty, np.nan, gamma)
    return gamma - np.nanmedian(gamma)


@dataclass(frozen=True, kw_only=True, eq=False)
class Shrunk:
    """Gains pulled towards their mean.

    Parameters
    ----------
    gain, gain_se : array, shape (n_cells,)
        As measured, mean 1, and relative standard error of each.
    shrunk, shrunk_se : array, shape (n_cells,)
        exp(E(lambda) gamma), mean 1, and its relative standard error.
    low, high : array, shape (n_cells,)
        Interval of the shrunk gain.
    weight : array, shape (n_cells,)
        E(lambda), lambda = tau^2/(tau^2 + error variance).
    tau, tau_low, tau_high : float
        SD of the true log gains over cells: median of its restricted likelihood, and its interval.
    """

    gain: Floats
    gain_se: Floats
    shrunk: Floats
    shrunk_se: Floats
    low: Floats
    high: Floats
    weight: Floats
    tau: float
    tau_low: float
    tau_high: float

    def __post_init__(self) -> None:
        for name in ("gain", "gain_se", "shrunk", "shrunk_se", "low", "high", "weight"):
            object.__setattr__(self, name, frozen_array(getattr(self, name)))


def shrink(fit: TwoWay, *, rig: float = 0.0, orientations: int = 1, level: float = 0.95,
           ends_of: NDArray[np.int64] | None = None) -> Shrunk:
    """Shrink the gains of a two-way fit, averaged over what the cells leave open of their spread.

    Parameters
    ----------
    fit : TwoWay
    rig : float
        SD of a bias of the rig at each place, which averages over orientations only.
    orientations : int
    level : float
    ends_of : array of int, optional
        Cells whose intervals are wanted; all if None.

    Notes
    -----
    Error variance of gamma_c: (sigma^2/K_c + rig^2/O)(1 - 1/C). Given tau a true gain is pulled to lambda gamma with
    variance lambda e; mean, error and interval are those of the mixture over the restricted likelihood of tau. One
    value of tau would do where it is well known; where gains hardly differ its estimate is often 0, and every gain
    would be 1 without error. The mean gain is 1 over the cells, so that sums over the whole sheet keep their size.

    References
    ----------
    C. N. Morris (1983), JASA 78, 47-55 (shrinkage); N. M. Laird and T. A. Louis (1987), JASA 82, 739-750 (its error
    where the spread is estimated).
    """
    live = np.isfinite(fit.gamma)
    nothing = np.full(len(live), np.nan)
    if not live.any():
        return _unshrunk(nothing)
    gamma = fit.gamma - np.nanmean(fit.gamma)
    if not np.isfinite(fit.sigma) or live.sum() < 2:  # one exposure: nothing tells gains from chance
        return _unshrunk(_mean_one(gamma))
    part = 1 - 1 / int(live.sum())
    own, common = fit.sigma**2 / fit.count[live] * part, rig**2 / orientations * part
    error = own + common
    if not float(error.max()) > 0:
        gain, zero = _mean_one(gamma), np.where(live, 0.0, np.nan)
        tau = float(np.std(gamma[live], ddof=1))
        return Shrunk(gain=gain, gain_se=zero, shrunk=gain, shrunk_se=zero, low=gain, high=gain,
                      weight=np.where(live, 1.0, np.nan), tau=tau, tau_low=np.nan, tau_high=np.nan)
    known = spread_likelihood(gamma[live], own, fit.df, common)
    centre, se, weight = mixed(gamma[live], error, known.parts)
    wanted = live if ends_of is None else live & np.isin(np.arange(len(live)), ends_of)
    ends = mixed_ends(gamma[wanted], error[wanted[live]], known.parts, fit.df, level=level)
    tau, tau_low, tau_high = (float(v) for v in known.quantile(np.array([0.5, (1 - level) / 2, (1 + level) / 2])))
    size = float(np.exp(centre).mean())

    def at(cells: Bools, values: Floats) -> Floats:
        made = nothing.copy()
        made[cells] = values
        return made

    low, high = (at(wanted, np.exp(end) / size) for end in ends)
    return Shrunk(gain=_mean_one(gamma), gain_se=at(live, np.sqrt(error)), shrunk=at(live, np.exp(centre) / size),
                  shrunk_se=at(live, se), low=low, high=high, weight=at(live, weight), tau=tau,
                  tau_low=tau_low, tau_high=tau_high)


def _unshrunk(gain: Floats) -> Shrunk:
    """Return gains without error: nothing tells them from chance, nothing can be shrunk."""
    nothing = np.full(len(gain), np.nan)
    return Shrunk(gain=gain, gain_se=nothing, shrunk=nothing, shrunk_se=nothing, low=nothing, high=nothing,
                  weight=nothing, tau=math.nan, tau_low=math.nan, tau_high=math.nan)


def _mean_one(gamma: Floats) -> Floats:
    gain = np.exp(gamma)
    return np.asarray(gain / np.nanmean(gain), dtype=np.float64)


def far_below(gamma: Floats) -> Bools:
    """Mark cells whose log gain lies five robust SDs (1.4826 MAD) or more below the median."""
    middle = float(np.nanmedian(gamma))
    spread = _TO_SD * float(np.nanmedian(np.abs(gamma - middle)))
    with np.errstate(invalid="ignore"):
        return np.asarray((gamma < middle - DEAD_BELOW * spread) & (spread > 0))


@dataclass(frozen=True, kw_only=True)
class Line:
    """A row or column of cells: how many are dead, and how unlikely that is among dead cells strewn at random."""

    of: str
    number: int
    cells: int
    dead: int
    p: float
    adjusted: float


def dead_lines(row: Floats, column: Floats, dead: Bools) -> list[Line]:
    """Test every row and column with a dead cell: binomial tail at the share of dead cells elsewhere, Holm-adjusted.

    References
    ----------
    S. Holm (1979), Scandinavian Journal of Statistics 6, 65-70.
    """
    from scipy.special import bdtrc

    made: list[tuple[str, int, int, int, float]] = []
    tests = len(np.unique(row)) + len(np.unique(column))
    for of, places in (("row", row), ("column", column)):
        for number in np.unique(places):
            here = places == number
            n, d = int(here.sum()), int(dead[here].sum())
            if d == 0:
                continue
            share = (int(dead[~here].sum()) + 0.5) / (int((~here).sum()) + 1)
            made.append((of, int(number), n, d, float(bdtrc(d - 1, n, share)) if d > 0 else 1.0))
    found, so_far = [], 0.0
    for rank, (of, number, n, d, p) in enumerate(sorted(made, key=lambda m: m[4])):
        so_far = max(so_far, min(1.0, (tests - rank) * p))
        found.append(Line(of=of, number=number, cells=n, dead=d, p=p, adjusted=so_far))
    return found


@dataclass(frozen=True, kw_only=True)
class Interaction:
    """Whether cells differ in more than their gain: F, degrees of freedom, p, the SD it stands for, residual SD."""

    F: float
    df1: float
    df2: float
    p: float
    sd: float
    error: float = float("nan")


def _f_test(ss: float, df1: float, sse: float, df2: float, per: float) -> Interaction:
    from scipy.special import fdtrc

    if df1 < 1 or df2 < 1 or not sse > 0:
        return Interaction(F=float("nan"), df1=df1, df2=df2, p=float("nan"), sd=float("nan"))
    ms, error = ss / df1, sse / df2
    return Interaction(F=ms / error, df1=df1, df2=df2, p=float(fdtrc(df1, df2, ms / error)),
                       sd=float(np.sqrt(max(ms - error, 0.0) / per)), error=float(np.sqrt(error)))


def cell_slopes(fit: TwoWay, along: Floats) -> Interaction:
    """Test whether cells follow lines of their own along a property of the exposures (log pressure, use count).

    Parameters
    ----------
    fit : TwoWay
    along : array, shape (n_exposures,)

    Returns
    -------
    Interaction
        ``sd``: SD of the cells' slopes beyond chance.
    """
    there = np.isfinite(fit.residual)
    x = np.where(there, along[None, :], 0.0)
    mean = x.sum(axis=1) / np.maximum(there.sum(axis=1), 1)
    d = np.where(there, along[None, :] - mean[:, None], 0.0)
    sxx = (d * d).sum(axis=1)
    use = sxx > 1e-12 * max(float(sxx.max(initial=0.0)), 1e-300)
    slope = np.divide((d * np.where(there, fit.residual, 0.0)).sum(axis=1), sxx, out=np.zeros_like(sxx), where=use)
    explained = float((slope**2 * sxx)[use].sum())
    df1 = float(use.sum() - 1)
    rest = float(np.nansum(fit.residual**2)) - explained
    return _f_test(explained, df1, rest, fit.df - df1, float(sxx[use].mean()) if use.any() else float("nan"))


def rig_bias(logs: Floats, orientation: NDArray[np.int64]) -> Interaction:
    """Test whether a cell's gain depends on how the sheet lay in the rig: cell x orientation over what is left.

    Returns
    -------
    Interaction
        ``sd``: SD of the bias of one place in the rig.
    """
    whole = two_way(logs)
    parts = [two_way(logs[:, orientation == o]) for o in np.unique(orientation)]
    sse = sum(float(np.nansum(p.residual**2)) for p in parts)
    df = sum(p.df for p in parts)
    each = float(np.mean([p.count[p.count > 0].mean() for p in parts if (p.count > 0).any()]))
    return _f_test(float(np.nansum(whole.residual**2)) - sse, whole.df - df, sse, df, each)
