"""How often the intervals of agreement hold the truth: ``python -m tests.coverage.agreement``.

Differences are simulated straight from their model (one pair per target; targets with linked pairs; crossed and
nested targets and sensors; unlinked replicates), and analysed by the functions the package uses. Every study has
its own child of one seed, so that the table does not depend on how the work is split.
"""

from __future__ import annotations

import math
import platform
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache, partial

import numpy as np
import scipy

from drift.agreement.equivalence import decide, decisive_outer, limit_bounds
from drift.engine.limits_of_agreement import (
    MULTIPLIER,
    Strata,
    deviation_indices,
    lower_limit_bound,
    mean_interval,
    normal_cdf,
    one_stratum,
    pivotal_draws,
    sd_interval,
    share_inside,
    t_quantile,
    total_deviation_index,
    two_sided_factor,
    unpaired_strata,
    upper_limit_bound,
)
from drift.engine.paired_components import fit_paired
from tests.coverage.family import FOLDER, Family, Held, held_of, keys_of
from tests.coverage.runner import arguments, run

TABLE = FOLDER / "agreement.csv"
SEED, STUDIES, LEVEL = 20260212, 2000, 0.95


@dataclass(frozen=True)
class Design:
    """A design: codes of each random factor and its share of the total variance, which is one."""

    name: str
    codes: tuple[tuple[int, ...], ...]
    shares: tuple[float, ...]
    n: int
    kind: str = "linked"

    @property
    def label(self) -> str:
        """Shares in print."""
        return " + ".join(f"{s:g}" for s in self.shares) or "none"


def one_factor(name: str, sizes: list[int], shares: tuple[float, ...]) -> list[Design]:
    """Targets with the given numbers of linked pairs, for several shares of the target."""
    codes = tuple(np.repeat(np.arange(len(sizes)), sizes).tolist())
    return [Design(name, (codes,), (s,), len(codes)) for s in shares]


def designs() -> Iterator[Design]:
    """Return the grid of the table."""
    for n in (5, 10, 20, 50):
        yield Design(f"{n} targets, one pair each", (), (), n, "simple")
    yield from one_factor("10 sensors x 10 uses", [10] * 10, (0.0, 0.2, 0.5, 0.8))
    yield from one_factor("20 targets x 3", [3] * 20, (0.0, 0.2, 0.5, 0.8))
    yield from one_factor("85 targets x 3", [3] * 85, (0.5,))
    yield from one_factor("12 targets, 1 to 12 pairs", [1, 1, 1, 2, 2, 3, 3, 4, 6, 8, 10, 12], (0.0, 0.2, 0.5, 0.8))
    yield from one_factor("20 targets, 1 to 6 pairs", [1, 2, 3, 3, 6] * 4, (0.0, 0.5, 0.8))
    t, s = np.repeat(np.arange(20), 12), np.tile(np.repeat(np.arange(4), 3), 20)
    for shares in ((0.05, 0.05), (0.3, 0.3), (0.1, 0.5), (0.5, 0.1)):
        yield Design("20 targets x 4 sensors x 3", (tuple(t.tolist()), tuple(s.tolist())), shares, len(t))
    t, s = np.repeat(np.arange(12), 16), np.tile(np.repeat(np.arange(8), 2), 12)
    for shares in ((0.05, 0.05), (0.3, 0.3), (0.1, 0.5)):
        yield Design("12 targets x 8 sensors x 2", (tuple(t.tolist()), tuple(s.tolist())), shares, len(t))
    keep = np.random.default_rng(5).random(180) < 0.4
    t = np.unique(np.repeat(np.arange(15), 12)[keep], return_inverse=True)[1]
    s = np.tile(np.repeat(np.arange(6), 2), 15)[keep]
    for shares in ((0.05, 0.05), (0.3, 0.3), (0.1, 0.5)):
        yield Design("15 targets x 6 sensors x 2, 60 % missing", (tuple(t.tolist()), tuple(s.tolist())), shares, len(t))
    s, t = np.repeat(np.arange(8), 12), np.repeat(np.arange(24), 4)
    yield Design("24 targets within 8 sensors x 4", (tuple(t.tolist()), tuple(s.tolist())), (0.3, 0.3), len(t))
    for share in (0.3, 0.8):
        yield Design("20 targets, 3 and 2 unlinked readings", (), (share,), 20, "unlinked")


def simulate(design: Design, rng: np.random.Generator) -> tuple[np.ndarray, Strata]:
    """Simulate differences of total variance one and mean zero, and analyse them."""
    if design.kind == "simple":
        d = rng.normal(size=design.n)
        return d, one_stratum(d)
    if design.kind == "unlinked":
        share, n = design.shares[0], design.n
        shift = rng.normal(size=n) * math.sqrt(share)
        within = math.sqrt((1 - share) / 2)
        a = shift[:, None] + within * rng.normal(size=(n, 3))
        b = within * rng.normal(size=(n, 2))
        found = unpaired_strata(a.ravel(), np.repeat(np.arange(n), 3), b.ravel(), np.repeat(np.arange(n), 2))
        return a.mean(1) - b.mean(1), found.strata
    d = rng.normal(size=design.n) * math.sqrt(1 - sum(design.shares))
    codes = [np.array(c) for c in design.codes]
    for code, share in zip(codes, design.shares, strict=True):
        d = d + rng.normal(size=int(code.max()) + 1)[code] * math.sqrt(share)
    strata = fit_paired(d, codes).strata
    assert strata is not None
    return d, strata


def approximate_limit(d: np.ndarray, *, ddof: int) -> tuple[float, float]:
    """Interval of the upper limit by t and sqrt(3/n), the usual approximation."""
    n, s = len(d), float(np.std(d, ddof=ddof))
    half = t_quantile(0.975, n - 1.0) * s * math.sqrt(3 / n)
    return float(d.mean()) + MULTIPLIER * s - half, float(d.mean()) + MULTIPLIER * s + half


