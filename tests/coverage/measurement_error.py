"""How often the intervals of measurement error and of its components hold the truth.

``python -m tests.coverage.measurement_error``. Normal targets x facet levels, target share 0.6 of the variance, a mean
of four SDs: complete tables, cells missing at random, replicates, replicates missing, and fixed levels. An MDC and the
error of a mean over facet levels are multiples of their SEM and are held exactly as often; the coefficient of variation
is that of the same readings taken as logarithms, and so are SEM and MDC from logarithms.

The figures come from the functions that fill the printed tables. Three short cuts change nothing that is counted here:
a complete table of normal readings is drawn as its sums of squares, which are independent chi-squares; an interval of a
component is taken to hold the truth where its own distribution function lies between the tails (widths come from one
study in twenty); and with missing cells the REML estimates, which can only widen an interval to hold the estimate, are
replaced by those of mean squares.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from drift.engine.crossed import CrossedDesign
from drift.engine.fixed_levels import fixed_spread_interval, fixed_variances
from drift.engine.meansquares import OneWay, TwoWay, one_way
from drift.engine.pivotal import (
    Pivots,
    build_pivots,
    component_cdf,
    component_intervals,
    difference_cdf,
    residual_interval,
)
from drift.reliability.components import Components
from drift.reliability.error_logs import cv_of, variation
from drift.reliability.error_sizes import CHANGE
from drift.reliability.measurement_error import sizes_in_unit
from drift.reliability.rows import Group
from drift.reliability.tables import component_interval
from tests.coverage.family import FOLDER, LEVEL, Held
from tests.coverage.runner import command

TABLE, SEED = FOLDER / "measurement_error.csv", 20261125
TARGET, MEAN, LOG_SD = 0.6, 4.0, 0.2
WIDTHS = 20
PARTS = ("target", "facet", "interaction", "residual")
NO_DRAWS = np.empty(0)


@dataclass(frozen=True)
class Design:
    """Targets, levels, share of the facet in the variance, share of cells missing, readings a cell.

    ``thin`` takes away readings at random instead of cells; ``fixed`` keeps the same offsets in every study;
    ``varied`` looks at the coefficient of variation alone, which needs the readings themselves.
    """

    n: int
    k: int
    share: float
    missing: float = 0.0
    replicates: int = 1
    thin: bool = False
    fixed: bool = False
    varied: bool = False

    @property
    def name(self) -> str:
        """The design as it stands in the table."""
        gone = f", {100 * self.missing:g} % of {'readings' if self.thin else 'cells'} missing" if self.missing else ""
        return (f"{self.n} x {self.k}{f' x {self.replicates}' if self.replicates > 1 else ''}, facet share "
                f"{self.share:g}{' of fixed levels' if self.fixed else ''}{gone}"
                f"{', logarithms' if self.varied else ''}")


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    grid = [Design(n, k, share) for n in (8, 15, 30, 60) for k in (2, 3, 5, 8) for share in (0.0, 0.1, 0.3)]
    grid += [Design(n, k, share, missing) for n in (8, 30) for k in (3, 5) for missing in (0.1, 0.25)
             for share in (0.0, 0.3)]
    grid += [Design(60, 5, 0.0, 0.1), Design(60, 3, 0.3, 0.25), Design(60, 5, 0.3, 0.25), Design(8, 5, 0.1, 0.05),
             Design(8, 8, 0.1, 0.25)]
    grid += [Design(n, k, share, replicates=2) for n, k, share in ((8, 2, 0.1), (8, 5, 0.3), (30, 5, 0.0))]
    grid += [Design(n, k, 0.3, 0.25, 2, thin=True) for n, k in ((8, 5), (30, 3))]
    grid += [Design(8, 2, 0.0, fixed=True), Design(8, 2, 0.3, fixed=True), Design(8, 5, 0.3, 0.25, fixed=True)]
    grid += [Design(8, 2, 0.3, varied=True), Design(30, 5, 0.0, varied=True), Design(8, 5, 0.3, 0.25, varied=True)]
    return {d.name: d for d in grid}


DESIGNS = named()


def truths(d: Design) -> dict[str, float]:
    """Return the true variances; those of a single reading sum to one."""
    noise = 1 - TARGET - d.share
    # With replicates half of what neither targets nor levels explain stays with the cell.
    interaction = noise / 2 if d.replicates > 1 else 0.0
    return {"target": TARGET, "facet": d.share, "interaction": interaction, "residual": noise - interaction}


def simulate(d: Design, rng: np.random.Generator) -> Group:
    """Simulate the readings of one study; targets and levels without a reading leave no code behind."""
    v, shape = truths(d), (d.n, d.k, d.replicates)
    offsets = np.arange(d.k) - (d.k - 1) / 2
    levels = (math.sqrt(d.share / max(float(np.var(offsets, ddof=1)), 1e-300)) * offsets if d.fixed
              else math.sqrt(d.share) * rng.normal(size=d.k))
    y = (MEAN + math.sqrt(TARGET) * rng.normal(size=(d.n, 1, 1)) + levels[:, None]
         + math.sqrt(v["interaction"]) * rng.normal(size=(d.n, d.k, 1)) + math.sqrt(v["residual"])
         * rng.normal(size=shape))
    # A fixed number is missing: by chance alone some tables would be complete, and analysed otherwise.
    size = d.n * d.k * (d.replicates if d.thin else 1)
    here = rng.permutation(np.arange(size) >= round(d.missing * size)).reshape(d.n, d.k, -1)
    rows, columns, which = np.nonzero(np.broadcast_to(here, shape))
    targets, facets = (np.unique(code, return_inverse=True)[1] for code in (rows, columns))
    nothing = np.full(len(rows), np.nan)
    return Group(labels={}, values=y[rows, columns, which], targets=targets, facets=facets, reading_sd=nothing,
                 target_names=tuple(map(str, range(int(targets.max()) + 1))), reading_n=nothing,
                 facet_names=tuple(map(str, range(int(facets.max()) + 1))), unit="")


def drawn(d: Design, rng: np.random.Generator) -> Components:
    """Draw a complete table of normal readings as its grand mean and sums of squares, and lay it out."""
    v, n, k, m = truths(d), d.n, d.k, d.replicates
    inner = v["interaction"] + v["residual"] / m
    df = n - 1, k - 1, (n - 1) * (k - 1), n * k * (m - 1)
    of_facet = (inner * rng.noncentral_chisquare(df[1], n * df[1] * d.share / inner) if d.fixed and d.share
                else (inner + n * v["facet"]) * rng.chisquare(df[1]))
    target, rest = (inner + k * v["target"]) * rng.chisquare(df[0]), inner * rng.chisquare(df[2])
    within = v["residual"] * rng.chisquare(df[3]) if m > 1 else 0.0
    scatter = v["target"] / n + (0.0 if d.fixed else v["facet"] / k) + inner / (n * k)
    mean = MEAN + math.sqrt(scatter) * rng.normal()
    design = CrossedDesign(counts=np.full((n, k), float(m)), means=np.zeros((n, k)), ss_within=within, shift=mean)
    p = Pivots(target_squares=np.array([target]), target_weights=np.array([float(k)]), df_target=df[0],
               facet_squares=np.array([of_facet]), facet_weights=np.array([float(n)]), df_facet=df[1], ss_inner=rest,
               df_inner=df[2], ss_within=within, df_within=df[3], inverse_m=1 / m, draws=(NO_DRAWS,) * 3)
    flat = OneWay(n=n, n_readings=n * k * m, k0=float(k * m), mean=mean, ss_between=m * target,
                  ss_within=m * (of_facet + rest) + within, df_between=n - 1, df_within=n * (k * m - 1),
                  counts=np.full(n, float(k * m)), means=np.full(n, mean))
    squares = TwoWay(n=n, k=k, m=m, mean=mean, ms_target=m * target / df[0], ms_facet=m * of_facet / df[1],
                     ms_residual=m * rest / df[2], ms_within=within / df[3] if m > 1 else math.nan, one_way=flat)
    found = dict(zip(PARTS, map(float, fixed_variances(p)), strict=True)) if d.fixed else _by_mean_squares(p)
    return Components(design=design, flat=flat, squares=squares, fit=None, pivots=p, variances=found, intervals={},
                      zero=(), mean=mean, method="ANOVA" if m == 1 else "ANOVA with replicates", fixed=d.fixed)


def laid_out(group: Group, *, fixed: bool) -> Components | None:
    """Lay out a table as ``analyse`` does, without its search for REML estimates; None where it would refuse."""
    design = CrossedDesign.build(group.values, group.targets, group.facets)
    if len(design.islands()) > 1 or design.df_inner < 1:
        return None
    p, flat = build_pivots(design), one_way(group.values, group.targets)
    found = dict(zip(PARTS, map(float, fixed_variances(p)), strict=True)) if fixed else _by_mean_squares(p)
    method = "REML, facet levels fixed" if fixed else "REML"
    return Components(design=design, flat=flat, squares=None, fit=None, pivots=p, variances=found, intervals={},
                      zero=(), mean=flat.mean, method=method, fixed=fixed)


def _by_mean_squares(p: Pivots) -> dict[str, float]:
    inner = p.ss_inner / p.df_inner
    within = p.ss_within / p.df_within if p.df_within else 0.0

    def between(squares: float, df: int, weight: float) -> float:
        return max((squares / df - inner) / weight, 0.0)

    rest = ({"interaction": max(inner - within * p.inverse_m, 0.0), "residual": within} if p.df_within
            else {"interaction": 0.0, "residual": inner})
    return {"target": between(float(p.target_squares.sum()), p.df_target, float(p.target_weights.mean())),
            "facet": between(float(p.facet_squares.sum()), p.df_facet, float(p.facet_weights.mean())), **rest}


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and report what its printed intervals held."""
    d = DESIGNS[name]
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, true: float, low: float, high: float) -> None:
        if math.isfinite(low):
            upper = high if math.isfinite(high) else math.inf
            held[quantity, method] = (low - 1e-12 <= true <= upper + 1e-12, high - low)

    if d.varied:
        group = simulate(d, rng)
        for e in variation(replace(group, values=np.exp(LOG_SD * group.values)), LEVEL):
            put(e.name, e.method, cv_of(LOG_SD * math.sqrt(1 - TARGET)), e.low, e.high)
        return held
    parts = laid_out(simulate(d, rng), fixed=d.fixed) if d.missing else drawn(d, rng)
    if parts is None or parts.pivots is None:
        return held
    if d.fixed:
        parts = replace(parts, intervals={"facet": fixed_spread_interval(parts.pivots, LEVEL)})
    sizes = sizes_in_unit(parts, level=LEVEL, target="target", facet="level")
    made = {quantity_of(e.name, e.reading): e for e in sizes}
    for quantity, true in sizes_of(d).items():
        e = made.get(quantity)
        if e is not None:
            put(quantity, e.method.split("; in percent")[0], true, e.low, e.high)
    _components(d, parts, put, held, widths=rng.integers(WIDTHS) == 0)
    return held


