"""From checks to the response of the wear model: which rows enter, and on which scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.calibration import Calibration, calibrate, codes_of, numbers, words
from drift.errors import DriftError, Finding
from drift.records import CheckTable, SensorTable, Tables
from drift.results import Exclusion, RowAccount, join_words
from drift.screening import Screening, screen
from drift.study import SensitivitySpec, Study

QUESTION = "wear"
NOT_WORN = frozenset({"control", "check standard"})

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]
Words = NDArray[np.object_]


@dataclass(frozen=True, kw_only=True, eq=False)
class WearData:
    """The mountings that enter the wear model; arrays of shape ``(n_mountings,)``.

    Parameters
    ----------
    response, response_se : array
        Log sensitivity (or log reading), or the value itself on the linear scale.
    use : array
        Exposure.
    sensor, construction, batch, epoch : array of str
        Labels; ``epoch`` numbers the stretches between recalibrations of a sensor's displayed pressures.
    displayed : bool
        Readings are pressures that a calibration has already been applied to.
    """

    spec: SensitivitySpec
    calibration: Calibration
    screening: Screening
    response: Floats
    response_se: Floats
    use: Floats
    sensor: Words
    construction: Words
    batch: Words
    epoch: Words
    displayed: bool
    account: RowAccount
    exclusions: tuple[Exclusion, ...]
    findings: tuple[Finding, ...]
    kept_rows: Ints
    units: dict[str, str]

    @property
    def log(self) -> bool:
        """Whether the response is a logarithm."""
        return self.spec.scale == "log"

    @property
    def has_reference(self) -> bool:
        """Whether the response is a sensitivity rather than the reading itself."""
        return self.calibration.form != "reading"

    @property
    def what(self) -> str:
        """The quantity that drifts, in words."""
        return "sensitivity" if self.has_reference else "the reading"

    @property
    def per(self) -> str:
        """One unit of exposure, in words: ``use``, ``hour``."""
        if self.spec.exposure_unit:
            return self.spec.exposure_unit
        return "use" if self.spec.exposure == "use" else self.spec.exposure


    @property
    def count(self) -> str:
        """One stand of the exposure, in words: ``use count``, ``value of hours``."""
        return "use count" if self.spec.exposure == "use" else f"value of {self.spec.exposure}"

    @property
    def counts(self) -> str:
        """Several of them: ``use counts``, ``values of hours``."""
        return "use counts" if self.spec.exposure == "use" else f"values of {self.spec.exposure}"


@dataclass(frozen=True, kw_only=True, eq=False)
class Mask:
    """Fate of every row so far: entering, or the way and reason by which it left."""

    kind: Words
    reason: Words

    def leave(self, where: Bools, kind: str, reason: Any) -> None:
        """Mark rows that still enter."""
        hit = where & (self.kind == "")
        self.kind[hit] = kind
        self.reason[hit] = reason[hit] if isinstance(reason, np.ndarray) else reason

    @property
    def enters(self) -> Bools:
        """Rows that still enter."""
        return np.asarray(self.kind == "", dtype=np.bool_)


def before_start(data: WearData | SensitivitySpec) -> str:
    """Return the reason by which rows below ``start`` leave the slope."""
    spec = data.spec if isinstance(data, WearData) else data
    return f"below start = {spec.start:g}: kept out of the slope, not out of the count"


def prepare(tables: Tables, study: Study) -> WearData:
    """Select, screen and calibrate the checks of a study.

    Raises
    ------
    DriftError
        Without a checks table, with an unknown screening rule, or when no row can be used.
    """
    checks = tables.checks
    if checks is None or not len(checks):
        raise DriftError(Finding(severity="error", code="no-checks", message="There are no bench checks, from which "
                                 "drift per use would be estimated", mend="Name a checks table under [files].",
                                 question=QUESTION))
    spec = study.sensitivity or SensitivitySpec()
    if spec.exposure not in checks:
        raise DriftError(Finding(severity="error", code="no-exposure", message=f"The checks have no column "
                                 f"{spec.exposure!r} to count wear by", column=spec.exposure, file=checks.file,
                                 mend="Name an existing column as exposure under [sensitivity].", question=QUESTION))
    ceiling = full_scale_of(checks, spec, tables.sensors)
    mask = _select(checks, spec, tables.sensors)
    screening = screen(checks, study.screening, sensors=tables.sensors, full_scale=ceiling, consider=mask.enters,
                       question=QUESTION)
    errors = tuple(f for f in screening.findings if f.severity == "error")
    if errors:
        raise DriftError(errors)
    mask.leave(screening.dropped, "excluded", screening.reasons)
    if spec.start:
        mask.leave(numbers(checks, spec.exposure) < spec.start, "excluded", before_start(spec))
    calibration = calibrate(checks, exposure=spec.exposure, full_scale=ceiling,
                            saturated_limit=study.screening.saturated_fraction, keep=mask.enters, question=QUESTION)
    mask.leave(calibration.reasons != "", "excluded", calibration.reasons)
    return _respond(checks, tables, spec, mask, screening, calibration)


def full_scale_of(checks: CheckTable, spec: SensitivitySpec, sensors: SensorTable | None) -> Floats | None:
    """Return the ceiling of the reading of every row: a number, or a column of the sensors or the checks."""
    declared = spec.full_scale
    if declared is None and sensors is not None and "full_scale" in sensors:
        declared = "full_scale"
    if declared is None:
        return None
    if not isinstance(declared, str):
        return np.full(len(checks), float(declared))
    try:
        return np.full(len(checks), float(declared))
    except ValueError:
        pass
    if sensors is not None and declared in sensors:
        by_sensor = dict(zip(words(sensors, "sensor"), numbers(sensors, declared), strict=True))
        return np.array([by_sensor.get(s, np.nan) for s in words(checks, "sensor")], dtype=np.float64)
    if declared in checks:
        return numbers(checks, declared)
    raise DriftError(Finding(severity="error", code="no-full-scale-column", message=f"full_scale names {declared!r}, "
                             "which is neither a number nor a column of the sensors or the checks", value=declared,
                             mend="Give the ceiling of the reading as a number, or name a column.",
                             question=QUESTION))


def ceiling_of(checks: CheckTable, spec: SensitivitySpec, sensors: SensorTable | None, sensor: str | None) -> float:
    """Return the full scale of one sensor, of all where it has no check; infinite where it is not known."""
    found = full_scale_of(checks, spec, sensors)
    if found is None:
        return math.inf
    mine = np.asarray(words(checks, "sensor") == sensor, dtype=np.bool_)
    held = found[mine] if mine.any() else found
    held = held[np.isfinite(held)]
    return float(held.max()) if len(held) else math.inf


def label_of(checks: CheckTable, sensors: SensorTable | None, name: str) -> Words:
    """Return a label of each row's sensor: from the sensors table, else from a column of the checks."""
    if sensors is not None and name in sensors:
        by_sensor = dict(zip(words(sensors, "sensor"), words(sensors, name), strict=True))
        return np.array([by_sensor.get(s, "") for s in words(checks, "sensor")], dtype=object)
    return words(checks, name)


