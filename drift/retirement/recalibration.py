"""``recalibrate``: after how many uses the error since the last calibration may leave its tolerance."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import own_crossings, summarise_batches, summarise_lines
from drift.engine.new_batches import two_level_share
from drift.engine.tolerance import share_beyond
from drift.errors import DriftError, Finding
from drift.records import Tables
from drift.results import Estimate, Provenance, Result, run_versions
from drift.retirement.bound import Counts
from drift.retirement.groups import exposure_of
from drift.retirement.interval_rule import distance_of, interval_arrays, shortened, with_error
from drift.retirement.recalibration_groups import Changes, make_changes
from drift.retirement.row_accounts import rows_without
from drift.sensitivity.controls_words import rest_words
from drift.study import RecalibrationSpec, RetirementSpec, Study

Floats = NDArray[np.float64]
QUESTION = "recalibrate every"


@dataclass(frozen=True, kw_only=True, eq=False)
class RecalibrationResult(Result):
    """Recalibration intervals per construction, and how firm they are.

    Tables: "recalibration intervals", "change since calibration", "own changes", "sensitivity of the interval".
    """

    command: ClassVar[str] = "recalibrate"

    def interval(self, construction: str = "") -> Estimate:
        """Return "recalibrate every" of one construction."""
        labels = {"construction": construction} if construction else {}
        return self.estimate("recalibrate every", **labels)


@dataclass(frozen=True, kw_only=True)
class Statement:
    """What the interval must keep: distance on the scale, content, confidence, and whether calibrations err inside."""

    tolerance: float
    distance: float
    content: float
    confidence: float
    inside: bool


@dataclass(frozen=True, kw_only=True, eq=False)
class IntervalAnswer:
    """One construction. ``interval`` is NaN where refused; ``drift_only`` and ``with_error`` are the two readings."""

    changes: Changes
    interval: float
    bound: str
    counts: Counts | None
    drift_only: tuple[float, str]
    with_error: tuple[float, str]
    share: tuple[float, float, float]
    left_out_one: tuple[tuple[str, float], ...]
    crossings: Floats


def recalibrate(wear: Result, study: Study, tables: Tables, *, retired: Result | None = None,
                progress: Callable[[str], None] | None = None) -> RecalibrationResult:
    """Say every how many uses a sensor should be calibrated anew, per construction.

    Parameters
    ----------
    wear : WearResult
        Its tables "occasions", "sensitivities" and "assumption checks" carry the data.
    study : Study
        ``[recalibration]``, and ``[retirement]`` for what it leaves open.
    tables : Tables
        Checks, and sensors and events where there are any.
    retired : RetirementResult, optional
        Its counts stand in the answer beside the intervals.
    progress : callable, optional
        Called with one sentence a step.

    Returns
    -------
    RecalibrationResult

    Raises
    ------
    DriftError
        If the study declares no tolerance.

    Notes
    -----
    Each sensor's change since its last calibration m uses ago is its slope times m, since starts drop out. The
    interval is the largest m for which, with confidence C, at least the share P of sensors has changed by no more
    than log(1 + tolerance) in either direction: the tolerance bound of the retire-after rule on the slopes alone, and
    its skew companion, the smaller of the two rounded down. It is then shortened to what the worst stretch of the mean
    path allows in place of the mean line, whether or not a test shows a bend: one too small to be seen can break the
    statement as well.

    References
    ----------
    Owen, D. B. (1963), Factors for one-sided tolerance limits, Sandia SCR-607; Krishnamoorthy, K. and Mathew, T.
    (2009), Statistical Tolerance Regions, Wiley, chapter 5; ILAC-G24 / OIML D 10 (2022) on intervals of calibration.
    """
    if study.recalibration is None:
        raise DriftError(Finding(severity="error", code="no-tolerance", file="study.toml", question=QUESTION,
                                 message="no tolerance of the error since the last calibration is declared",
                                 mend="Add [recalibration] with tolerance = \"5 %\" or your own."))
    from drift.retirement.recalibration_words import answer_sentence, estimates_of, findings_of, tables_of

    tell = progress or (lambda _: None)
    exposure, statement = exposure_of(study), statement_of(study)
    level = wear.provenance.level
    tell("bounding the change since the last calibration")
    from drift.retirement.recalibration_quoted import simulated

    made = [answer_of(c, statement, level) for c in make_changes(
        wear, study, tables, exposure=exposure, fall=statement.tolerance / (1 + statement.tolerance))]
    coverage, told = simulated(made, statement, wear)
    findings = [*findings_of(made, statement, exposure, wear), *told]
    left = {n: why for a in made for n, why in a.changes.group.fitness.left_out}
    accounts, exclusions = rows_without(wear, tables, left, question=QUESTION, of="the interval")
    return RecalibrationResult(
        question=QUESTION, answer=f"{answer_sentence(made, statement, exposure, retired)} {rest_words(wear)}".rstrip(),
        estimates=tuple(estimates_of(made, statement, exposure, level)),
        tables=(*tables_of(made, statement, exposure), *coverage), findings=tuple(findings),
        exclusions=exclusions,
        provenance=Provenance(accounts=accounts, inputs=dict(wear.provenance.inputs), seed=wear.provenance.seed,
                              level=level, versions=run_versions(),
                              settings={"tolerance": statement.tolerance, "content": statement.content,
                                        "confidence": statement.confidence, "exposure": exposure.name,
                                        "calibration_error": "inside" if statement.inside else "apart"}))


def statement_of(study: Study) -> Statement:
    """Return what the study asks of the interval, with the defaults of ``[retirement]``."""
    spec = study.recalibration or RecalibrationSpec(tolerance=0.05)
    of = study.retirement or RetirementSpec()
    log = (study.sensitivity.scale if study.sensitivity else "log") == "log"
    distance = distance_of(spec.tolerance) if log else spec.tolerance / (1 + spec.tolerance)
    return Statement(tolerance=spec.tolerance, distance=distance, content=spec.content or of.content,
                     confidence=spec.confidence or of.confidence, inside=spec.calibration_error == "inside")


def answer_of(c: Changes, s: Statement, level: float) -> IntervalAnswer:
    """Answer one construction."""
    nan = math.nan
    if c.refused:
        return IntervalAnswer(changes=c, interval=nan, bound="", counts=None, drift_only=(nan, ""),
                              with_error=(nan, ""), share=(nan,) * 3, left_out_one=(), crossings=np.zeros(0))
    plain, erring = (rule_of(c, s, inside=inside) for inside in (False, True))
    counts = erring if s.inside else plain
    value, bound = _stated(counts)
    left = tuple((str(name), _stated(rule_of(c, s, inside=s.inside, without=i))[0])
                 for i, name in enumerate(c.group.sensor))
    toward = 1.0 if float(c.slope.mean()) >= 0 else -1.0
    return IntervalAnswer(changes=c, interval=value, bound=bound, counts=counts, drift_only=_stated(plain),
                          with_error=_stated(erring), share=share_out(c, s, value if value > 0 else c.step, level),
                          left_out_one=left,
                          crossings=own_crossings(np.zeros(c.group.n), toward * c.slope, s.distance))


def rule_of(c: Changes, s: Statement, *, inside: bool, without: int | None = None, content: float | None = None,
            confidence: float | None = None, factor: float = 1.0) -> Counts:
    """Apply the rule to one construction; the keywords change one thing each."""
    keep = np.ones(c.group.n, dtype=bool)
    if without is not None:
        keep[without] = False
    batch = c.group.batch[keep] if c.group.batch is not None and c.group.two_level else None
    distance = s.distance if factor == 1.0 else math.log1p(math.expm1(s.distance) * factor)
    error = c.error_sd if inside and math.isfinite(c.error_sd) else 0.0
    found = interval_arrays(c.slope[keep], distance, content=content or s.content, batch=batch, step=c.step, cap=c.cap,
                            confidence=confidence or s.confidence, error_sd=error)
    lengths = c.step * np.arange(1.0, round(max(float(found.count), 0.0) / c.step) + 1)
    made = shortened(found, c.excess(lengths), distance, step=c.step)
    # Of stretches longer than the path that was followed nothing is known, so that an interval as long is a lower one.
    return replace(made, capped=made.capped | (made.count >= c.span)) if c.span > 0 else made


def _stated(counts: Counts) -> tuple[float, str]:
    return max(float(counts.count), 0.0), "at least" if bool(counts.capped) else "exact"


def share_out(c: Changes, s: Statement, at: float, level: float) -> tuple[float, float, float]:
    """Share of sensors expected out of tolerance ``at`` uses after a calibration, with its interval.

    Of the same change as the interval: the bend's allowance is taken off the tolerance, the calibration's error is
    added where it is inside, and both sides count where slopes point both ways (each at half the error rate).
    """
    toward = 1.0 if float(c.slope.mean()) >= 0 else -1.0
    b = toward * c.slope
    both = bool((b > 0).any() and (b < 0).any())
    room = s.distance - float(c.excess(np.array([at]))[0])
    error = c.error_sd if s.inside and math.isfinite(c.error_sd) else 0.0
    sides = [_one_side_share(c, sign * b, room, error, at, 1 - (1 - level) / 2 if both else level)
             for sign in ((1.0, -1.0) if both else (1.0,))]
    share, low, high = (min(sum(each), 1.0) for each in zip(*sides, strict=True))
    return share, low, high


def _one_side_share(c: Changes, b: Floats, room: float, error: float, at: float,
                    level: float) -> tuple[float, float, float]:
    if c.group.two_level and c.group.batch is not None:
        sums = with_error(summarise_batches(np.zeros_like(b), b, c.group.batch), error)
        return two_level_share(sums.at(at), room, level=level)
    lines = summarise_lines(np.zeros_like(b), b)
    sd = math.hypot(float(lines.sd(at)), error)
    if sd <= 0:
        share = float(float(lines.mean(at)) > room)
        return share, share, share
    found = share_beyond((room - float(lines.mean(at))) / sd, c.group.n, level=level)
    return float(found[0]), float(found[1]), float(found[2])