def sizes_of(d: Design) -> dict[str, float]:
    """Return the true errors that are looked at, one of each kind that has an interval of its own."""
    v = truths(d)
    noise = v["interaction"] + v["residual"]
    true = {"SEM (agreement)": math.sqrt(v["facet"] + noise), "SEM (consistency)": math.sqrt(noise)}
    repeated = v["residual"] if d.replicates > 1 else v["facet"] + noise
    true |= {"SEM (agreement), percent": 100 * true["SEM (agreement)"] / MEAN,
             "SEM (consistency), percent": 100 * true["SEM (consistency)"] / MEAN,
             "repeatability coefficient": CHANGE * math.sqrt(repeated)}
    if d.replicates > 1 and not d.thin:
        half = v["interaction"] + v["residual"] / d.replicates
        true |= {"SEM (agreement), mean of replicates": math.sqrt(v["facet"] + half),
                 "SEM (consistency), mean of replicates": math.sqrt(half)}
    return true


def quantity_of(name: str, reading: str) -> str:
    """Return the name of an error in this table."""
    return name if reading == "one" else f"{name}, mean of {reading}"


def _components(d: Design, parts: Components, put: Callable[..., None], held: dict[tuple[str, str], tuple[bool, float]],
                *, widths: bool) -> None:
    """SDs of the components; those of an integral by their distribution function, with a width now and then."""
    v, p = truths(d), parts.pivots
    assert p is not None
    full = component_intervals(p, LEVEL) if widths else {}
    tail = (1 - LEVEL) / 2
    for part, true in v.items():
        quantity, method = f"SD, {part}", component_interval(part, fixed=d.fixed)
        if part == "interaction" and not p.df_within:
            continue
        if part == "facet" and d.fixed:
            put(quantity, method, math.sqrt(true), *map(math.sqrt, parts.intervals[part]))
        elif part == "residual":
            low, high = residual_interval(p, LEVEL)
            put(quantity, method, math.sqrt(true), math.sqrt(low), math.sqrt(high))
        else:
            cdf = (component_cdf(p, part) if part != "interaction" else
                   difference_cdf((p.ss_inner / p.df_inner, p.df_inner), (p.ss_within / p.df_within, p.df_within),
                                  p.inverse_m))
            chance, width = cdf(true), math.sqrt(full[part][1]) - math.sqrt(full[part][0]) if full else math.nan
            # A true variance of zero is held where the lower end is zero.
            held[quantity, method] = (tail <= chance <= 1 - tail if true > 0 else chance >= tail, width)


if __name__ == "__main__":
    command(study, list(DESIGNS), out=TABLE, seed=SEED, about=__doc__ or "")
