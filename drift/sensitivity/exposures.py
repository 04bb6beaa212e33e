"""Other clocks of wear than the one declared: alone, together with it, and whether they can be told apart."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.calibration import codes_of, numbers, words
from drift.engine.clocks import clock_score, damage_exponent
from drift.engine.joint_clocks import (
    Contrasts,
    JointSlopes,
    condition_number,
    contrasts,
    joint_slopes,
    left_out_scores,
)
from drift.errors import Finding
from drift.results import Estimate, ResultTable, join_words
from drift.sensitivity.aliases import FULL, NEAR_VIF, share_explained
from drift.sensitivity.companion import Companion, Floats, Setting
from drift.sensitivity.design import recalibrations
from drift.sensitivity.model import MIN_SENSORS, REML_INTERVAL
from drift.simulated import Design
from drift.simulated.quoting import Asked

NAN = math.nan
TABLE, CORRELATIONS = "exposures", "correlations of exposures"
DAYS, SINCE = "days", "uses since recalibration"
FAMILY = "exposures"
METHOD = "REML with random slopes by each clock, Kenward-Roger t interval"
STARTS = {False: "starts taken out", True: "starts and offsets of calibrations taken out"}
_DESIGNS = {DAYS: "Check stored, never-worn sensors (role control) over the same time, and wear some sensors quickly "
                  "and others slowly.",
            SINCE: "Recalibrate some sensors early and others late, so that uses since then do not follow total uses."}
_DESIGN = "Let heavy and light sessions take turns over the sensors, so that {name} is not proportional to {main}."


@dataclass(frozen=True, kw_only=True, eq=False)
class Clocks:
    """Clocks of wear at the occasions of one construction; the declared exposure comes first.

    ``stratum`` is the sensor, or the calibration of displayed pressures: what shares one start.
    """

    names: tuple[str, ...]
    values: Floats
    response: Floats
    sensor: np.ndarray
    stratum: np.ndarray
    displayed: bool
    left_out: int
    missing: tuple[str, ...]


def companion(setting: Setting) -> Companion | None:
    """Compare the declared exposure with other clocks of wear on the same checks.

    Sensors differ in their drift by each clock, and each sensor (displayed pressures: each calibration) has a start of
    its own, so that differences across calibrations are not used. Compared are those of ``also`` under [sensitivity]
    (columns of the checks, or "days" since a sensor's first check), and by itself the uses since recalibration where
    recalibrations of raw readings are on record. Each alone and all together, scored on sensors left out; correlations
    and variance inflation are within sensors.

    References
    ----------
    Belsley DA, Kuh E, Welsch RE (1980), Regression Diagnostics, chapter 3 (collinearity).
    """
    fit = setting.group.fit
    if fit.refused or fit.method != REML_INTERVAL or len(set(setting.occasions.sensor.tolist())) < MIN_SENSORS:
        return None
    found: list[Companion] = []
    if bool((setting.occasions.epoch != "").any()):
        found.append(Companion(findings=(setting.say(
            "note", "one-clock", f"Uses since recalibration and total uses{setting.inside} cannot be told apart: with "
            "displayed pressures each calibration has an offset of its own, and within it both clocks advance together",
            "Keep the raw output as well: wear can then be followed by both clocks."),)))
    clocks = _clocks(setting)
    if len(clocks.names) > 1:
        found.append(_compared(setting, clocks))
    elif clocks.missing:
        found.append(Companion(findings=tuple(_missing(setting, clocks))))
    load = _damage(setting)
    if load is not None:
        found.append(load)
    if not found:
        return None
    return Companion(estimates=tuple(e for c in found for e in c.estimates),
                     tables=tuple(t for c in found for t in c.tables),
                     findings=tuple(f for c in found for f in c.findings),
                     sentences=tuple(s for c in found for s in c.sentences),
                     asked=tuple(a for c in found for a in c.asked))


def _clocks(setting: Setting) -> Clocks:
    data, o = setting.data, setting.occasions
    main = "use" if data.spec.exposure == "use" else data.spec.exposure
    columns: dict[str, Floats] = {main: o.use}
    missing = []
    for name in data.spec.also:
        column = _days(setting) if name == DAYS and not _has(setting, DAYS) else _of_column(setting, name)
        if column is None or not np.isfinite(column).any():
            missing.append(name)
        elif name != main:
            columns[name] = column
    since = _since_recalibration(setting)
    if since is not None:
        columns[SINCE] = since
    values = np.column_stack(list(columns.values()))
    good = np.isfinite(values).all(axis=1)
    code, stratum = (codes_of([o.sensor[good], *more])[0] if good.any() else np.zeros(0, dtype=np.int64)
                     for more in ((), (o.epoch[good],)))
    return Clocks(names=tuple(columns), values=values[good], response=o.response[good], sensor=code, stratum=stratum,
                  displayed=bool((o.epoch != "").any()), left_out=int((~good).sum()), missing=tuple(missing))


def _has(setting: Setting, name: str) -> bool:
    return setting.tables.checks is not None and name in setting.tables.checks


def _of_column(setting: Setting, name: str) -> Floats | None:
    """Mean of a column of the checks over the mountings of each occasion; None where there is no such number."""
    checks, data = setting.tables.checks, setting.data
    if checks is None or name not in checks or np.asarray(checks[name]).dtype.kind != "f":
        return None
    return _by_occasion(setting, numbers(checks, name)[data.kept_rows])


def _by_occasion(setting: Setting, per_mounting: Floats) -> Floats:
    rows = setting.group.rows
    code = np.unique(setting.occasions.of_mounting[rows], return_inverse=True)[1]
    return np.asarray(np.bincount(code, weights=per_mounting[rows]) / np.bincount(code))


def _days(setting: Setting) -> Floats | None:
    """Days since each sensor's first check."""
    checks = setting.tables.checks
    if checks is None or "time" not in checks:
        return None
    text = np.array([t[:10] for t in words(checks, "time")[setting.data.kept_rows]], dtype=object)
    day = np.full(len(text), NAN)
    there = text != ""
    if not there.any():
        return None
    day[there] = text[there].astype("datetime64[D]").astype(np.int64)
    column = _by_occasion(setting, day)
    sensor, _ = codes_of([setting.occasions.sensor])
    first = np.full(int(sensor.max()) + 1, np.inf)
    np.fmin.at(first, sensor, column)
    return np.asarray(column - first[sensor])


def _since_recalibration(setting: Setting) -> Floats | None:
    """Return uses since the last recalibration of raw readings; None where fewer than two sensors had one."""
    data, o = setting.data, setting.occasions
    if bool((data.epoch != "").any()) or data.spec.exposure != "use":
        return None
    events = recalibrations(setting.tables, data.spec)
    if sum(1 for s in set(o.sensor.tolist()) if events.get(s)) < 2:
        return None
    last = [max((e for e in events.get(s, ()) if u > e), default=0.0) for s, u in zip(o.sensor, o.use, strict=True)]
    since = o.use - np.array(last)
    return since if bool((since != o.use).any()) else None


@dataclass(frozen=True, kw_only=True, eq=False)
class Compared:
    """Every clock alone and with the others; ``shares`` is how far the others explain each within strata."""

    alone: tuple[JointSlopes | None, ...]
    together: JointSlopes | None
    shares: tuple[float, ...]
    pairs: tuple[float, ...]
    scores: Floats
    condition: float
    sensors: int

    def gain(self, j: int) -> tuple[float, float]:
        """Return how much better clock j predicts left-out sensors than the declared one, and its standard error."""
        d = self.scores[j] - self.scores[0]
        return float(d.mean()), float(d.std(ddof=1) / math.sqrt(len(d)))


def _compared(setting: Setting, c: Clocks) -> Companion:
    """Fit every clock alone and all together, where the rows can tell them apart."""
    found = compare(c)
    rows = []
    for j, name in enumerate(c.names):
        alone, joint = (_of(f, i) for f, i in ((found.alone[j], 0), (found.together, j)))
        vif = 1 / (1 - found.shares[j]) if found.shares[j] < FULL else NAN
        rows.append((name, *alone[:2], *joint[:2], float(found.scores[j].mean()), *found.gain(j), vif,
                     _verdict(found.shares[j])))
    heads = ("exposure", "alone", "SE alone", "together", "SE together", "score", "gain over the declared",
             "SE of the gain", "VIF", "verdict")
    n = len(rows)
    table = ResultTable.build(TABLE, {
        "construction": np.array([setting.construction] * n, dtype=object),
        **{h: np.array([r[i] for r in rows], dtype=object if h in ("exposure", "verdict") else np.float64)
           for i, h in enumerate(heads)}},
        caption="Clocks of wear on the same checks: drift per unit of each alone and with the others, log score of a "
                "sensor left out, and how far all others together explain it within sensors (VIF)")
    return Companion(estimates=tuple(_estimates(setting, c, found)), tables=(table, _correlations(setting, c)),
                     findings=(*_missing(setting, c), *_verdicts(setting, c, found)),
                     asked=_asked(setting, c, found))


def compare(c: Clocks) -> Compared:
    """Fit clocks on arrays: what the companion does for a construction."""
    k = len(c.names)
    shares = [share_explained(c.values[:, j], np.delete(c.values, j, axis=1), c.stratum) for j in range(k)]
    pairs = [1.0, *(share_explained(c.values[:, 0], c.values[:, [j]], c.stratum) for j in range(1, k))]
    whole = contrasts(c.response, c.values, c.sensor, c.stratum)
    single = [contrasts(c.response, c.values[:, [j]], c.sensor, c.stratum) for j in range(k)]
    scores = np.array([left_out_scores(s) if c.displayed else clock_score(c.response, c.values[:, j], c.sensor)
                       for j, s in enumerate(single)])
    return Compared(alone=tuple(_fitted(s) for s in single), together=_fitted(whole) if max(shares) < FULL else None,
                    shares=tuple(shares), pairs=tuple(pairs), scores=scores, condition=condition_number(whole),
                    sensors=int(whole.sensor.max()) + 1)


def _fitted(c: Contrasts) -> JointSlopes | None:
    """Fit, or None where so few checks cannot tell it."""
    try:
        return joint_slopes(c)
    except ValueError:
        return None


def _of(fit: JointSlopes | None, j: int, level: float = NAN) -> tuple[float, float, float, float]:
    """Value, standard error and ends of the interval of one clock; NaN where there is no fit."""
    if fit is None:
        return NAN, NAN, NAN, NAN
    low, high = fit.intervals(level) if math.isfinite(level) else (np.full(j + 1, NAN), np.full(j + 1, NAN))
    return float(fit.slopes[j]), float(fit.std_errors[j]), float(low[j]), float(high[j])


def _verdict(share: float) -> str:
    if share >= FULL:
        return "cannot be told apart"
    return "can hardly be told apart" if 1 / (1 - share) >= NEAR_VIF else "can be told apart"


def _estimates(setting: Setting, c: Clocks, found: Compared) -> list[Estimate]:
    made = []
    for j, name in enumerate(c.names):
        for how, fit, at in (("alone", found.alone[j], 0), ("together", found.together, j)):
            value, se, low, high = _of(fit, at, setting.level)
            there = math.isfinite(low)
            why = ("refused: the clocks cannot be told apart" if how == "together" and max(found.shares) >= FULL else
                   "refused: too few checks of a sensor")
            made.append(Estimate(name="drift by exposure", of={**setting.of, "exposure": name, "model": how},
                                 value=value, std_error=se, low=low, high=high, level=setting.level if there else NAN,
                                 unit=f"{setting.unit} per {'day' if name == DAYS else name}".strip(), n=found.sensors,
                                 method=f"{METHOD}, {STARTS[c.displayed]}" if there else why))
    return made


def _asked(setting: Setting, c: Clocks, found: Compared) -> tuple[tuple[str, Asked], ...]:
    if found.together is None:
        return ()
    design = Design(n=float(found.sensors), kinds=frozenset({"displayed"} if c.displayed else ()))
    return tuple((FAMILY, Asked(quantity="drift by exposure", named=f"drift by exposure, {which} clock", method=METHOD,
                                design=design, of=setting.construction)) for which in ("first", "second"))


def _correlations(setting: Setting, c: Clocks) -> ResultTable:
    """Within-sensor correlation of each pair of clocks."""
    count = np.bincount(c.stratum)
    within = np.column_stack([v - (np.bincount(c.stratum, weights=v) / count)[c.stratum] for v in c.values.T])
    size = np.sqrt((within**2).sum(axis=0))
    pairs = [(i, j) for i in range(len(c.names)) for j in range(i + 1, len(c.names))]
    with np.errstate(divide="ignore", invalid="ignore"):
        r = [float(within[:, i] @ within[:, j] / (size[i] * size[j])) for i, j in pairs]
    return ResultTable.build(CORRELATIONS, {
        "construction": np.array([setting.construction] * len(pairs), dtype=object),
        "a": np.array([c.names[i] for i, _ in pairs], dtype=object),
        "b": np.array([c.names[j] for _, j in pairs], dtype=object), "correlation": np.array(r)},
        caption="Correlation of each pair of clocks within sensors")


def _missing(setting: Setting, c: Clocks) -> list[Finding]:
    found = []
    if c.missing:
        found.append(setting.say("warning", "exposure-missing", f"There is no column of numbers {join_words(c.missing)}"
                                 " in the checks, so that it is not compared as an exposure",
                                 "Add it to the checks, or take it out of also under [sensitivity]."))
    if c.left_out:
        found.append(setting.say("note", "exposure-gaps", f"{c.left_out} occasions{setting.where} without every "
                                 "exposure leave this comparison (not the drift)"))
    return found


def _verdicts(setting: Setting, c: Clocks, found: Compared) -> list[Finding]:
    """Judge each clock against the declared one, and all together: clocks that differ in pairs may not as a set."""
    main, made = c.names[0], []
    in_pairs = [_verdict(p) for p in found.pairs]
    jointly = [_verdict(s) for s in found.shares]
    told = "can be told apart"
    only_together = [n for n, pair, joint in zip(c.names[1:], in_pairs[1:], jointly[1:], strict=True)
                     if pair == told and joint != told]
    if only_together or (jointly[0] != told and in_pairs[1:].count(told) == len(in_pairs) - 1):
        worst = "cannot be told apart" if "cannot be told apart" in jointly else "can hardly be told apart"
        names = [n for n, joint in zip(c.names, jointly, strict=True) if joint != told]
        each = ", ".join(f"{n} {math.sqrt(max(s, 0.0)):.3f}" for n, s in zip(c.names, found.shares, strict=True)
                         if n in names)
        size = f", condition number {found.condition:.0f}" if math.isfinite(found.condition) else ""
        made.append(setting.say(
            "warning", "exposures-collinear-together", f"{join_words(names)}{setting.inside} {worst} together, "
            f"although each other clock by itself differs from {main} (correlation of each with all others {each} "
            f"within sensors{size}): {_so(max(found.shares))}", "Leave a clock out of also under [sensitivity], or "
            + _design(only_together[0] if only_together else c.names[1], main)))
    for j, name in enumerate(c.names[1:], 1):
        r = math.sqrt(max(found.pairs[j], 0.0))
        if in_pairs[j] != told:
            made.append(setting.say(
                "warning", "exposures-collinear", f"{name} and {main}{setting.inside} {in_pairs[j]} (correlation "
                f"{r:.3f} within sensors): {_so(found.pairs[j])}", _sentence(_design(name, main))))
        elif jointly[j] == told and jointly[0] == told:
            made.append(setting.say(
                "note", "exposures-compared", f"They can be told apart{setting.inside} (correlation {r:.3f} within "
                f"sensors), and {_better(found, j, name, main)}"))
    return made


def _so(share: float) -> str:
    return ("no method can say from these checks by which of them sensors wear" if share >= FULL else
            "what their scores say about by which of them sensors wear rests on little")


def _design(name: str, main: str) -> str:
    """Return the design that would tell a clock from the declared one, to go on a sentence."""
    text = _DESIGNS.get(name, _DESIGN.format(name=name, main=main))
    return text[0].lower() + text[1:]


def _sentence(text: str) -> str:
    return text[0].upper() + text[1:]


def _better(found: Compared, j: int, name: str, main: str) -> str:
    gain, se = found.gain(j)
    if gain > se:
        return (f"{name} predicts left-out sensors better than {main} (log score {gain:.2f} higher, standard error "
                f"{se:.2f}): wear may go by {name}")
    if -gain > se:
        return (f"{main} predicts left-out sensors better than {name} (log score {-gain:.2f} higher, standard error "
                f"{se:.2f})")
    return f"{name} and {main} predict left-out sensors about equally well"


def _damage(setting: Setting) -> Companion | None:
    """Profile the exponent of load-weighted damage where a column of loads is named."""
    name = setting.data.spec.load
    if name is None:
        return None
    load, o = _of_column(setting, name), setting.occasions
    if bool((o.epoch != "").any()):
        return Companion(findings=(setting.say(
            "note", "load-not-looked-at", f"Load-weighted damage{setting.inside} is not looked at: the offsets of "
            "calibrations of displayed pressures hide how damage adds up", "Keep the raw output as well."),))
    needed = o.use > 0
    if load is None or not (np.isfinite(load[needed]) & (load[needed] > 0)).all():
        return Companion(findings=(setting.say(
            "warning", "load-missing", f"{name} is not a positive number at every check after use 0{setting.inside}, "
            "so that load-weighted damage is not looked at",
            "Fill in the mean load of the uses since the last check."),))
    if float(np.ptp(load[needed])) < 1e-3 * float(np.median(load[needed])):
        return Companion(findings=(setting.say(
            "warning", "load-constant", f"{name} does not vary{setting.inside}: damage by load and by use are the same",
            "Let heavy and light sessions take turns over the sensors."),))
    code, _ = codes_of([o.sensor])
    d = damage_exponent(o.response, o.use, np.where(needed, load, 1.0), code, level=setting.level)
    open_ends = math.isnan(d.low) and math.isnan(d.high)
    estimate = Estimate(name="load exponent", of=setting.of, value=NAN if open_ends else d.exponent, low=d.low,
                        high=d.high, level=NAN if open_ends else setting.level, n=int(code.max()) + 1,
                        method="damage = sum of (load/median load)^m over uses, m by profile likelihood in 1 to 6"
                               + ("; not identifiable: the whole range fits" if open_ends else
                                  "; an open end lies outside that range"))
    if open_ends:
        words_ = f"The exponent of load-weighted damage{setting.inside} cannot be told from these checks: 1 to 6 fit"
        return Companion(estimates=(estimate,), findings=(setting.say(
            "warning", "load-exponent-unknown", words_, "Let sensors differ more in the loads they carry."),))
    return Companion(estimates=(estimate,), findings=(setting.say(
        "note", "load-exponent", f"Damage{setting.inside} adds up as load to the power {estimate.text()}"),))