def study(name: str, rng: np.random.Generator, *, pivotal: bool = True) -> Held:
    """Run one study: what held the truth, and how wide it was; without ``pivotal`` the slow quantities are left out."""
    design = named()[name]
    try:
        return analysed(design, rng, pivotal=pivotal)
    except (ValueError, ArithmeticError, np.linalg.LinAlgError):
        return {}


def analysed(design: Design, rng: np.random.Generator, *, pivotal: bool) -> Held:
    """Simulate and analyse one study."""
    d, strata = simulate(design, rng)
    held: dict[tuple[str, str], tuple[bool, float]] = {}

    def put(quantity: str, method: str, low: float, high: float, truth: float) -> None:
        held[quantity, method] = (low <= truth <= high, high - low)

    how = "exact" if strata.exact else "MOVER"
    put("bias", "t", *mean_interval(strata, LEVEL), 0.0)
    put("SD of differences", how, *sd_interval(strata, LEVEL), 1.0)
    put("upper limit", how, *(upper_limit_bound(strata, p) for p in (0.025, 0.975)), MULTIPLIER)
    put("lower limit", how, *(lower_limit_bound(strata, p) for p in (0.025, 0.975)), -MULTIPLIER)
    put("outer bound of the upper limit", how, -math.inf, upper_limit_bound(strata, 0.95), MULTIPLIER)
    outer, inner = limit_bounds(strata)
    held["no false not interchangeable, both limits at harmless", how] = (
        decide(outer, inner, MULTIPLIER) != "not interchangeable", 0.0)
    content = 2 * float(normal_cdf(MULTIPLIER)) - 1
    if strata.exact:
        if pivotal:
            k = two_sided_factor(float(design.n), content, 0.975)
            share = float(normal_cdf(strata.mean + k * strata.sd) - normal_cdf(strata.mean - k * strata.sd))
            held["both limits together, outer", how] = (share >= content, 2 * k * strata.sd)
        put("upper limit", "t with sqrt(3/n)", *approximate_limit(d, ddof=1), MULTIPLIER)
        put("upper limit", "t with sqrt(3/n), SD with divisor n", *approximate_limit(d, ddof=0), MULTIPLIER)
    elif design.kind == "linked":
        pooled = one_stratum(d)
        put("bias", "rows pooled as independent", *mean_interval(pooled, LEVEL), 0.0)
        put("upper limit", "rows pooled as independent", *(upper_limit_bound(pooled, p) for p in (0.025, 0.975)),
            MULTIPLIER)
    if pivotal:
        means, sds = pivotal_draws(strata, rng, 2000)
        decisive = decisive_outer(strata, outer, means, sds)
        put("outer bound of the upper limit", "as the verdict takes it", -math.inf, decisive[1], MULTIPLIER)
        held["no false interchangeable, upper limit at harmless", "as the verdict takes it"] = (
            decide((decisive[0] + 1, decisive[1] + 1), inner, MULTIPLIER + 1) != "interchangeable", 0.0)
        bound = float(np.quantile(share_inside(means, sds, 2.5), 0.05))
        put("share inside 2.5 SD, lower bound", "pivotal", bound, 1.0, float(share_inside(0.0, 1.0, 2.5)))
        tdi = float(np.quantile(deviation_indices(means, sds, 0.95), 0.95))
        put("total deviation index, upper bound", "pivotal", 0.0, tdi, total_deviation_index(0.0, 1.0, 0.95))
    return held


@cache
def named() -> dict[str, Design]:
    """Return the designs by their name with their shares, as a run is told of them."""
    return {f"{d.name}; shares {d.label}": d for d in designs()}


def design_of(row: Mapping[str, object]) -> str:
    """Return the design of a row of the table."""
    return f"{row['design']}; shares {row['shares']}"


def rows_from(name: str, held: Sequence[Held]) -> list[dict[str, object]]:
    """Return the rows of one design: a study that could not be analysed counts as a failure."""
    design, done = named()[name], [h for h in held if h]
    made: list[dict[str, object]] = []
    for q, m in keys_of(done):
        hit, width = (sum(float(h[q, m][i]) for h in done) for i in (0, 1))
        made.append({"design": design.name, "shares": design.label, "quantity": q, "method": m,
                     "nominal": 0.975 if q == "both limits together, outer" else 0.95,
                     "coverage": f"{hit / len(done):.4f}",
                     "mean_width": f"{width / len(done):.4f}" if math.isfinite(width) and width > 0 else "",
                     "studies": len(held), "failures": len(held) - len(done)})
    return made


def row_of(design: Design, *, studies: int, seed: int, pivotal: bool = True) -> list[dict[str, object]]:
    """Simulate one design and return its rows of the table."""
    name = f"{design.name}; shares {design.label}"
    return rows_from(name, held_of(partial(study, pivotal=pivotal), name, studies=studies, seed=seed))


def stamp(seed: int) -> dict[str, object]:
    """Return the columns that say how a row was made."""
    return {"seed": seed, "date": datetime.now(UTC).date().isoformat(), "numpy": np.__version__,
            "scipy": scipy.__version__, "python": platform.python_version()}


FAMILY = Family("agreement", __doc__ or "", list(named()), study, TABLE, SEED, studies=STUDIES, tabulate=rows_from,
                design_of=design_of, stamp=stamp, cheap="20 targets, 3 and 2 unlinked readings; shares 0.3")

if __name__ == "__main__":
    raise SystemExit(run(FAMILY, arguments(FAMILY.sentence).parse_args()))
