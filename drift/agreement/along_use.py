"""Does agreement drift? Bias and limits along use, how long they stay harmless, what differences depend on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.agreement.along_use_limits import Exposure, lasting
from drift.agreement.along_use_model import Along, NotAlongError, along_of
from drift.agreement.along_use_tables import (
    TURNED,
    along_table,
    lasting_estimates,
    left_table,
    limit_method,
    lines_table,
    terms_table,
    use_estimates,
)
from drift.agreement.along_use_terms import Term, bend_term, level_terms, slope_term, spread_term, with_holm
from drift.agreement.along_use_words import CHANGES, change_of, change_sentence, findings_of, protocol_sentence
from drift.agreement.companion import Companion, Setting
from drift.engine.limits_of_agreement import MULTIPLIER
from drift.errors import Finding
from drift.results import Estimate
from drift.simulated import Design
from drift.simulated.quoting import Asked

FAMILY = "agreement_along_use"
# Shares of the span of uses: a first use beyond LATE or a stretch below SHORT is "seen in part", a last use below LOST
# "lost early".
LATE, SHORT, LOST = 0.25, 1 / 3, 0.75
SLOPES = "slope along use, SD between levels of"


def companion(setting: Setting) -> Companion | None:
    """Look at the pairs of one group along use.

    Parameters
    ----------
    setting : Setting

    Returns
    -------
    Companion
        Estimates at use 0, the median and the present use, how long agreement lasts where a harmless difference is
        declared, tables "along use", "lines along use", "uses left" and "interactions". Where nothing can be said, a
        note with the reason alone.

    Notes
    -----
    Model of the differences: use + (use | sensor) + (1 | target) + residual; see ``drift explain agreement along use``.
    """
    group, pairing = setting.group, setting.pairing
    try:
        along = along_of(group, setting.structure, target=pairing.target_name, sensor=pairing.sensor_name)
    except NotAlongError as reason:
        return Companion(findings=(Finding(
            severity="note", code=reason.code, question=setting.question.name, mend=reason.mend,
            message=f"Nothing is said of agreement along use{setting.label if group.use is not None else ''}: "
                    f"{reason}"),))
    unit, exposure, level = group.unit, Exposure(unit=group.exposure), setting.level
    slope, spread = slope_term(along, level, unit, exposure.per), spread_term(along, level, unit, exposure.per)
    change = change_of(along, slope, spread)
    slope = replace(slope, words=CHANGES[change])
    terms = with_holm([slope, *([spread] if spread is not None else []), bend_term(along, level, unit, exposure.per),
                       *level_terms(along, level, unit, exposure.per)])
    estimates = use_estimates(along, unit=unit, of=setting.of, level=level, multiplier=setting.multiplier)
    if spread is not None:
        estimates.append(Estimate(name=f"{SLOPES} {along.roles.unit}", value=spread.value, low=spread.low,
                                  high=spread.high, level=level, unit=spread.unit, of=setting.of, n=along.n_lines,
                                  method=spread.method))
    tables = [along_table(along, unit=unit, exposure=exposure, level=level, multiplier=setting.multiplier),
              lines_table(along, unit=unit, exposure=exposure), terms_table(terms, level)]
    sentences = [change_sentence(along, slope, spread, unit=unit, exposure=exposure, level=level, a=setting.question.a,
                                 b=setting.question.b)]
    x = None
    if setting.harmless is not None:
        x = lasting(along, setting.harmless, level=level, multiplier=setting.multiplier)
        estimates += lasting_estimates(along, x, exposure=exposure, of=setting.of, level=level)
        tables.insert(0, left_table(x, exposure=exposure, unit=unit))
        sentences.append(protocol_sentence(x, unit=unit, exposure=exposure))
    findings = findings_of(along, change, x, terms, question=setting.question.name,
                           label=setting.label, exposure=exposure, unit=unit)
    findings += _mixed_uses(setting)
    return Companion(estimates=tuple(estimates), tables=tuple(tables), findings=tuple(findings),
                     sentences=tuple(sentences), asked=_asked(along, slope, estimates, setting),
                     over="" if change == "no change seen" else f"over the mix of {exposure.several} seen")


def _mixed_uses(setting: Setting) -> list[Finding]:
    """Say that the two readings of a pair stand at different uses, where they do."""
    if not any(f.code == "varies-in-pair" and " use (in " in f"{f.message} " for f in setting.pairing.findings):
        return []
    return [Finding(severity="note", code="use-varies-in-pair", question=setting.question.name,
                    message="The two readings of a pair stand at different uses; the mean of both is taken as the use "
                            "of the pair")]


def design_of(along: Along) -> Design:
    """Return the design along use, as the table of simulated coverage words it."""
    r = along.roles
    kinds = {"targets repeat"} if along.fit.design.df_target >= 1 else set()
    if r.lines is None:
        return Design(n=float(len(along.use) if r.targets is None else along.n_lines), m=len(along.use) / along.n_lines,
                      kinds=frozenset({*kinds, "one line"}))
    span = along.last - along.start
    first = np.array([along.use[r.lines == s].min() for s in range(along.fit.design.k)])
    last = np.array([along.use[r.lines == s].max() for s in range(along.fit.design.k)])
    if np.max(first) > along.start + LATE * span or np.min(last - first) < SHORT * span:
        kinds.add("seen in part")  # some sensors carry the slope or the end of the line, others do not
    elif np.min(last) < along.start + LOST * span:
        kinds.add("lost early")
    return Design(n=float(along.fit.design.k), m=len(along.use) / along.fit.design.k, kinds=frozenset(kinds))


def _asked(along: Along, slope: Term, estimates: list[Estimate], setting: Setting) -> tuple[tuple[str, Asked], ...]:
    """Name the printed intervals as the table of their simulated coverage does."""
    if abs(setting.multiplier - MULTIPLIER) > 1e-9:
        return ()
    design = design_of(along)
    of = ", ".join(v for k, v in setting.of.items() if k != "question")
    limits = limit_method(along).removesuffix(" interval")
    named = {"bias at use 0": "t", "bias at the present use": "t", "lower limit at use 0": limits,
             "upper limit at use 0": limits, "lower limit at the present use": limits,
             "upper limit at the present use": limits, "use at which the bias leaves the harmless difference": TURNED,
             "use at which a limit leaves the harmless difference": TURNED}
    asked = [(FAMILY, Asked(quantity=e.name, named=e.name, method=named[e.name], design=design, of=of))
             for e in estimates if e.name in named and (e.low == e.low or e.high == e.high)]
    if any(e.name == "protocol limit" and e.value == e.value for e in estimates):
        asked.append((FAMILY, Asked(quantity="protocol limit", named="protocol limit", design=design, of=of,
                                    method=limits, interval=False)))
    asked += [(FAMILY, Asked(quantity=e.name, named="SD of slopes between sensors", method="MOVER", design=design,
                             of=of)) for e in estimates if e.name.startswith(SLOPES)]
    if slope.low == slope.low:
        asked.append((FAMILY, Asked(quantity="trend of difference with use", named="trend of difference with use",
                                    method="t", design=design, of=of)))
    return tuple(asked)
