"""Mean squares of a gauge study, the variance components they hold, and their intervals.

A study has p parts, o operators (persons, sensors, rigs) and m readings of a part by an operator. Every layout is
brought to a short list of mean squares with the weights that turn them into unbiased variances: parts and operators
crossed (with the interaction or with it pooled into the repeatability), parts of each operator's own (nested), parts
alone, operators alone. Where numbers are unequal or cells are missing the squares are those of unweighted cell means
(interaction in the model) or adjusted for each other (pooled); for equal numbers both are the ordinary analysis of
variance.

References
----------
Burdick RK, Borror CM, Montgomery DC (2005). Design and Analysis of Gauge R&R Studies. SIAM, chapters 3 to 5 (crossed
    with and without interaction), 7 (unbalanced), appendix B (modified large-sample intervals).
Burdick RK, Graybill FA (1992). Confidence Intervals on Variance Components. Dekker, chapter 4 and section 5.3.
Measurement Systems Analysis Reference Manual, 4th ed. (2010). Automotive Industry Action Group, chapter III.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.engine.mean_square_intervals import linear_interval, share_interval
from drift.engine.meansquares import centred, one_way

FloatArray = NDArray[np.float64]
Kind = Literal["crossed", "nested", "parts", "operators", "repeats"]

COMPONENTS = ("repeatability", "operator", "interaction", "part")
# What the parts of a gauge study are sums of.
SUMS: dict[str, tuple[str, ...]] = {
    "EV": ("repeatability",), "AV": ("operator",), "INT": ("interaction",),
    "GRR": ("repeatability", "operator", "interaction"), "PV": ("part",), "TV": COMPONENTS}
CATEGORIES = 1.41  # the manual's rounded square root of two


@dataclass(frozen=True, kw_only=True, eq=False)
class GaugeSquares:
    """Mean squares of a layout, on the scale of one reading.

    ``weights[c] @ ms`` is the unbiased estimate of the variance of component c; components that the layout cannot
    tell apart from another are not there. ``error[s]`` is the row that the F test of row s divides by, or -1.
    """

    sources: tuple[str, ...]
    ss: FloatArray
    df: FloatArray
    weights: Mapping[str, FloatArray]
    error: tuple[int, ...]
    balanced: bool

    @property
    def ms(self) -> FloatArray:
        """Mean squares."""
        return self.ss / self.df

    def f_tests(self) -> tuple[FloatArray, FloatArray]:
        """F ratios and their p values; NaN where a row has no test."""
        from scipy.special import fdtrc

        f, p = np.full(len(self.ss), np.nan), np.full(len(self.ss), np.nan)
        for s, e in enumerate(self.error):
            if e >= 0 and self.ms[e] > 0:
                f[s] = self.ms[s] / self.ms[e]
                p[s] = fdtrc(self.df[s], self.df[e], f[s])
        return f, p

    def unbiased(self) -> dict[str, float]:
        """Unbiased variances; they may be negative."""
        return {c: float(w @ self.ms) for c, w in self.weights.items()}


@dataclass(frozen=True, kw_only=True)
class Sized:
    """A sum of components: variance and share of the total, with intervals."""

    variance: float
    low: float
    high: float
    share: float
    share_low: float
    share_high: float


@dataclass(frozen=True, eq=False)
class _Additive:
    """Sums of squares of a weighted two-way layout: rows and columns adjusted for each other, and the rest.

    ``row_weight`` and ``column_weight`` are the mean coefficients of their variances in the expected mean squares.
    """

    rows: float
    columns: float
    rest: float
    row_weight: float
    column_weight: float


def _additive(w: FloatArray, y: FloatArray) -> _Additive:
    per_row, per_column = w.sum(axis=1), w.sum(axis=0)
    row_means = (w * y).sum(axis=1) / per_row
    information = np.diag(per_column) - w.T @ (w / per_row[:, None])
    totals = (w * (y - row_means[:, None])).sum(axis=0)
    # Connected layouts: only equal effects are left undetermined, and the constant makes their sum zero.
    effects = np.linalg.solve(information + per_column.mean(), totals)
    fitted_rows = (w * (y - effects)).sum(axis=1) / per_row
    fit = fitted_rows[:, None] + effects
    column_means = (w * y).sum(axis=0) / per_column
    p, o = w.shape
    return _Additive(
        rows=float((w * (fit - column_means) ** 2).sum()), columns=float((w * (fit - row_means[:, None]) ** 2).sum()),
        rest=float((w * (y - fit) ** 2).sum()),
        row_weight=float((per_row.sum() - (w**2 / per_column).sum()) / (p - 1)),
        column_weight=float((per_column.sum() - (w**2 / per_row[:, None]).sum()) / (o - 1)))


@dataclass(frozen=True, eq=False)
class _Cells:
    counts: FloatArray
    means: FloatArray
    ss_within: float

    @property
    def df_within(self) -> int:
        return int(self.counts.sum() - (self.counts > 0).sum())

    @property
    def equal(self) -> bool:
        return bool(np.all(self.counts == self.counts[0, 0]))


def _cells(values: ArrayLike, rows: ArrayLike, columns: ArrayLike) -> _Cells:
    y, _ = centred(values)
    r, c = np.asarray(rows, dtype=np.intp), np.asarray(columns, dtype=np.intp)
    shape = int(r.max()) + 1, int(c.max()) + 1
    cell = r * shape[1] + c
    size = shape[0] * shape[1]
    counts = np.bincount(cell, minlength=size).astype(np.float64)
    means = np.bincount(cell, weights=y, minlength=size) / np.maximum(counts, 1)
    resid = y - means[cell]
    left = np.bincount(cell, weights=resid, minlength=size) / np.maximum(counts, 1)
    means, resid = means + left, resid - left[cell]
    return _Cells(counts.reshape(shape), means.reshape(shape), float(resid @ resid))


def crossed_squares(values: ArrayLike, parts: ArrayLike, operators: ArrayLike, *, interaction: bool = True,
                    ) -> GaugeSquares:
    """Mean squares of parts crossed with operators.

    Parameters
    ----------
    values : array_like of float, shape (n_readings,)
    parts, operators : array_like of int, shape (n_readings,)
        Codes 0, 1, ...; every number used, at least two of each, connected.
    interaction : bool
        Keep part x operator as a row of its own; otherwise it is pooled with the repeatability. Without repeated
        readings the two cannot be told apart and the row "repeatability" is both.

    Returns
    -------
    GaugeSquares

    Raises
    ------
    ValueError
        If no degrees of freedom are left for the repeatability.
    """
    cells = _cells(values, parts, operators)
    p, o = cells.counts.shape
    met = (cells.counts > 0).astype(np.float64)
    df_cells = int(met.sum()) - p - o + 1
    if df_cells + cells.df_within < 1:
        raise ValueError("no degrees of freedom are left for the repeatability")
    whole = interaction and cells.df_within > 0 and df_cells > 0
    if whole:
        # Unweighted cell means, put back on the scale of one reading by the harmonic mean number of readings.
        scale = float(met.sum() / (met / np.maximum(cells.counts, 1)).sum())
        a = _additive(met, cells.means)
        ss = np.array([scale * a.rows, scale * a.columns, scale * a.rest, cells.ss_within])
        df = np.array([p - 1, o - 1, df_cells, cells.df_within], dtype=np.float64)
        wp, wo = scale * a.row_weight, scale * a.column_weight
        weights = {"repeatability": np.array([0, 0, 0, 1.0]), "operator": np.array([0, 1, -1, 0]) / wo,
                   "interaction": np.array([0, 0, 1, -1]) / scale, "part": np.array([1, 0, -1, 0]) / wp}
        return GaugeSquares(sources=("part", "operator", "interaction", "repeatability"), ss=ss, df=df, weights=weights,
                            error=(2, 2, 3, -1), balanced=cells.equal)
    a = _additive(cells.counts, cells.means)
    ss = np.array([a.rows, a.columns, a.rest + cells.ss_within])
    df = np.array([p - 1, o - 1, df_cells + cells.df_within], dtype=np.float64)
    weights = {"repeatability": np.array([0, 0, 1.0]), "operator": np.array([0, 1, -1]) / a.column_weight,
               "part": np.array([1, 0, -1]) / a.row_weight}
    return GaugeSquares(sources=("part", "operator", "repeatability"), ss=ss, df=df, weights=weights,
                        error=(2, 2, -1), balanced=cells.equal)


def interaction_test(values: ArrayLike, parts: ArrayLike, operators: ArrayLike) -> tuple[float, float]:
    """Return F and p of the part x operator interaction, exact whatever the numbers of readings; NaN without one."""
    from scipy.special import fdtrc

    cells = _cells(values, parts, operators)
    df = int((cells.counts > 0).sum()) - sum(cells.counts.shape) + 1
    if df < 1 or cells.df_within < 1 or not cells.ss_within > 0:
        return math.nan, math.nan
    f = _additive(cells.counts, cells.means).rest / df / (cells.ss_within / cells.df_within)
    return f, float(fdtrc(df, cells.df_within, f))


def nested_squares(values: ArrayLike, parts: ArrayLike, operators: ArrayLike) -> GaugeSquares:
    """Mean squares of parts within operators; ``parts`` has a code of its own for each part of each operator."""
    y, _ = centred(values)
    part, op = np.asarray(parts, dtype=np.intp), np.asarray(operators, dtype=np.intp)
    inner = one_way(y, part)
    owner = op[np.unique(part, return_index=True)[1]]
    middle = one_way(inner.means, owner)
    h, c = float(np.mean(1 / inner.counts)), float(np.mean(1 / middle.counts))
    o = middle.n
    means = middle.means - middle.means.mean()
    ss = np.array([float(means @ means) / (h * c), middle.ss_within / h, inner.ss_within])
    df = np.array([o - 1, middle.df_within, inner.df_within], dtype=np.float64)
    weights = {"repeatability": np.array([0, 0, 1.0]), "part": np.array([0, 1, -1.0]) * h,
               "operator": np.array([1, -1.0, 0]) * h * c}
    equal = bool(np.ptp(inner.counts) == 0 and np.ptp(middle.counts) == 0)
    return GaugeSquares(sources=("operator", "part", "repeatability"), ss=ss, df=df, weights=weights,
                        error=(1, 2, -1), balanced=equal)


def one_way_squares(values: ArrayLike, codes: ArrayLike, what: str) -> GaugeSquares:
    """Mean squares of one factor (``"part"`` or ``"operator"``) and the repeatability."""
    flat = one_way(values, codes)
    h = float(np.mean(1 / flat.counts))
    means = flat.means - flat.means.mean()
    weights = {"repeatability": np.array([0, 1.0]), what: np.array([1.0, -1.0]) * h}
    return GaugeSquares(sources=(what, "repeatability"), ss=np.array([float(means @ means) / h, flat.ss_within]),
                        df=np.array([flat.df_between, flat.df_within], dtype=np.float64), weights=weights,
                        error=(1, -1), balanced=bool(np.ptp(flat.counts) == 0))


def repeatability_squares(values: ArrayLike) -> GaugeSquares:
    """Mean square of repeated readings of one part by one operator."""
    y, _ = centred(values)
    return GaugeSquares(sources=("repeatability",), ss=np.array([float(y @ y)]), df=np.array([len(y) - 1.0]),
                        weights={"repeatability": np.array([1.0])}, error=(-1,), balanced=True)


def restricted_likelihood(values: ArrayLike, parts: ArrayLike, operators: ArrayLike, layout: Kind, *,
                          interaction: bool = False) -> dict[str, float]:
    """REML variances of a layout with unequal numbers or missing cells.

    Parameters
    ----------
    values, parts, operators : as for :func:`crossed_squares`
    layout : {"crossed", "nested", "parts", "operators"}
    interaction : bool
        Whether part x operator is in a crossed model.

    Raises
    ------
    ValueError
        If the layout cannot be fitted.
    """
    from drift.engine.factorial import Layout
    from drift.engine.random_effects import fit_random_effects

    first, both = frozenset({0}), frozenset({0, 1})
    if layout in ("parts", "operators"):
        made = Layout.build(values, [parts if layout == "parts" else operators], [set()])
        names = {first: layout.removesuffix("s")}
    elif layout == "nested":  # the fit wants a first factor that lies in no other
        made = Layout.build(values, [operators, parts], [set(), {0}])
        names = {first: "operator", both: "part"}
    else:
        made = Layout.build(values, [parts, operators], [set(), set()])
        names = {first: "part", frozenset({1}): "operator", both: "interaction"}
    fit = fit_random_effects(made, tuple(e for e in made.effects if names[e] != "interaction" or interaction))
    found = {names[e]: float(v) for e, v in zip(fit.effects, fit.variances[:-1], strict=True)}
    return {**found, "repeatability": float(fit.variances[-1])}


def sizes(squares: GaugeSquares, variances: Mapping[str, float], level: float, *,
          shares: bool = True) -> dict[str, Sized]:
    """Return EV, AV, INT, GRR, PV and TV, those that the layout holds, with modified large-sample intervals.

    Parameters
    ----------
    squares : GaugeSquares
    variances : mapping of str to float
        Estimates of the components, zero or above.
    level : float
    shares : bool
        Work out the intervals of the shares of the total; without it they are NaN.

    Notes
    -----
    Variances have the interval of Burdick, Borror & Montgomery (2005), appendix B; a share of the total variance is
    bounded where the same bound of (1 - c) times its part less c times the rest crosses zero. An interval is widened
    to hold an estimate that was put to zero or fitted otherwise.
    """
    total = math.fsum(variances.values())
    inside = {n: [c for c in SUMS[n] if c in squares.weights] for n in SUMS}
    names = [n for n, members in inside.items() if members and (n != "TV" or "part" in members)]
    top = np.array([np.sum([squares.weights[c] for c in inside[n]], axis=0) for n in names])
    whole = np.sum(list(squares.weights.values()), axis=0)
    ends = np.maximum(linear_interval(squares.ms, squares.df, top, level), 0.0)
    parted = total > 0 and "part" in squares.weights
    quotients = (share_interval(squares.ms, squares.df, top, whole - top, level) if shares and parted else
                 np.full((len(names), 2), np.nan))
    if "GRR" in names and (top[names.index("GRR")] < 0).any():
        _not_below_repeatability(squares, names, top, whole, ends, quotients, level)
    out: dict[str, Sized] = {}
    for n, (low, high), (s_low, s_high) in zip(names, ends.tolist(), quotients.tolist(), strict=True):
        variance = math.fsum(variances[c] for c in inside[n])
        share = variance / total if parted else math.nan
        if n == "TV" and parted:
            s_low = s_high = 1.0
        out[n] = Sized(variance=variance, low=min(low, variance), high=max(high, variance), share=share,
                       share_low=min(s_low, share), share_high=max(s_high, share))
    return out


def _not_below_repeatability(squares: GaugeSquares, names: list[str], top: FloatArray, whole: FloatArray,
                             ends: FloatArray, quotients: FloatArray, level: float) -> None:
    """Raise the lower ends of GRR to those of the repeatability it holds, in place.

    Where a mean square counts negatively (parts within operators) the lower end of GRR can fall to zero, although GRR
    is never below the repeatability. That end is taken at half of its error, for two bounds err more often than one.
    """
    i, e = names.index("GRR"), names.index("EV")
    strict = (1 + level) / 2
    ends[i, 0] = max(ends[i, 0], linear_interval(squares.ms, squares.df, top[e], strict)[0])
    if np.isfinite(quotients[i, 0]):
        own = share_interval(squares.ms, squares.df, top[e], whole - top[e], strict)[0]
        quotients[i, 0] = max(quotients[i, 0], own)


def categories(share: float) -> float:
    """Return 1.41 PV / GRR, not truncated, from the share of the gauge in the total variance."""
    if not share >= 0:
        return math.nan
    return CATEGORIES * math.sqrt((1 - share) / share) if share > 0 else math.inf
