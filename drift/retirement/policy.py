"""``compare_policies``: what it costs to retire, check, recalibrate or wait, under what the study leaves uncertain."""

from __future__ import annotations

import math
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from drift.engine.age_replacement import AgeOptimum, discrete_optimum
from drift.engine.count_curves import CountCurve, count_curves
from drift.engine.ever_past import PARTS, ever_past
from drift.engine.policy import COUNTS, Policy, Rates, simulate
from drift.engine.population import population_draws
from drift.records import Tables
from drift.results import Estimate, Provenance, Result, run_versions
from drift.retirement.groups import exposure_of
from drift.retirement.policy_candidates import candidates
from drift.retirement.policy_jumps import Jump, jumps_of
from drift.retirement.policy_lines import Population, make_populations
from drift.retirement.policy_scores import Scored, changed, choice, costs_per_use, distinct, score, weights
from drift.retirement.recalibration import statement_of
from drift.retirement.row_accounts import rows_without
from drift.sensitivity.controls_words import rest_words
from drift.study import Costs, PolicySpec, RetirementSpec, Study

Floats = NDArray[np.float64]

QUESTION = "policy"
DRAWS, LIVES_A_DRAW = 400, 25
BOUND_DRAWS = 1600  # of the population, for upper bounds: they need draws more than lives
LONGEST_CURVE = 400
FACTORS = (0.5, 2.0)
Tell = Callable[..., None]


@dataclass(frozen=True, kw_only=True, eq=False)
class PolicyResult(Result):
    """Policies compared per construction: cost per use, spoilt sessions and sensors per hundred uses.

    Tables: "policies", "cost curve", "sensitivity to costs", "costs", "coverage".
    """

    command: ClassVar[str] = "policy"

    def chosen(self, construction: str = "") -> str:
        """Return the words of the policy chosen for a construction; empty where none could be."""
        table = self.table("policies")
        return next((str(w) for c, w, x in zip(table["construction"], table["policy"], table["chosen"], strict=True)
                     if c == construction and x == "yes"), "")


@dataclass(frozen=True, kw_only=True, eq=False)
class Curve:
    """Cost per use over the retire-after count, of one way of working; arrays over ``count``."""

    name: str
    recalibrate_every: int
    noticed_after: int
    count: Floats
    mean: Floats
    low: Floats
    high: Floats
    spoilt: Floats
    optimum: AgeOptimum | None
    draws: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class PolicyAnswer:
    """One construction. ``scores`` is empty where ``refused`` says why.

    ``jumps`` are the limits that jump which the chosen policy is not shown to keep.
    """

    population: Population
    retire: Estimate | None
    interval: float
    scores: tuple[Scored, ...]
    curves: tuple[Curve, ...]
    swings: tuple[tuple[str, float, str, float, bool], ...]
    left_out: tuple[str, ...]
    horizon: int
    lives: int = 0
    draws: int = 0
    seed: int = 0
    refused: str = ""
    mend: str = ""
    jumps: tuple[Jump, ...] = ()

    @property
    def name(self) -> str:
        """The construction."""
        return self.population.construction


