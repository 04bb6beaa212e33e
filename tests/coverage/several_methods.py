"""How often what is said of several methods holds: ``python -m tests.coverage several_methods``.

Three to six methods on the same targets: equal errors, unequal ones with biases, one method far noisier than the rest;
one reading a cell, cells missing at random, linked repeats, unlinked repeats, sensors. Intervals of all pairs together
at the simultaneous level and, beside them, at Bonferroni's; limits with the mean; error SD (of one method a study, in
turn); overall concordance; and how often a verdict, an odd one out or a difference of errors is not claimed where there
is none. All by the functions that fill the printed estimates.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.agreement.equivalence import CONFIDENCE
from drift.agreement.harmless import Harmless
from drift.agreement.several_bounds import Bounds, limit_ends
from drift.agreement.several_cells import Cells
from drift.agreement.several_concordance import overall
from drift.agreement.several_errors import error_parts
from drift.agreement.several_found import Found, PairFound, against, found_of, odd_one_out
from drift.agreement.structure import Structure, analyse
from drift.engine.concordance_overall import overall_interval
from drift.engine.equal_variances import equal_variances_p
from drift.engine.limits_of_agreement import MULTIPLIER
from drift.engine.method_means import mean_contrast, method_pairs, pair_contrast
from drift.engine.method_variances import (
    fit_variances,
    likelihood_ratio,
    likelihood_ratios,
    profile_intervals,
)
from tests.coverage.family import FOLDER, LEVEL, Drawn, Family

TABLE, SEED, STUDIES, DRAWS = FOLDER / "several_methods.csv", 20260504, 2000, 600
JOINT, BONFERRONI, DECIDED = "joint draws", "Bonferroni", "as the verdict takes it"
MEAN_LIMIT, PUBLISHED = "MOVER of chi-square and noncentral F", "two-way random effects (Christensen et al. 2020)"
PROFILE, CHI_SQUARE, SIMULATED = "profile likelihood, F", "profile likelihood, chi-square", "simulated under equality"
RECOVERED, PIVOTAL, JACKKNIFE = "MOVER of profile likelihood", "pivotal interval", "jackknife on Fisher's z"
FloatArray = NDArray[np.float64]
Judged = dict[tuple[str, str], tuple[bool, float]]


@dataclass(frozen=True, kw_only=True)
class Design:
    """A world: methods with their means and error SDs on targets of SD 3.

    ``between`` is the share of a method's error variance that stays on a target, ``by_sensor`` that of a sensor.
    """

    n: int
    sd: tuple[float, ...]
    mean: tuple[float, ...]
    missing: float = 0.0
    repeats: int = 1
    sensors: int = 0
    between: float = 0.0
    by_sensor: float = 0.0
    unlinked: bool = False

    @property
    def k(self) -> int:
        """Number of methods."""
        return len(self.sd)

    def sigma(self, c: FloatArray) -> float:
        """SD of a contrast of one set of readings."""
        return float(np.sqrt(np.sum((c * np.array(self.sd)) ** 2)))

    @property
    def reach(self) -> float:
        """The farthest of all limits of pairs."""
        return max(abs(float(c @ np.array(self.mean))) + MULTIPLIER * self.sigma(c) for c in self.pairs)

    @property
    def pairs(self) -> list[FloatArray]:
        """Contrasts of all pairs."""
        return [pair_contrast(self.k, i, j) for i, j in method_pairs(self.k)]


def _methods(k: int, kind: str) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Error SDs and means."""
    if kind == "equal errors":
        return (1.0,) * k, (0.0,) * k
    if kind == "unequal errors, biases":
        return tuple(np.linspace(0.5, 1.5, k).round(3)), tuple(np.linspace(0.0, 1.0, k).round(3))
    if kind == "one noisy method":
        return (*(0.5,) * (k - 1), 2.0), (*(0.0,) * (k - 1), 1.0)
    return (1.0,) * k, (1.0, -1.0, *(0.0,) * (k - 2))  # two equally far