def _select(checks: CheckTable, spec: SensitivitySpec, sensors: SensorTable | None) -> Mask:
    """Apply ``where``, the file's own exclusions, and the roles that are not worn."""
    n = len(checks)
    mask = Mask(kind=np.full(n, "", dtype=object), reason=np.full(n, "", dtype=object))
    if spec.where:
        from drift.ingest.select import select_where

        inside = np.asarray(select_where(checks, spec.where, question=QUESTION), dtype=np.bool_)
        wanted = ", ".join(f"{k} = {v}" for k, v in spec.where.items())
        mask.leave(~inside, "outside where", f"outside {wanted}")
    flagged = np.nan_to_num(numbers(checks, "exclude")) > 0
    why = words(checks, "exclude_reason")
    stated = np.array([f"excluded in the file: {w}" if w else "excluded in the file, no reason given" for w in why],
                      dtype=object)
    mask.leave(flagged, "excluded", stated)
    role = label_of(checks, sensors, "role")
    for name in sorted(NOT_WORN):
        mask.leave(role == name, "excluded", f"role {name}: not worn, so it says nothing about wear")
    return mask


def _respond(checks: CheckTable, tables: Tables, spec: SensitivitySpec, mask: Mask, screening: Screening,
             calibration: Calibration) -> WearData:
    """Put the response on its scale; mountings without a logarithm leave by name."""
    value = calibration.sensitivity if calibration.form != "reading" else calibration.reading
    good = value > 0 if spec.scale == "log" else np.isfinite(value)
    lost = ~np.r_[good, True][calibration.mounting] & (calibration.mounting >= 0)
    name = "sensitivity" if calibration.form != "reading" else "reading"
    mask.leave(lost, "excluded", f"{name} not above zero: no logarithm (a dead sensor, or a case for scale = linear)")
    if not good.any():
        raise DriftError(_nothing_left(checks, mask))
    kept = _subset(calibration, good)
    first = np.searchsorted(checks.row, kept.row) if bool(np.all(np.diff(checks.row) > 0)) else np.array(
        [int(np.flatnonzero(checks.row == r)[0]) for r in kept.row], dtype=np.int64)
    value = value[good]
    with np.errstate(divide="ignore", invalid="ignore"):
        response = np.log(value) if spec.scale == "log" else value
        se = kept.sensitivity_se / value if spec.scale == "log" else kept.sensitivity_se
    displayed, epoch, epoch_findings = _epochs(checks, tables, kept, spec)
    epoch_findings = (*_no_logarithm(checks, lost, name), *epoch_findings)
    account, exclusions = _account(checks, mask)
    units = {"reading": str(checks.units.get("reading", "")), "reference": str(checks.units.get("reference", ""))}
    return WearData(
        spec=spec, calibration=kept, screening=screening, response=response, response_se=se, use=kept.use,
        sensor=kept.sensor, construction=label_of(checks, tables.sensors, "construction")[first],
        batch=label_of(checks, tables.sensors, "batch")[first], epoch=epoch, displayed=displayed, account=account,
        exclusions=exclusions, findings=(*_once(screening.findings, calibration.findings), *epoch_findings),
        kept_rows=first, units=units)


