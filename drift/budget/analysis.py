"""The uncertainty budget of a pressure at a use: the one call behind ``drift budget``."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.budget.bent import bent_curve
from drift.budget.cell_parts import KEY, CellGains, gain_quantity, gains_of_study, not_in_it
from drift.budget.curve import Curve, Scatter, curve_at, pooled_scatter
from drift.budget.evidence import Evidence, Fitted, evidence, fitted_group
from drift.budget.from_checks import Covariances, of_calibration, of_drift, of_occasions
from drift.budget.quantities import Assembly, Quantity
from drift.budget.result import BudgetResult
from drift.budget.saturated import saturated_words
from drift.budget.stated import NAMES, left_out, stated_quantities
from drift.budget.static_parts import static_quantities
from drift.budget.subjects import QUESTION, Subject, subjects
from drift.engine.coverage_factor import mixture_factor
from drift.engine.monte_carlo import MOST, Simulated, simulate
from drift.engine.uncertainty import Propagated, numerical_tolerance, propagate
from drift.errors import DriftError, Finding
from drift.records import Tables
from drift.results import Provenance, run_versions
from drift.sensitivity.design import WearData, full_scale_of, prepare
from drift.study import CalibrationQuestion, Study
from drift.study.budgets import BudgetSpec
from drift.units import convert, parse_quantity

Floats = NDArray[np.float64]
SEED = 20240601
TOO_HIGH = "higher than the calibration curve ever gets"


@dataclass(frozen=True, kw_only=True, eq=False)
class Budget:
    """One budget: what entered, and what came out.

    Parameters
    ----------
    reading, displayed : float
        Reading, and the pressure that the calibration alone makes of it.
    assembly : Assembly
    gum : Propagated
        Of the pressure with drift corrected (as far as it is known).
    simulated : Simulated or None
    refused : str
        Why there is no pressure; empty when there is one.
    saturated : bool
        The reading stands at full scale: ``gum`` is of the pressure there, whose lower end still holds.
    """

    subject: Subject
    curve: Curve
    evidence: Evidence
    assembly: Assembly
    reading: float
    displayed: float
    gum: Propagated
    simulated: Simulated | None
    drift_known: bool
    refused: str = ""
    saturated: bool = False

    @property
    def bias(self) -> float:
        """What is displayed without correction, less the corrected pressure."""
        return self.displayed - self.gum.value

    def force(self, cells: int, level: float) -> tuple[float, float]:
        """Return relative standard uncertainty of a total force over cells, and its coverage factor.

        Common effects add linearly; effects of single cells in quadrature.
        """
        own = np.array([q.per_cell for q in self.assembly.quantities])
        c = self.gum.sensitivity * np.where(own, cells**-0.5, 1.0)
        v = np.outer(c, c) * self.assembly.covariance
        return (float(np.sqrt(max(v.sum(), 0.0))) / abs(self.gum.value),
                mixture_factor(v, self.assembly.df, self.assembly.pools, level=level))


@dataclass(frozen=True, kw_only=True, eq=False)
class Ground:
    """What all budgets of a study stand on."""

    data: WearData
    spec: BudgetSpec
    scatter: Scatter
    ceiling: Floats | None
    stated: tuple[Quantity, ...]
    tables: Tables
    level: float
    questions: tuple[CalibrationQuestion, ...] = ()
    gains: CellGains | None = None

    @property
    def pressure_unit(self) -> str:
        """Unit of the reference."""
        return self.data.units["reference"]

    @property
    def reading_unit(self) -> str:
        """Unit of the raw reading."""
        return self.data.units["reading"]


def budget(tables: Tables, study: Study, *, level: float = 0.95, seed: int = SEED,
           spec: BudgetSpec | None = None, draws: int = MOST,
           counts: Mapping[str, tuple[float, float]] | None = None) -> BudgetResult:
    """Make the uncertainty budget of a pressure read at a use.

    Parameters
    ----------
    tables : Tables
        ``checks`` with references are needed.
    study : Study
        ``[budget]`` (or ``spec``) says at which reading and use, and states what the checks cannot tell.
    level : float
        Coverage probability of the expanded uncertainty.
    seed : int
        Of the simulation.
    draws : int
        Most draws of the simulation, where its digits do not settle before.
    counts : mapping, optional
        Retire-after count and recalibration interval of each construction, NaN for none (0 is a count): a use beyond
        them is said.

    Returns
    -------
    BudgetResult

    Raises
    ------
    DriftError
        Without checks or references, for a sensor or construction that is not there, or a unit that does not convert.

    Notes
    -----
    P = f^-1(R; theta) exp(-m n) with the effects of :meth:`drift.budget.quantities.Assembly.model`; law of propagation
    with all covariances, U = k u with k of the sum of the t distributions of the variance estimates (equal to the t
    quantile at Welch and Satterthwaite's degrees of freedom where one of them has all of the variance), and propagation
    of distributions.

    References
    ----------
    JCGM 100:2008, 5.1.2, 5.2.2, G.4.1, F.2.4.5; JCGM 101:2008, 7 and 8.
    """
    from drift.budget.beyond import beyond_counts
    from drift.budget.quoted import simulated
    from drift.budget.tables import all_tables
    from drift.budget.wording import all_estimates, all_findings, answer_sentence

    if not 0.5 < level < 1:
        raise ValueError(f"level must lie in (0.5, 1), not {level}")
    ground = grounds(tables, study, spec or study.budget or BudgetSpec(), level=level)
    fits = {c: fitted_group(ground.data, c) for c in sorted(set(ground.data.construction.astype(str)))}
    asked = subjects(ground.data, ground.spec)
    made = tuple(one_budget(ground, s, fits[s.construction], rng=np.random.default_rng(child), draws=draws)
                 for s, child in zip(asked, np.random.SeedSequence(seed).spawn(len(asked)), strict=True))
    coverage, told = simulated(ground, made)
    data = ground.data
    account = replace(data.account, question=QUESTION)
    inputs = {t.file: t.sha256 for t in (tables.checks, tables.sensors, tables.events,
                                         tables.exposures if ground.gains is not None else None) if t is not None}
    return BudgetResult(
        question=QUESTION, answer=" ".join(answer_sentence(ground, b) for b in made),
        estimates=all_estimates(ground, made), tables=(*all_tables(ground, made), *coverage),
        findings=(*all_findings(ground, made), *beyond_counts(ground, made, counts or {}), *told),
        exclusions=tuple(replace(x, question=QUESTION) for x in data.exclusions),
        provenance=Provenance(accounts=(account,), inputs=inputs, seed=seed, level=level, versions=run_versions(),
                              settings={"budget": ground.spec.model_dump(exclude_none=True)}))


def grounds(tables: Tables, study: Study, spec: BudgetSpec, *, level: float) -> Ground:
    """Prepare what all budgets of a study share.

    Raises
    ------
    DriftError
        When the checks give no pressures, or a stated unit cannot be placed.
    """
    data = prepare(tables, study)
    checks = tables.checks
    assert checks is not None
    if not data.has_reference:
        raise DriftError(Finding(
            severity="error", code="no-reference", file=checks.file, column="reference", question=QUESTION,
            message="The checks hold no reference, so that no reading can be turned into a pressure",
            mend="Add the known load of each check in a column reference"))
    ceiling = full_scale_of(checks, data.spec, tables.sensors)
    stated = stated_quantities(spec, reading_unit=data.units["reading"], pressure_unit=data.units["reference"])
    return Ground(data=data, spec=spec, scatter=pooled_scatter(checks, data.calibration, ceiling), ceiling=ceiling,
                  stated=stated, tables=tables, level=level, questions=study.calibration,
                  gains=None if KEY in spec.stated() else gains_of_study(tables, study, level=level))


def one_budget(ground: Ground, subject: Subject, found: Fitted, *, rng: np.random.Generator | None,
               draws: int = MOST) -> Budget:
    """Make one budget; without ``rng`` nothing is simulated, and never more than ``draws``."""
    checks = ground.tables.checks
    assert checks is not None
    curve = curve_at(checks, ground.data.calibration, subject.calibration, ground.scatter, ground.ceiling)
    curve, no_curve = bent_curve(checks, subject, ground.questions, curve) if ground.questions else (curve, "")
    told = evidence(ground.data, found, sensor=subject.sensor or None, calibration=subject.calibration)
    stated = frozenset(ground.spec.stated())
    gain, said = gain_quantity(ground.gains, subject, ground.spec)
    told = replace(told, said=(*told.said, *said),
                   static=(*static_quantities(checks, subject, stated=stated), *gain))
    return budget_from(ground, subject, curve, told, rng=rng, draws=draws, no_curve=no_curve)


def budget_from(ground: Ground, subject: Subject, curve: Curve, told: Evidence, *, rng: np.random.Generator | None,
                pressure: float | None = None, draws: int = MOST, no_curve: str = "") -> Budget:
    """Assemble, propagate and simulate; ``pressure`` makes it at that true pressure in place of the one asked.

    ``no_curve`` says why the calibration asked for cannot serve.
    """
    drift, drift_known = _drift_estimate(ground, told)
    change = drift * subject.since
    log = ground.data.log
    fall = float(np.exp(change)) if log else 1.0 + change / curve.sensitivity
    reading = _reading(ground, curve, fall, pressure)
    saturated = not no_curve and fall > 0 and reading >= curve.full_scale
    refused = no_curve or ("" if saturated else _refusal(ground, curve, reading, fall))
    # Beyond the top of a curve there is nothing to propagate: the parts are shown at its highest level.
    shown_at = curve.reading(curve.high) * min(fall, 1.0) if TOO_HIGH in refused else (
        min(reading, curve.full_scale) if saturated else reading)
    displayed = curve.pressure(shown_at)
    quantities, joint = _quantities(ground, curve, told, displayed, subject)
    assembly = Assembly(reading=shown_at, quantities=tuple(quantities), covariances=joint, inverse=curve.inverse,
                        zero=curve.zero, uses_since=subject.since,
                        slope_at_calibration=float("nan") if log else curve.sensitivity)
    gum = propagate(assembly.model(), assembly.estimates, assembly.covariance, df=assembly.df, pools=assembly.pools,
                    level=ground.level, mixture=True)
    if saturated:
        refused = saturated_words(ground, curve, subject, gum, reading=reading, displayed=displayed,
                                  drift_known=drift_known)
    simulated = None
    if rng is not None and not refused and gum.u > 0:
        with np.errstate(all="ignore"):
            simulated = simulate(assembly.model(), assembly.inputs, rng=rng, level=ground.level,
                                 tolerance=numerical_tolerance(gum.expanded), most=draws)
    # Known effects other than drift are corrected in any case.
    shown = float(assembly.model(corrected=False)(assembly.estimates[:, None])[0])
    return Budget(subject=subject, curve=curve, evidence=told, assembly=assembly, reading=reading, displayed=shown,
                  gum=gum, simulated=simulated, drift_known=drift_known or not subject.since, refused=refused,
                  saturated=saturated)


def _drift_estimate(ground: Ground, told: Evidence) -> tuple[float, bool]:
    """Return drift per use on the scale of the response: stated in ``[budget]``, else estimated; and whether known."""
    stated = ground.spec.drift
    if stated is not None and stated.estimate is not None:
        return float(np.log1p(parse_quantity(stated.estimate).value / 100)), True
    return (told.drift.value, True) if told.drift is not None else (0.0, False)


def _reading(ground: Ground, curve: Curve, fall: float, pressure: float | None) -> float:
    """Return the reading asked, or the one that a worn sensor gives at the pressure asked (default: mid-range)."""
    spec = ground.spec
    if pressure is None and spec.reading is not None:
        return spec.reading
    if pressure is None:
        wanted = spec.pressure
        pressure = (curve.low + curve.high) / 2 if wanted is None else (
            float(convert(parse_quantity(wanted).value, parse_quantity(wanted).unit, ground.pressure_unit)))
    return curve.at_zero + (curve.reading(pressure) - curve.at_zero) * fall


def _refusal(ground: Ground, curve: Curve, reading: float, fall: float) -> str:
    """Say why a reading has no pressure: not under load, beyond the curve, or a sensor without sensitivity left."""
    unit = ground.reading_unit
    if not fall > 0:
        return "by its drift the sensor has no sensitivity left at that use"
    if not np.isfinite(curve.pressure(curve.at_zero + (reading - curve.at_zero) / min(fall, 1.0))):
        return f"a reading of {reading:.4g} {unit}{' of a worn sensor' * (fall < 1)} is {TOO_HIGH}"
    if not curve.pressure(reading) > 0:
        return (f"a reading of {reading:.4g} {unit} is no higher than that without load "
                f"({curve.reading(0.0):.3g} {unit}), so there is no pressure to state an uncertainty of")
    return ""


def _quantities(ground: Ground, curve: Curve, told: Evidence, pressure: float, subject: Subject
                ) -> tuple[list[Quantity], Covariances]:
    """Gather every input quantity with the covariances between them."""
    spec, log = ground.spec, ground.data.log
    per = f"{ground.reading_unit}/{ground.pressure_unit}" if ground.reading_unit and ground.pressure_unit else ""
    made, joint = of_calibration(curve, pressure, reading_unit=ground.reading_unit, sensitivity_unit=per,
                                 mean_of=spec.mean_of)
    made += of_occasions(told, curve, mean_of=spec.mean_of, scale=1.0 if log else 1.0 / curve.sensitivity)
    if subject.since > 0:
        count = f"per {ground.data.per}"
        if spec.drift is not None:
            made.append(_stated_drift(spec, count))
        elif told.drift is not None:
            drift, more = of_drift(told.drift, made, curve, unit=count if log else f"{per} {count}", log=log,
                                   joint_day=told.joint)
            made.append(drift)
            joint = {**joint, **more}
    return [*made, *told.static, *ground.stated], joint


def _stated_drift(spec: BudgetSpec, unit: str) -> Quantity:
    from drift.budget.stated import standard

    stated = spec.drift
    assert stated is not None
    assert stated.estimate is not None
    u, distribution, how = standard("drift", stated, parse_quantity(stated.value).value / 100)
    if distribution == "normal" and stated.df is not None:
        distribution = "t"
    return Quantity(name="drift per use", estimate=float(np.log1p(parse_quantity(stated.estimate).value / 100)), u=u,
                    unit=unit, kind="B", distribution=distribution, place="drift", shape=stated.shape,
                    df=float("inf") if stated.df is None else stated.df, source=stated.source or f"stated: {how}")


def not_stated(ground: Ground, made: Budget) -> tuple[tuple[str, str], ...]:
    """Return the components of a budget that nothing gives, with what would give them."""
    missing = list(left_out(ground.spec, have=tuple(q.name for q in made.evidence.static)))
    gain = not_in_it(ground.gains, made.subject, ground.spec)
    missing = [(name, (gain or how) if name == NAMES[KEY] else how) for name, how in missing
               if name != NAMES[KEY] or gain is not None]
    if made.curve.df <= 0:
        missing.append(("calibration fit", "more readings than the line has coefficients, at each calibration"))
    if made.evidence.mounting is None and not made.evidence.joint:
        missing.append(("mounting", "two or more mountings at each check"))
    if made.evidence.day is None:
        missing.append(("day", "checks of each sensor on three or more occasions"))
    if made.subject.since > 0 and not made.drift_known:
        missing.append(("drift per use", "checks of five sensors at three or more uses, three checks of this "
                                         "sensor, or drift = { estimate = \"-0.5 %\", value = \"0.1 %\" }"))
    return tuple(missing)