@cache
def named() -> dict[str, Design]:
    """Return every design by its name."""
    found: dict[str, Design] = {}

    def put(size: str, k: int, kind: str, **more: Any) -> None:
        sd, mean = _methods(k, kind)
        found[f"{size}, {kind}"] = Design(sd=sd, mean=mean, **more)

    for k in (3, 4, 6):
        for n in (5, 10, 20, 50):
            for kind in ("equal errors", "unequal errors, biases"):
                put(f"{n} targets x {k} methods", k, kind, n=n)
    for n in (10, 20):
        put(f"{n} targets x 3 methods", 3, "one noisy method", n=n)
        put(f"{n} targets x 4 methods", 4, "two methods equally far", n=n)
    for k, n, share in ((3, 10, 0.1), (3, 20, 0.25), (4, 20, 0.1), (4, 50, 0.25)):
        put(f"{n} targets x {k} methods, {100 * share:g} % of cells missing", k, "unequal errors, biases", n=n,
            missing=share)
    for k, n, m in ((3, 10, 2), (3, 20, 3), (4, 20, 2)):
        put(f"{n} targets x {k} methods x {m}", k, "unequal errors, biases", n=n, repeats=m, between=0.4)
    put("20 targets x 3 methods x 2", 3, "equal errors", n=20, repeats=2, between=0.4)
    for n in (10, 20):
        put(f"{n} targets x 3 methods x 2, unlinked", 3, "unequal errors, biases", n=n, repeats=2, between=0.4,
            unlinked=True)
    for s in (5, 8):
        put(f"10 targets x 3 methods x {s}, with sensors", 3, "unequal errors, biases", n=10, repeats=s, sensors=s,
            between=0.3, by_sensor=0.2)
    return found


def cells_of(d: Design, rng: np.random.Generator) -> Cells:
    """Simulate one study."""
    n, k, m = d.n, d.k, d.repeats
    sd, mean = np.array(d.sd), np.array(d.mean)
    target = np.repeat(np.arange(n), m)
    own = sd * (math.sqrt(d.between) * rng.standard_normal((n, k))[target]
                + math.sqrt(1 - d.between - d.by_sensor) * rng.standard_normal((n * m, k)))
    if d.sensors:
        own += sd * math.sqrt(d.by_sensor) * np.tile(rng.standard_normal((d.sensors, k)), (n, 1))
    table = 3 * rng.standard_normal(n)[target][:, None] + mean + own
    if d.missing:
        whole, keep = table, np.zeros(len(table), dtype=bool)
        while not np.isnan(table[keep]).any():  # never complete by chance
            table = np.where(rng.random(table.shape) < d.missing, np.nan, whole)
            keep = np.isfinite(table).sum(axis=1) >= 2
        table, target = table[keep], target[keep]
    labels = np.array([f"t{t}" for t in target], dtype=object)
    sensor = np.array([f"s{j}" for j in np.tile(np.arange(m), n)], dtype=object) if d.sensors else None
    methods = tuple("abcdef"[:k])
    rows = np.zeros(table.shape, dtype=np.int64)
    if not d.unlinked:
        return Cells((), "", methods, table, labels, labels, sensor, None, rows)
    loose = tuple((table[:, j], target.astype(np.int64)) for j in range(k))
    means = table.reshape(n, m, k).mean(axis=1)
    names = np.array([f"t{t}" for t in range(n)], dtype=object)
    return Cells((), "", methods, means, names, names, None, None, rows[:n], loose)


def analysed(d: Design, cells: Cells, rng: np.random.Generator) -> Found:
    """Analyse one study by the functions of an answer, its structure known: nothing is read from labels."""
    n, k = len(cells.table), d.k
    codes: tuple[NDArray[np.int64], ...] = ()
    if d.repeats > 1 and not d.unlinked:
        codes = (np.repeat(np.arange(d.n), d.repeats),)
        codes = (*codes, np.tile(np.arange(d.sensors), d.n)) if d.sensors else codes
    kind = "unpaired" if d.unlinked else "repeated" if codes else "simple"
    whole = Structure(kind, ("target", "sensor")[: len(codes)], codes, "", n if not codes else d.n)
    pairs = []
    for i, j in method_pairs(k):
        group = cells.pair(i, j)
        own = whole if codes or d.unlinked else Structure("simple", (), (), "", len(group.a))
        pairs.append(PairFound(i=i, j=j, group=group, structure=own, analysis=analyse(own, group)))
    return found_of(cells, tuple(pairs), whole, lambda joint, j: against(cells, joint, j, whole), level=LEVEL,
                    harmless=Harmless(d.reach, "", False, ""), rng=rng, of={}, n_draws=DRAWS, plan=False)