def compare_policies(wear: Result, retired: Result, study: Study, tables: Tables, *, interval: Result | None = None,
                     seed: int = 20240501, level: float | None = None, progress: Tell | None = None) -> PolicyResult:
    """Compare what can be done with sensors: by cost per use, spoilt sessions and sensors per hundred uses.

    Parameters
    ----------
    wear : WearResult
    retired : RetirementResult
        Its counts are those the statement allows.
    study : Study
        ``[costs]``, ``[policy]``, ``[limits]``, ``[retirement]`` and ``[recalibration]``.
    tables : Tables
    interval : RecalibrationResult, optional
        Where a tolerance is declared.
    seed : int
    level : float, optional
        Of the bands; that of the wear analysis by default.
    progress : callable, optional
        Called as ``progress(what, share_done)``.

    Returns
    -------
    PolicyResult

    Raises
    ------
    DriftError
        Where a cost is missing, or all are 0.

    Notes
    -----
    Sensors are simulated from draws of mean and covariance of the true lines (:mod:`drift.engine.population`), all
    policies with the same random numbers. Cost per use is cost per life over uses per life (renewal reward). Bands are
    quantiles over the draws and hold what the study leaves uncertain, and the estimate with its Monte Carlo error.
    Policies with checks retire at 1.25 times the median last check whatever a check shows, as no count is stated beyond
    it.

    References
    ----------
    Barlow, R. E. and Proschan, F. (1965), Mathematical Theory of Reliability, Wiley, chapters 3 and 4; Jardine, A. K.
    S. and Tsang, A. H. C. (2013), Maintenance, Replacement, and Reliability, CRC Press, chapters 2 and 3.
    """
    from drift.retirement.policy_costs import refuse_costs
    from drift.retirement.policy_quoted import simulated
    from drift.retirement.policy_tables import tables_of
    from drift.retirement.policy_words import answer_sentence, estimates_of, findings_of

    tell = progress or (lambda *_: None)
    refuse_costs(study)
    spec, exposure = study.policy or PolicySpec(), exposure_of(study)
    level = wear.provenance.level if level is None else level
    statement = statement_of(study) if study.recalibration is not None else None
    populations = make_populations(wear, study, tables, exposure=exposure, statement=statement)
    answers = []
    for i, p in enumerate(populations):
        def own(what: str, share: float, i: int = i) -> None:
            tell(what, (i + share) / len(populations))

        answers.append(_answer(p, study, spec, retired, interval, level, seed, is_use=exposure.is_use, tell=own))
    left = {s: why for a in answers for g in a.population.groups for s, why in g.fitness.left_out
            if s not in a.population.sensors}
    accounts, exclusions = rows_without(wear, tables, left, question=QUESTION, of="the policies")
    coverage, told = simulated(answers, wear, level=level)
    costs = {f"cost of {k}": v for k, v in study.costs.model_dump().items() if v is not None}
    rests = rest_words(wear)
    return PolicyResult(
        question=QUESTION, answer=f"{answer_sentence(answers, study, firm=not rests)} {rests}".rstrip(),
        estimates=tuple(estimates_of(answers, study, level)),
        tables=(*tables_of(answers, study, level), *coverage), findings=(*findings_of(answers, study), *told),
        exclusions=exclusions,
        provenance=Provenance(accounts=accounts, inputs=dict(wear.provenance.inputs), seed=seed, level=level,
                              versions=run_versions(), settings={**costs, **spec.model_dump(exclude_none=True)}))


def _answer(p: Population, study: Study, spec: PolicySpec, retired: Result, interval: Result | None, level: float,
            seed: int, *, is_use: bool, tell: Callable[[str, float], None]) -> PolicyAnswer:
    retire, every = _of(retired, "retire after", p.construction), _of(interval, "recalibrate every", p.construction)
    m = every.value if every is not None else math.nan
    refused, mend = _refusal(p, retire, is_use=is_use)
    if refused:
        return PolicyAnswer(population=p, retire=retire, interval=m, scores=(), curves=(), swings=(), left_out=(),
                            horizon=0, refused=refused, mend=mend)
    of = study.retirement or RetirementSpec()
    crossing = p.crossing()
    horizon = max(int(min(max(3 * p.cap, 2 * crossing if math.isfinite(crossing) else 0), 20 * p.cap)), 10)
    stream = np.random.SeedSequence([seed, zlib.crc32(p.construction.encode())])
    run, follow, past = _runners(p, spec, stream, horizon)
    tell("costing every retire-after count", 0.05)
    n_retire = retire.value if retire is not None else math.nan
    curves = _curves(p, spec, study.costs, follow, m, level)
    best = [(min(c.optimum.age, float(c.count[-1])), c.recalibrate_every, c.noticed_after) for c in curves
            if c.optimum is not None]
    found, left_out = candidates(p, spec, retire=n_retire, cheapest=best, recalibrate=m)
    tell("comparing policies", 0.5)
    found, rates = distinct(found, run([c.policy for c in found]))
    ever = past([c.policy for c in found])
    scores = score(found, rates, ever, study.costs, level=level, retire=n_retire, content=of.content,
                   confidence=of.confidence, interval=m if study.recalibration is not None else None,
                   longest=p.cap)
    taken = choice(scores)
    end = min(found[taken].policy.retire_after, scores[taken].uses) if taken >= 0 else math.nan
    jumps = tuple(j for j in jumps_of(retired, p.construction, end) if j.upper > 1 - of.content)
    tell("changing each cost", 0.95)
    return PolicyAnswer(population=p, retire=retire, interval=m, scores=tuple(scores), curves=tuple(curves),
                        swings=tuple(_swings(scores, rates, study.costs)),
                        left_out=tuple(left_out), jumps=jumps, horizon=horizon, seed=seed, draws=rates.mean.shape[1],
                        lives=rates.lives * rates.mean.shape[1])


def _of(result: Result | None, name: str, construction: str) -> Estimate | None:
    if result is None:
        return None
    whole = [e for e in result.estimates if e.name == name and "limit" not in e.of]
    own = [e for e in whole if e.of.get("construction", "") == construction]
    return own[0] if own else whole[0] if len(whole) == 1 else None


