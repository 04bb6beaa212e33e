"""Which shape drift has along use: straight, slowing, quickening, broken or free, judged by sensors left out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.calibration import codes_of
from drift.engine.break_point import Break, find_break
from drift.engine.curve_shapes import LEAST, curve_at, families
from drift.engine.sensor_curves import Candidates, CurveFit, Curves
from drift.errors import MINUS, Finding
from drift.results import Estimate, ResultTable, ends_text, join_words
from drift.sensitivity.companion import Companion, Floats, Setting
from drift.sensitivity.model import MIN_SENSORS, REML_INTERVAL, t_interval
from drift.simulated import Design, nearest
from drift.simulated.quoting import Asked

NAN = math.nan
TABLE, CURVES, PROFILE, FAMILY = "shapes of drift", "shape curves", "break profile", "shapes"
LINE, BROKEN = "straight line", "broken line"
BREAKS_FAMILY = "breaks"
BREAK_METHOD = "set of breaks not rejected over sensors"
SLOPES_METHOD = "t intervals of the sensors' own slopes over all breaks not rejected at half of alpha"
#: Standard errors by which a bend must gain to be claimed where the drift itself is not shown.
CLAIM = 3.0
#: A share of right choices below this is told beside a straight line that is kept.
SURE = 0.90
CHOICE = "simplest within one standard error, sensors left out"
POINTS = 61
DRAWS = 999
_LINEAR_IN = {"log of use": "changes in step with the log of use: fast at first, then ever slower",
              "root of use": "changes in step with the root of use: fast at first, then slower",
              "break-in": "breaks in: it changes fast at first and then steadily",
              "accelerating": "quickens with use", BROKEN: "changes its rate",
              "monotone spline": "bends in a way that none of the simpler shapes follows"}


@dataclass(frozen=True, kw_only=True, eq=False)
class Judged:
    """One shape: its family, fit, and log score of every sensor left out."""

    name: str
    candidates: Candidates
    fit: CurveFit
    score: Floats


@dataclass(frozen=True, kw_only=True, eq=False)
class Shapes:
    """All shapes of one construction, uses scaled by ``span``.

    ``gain`` and ``se`` are those of each shape's score over the straight line, a sensor.
    """

    x: Floats
    span: float
    first: float
    sign: float
    curves: Curves
    judged: tuple[Judged, ...]
    gain: Floats
    se: Floats
    chosen: int
    found: Break | None

    @property
    def shape(self) -> Judged:
        """The chosen shape."""
        return self.judged[self.chosen]


def companion(setting: Setting) -> Companion | None:
    """Compare shapes of drift by how well they predict sensors left out, and locate a break.

    Every shape has a random start and slope for each sensor (the slope along its own coordinate for log and root of
    use), is fitted by maximum likelihood to occasion means, and scored by the log predictive density of each
    sensor's checks from a fit to all others. The simplest shape within one standard error (over sensors) of the best is
    chosen, the straight line first.

    References
    ----------
    Hastie T, Tibshirani R, Friedman J (2009), The Elements of Statistical Learning, 2nd ed., section 7.10 (one
    standard error). Geisser S, Eddy WF (1979), J Am Stat Assoc 74:153-160 (predictive score).
    """
    why = _refusal(setting)
    if why is not None:
        return Companion(findings=(why,)) if why.message else None
    shapes = judge(setting)
    return Companion(estimates=tuple(_estimates(setting, shapes)), findings=tuple(_findings(setting, shapes)),
                     tables=(_table(setting, shapes), _curves(setting, shapes), _profile(setting, shapes)),
                     sentences=_sentences(setting, shapes), asked=_asked(setting, shapes))


def _refusal(setting: Setting) -> Finding | None:
    """Say why no shape can be told; without words where the model's own refusal says it already."""
    fit, o, data = setting.group.fit, setting.occasions, setting.data
    silent = setting.say("note", "shapes-refused", "")
    if fit.refused or fit.method != REML_INTERVAL or len(set(o.sensor.tolist())) < MIN_SENSORS:
        return silent
    uses = len(np.unique(o.use))
    if uses < LEAST["log of use"]:
        return setting.say("note", "shapes-refused", f"The shape of drift{setting.where} cannot be told from {uses} "
                           f"{data.counts}", f"Check at four or more {data.counts}, two of them late.")
    if bool((o.epoch != "").any()):
        return setting.say("note", "shapes-refused", f"The shape of drift{setting.where} cannot be told: every "
                           "calibration of displayed pressures has an offset of its own, which hides a bend",
                           "Keep the raw output as well.")
    return None