def study(d: Design, rng: np.random.Generator, *, number: int, width: bool) -> Judged:
    """Run one study by the functions that answer a question."""
    cells = cells_of(d, rng)
    held: Judged = {}
    try:
        found = analysed(d, cells, rng)
    except ValueError:
        return held
    _pairs(d, found, held)
    _means(d, found, held)
    _claims(d, found, held)
    value = overall(found, LEVEL, rng) if d.repeats > 1 and not d.sensors else None
    if value is not None and math.isfinite(value.low):
        held["overall CCC", JACKKNIFE] = (value.low <= _concordance(d) <= value.high, value.high - value.low)
    if d.repeats == 1 and not d.missing:
        ends = overall_interval(cells.table, LEVEL, rng=rng, n_draws=DRAWS)
        held["overall CCC", PIVOTAL] = (ends[0] <= _concordance(d) <= ends[1], ends[1] - ends[0])
    _error_sd(d, found, held, j=number % d.k, width=width)
    return held


def _error_sd(d: Design, found: Found, held: Judged, *, j: int, width: bool) -> None:
    """Judge the error SD of one method: by its interval, or with gaps by the likelihood ratio that it inverts.

    Complete tables are judged all at once, elsewhere; the interval itself is then computed for the width alone.
    """
    from scipy import special

    if d.missing:
        fit = fit_variances(found.cells.table)
        ratio = likelihood_ratio(fit, j, d.sd[j] ** 2)
        size = math.inf
        if width:
            ends = profile_intervals(fit, fit.n - 1.0, LEVEL, methods=[j])[0]
            size = float(np.sqrt(ends[1]) - np.sqrt(ends[0]))
        held["error SD of a method", PROFILE] = ratio <= float(special.fdtri(1.0, fit.n - 1.0, LEVEL)), size
    elif width or (d.repeats == 2 and d.k == 3):  # putting strata together takes long
        errors = error_parts(found, LEVEL, methods=(j,))
        if not isinstance(errors, str):
            low, high = (math.sqrt(float(v[0, j])) for v in (errors.low, errors.high))
            held["error SD of a method", errors.intervals[0]] = (low <= d.sd[j] <= high, high - low)


def _concordance(d: Design) -> float:
    k, mean, v = d.k, np.array(d.mean), np.array(d.sd) ** 2
    apart = k * float(np.sum((mean - mean.mean()) ** 2))
    return 9.0 * k * (k - 1) / ((k - 1) * (9.0 * k + float(v.sum())) + apart)


def _all_hold(bounds: Sequence[Bounds], contrasts: Sequence[FloatArray], d: Design) -> tuple[bool, bool, float]:
    """Whether all intervals of limits, and all of biases, hold together; mean width of a limit's interval."""
    limits, biases, widths = True, True, []
    for b, c in zip(bounds, contrasts, strict=True):
        m, s = float(c @ np.array(d.mean)), MULTIPLIER * d.sigma(c)
        limits = limits and b.low_ends[0] <= m - s <= b.low_ends[1] and b.high_ends[0] <= m + s <= b.high_ends[1]
        biases = biases and b.bias_ends[0] <= m <= b.bias_ends[1]
        widths.append(b.high_ends[1] - b.high_ends[0])
    return limits, biases, float(np.mean(widths))


def _pairs(d: Design, found: Found, held: Judged) -> None:
    bounds = [b for b in found.pair_bounds if b is not None]
    limits, biases, width = _all_hold(bounds, d.pairs, d)
    assert found.pair_tails is not None
    if found.pair_tails.how == JOINT:  # with gaps they are Bonferroni's
        held["limits of all pairs together", JOINT] = limits, width
    width = float(np.mean([b.bias_ends[1] - b.bias_ends[0] for b in bounds]))
    held["bias of all pairs together", found.pair_tails.how] = biases, width
    tail, good, widths = (1 - LEVEL) / 2 / (2 * len(bounds)), True, []
    for p, c in zip(found.pairs, d.pairs, strict=True):
        assert p.analysis is not None
        m, s = float(c @ np.array(d.mean)), MULTIPLIER * d.sigma(c)
        ends = limit_ends(p.analysis.strata, tail)
        good = good and ends[0] <= m - s <= ends[1] and ends[2] <= m + s <= ends[3]
        widths.append(ends[3] - ends[2])
    held["limits of all pairs together", BONFERRONI] = good, float(np.mean(widths))