def _no_logarithm(checks: CheckTable, lost: Bools, name: str) -> tuple[Finding, ...]:
    """Warn of sensors that gave nothing: leaving them out makes the others' wear look like all there was."""
    if not lost.any():
        return ()
    who = sorted(set(words(checks, "sensor")[lost].tolist()))
    return (Finding(severity="warning", code="no-logarithm", question=QUESTION, file=checks.file,
                    message=f"{int(lost.sum())} rows of sensor{'s' * (len(who) > 1)} {join_words(who)} give a {name} "
                            "that is not above zero and leave the analysis; a sensor that stopped responding has "
                            "failed, and neither drift nor a count speaks of such failures",
                    mend="Record the failure in the events, so that it is counted, or mend the rows."),)


def _once(screened: tuple[Finding, ...], calibrated: tuple[Finding, ...]) -> tuple[Finding, ...]:
    """Say once that readings are censored: screening lists the rows, calibration says what is done with them."""
    told = any(f.code == "censored-readings" for f in calibrated)
    return (*(f for f in screened if not (told and f.code == "screening-saturated-cells")), *calibrated)


def _subset(calibration: Calibration, good: Bools) -> Calibration:
    """Keep some mountings and renumber the rows' mountings."""
    names = ("sensor", "replicate", "cal_id", "use", "reading", "sensitivity", "sensitivity_se", "intercept",
             "saturation_pressure", "saturation_se", "levels", "n", "censored", "dead", "saturated", "top_level",
             "bend", "row")
    number = np.r_[np.where(good, np.cumsum(good) - 1, -1), -1]
    return replace(calibration, mounting=number[calibration.mounting],
                   **{name: getattr(calibration, name)[good] for name in names})