def judge(setting: Setting) -> Shapes:
    """Fit and score every shape of one construction, and look for a break."""
    o = setting.occasions
    code, _ = codes_of([o.sensor])
    span = float(o.use.max())
    x = o.use / span
    positive = x[x > 0]
    first = 1 / span if setting.data.spec.exposure == "use" else float(positive.min())
    sign = math.copysign(1.0, setting.group.fit.slope[0])
    return judge_rows(x, o.response, code, sign=sign, first=first, span=span, level=setting.level, rng=setting.rng)


def judge_rows(x: Floats, y: Floats, code: np.ndarray, *, sign: float, first: float, span: float, level: float,
               rng: np.random.Generator, draws: int = DRAWS, located: bool = True) -> Shapes:
    """Judge shapes on arrays: what :func:`judge` does for a construction; without a break unless ``located``."""
    curves = Curves(y, code)
    judged = []
    for name, family in families(x, sign, first).items():
        fit = curves.fit(family)
        if not math.isfinite(fit.deviance[fit.best]):  # no monotone curve of that direction fits better than none
            continue
        judged.append(Judged(name=name, candidates=family, fit=fit, score=curves.left_out(family, fit)))
    difference = np.array([j.score - judged[0].score for j in judged])
    gain, se = difference.mean(axis=1), difference.std(axis=1, ddof=1) / math.sqrt(curves.m)
    chosen = _simplest(np.array([j.score for j in judged]))
    found = None
    if located and any(j.name == BROKEN for j in judged):
        found = find_break(curves, x, level=level, rng=rng, draws=draws)
    return Shapes(x=x, span=span, first=first, sign=sign, curves=curves, judged=tuple(judged), gain=gain, se=se,
                  chosen=chosen, found=found)


def _simplest(score: Floats) -> int:
    """First shape, in order of simplicity, that is not worse than the best by more than one standard error."""
    best = int(np.argmax(score.mean(axis=1)))
    behind = score[best] - score
    se = behind.std(axis=1, ddof=1) / math.sqrt(score.shape[1])
    return int(np.flatnonzero(behind.mean(axis=1) <= se)[0])


def claimed(setting: Setting, s: Shapes) -> bool:
    """Whether the chosen shape is said in words: not where nothing is shown to change, unless its gain is plain.

    The rule of one standard error is a choice among curves, not a test. Where the drift per use may be zero there is
    nothing that could have a shape, or a curve that goes and comes back; that must gain by three standard errors.
    """
    low, high = t_interval(*setting.group.fit.slope, setting.level)
    shown = low > 0 or high < 0
    return bool(s.chosen) and (shown or float(s.gain[s.chosen]) > CLAIM * float(s.se[s.chosen]))


def _curve(s: Shapes, j: Judged, at: Floats) -> Floats:
    """Curve of the average sensor on the response scale at scaled uses."""
    best = j.fit.best
    made = curve_at(j.name, s.x, at, float(j.candidates.values[best]), j.fit.beta[best], sign=s.sign, first=s.first)
    return np.asarray(s.curves.centre + s.curves.scale * made)


def _rates(s: Shapes, j: Judged) -> tuple[float, float]:
    """Drift of the average sensor near the first and near the last check, in the exposure's unit."""
    u = np.unique(s.x)
    ends = _curve(s, j, np.array([u[0], u[1], u[-2], u[-1]]))
    return (float((ends[1] - ends[0]) / (u[1] - u[0]) / s.span), float((ends[3] - ends[2]) / (u[-1] - u[-2]) / s.span))


