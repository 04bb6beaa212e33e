"""Intervals of standard deviations and correlations: profile likelihood, or parametric bootstrap."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from drift.engine.mixed_bootstrap import parametric_bootstrap
from drift.engine.mixed_fit import MixedFit
from drift.engine.nested import NestedDesign
from drift.engine.nested_likelihood import Method, evaluate, evaluate_factors, relative_factors
from drift.engine.nested_statistics import Floats, Ints
from drift.engine.optimise import newton

IntervalMethod = Literal["profile", "bootstrap"]
Kind = Literal["sd", "correlation", "residual"]


@dataclass(frozen=True, kw_only=True, eq=False)
class VarianceIntervals:
    """Estimates and limits of the spread parameters of a fit, in the units of the data.

    Attributes
    ----------
    names : tuple of str
        ``"intercept SD of level 1"``, ``"intercept-slope correlation of level 1"``, ..., ``"residual SD"``.
    levels : tuple of int
        Number of the level (1 is the outermost; 0 for the residual).
    kinds : tuple of {"sd", "correlation", "residual"}
    estimate, low, high : (k,) floats
        A low limit of zero (correlation: an end of -1 or +1) means that the data do not exclude the boundary. NaN
        where a correlation does not exist because a variance is estimated as zero.
    level : float
        Confidence level.
    method : str
        In words, for reports.
    """

    names: tuple[str, ...]
    levels: tuple[int, ...]
    kinds: tuple[Kind, ...]
    estimate: Floats
    low: Floats
    high: Floats
    level: float
    method: str


@dataclass(frozen=True)
class _Component:
    """One parameter that gets an interval."""

    kind: Kind
    level: int
    first: int = 0
    second: int = 0


def variance_intervals(
    design: NestedDesign,
    fit: MixedFit,
    level: float = 0.95,
    rng: np.random.Generator | None = None,
    *,
    method: IntervalMethod = "profile",
    n: int = 999,
) -> VarianceIntervals:
    """Intervals of every standard deviation and correlation of a fit.

    Parameters
    ----------
    design : NestedDesign
    fit : MixedFit
        Fit of that design; its own criterion (REML or ML) is profiled.
    level : float
        Confidence level in (0, 1).
    rng : numpy.random.Generator, optional
        Needed by the bootstrap only.
    method : {"profile", "bootstrap"}
        ``profile``: all values whose profiled criterion lies within the chi-square quantile of the minimum.
        ``bootstrap``: percentiles of ``n`` parametric refits.
    n : int
        Number of bootstrap replicates.

    Returns
    -------
    VarianceIntervals

    Raises
    ------
    ValueError
        ``level`` outside (0, 1), or a bootstrap without ``rng``.

    Notes
    -----
    Never symmetric on the variance scale. The profile solves ``sqrt(D(s) - D_min) = z`` for ``log s`` (correlation:
    ``atanh r``) by Newton steps with the envelope derivative, all parameters and both sides at once.

    References
    ----------
    Venzon & Moolgavkar (1988), Applied Statistics 37, 87-94; Bates et al. (2015), Journal of Statistical Software
    67(1), section 5.1 (profiles).
    """
    if not 0.0 < level < 1.0:
        raise ValueError(f"level must lie between 0 and 1, not {level}")
    components = _components(design)
    estimate = _values(design, components, [c[None] for c in fit.covariances], np.array([fit.sigma2]))[0]
    if method == "bootstrap":
        if rng is None:
            raise ValueError("the bootstrap needs rng")
        drawn = parametric_bootstrap(design, fit, n, rng)
        values = _values(design, components, list(drawn.covariances), drawn.sigma2)
        low, high = _percentiles(values, level)
        words = f"{fit.method}, parametric bootstrap percentile interval ({n} refits)"
    else:
        low, high = _Profile(design, fit, components, level).solve(estimate)
        words = f"{fit.method}, profile likelihood interval"
    return VarianceIntervals(
        names=tuple(_name(design, c) for c in components), levels=tuple(c.level + 1 for c in components),
        kinds=tuple(c.kind for c in components), estimate=estimate, low=low, high=high, level=level, method=words,
    )


def _components(design: NestedDesign) -> list[_Component]:
    """All parameters, levels outermost first, the residual last."""
    out = []
    for k, level in enumerate(design.levels):
        out += [_Component("sd", k, j) for j in range(level.size)]
        if level.correlated:
            out += [_Component("correlation", k, i, j) for j in range(level.size) for i in range(j)]
    return [*out, _Component("residual", -1)]


def _name(design: NestedDesign, component: _Component) -> str:
    if component.kind == "residual":
        return "residual SD"
    names = design.levels[component.level].names
    if component.kind == "sd":
        return f"{names[component.first]} SD of level {component.level + 1}"
    return f"{names[component.first]}-{names[component.second]} correlation of level {component.level + 1}"


def _values(design: NestedDesign, components: list[_Component], covariances: list[Floats], sigma2: Floats) -> Floats:
    """Values (batch, k) of the parameters."""
    out = np.empty((len(sigma2), len(components)))
    for k, c in enumerate(components):
        if c.kind == "residual":
            out[:, k] = np.sqrt(sigma2)
            continue
        v = covariances[c.level]
        if c.kind == "sd":
            out[:, k] = np.sqrt(v[:, c.first, c.first])
        else:
            with np.errstate(invalid="ignore", divide="ignore"):
                r = v[:, c.first, c.second] / np.sqrt(v[:, c.first, c.first] * v[:, c.second, c.second])
            out[:, k] = np.clip(r, -1.0, 1.0)
    return out


def _percentiles(values: Floats, level: float) -> tuple[Floats, Floats]:
    """Equal-tailed percentiles; a correlation is judged on the replicates that have one."""
    tail = 0.5 * (1.0 - level)
    low, high = np.full(values.shape[1], np.nan), np.full(values.shape[1], np.nan)
    for k in range(values.shape[1]):
        there = values[:, k][np.isfinite(values[:, k])]
        if len(there) > 1:
            low[k], high[k] = np.quantile(there, [tail, 1.0 - tail])
    return low, high


class _Profile:
    """Profile likelihood of every component, all problems in one batch."""

    def __init__(self, design: NestedDesign, fit: MixedFit, components: list[_Component], level: float) -> None:
        from scipy.special import ndtri

        self.design, self.fit, self.components = design, fit, components
        self.method: Method = fit.method
        self.z = float(ndtri(0.5 + 0.5 * level))
        self.df = design.n_rows - (design.n_fixed if fit.method == "REML" else 0)
        at = evaluate(design, fit.theta[None], method=fit.method, gradient=False)
        self.minimum = float(at.value[0])
        self.log_sigma = 0.5 * float(np.log(at.sigma2[0]))
        self.factors = [f[0] for f in relative_factors(design.levels, fit.theta[None])]
        self.starts = np.concatenate(([0], np.cumsum([len(level.rows_cols[0]) for level in design.levels])))
        # intervals are for the columns of the data, not the centred ones the likelihood works with
        self.turned = [level.back @ factor for level, factor in zip(design.levels, self.factors, strict=True)]

    def _order(self, component: _Component) -> Ints:
        """Effects of the level with the profiled ones first."""
        size = self.design.levels[component.level].size
        head = [component.first] if component.kind == "sd" else [component.first, component.second]
        if not self.design.levels[component.level].correlated:
            return np.arange(size)
        return np.array(head + [j for j in range(size) if j not in head])

    def start(self, component: _Component) -> Floats:
        """Free parameters at the fit, zeros moved inside."""
        out = []
        for k, level in enumerate(self.design.levels):
            rows, cols = level.rows_cols
            factor = self.factors[k] if k != component.level else self.turned[k]
            if k == component.level and level.correlated:
                ordered = factor[self._order(component)]
                lower = np.transpose(np.linalg.qr(ordered.T, mode="r"))
                factor = lower * np.where(np.diag(lower) < 0, -1.0, 1.0)
            inside = 0.1 * np.sqrt(level.n_nodes / self.design.n_rows)
            floor = inside * (np.abs(np.diag(level.back)) if k == component.level else np.ones(level.size))
            if k == component.level and level.correlated:
                floor = floor[self._order(component)]
            values = factor[rows, cols].copy()
            low = (rows == cols) & (np.abs(values) < floor[rows])
            values[low] = floor[rows][low]
            if k == component.level:
                if component.kind == "correlation":
                    # logs: a factor free to change its sign would turn the correlation round
                    values[0], values[2] = np.log(values[0]), np.log(np.hypot(values[1], values[2]))
                    values[1] = self.log_sigma
                else:
                    values[self._slot(component)] = self.log_sigma
            out.append(values)
        return np.concatenate(out)

    def _slot(self, component: _Component) -> int:
        """Place within its level of the entry that the parameter fixes."""
        return 0 if self.design.levels[component.level].correlated else component.first

    def evaluate(self, component: _Component, x: Floats, u: Floats) -> tuple[list[Floats], Floats, Floats]:
        """Factors, log sigma and (for correlations) the correlation, of points ``x`` with the parameter at ``u``."""
        x = x.copy()
        log_sigma = np.array(u)
        r = np.zeros(len(u))
        if component.kind != "residual":
            at = int(self.starts[component.level])
            slot = at + (1 if component.kind == "correlation" else self._slot(component))
            log_sigma = x[:, slot].copy()
            if component.kind == "sd":
                x[:, slot] = np.exp(u - np.clip(log_sigma, -300, 300))
            else:
                r = np.tanh(u)
                length = np.exp(np.clip(x[:, at + 2], -60.0, 60.0))
                x[:, at] = np.exp(np.clip(x[:, at], -60.0, 60.0))
                x[:, at + 1], x[:, at + 2] = length * r, length * np.sqrt(1.0 - r**2)
        factors = relative_factors(self.design.levels, x)
        if component.kind != "residual":
            level = self.design.levels[component.level]
            back = np.empty_like(factors[component.level])
            back[:, self._order(component)] = factors[component.level]
            factors[component.level] = np.linalg.inv(level.back) @ back
        return factors, log_sigma, r

    def objective(self, which: Ints, x: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
        """Criterion, gradient in the free parameters, and derivative in the profiled one."""
        kinds = sorted(set(which.tolist()))
        rows = [np.flatnonzero(which == k) for k in kinds]
        built = [self.evaluate(self.components[k], x[row], u[row]) for k, row in zip(kinds, rows, strict=True)]
        factors = [np.concatenate([b[0][j] for b in built]) for j in range(len(self.design.levels))]
        log_sigma = np.concatenate([b[1] for b in built])
        sigma2 = np.exp(2.0 * np.clip(log_sigma, -60.0, 60.0))
        found, slopes = evaluate_factors(self.design, factors, method=self.method, sigma2=sigma2)
        by_sigma = 2.0 * self.df - 2.0 * found.residual / sigma2
        value, gradient, slope = np.empty(len(x)), np.empty_like(x), np.empty(len(x))
        done = 0
        for k, row, piece in zip(kinds, rows, built, strict=True):
            part = slice(done, done + len(row))
            done += len(row)
            value[row] = found.value[part]
            gradient[row], slope[row] = self._chain(
                self.components[k], x[row], u[row], piece[2], [s[part] for s in slopes], by_sigma[part]
            )
        return value, gradient, slope

    def _chain(
        self, component: _Component, x: Floats, u: Floats, r: Floats, slopes: list[Floats], by_sigma: Floats
    ) -> tuple[Floats, Floats]:
        """Return derivatives in the free parameters and the profiled one from those in the factors."""
        pieces = []
        for k, level in enumerate(self.design.levels):
            slope = slopes[k]
            if k == component.level:
                slope = (np.linalg.inv(level.back).T @ slope)[:, self._order(component)]
            rows, cols = level.rows_cols
            pieces.append(slope[:, rows, cols])
        gradient = np.concatenate(pieces, axis=1)
        if component.kind == "residual":
            return gradient, by_sigma
        at = int(self.starts[component.level])
        if component.kind == "sd":
            slot = at + self._slot(component)
            direct = gradient[:, slot] * np.exp(u - np.clip(x[:, slot], -300, 300))
            gradient[:, slot] = by_sigma - direct
            return gradient, direct
        length, rest = np.exp(np.clip(x[:, at + 2], -60.0, 60.0)), np.sqrt(1.0 - r**2)
        g1, g2 = gradient[:, at + 1].copy(), gradient[:, at + 2].copy()
        gradient[:, at] *= np.exp(np.clip(x[:, at], -60.0, 60.0))
        gradient[:, at + 2] = (g1 * r + g2 * rest) * length
        gradient[:, at + 1] = by_sigma
        return gradient, length * (g1 * rest**2 - g2 * r * rest)

    def profile(self, which: Ints, x: Floats, u: Floats) -> tuple[Floats, Floats, Floats]:
        """Minimise over the free parameters; returns them, the profiled criterion and its derivative."""

        def inner(points: Floats, problem: Ints) -> tuple[Floats, Floats]:
            value, gradient, _ = self.objective(which[problem], points, u[problem])
            return value, gradient

        found = newton(inner, x)
        value, _, slope = self.objective(which, found.x, u)
        return found.x, value, slope

    def solve(self, estimate: Floats) -> tuple[Floats, Floats]:
        """Low and high limits of every component."""
        scale = np.array([1.0 if c.kind == "correlation" else self.design.response_scale for c in self.components])
        centre = self._transform(estimate / scale)
        low = np.array([{"sd": 0.0, "residual": 0.0, "correlation": -1.0}[c.kind] for c in self.components])
        high = np.array([1.0 if c.kind == "correlation" else np.inf for c in self.components])
        usable = np.isfinite(estimate)
        low[~usable] = high[~usable] = np.nan
        start = np.stack([self.start(c) for c in self.components])
        which, side = self._open_sides(estimate, start, usable)
        ends = self._roots(which, side, centre, start[which])
        for k, s, end in zip(which, side, ends, strict=True):
            value = np.tanh(end) if self.components[k].kind == "correlation" else np.exp(end)
            (low if s < 0 else high)[k] = value
        return low * scale, high * scale

    def _transform(self, values: Floats) -> Floats:
        """Scale on which limits are searched."""
        out = np.empty(len(values))
        with np.errstate(divide="ignore"):
            for k, c in enumerate(self.components):
                out[k] = np.arctanh(values[k]) if c.kind == "correlation" else np.log(values[k])
        return out

    def _open_sides(self, estimate: Floats, start: Floats, usable: np.ndarray) -> tuple[Ints, Floats]:
        """Sides on which the boundary itself is excluded, so that a limit lies inside."""
        which: list[int] = []
        side: list[float] = []
        edge: list[float] = []
        for k, c in enumerate(self.components):
            if not usable[k]:
                continue
            for sign in {"sd": (-1.0,), "correlation": (-1.0, 1.0), "residual": ()}[c.kind]:
                which.append(k)
                side.append(sign)
                edge.append(sign * np.inf)
        problem, u = np.array(which, dtype=np.intp), np.array(edge)
        kept = [
            (k, s) for k, c in enumerate(self.components) for s in (-1.0, 1.0)
            if usable[k] and (c.kind == "residual" or (c.kind == "sd" and s > 0))
        ]
        if len(problem):
            _, value, _ = self.profile(problem, start[problem], u)
            excluded = value - self.minimum > self.z**2
            kept += [(k, s) for k, s, out in zip(which, side, excluded, strict=True) if out]
        return np.array([k for k, _ in kept], dtype=np.intp), np.array([s for _, s in kept])

    def _first_guess(self, which: Ints, side: Floats, centre: Floats) -> Floats:
        """Where the search starts: a little outward from the estimate."""
        u = np.empty(len(which))
        for k, (c, s) in enumerate(zip(which, side, strict=True)):
            component = self.components[c]
            if component.kind == "residual":
                u[k] = centre[c] + s * self.z * np.sqrt(0.5 / self.df)
            elif component.kind == "sd":
                level = self.design.levels[component.level]
                nodes = max(level.n_nodes - 1, 1)
                if np.isfinite(centre[c]):
                    u[k] = centre[c] + s * self.z * np.sqrt(0.5 / nodes)
                else:
                    size = float(np.abs(level.back[component.first, component.first]))
                    u[k] = self.log_sigma + np.log(size * np.sqrt(level.n_nodes / self.design.n_rows))
            else:
                u[k] = (centre[c] if np.isfinite(centre[c]) else np.copysign(3.0, centre[c])) + s * 0.5
        return u

    def _roots(self, which: Ints, side: Floats, centre: Floats, x: Floats) -> Floats:
        """Solve the profile equation on every open side by safeguarded Newton steps."""
        u = self._first_guess(which, side, centre)
        inner = np.where(np.isfinite(centre[which]), centre[which], -np.inf * side)
        outer = np.full(len(which), np.nan)
        live = np.arange(len(which))
        for _ in range(60):
            x[live], value, slope = self.profile(which[live], x[live], u[live])
            gap = np.maximum(value - self.minimum, 0.0)
            zeta = np.sqrt(gap)
            open_ = np.abs(zeta - self.z) > 1e-9
            below = zeta < self.z
            inner[live[below]] = u[live[below]]
            outer[live[~below]] = u[live[~below]]
            with np.errstate(divide="ignore", invalid="ignore"):
                step = (self.z - zeta) * 2.0 * zeta / slope
            step = np.where(np.isfinite(step), np.clip(step, -1.5, 1.5), side[live] * 0.5)
            trial = u[live] + step
            lo, hi = np.fmin(inner[live], outer[live]), np.fmax(inner[live], outer[live])
            closed = np.isfinite(lo) & np.isfinite(hi) & ~np.isnan(outer[live])
            wrong = closed & ((trial <= lo) | (trial >= hi))
            wrong |= np.isnan(outer[live]) & (side[live] * step <= 0)
            middle = np.where(closed, 0.5 * (lo + hi), u[live] + side[live] * 0.7)
            trial = np.where(wrong, middle, trial)
            settled = ~open_ | (closed & (hi - lo < 1e-11))
            u[live[~settled]] = trial[~settled]
            live = live[~settled]
            if not len(live):
                break
        return u
