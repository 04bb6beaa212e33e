"""``drift lifetimes``: a table of lives, or lives put together elsewhere, answered as one question."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

import numpy as np

from drift.ingest.lives import LivesReading, ObservedLives
from drift.results import Estimate, Provenance, Result, RowAccount, run_versions
from drift.retirement.life_analysis import LifeAnalysis, LifeSpec, analyse
from drift.retirement.life_bounds import GIVEN, bounds_of
from drift.retirement.life_quoted import simulated
from drift.retirement.life_tables import estimates_of, tables_of
from drift.retirement.life_words import answer_of, findings_of

QUESTION = "lifetimes"


@dataclass(frozen=True, kw_only=True, eq=False)
class LifetimesResult(Result):
    """How long units last: a distribution with its intervals, the curve without one, and incidence by cause.

    Tables: "lives", "life distributions", "survival", "fitted survival", "cumulative incidence", "fixed shape"; those
    that do not apply are absent.
    """

    command: ClassVar[str] = "lifetimes"

    def life(self) -> Estimate:
        """Return the life by which the asked share has failed, fitted where it could be, else by the shape given."""
        found = [e for e in self.estimates if e.name.startswith("life by which")]
        return next((e for e in found if not e.name.endswith(GIVEN)), *found[:1])


def lifetimes(data: ObservedLives | LivesReading, spec: LifeSpec | None = None, *, seed: int = 20260101,
              settings: Mapping[str, Any] | None = None) -> LifetimesResult:
    """Say how long units last, from lives known exactly, between two checks, or only from one side.

    Parameters
    ----------
    data : ObservedLives or LivesReading
    spec : LifeSpec, optional
        Share whose life is asked for, confidence of its lower bound, level of intervals.
    seed : int
        Of the simulated small-sample corrections and of the bands.

    Returns
    -------
    LifetimesResult

    Notes
    -----
    Log-likelihood of a Weibull (and a lognormal): sum of log f of exact lives, log S of right-censored, log F of
    left-censored and log(S(l) - S(r)) of interval-censored ones; intervals by likelihood ratio.

    References
    ----------
    Nelson, W. (1982), Applied Life Data Analysis, Wiley; Turnbull, B. W. (1976), JRSS B 38:290-295; Meeker, W. Q. and
    Escobar, L. A. (1998), Statistical Methods for Reliability Data, Wiley, chapter 8.
    """
    spec = spec or LifeSpec()
    lives = data.lives if isinstance(data, LivesReading) else data
    rng = np.random.default_rng([seed, 3])
    a = analyse(lives, spec, rng)
    exclusions = data.exclusions if isinstance(data, LivesReading) else ()
    read = data.read if isinstance(data, LivesReading) else len(lives)
    account = RowAccount(question=QUESTION, table="lifetimes", read=read, used=len(lives),
                         outside_where=read - len(lives))
    said: Sequence[Any] = data.findings if isinstance(data, LivesReading) else ()
    first, *rest = estimates_of(a, {})
    estimates = (first, *bounds_of(a, {}), *rest)
    coverage, told = simulated(a, estimates, QUESTION)
    return LifetimesResult(
        question=QUESTION, answer=answer_of(a), estimates=estimates, tables=(*tables_of(a), *coverage),
        findings=(*said, *findings_of(a, QUESTION), *told), exclusions=exclusions,
        provenance=Provenance(accounts=(account,), inputs={lives.file: lives.sha256} if lives.sha256 else {}, seed=seed,
                              level=spec.level, versions=run_versions(),
                              settings={"share": spec.share, "confidence": spec.confidence, "shape": spec.shape or "",
                                        **dict(settings or {})}))


__all__ = ["LifeAnalysis", "LifeSpec", "LifetimesResult", "lifetimes"]