def _table(setting: Setting, s: Shapes) -> ResultTable:
    rates = [_rates(s, j) for j in s.judged]
    values = []
    for j in s.judged:
        v = float(j.candidates.values[j.fit.best])
        values.append(NAN if j.name in (LINE, "monotone spline") else v if j.name == "accelerating" else v * s.span)
    percent = [[float(setting.percent(v)) for v in pair] for pair in rates]
    names = {BROKEN: "break", "break-in": "time constant", "accelerating": "power"}
    return ResultTable.build(TABLE, {
        "construction": np.array([setting.construction] * len(s.judged), dtype=object),
        "shape": np.array([j.name for j in s.judged], dtype=object),
        "score": np.array([j.score.mean() for j in s.judged]), "gain over the line": s.gain, "SE of the gain": s.se,
        "first drift": np.array([p[0] for p in percent]), "last drift": np.array([p[1] for p in percent]),
        "searched": np.array([names.get(j.name, "") for j in s.judged], dtype=object), "value": np.array(values),
        "chosen": np.array(["yes" if k == s.chosen else "" for k in range(len(s.judged))], dtype=object),
    }, units=dict.fromkeys(("first drift", "last drift"), setting.percent_unit),
        caption="Shapes of drift: mean log predictive density of a sensor left out, its gain over the straight line "
                "with the standard error over sensors, and the drift between the first two and the last two checked "
                f"{setting.data.counts}. The simplest shape within one standard error of the best is chosen")


def _curves(setting: Setting, s: Shapes) -> ResultTable:
    u = np.linspace(float(s.x.min()), float(s.x.max()), POINTS)
    n = len(s.judged)
    return ResultTable.build(CURVES, {
        "construction": np.array([setting.construction] * (n * POINTS), dtype=object),
        "shape": np.repeat(np.array([j.name for j in s.judged], dtype=object), POINTS),
        "use": np.tile(u * s.span, n), "fit": np.concatenate([_curve(s, j, u) for j in s.judged]),
    }, units={"use": setting.data.per, "fit": setting.unit}, caption="Curve of the average sensor by every shape")


def _profile(setting: Setting, s: Shapes) -> ResultTable:
    rows = s.found.profile if s.found is not None else np.zeros((0, 3))
    return ResultTable.build(PROFILE, {
        "construction": np.array([setting.construction] * len(rows), dtype=object), "break": rows[:, 0] * s.span,
        "rise": rows[:, 1], "T over critical": rows[:, 2],
        "inside": np.array(["yes" if r <= 1 else "" for r in rows[:, 2]], dtype=object),
    }, units={"break": setting.data.per},
        caption="Breaks tested one by one: -2 log likelihood above that of the best, and how far the sensors still "
                "bend at other uses beside it, as a share of what would reject it; inside the set up to 1".replace(
                    "-", MINUS, 1))


def _estimates(setting: Setting, s: Shapes) -> list[Estimate]:
    n, found = s.curves.m, []
    for j, gain, se in zip(s.judged[1:], s.gain[1:], s.se[1:], strict=True):
        if j is s.shape:
            found.append(Estimate(name="gain of the chosen shape", of={**setting.of, "shape": j.name}, n=n,
                                  value=float(gain), std_error=float(se),
                                  method="mean log predictive density of a sensor left out, less that "
                                         "of the straight line; standard error over sensors, no interval"))
    b = s.found
    if b is None:
        return found
    found.append(Estimate(name="p, no break", of=setting.of, value=b.p, n=n,
                          method=f"largest T of sensors' bends over all breaks against {b.draws} draws of normal "
                                 "errors"))
    low, high = b.low * s.span, b.high * s.span
    told = b.fits and not b.anywhere
    method = f"broken line over sensors, maximum likelihood, {BREAK_METHOD}"
    if not told:
        method = "not located: " + ("no single break fits" if not b.fits else "any break between these checks fits")
    elif low != low or high != high:
        method += "; open where the checks do not bound it"
    found.append(Estimate(name="break at use" if setting.data.spec.exposure == "use" else "break at exposure",
                          of=setting.of, value=b.at * s.span if told else NAN, low=low, high=high,
                          level=setting.level if told else NAN, n=n, method=method,
                          unit="uses" if setting.data.per == "use" else setting.data.per))
    if told and b.slopes_told:
        found += _slopes(setting, s, b)
    return found