def _refusal(p: Population, retire: Estimate | None, *, is_use: bool) -> tuple[str, str]:
    """Why no policy can be compared, and what would help; empty where they can."""
    if not is_use:
        return ("wear is not counted in uses, and every cost here is per use", "Compare policies on a study whose "
                "exposure is use.")
    if p.refused:
        return p.refused, p.mend
    for fresh, limit, one in zip(p.at_fresh, p.criteria.limit, p.limits, strict=False):
        if fresh >= limit:
            return (f"the average fresh sensor is already past the limit ({one.words})",
                    "Choose a limit that fresh sensors keep, or look at their first checks.")
    if retire is None or not math.isfinite(retire.value):
        return "there is no retire-after count to hold them against", "See the findings on when to retire."
    return "", ""


def _runners(p: Population, spec: PolicySpec, stream: np.random.SeedSequence, horizon: int
             ) -> tuple[Callable[[list[Policy]], Rates], Callable[[list[tuple[int, int]], int], list[CountCurve]],
                        Callable[[list[Policy]], Floats]]:
    """Return functions that simulate policies, every count, and shares past a limit, with the same draws."""
    first, second, third, fourth = stream.spawn(4)

    def again(s: np.random.SeedSequence) -> np.random.Generator:
        """Start a stream anew: one that has spawned before would give other sensors the second time."""
        return np.random.default_rng(np.random.SeedSequence(entropy=s.entropy, spawn_key=s.spawn_key))

    draws = max(min(DRAWS, spec.lives // LIVES_A_DRAW), 20)
    population = population_draws(p.lines, p.error, n_draws=draws, rng=again(first), batch=p.batch,
                                  error_df=p.error_df)
    lives = -(-spec.lives // draws)

    def run(policies: list[Policy]) -> Rates:
        return simulate(population, p.criteria, policies, lives=lives, horizon=horizon, rng=again(second))

    def follow(ways: list[tuple[int, int]], top: int) -> list[CountCurve]:
        return count_curves(population, p.criteria, ways, lives=lives, top=top, rng=again(second))

    def past(policies: list[Policy]) -> Floats:
        parts = again(third)
        made = [ever_past(population_draws(p.lines, p.error, n_draws=BOUND_DRAWS // PARTS, rng=parts, batch=p.batch,
                                           error_df=p.error_df), p.criteria, policies, horizon=horizon, rng=one,
                          lives=min(max(spec.lives // 100, 40), 400))
                for one in again(fourth).spawn(PARTS)]
        return np.concatenate(made, axis=1)

    return run, follow, past


def _curves(p: Population, spec: PolicySpec, costs: Costs,
            follow: Callable[[list[tuple[int, int]], int], list[CountCurve]], interval: float,
            level: float) -> list[Curve]:
    """Cost over the retire-after count up to the longest that can be stated, for each way of working."""
    top = min(max(int(p.cap), 1), LONGEST_CURVE)
    k = spec.noticed_after
    ways = [("failures not noticed", 0, 0)]
    if "noticed_after" in spec.model_fields_set:  # else nobody has said that failures are noticed
        ways.append((f"failures noticed after {k}", 0, k))
    every = spec.recalibrate_every[0] if spec.recalibrate_every else interval
    if math.isfinite(every) and every >= 1:
        ways.append((f"recalibrated every {every:g}", int(every), 0))
    sensor, again = weights(costs)[[COUNTS.index("sensors"), COUNTS.index("recalibrations")]]
    spoilt = weights(costs)[COUNTS.index("past a limit")]
    made = []
    for (name, m, k), c in zip(ways, follow([(m, n) for _, m, n in ways], top), strict=True):
        cost = (sensor + spoilt * c.spoilt + (again * c.recalibrations if m else 0.0)) / c.uses
        low, high = (np.quantile(cost, q, axis=0) for q in ((1 - level) / 2, (1 + level) / 2))
        mean = cost.mean(0)
        made.append(Curve(name=name, recalibrate_every=m, noticed_after=k, count=np.arange(1.0, top + 1),
                          mean=mean, low=np.minimum(low, mean), high=np.maximum(high, mean), draws=cost.T,
                          spoilt=100 * (c.spoilt / c.uses).mean(0),
                          optimum=discrete_optimum(mean) if np.isfinite(mean).all() else None))
    return made


def _swings(scores: list[Scored], rates: Rates, costs: Costs) -> list[tuple[str, float, str, float, bool]]:
    """(cost, factor, policy chosen, its cost per use, whether the choice changes) with each cost halved and doubled."""
    now = choice(scores)
    if now < 0:
        return []
    keep = np.array([s.keeps for s in scores])
    rows = []
    for name in ("sensor", "spoilt_session", "check", "recalibration"):
        if not getattr(costs, name):
            continue
        for factor in FACTORS:
            cost = np.where(keep, costs_per_use(rates, changed(costs, name, factor))[0].mean(1), np.nan)
            then = int(np.nanargmin(cost))
            rows.append((name, factor, scores[then].candidate.words, float(cost[then]), then != now))
    return rows