def _means(d: Design, found: Found, held: Judged) -> None:
    others = [mean_contrast(d.k, j, others=True) for j in range(d.k)]
    limits, _, width = _all_hold(found.others, others, d)
    assert found.mean_tails is not None
    held["limits with the mean of the others", found.mean_tails.how] = limits, width
    mean = np.array(d.mean)
    true = MULTIPLIER * math.sqrt(float(np.mean((mean - mean.mean()) ** 2)) + float(np.mean(
        [d.sigma(mean_contrast(d.k, j, others=False)) ** 2 for j in range(d.k)])))
    for limit, method in ((found.mean_limit, MEAN_LIMIT), (found.sampled_limit, PUBLISHED)):
        if limit is not None:
            held["limit of agreement with the mean", method] = limit.low <= true <= limit.high, limit.high - limit.low


def _claims(d: Design, found: Found, held: Judged) -> None:
    """Judge claims that would be false: the farthest limit lies exactly at the harmless difference."""
    v = found.verdict
    assert v is not None
    held["no false interchangeable set, farthest limit at harmless", DECIDED] = v.words != "interchangeable", 0.0
    held["no false not interchangeable, farthest limit at harmless", DECIDED] = v.words != "not interchangeable", 0.0
    at = [abs(float(c @ np.array(d.mean))) + MULTIPLIER * d.sigma(c) >= d.reach - 1e-9 for c in d.pairs]
    held["no pair falsely called interchangeable", DECIDED] = not any(
        a and w == "interchangeable" for a, w in zip(at, v.pairs, strict=True)), 0.0
    distance = np.abs([float(mean_contrast(d.k, j, others=True) @ np.array(d.mean)) for j in range(d.k)])
    if np.sum(distance > distance.max() - 1e-9) > 1:
        held["no false odd one out", DECIDED] = not odd_one_out(found, CONFIDENCE).shown, 0.0
    if len(set(d.sd)) == 1 and d.repeats == 1 and not d.missing:
        assert found.joint is not None
        p = equal_variances_p(found.joint.matrices[0], float(found.joint.df[0]), np.random.default_rng(1), 999)
        held["no false difference of error variances", SIMULATED] = p > 0.05, 0.0


def batch(name: str, drawn: Drawn) -> Mapping[tuple[str, str], tuple[Any, Any]]:
    """Simulate blocks of studies; error SDs of complete tables are judged for all studies of a call at once."""
    d = named()[name]
    made: list[Judged] = []
    matrices, number = [], 0
    for rng, n in drawn:
        for i in range(n):
            before = rng.bit_generator.state if d.repeats == 1 and not d.missing else None  # to draw the table again
            made.append(study(d, rng, number=number, width=i == 0))
            if before is not None:
                again = np.random.default_rng()
                again.bit_generator.state = before
                z = cells_of(d, again).table
                z = z - z.mean(axis=1, keepdims=True)
                z = z - z.mean(axis=0)
                matrices.append(z.T @ z / (d.n - 1))
            number += 1
    if matrices:
        _error_sds(d, np.stack(matrices), made)
    keys = list(dict.fromkeys(k for h in made for k in h))
    return {k: (np.array([h[k][0] if k in h else False for h in made]),
                np.array([h[k][1] if k in h else np.nan for h in made])) for k in keys}


def _error_sds(d: Design, matrices: FloatArray, made: list[Judged]) -> None:
    """Judge the error SD of one method a study, in turn; widths only where the interval itself was computed."""
    from scipy import special

    ratios = likelihood_ratios(matrices, d.n - 1.0, np.array(d.sd) ** 2, np.arange(len(made)) % d.k)
    for i, h in enumerate(made):
        ratio = float(ratios[i])
        width = h.get(("error SD of a method", PROFILE), (True, math.inf))[1]
        h["error SD of a method", PROFILE] = ratio <= float(special.fdtri(1.0, d.n - 1.0, LEVEL)), width
        h["error SD of a method", CHI_SQUARE] = ratio <= float(special.chdtri(1.0, 1 - LEVEL)), math.inf


DESIGNS = list(named())
FAMILY = Family("several_methods", __doc__ or "", DESIGNS, None, TABLE, SEED, studies=STUDIES, batch=batch,
                cheap="10 targets x 3 methods, equal errors")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["several_methods"]))