def _slopes(setting: Setting, s: Shapes, b: Break) -> list[Estimate]:
    """Drift before and after the break: t over the sensors' own slopes, over a set of breaks that is wider."""
    made = []
    for words, value, ends in (("before", b.before, b.slopes[0]), ("after", b.after, b.slopes[1])):
        low, high = min(float(ends[0]), value), max(float(ends[1]), value)
        shown = [float(setting.percent(v / s.span)) for v in (value, low, high)]
        made.append(Estimate(name=f"drift per use {words} the break", of=setting.of, value=shown[0], low=shown[1],
                             high=shown[2], level=setting.level, unit=setting.percent_unit, n=s.curves.m,
                             method=f"broken line over sensors, {SLOPES_METHOD}"
                                    + (", ends transformed" if setting.data.log else "")))
    return made


def _findings(setting: Setting, s: Shapes) -> list[Finding]:
    found = []
    gain, se = float(s.gain[s.chosen]), float(s.se[s.chosen])
    if s.chosen and not claimed(setting, s):
        found.append(setting.say(
            "note", "shape-not-claimed", f"No shape of drift is claimed{setting.inside}, since no change is shown: the "
            f"shape {s.shape.name}, chosen in the table by the rule of one standard error, predicts left-out sensors "
            f"better than a straight line by {gain:.2f} in log score (standard error {se:.2f}), as noise alone can",
            "Check more sensors, or further on, if a change is expected."))
    elif s.chosen:
        a, b = (float(setting.percent(v)) for v in _rates(s, s.shape))
        u = np.unique(s.x) * s.span
        found.append(setting.say(
            "warning", "drift-not-straight",
            f"Drift{setting.where} {_LINEAR_IN[s.shape.name]}: left-out sensors are predicted better by the shape "
            f"{s.shape.name} than by a straight line (log score {gain:.2f} higher a sensor, standard error {se:.2f}); "
            f"the average sensor changes by {a:.3g} {setting.percent_unit} from {u[0]:g} to {u[1]:g} and by {b:.3g} "
            f"from {u[-2]:g} to {u[-1]:g}; the drift per use above is the straight line's".replace("-0.", f"{MINUS}0."),
            _mend(s.shape.name, setting)))
    else:
        found.append(setting.say("note", "drift-straight", f"The straight line is kept{setting.inside}: "
                                 + _kept(s, [j.name for j in s.judged]) + _missed(s)))
    if s.found is None:
        found.append(setting.say("note", "no-break-looked-for", f"No break is looked for{setting.inside}: two check "
                                 "uses on either side of it are needed",
                                 f"Check at four or more {setting.data.counts}."))
    else:
        found += _of_break(setting, s, s.found)
    return found


def _kept(s: Shapes, names: list[str]) -> str:
    """Say why the straight line is kept, in numbers that are so."""
    best = int(np.argmax(s.gain))
    others = f"{len(names) - 1} other shapes"
    if best == 0:
        return f"it predicts left-out sensors better than any of {others}"
    said = (f"the best of {others}, {names[best]}, predicts left-out sensors better by {s.gain[best]:.2f} in log "
            f"score, no more than its standard error of {s.se[best]:.2f}")
    # The rule compares the line with the best shape only: another may be ahead by more than its own standard error.
    rows = enumerate(zip(names, s.gain, s.se, strict=True))
    ahead = [f"{n} by {g:.2f} (standard error {e:.2f})" for k, (n, g, e) in rows if k not in (0, best) and g > e]
    return said + (f"; ahead by more than theirs, though less than the best: {join_words(ahead)}" if ahead else "")