def _nothing_left(checks: CheckTable, mask: Mask) -> Finding:
    reasons, counts = np.unique(mask.reason.astype(str), return_counts=True)
    worst = str(reasons[int(np.argmax(counts))])
    return Finding(severity="error", code="no-usable-row", message=f"None of the {len(checks)} checks can be used; the "
                   f"commonest reason is: {worst}", mend="See the list of excluded rows, and mend or add checks.",
                   file=checks.file, question=QUESTION)


def _epochs(checks: CheckTable, tables: Tables, kept: Calibration, spec: SensitivitySpec
            ) -> tuple[bool, Words, tuple[Finding, ...]]:
    """Count the stretches between recalibrations, which matter only where readings are displayed pressures."""
    from drift.units import is_pressure

    unit = str(checks.units.get("reading", ""))
    displayed = bool(unit) and is_pressure(unit)
    events = recalibrations(tables, spec)
    by_cal = bool((kept.cal_id != "").any())
    if by_cal:
        epoch = kept.cal_id.copy()
    else:
        epoch = np.array([str(int(sum(u > e for e in events.get(s, ())))) for s, u in
                          zip(kept.sensor, kept.use, strict=True)], dtype=object)
    resets = len({(s, e) for s, e in zip(kept.sensor, epoch, strict=True)}) - len(set(kept.sensor))
    if resets <= 0 and not events:
        return displayed, np.full(len(kept), "", dtype=object), ()
    count = max(resets, sum(len(v) for v in events.values()))
    on_record = f"{count} recalibration{'s are' if count != 1 else ' is'} on record"
    if not displayed:
        message = (f"{on_record}; the readings are raw output ({unit or 'no unit declared'}), "
                   "which recalibration does not change, so wear is followed across them")
        found = Finding(severity="note", code="recalibrated-raw", message=message, question=QUESTION)
        return displayed, np.full(len(kept), "", dtype=object), (found,)
    message = (f"{on_record} and the readings are displayed pressures ({unit}): each sensor "
               "has an offset of its own for every calibration, and drift is estimated within calibrations only")
    found = Finding(severity="warning", code="recalibrated-displayed", message=message, question=QUESTION,
                    mend="Keep the raw output as well: wear can then be followed across recalibrations.")
    return displayed, epoch, (found,)


def recalibrations(tables: Tables, spec: SensitivitySpec) -> dict[str, tuple[float, ...]]:
    """Return the uses after which each sensor was recalibrated; events count in uses only."""
    if tables.events is None or spec.exposure != "use":
        return {}
    events = tables.events
    found: dict[str, list[float]] = {}
    for sensor, use, event in zip(words(events, "sensor"), numbers(events, "use"), words(events, "event"),
                                  strict=True):
        if event == "recalibrated" and np.isfinite(use):
            found.setdefault(sensor, []).append(float(use))
    return {s: tuple(sorted(u)) for s, u in found.items()}


def _account(checks: CheckTable, mask: Mask) -> tuple[RowAccount, tuple[Exclusion, ...]]:
    """Close the row account and list every row that did not enter."""
    from drift.ingest.accounts import account_rows

    account, listed, _ = account_rows(
        QUESTION, "checks", checks, outside=np.asarray(mask.kind == "outside where", dtype=np.bool_),
        excluded=np.asarray(mask.kind == "excluded", dtype=np.bool_), reasons=mask.reason)
    return account, listed


def occasion_codes(sensor: Words, use: Floats, epoch: Words) -> tuple[Ints, Ints]:
    """Return codes of sensor x use (x epoch) combinations, and their first positions."""
    return codes_of([sensor, use, epoch])