def _missed(s: Shapes) -> str:
    """Say how often a bend is missed with so few sensors, where simulation tells; nothing where it seldom is."""
    told = nearest(FAMILY, "shape", CHOICE, Design(n=float(s.curves.m)))
    if told is None or told.lowest >= SURE:
        return ""
    return (f". With so few sensors that does not show that drift is straight: in simulated studies "
            f"({told.lowest_text}) the right kind of bend was missed in {100 * (1 - told.lowest):.0f} %")


def _of_break(setting: Setting, s: Shapes, b: Break) -> list[Finding]:
    """Say where the break is open, and where there is none to locate."""
    u = np.unique(s.x) * s.span
    if not b.fits:
        return [setting.say("note", "break-does-not-fit", f"No single break makes the mean curve{setting.where} (p "
                            f"that there is none: {b.p:.3f}): it bends in another way", "Look at the other shapes.")]
    if b.anywhere:
        return [setting.say("note", "break-not-located", f"A break{setting.where}, if there is one, is not located: "
                            f"any use from {u[1]:g} to {u[-2]:g} fits (p that there is none: {b.p:.2g})",
                            "Check more sensors, at more uses.")]
    open_ends = [w for w, v in (("earlier", b.low), ("later", b.high)) if v != v]
    if not open_ends and b.slopes_told:
        return []
    if not open_ends:
        sure = 50 * (1 + setting.level)
        return [setting.say("note", "break-slopes-not-told", f"Drift before and after the break{setting.where} is not "
                            f"told: it takes a break that is bounded on both sides at {sure:g} % too",
                            "Check more sensors, at more uses.")]
    return [setting.say("note", "break-not-bounded", f"The break{setting.where} may lie {' or '.join(open_ends)} than "
                        "these checks can tell", "Check at more uses near the first and the last one.")]


def _mend(name: str, setting: Setting) -> str:
    if name == "accelerating":
        return "Do not extrapolate the straight line: late wear is faster; check to the count you want to state."
    if name == "monotone spline":
        return "Read it inside the checked counts only; it says nothing beyond them."
    return ("Set start under [sensitivity] to the count after which drift is steady: earlier uses leave the slope, not "
            "the count." if name != BROKEN else
            "Set start under [sensitivity] near the break if the later drift matters, and check more uses there.")


def _sentences(setting: Setting, s: Shapes) -> tuple[str, ...]:
    if not claimed(setting, s):
        return ()
    said = f"Drift{setting.where} is not straight: it {_LINEAR_IN[s.shape.name]}"
    if s.shape.name == BROKEN and s.found is not None:
        at, low, high = (v * s.span for v in (s.found.at, s.found.low, s.found.high))
        d = 0 if s.span >= 20 else 2
        shown = [f"{v:.{d}f}" if v == v else "" for v in (low, high)]
        ends = ends_text(*shown) if any(shown) else ""
        near = f"use {at:.{d}f}" if setting.data.per == "use" else f"{at:.{d}f} {setting.data.per}"
        said += f" near {near} ({ends})" if ends else f", near {near} if it breaks, which these checks do not locate"
    return (f"{said}.",)


def _asked(setting: Setting, s: Shapes) -> tuple[tuple[str, Asked], ...]:
    b = s.found
    if b is None or not b.fits or b.anywhere:
        return ()
    design, of = Design(n=float(s.curves.m)), setting.construction
    asked = [Asked(quantity="break at use", named="break at use", method=BREAK_METHOD, design=design, of=of)]
    if b.slopes_told:
        asked += [Asked(quantity=q, named=q, method=SLOPES_METHOD, design=design, of=of)
                  for q in ("drift per use before the break", "drift per use after the break")]
    return tuple((BREAKS_FAMILY, a) for a in asked)
