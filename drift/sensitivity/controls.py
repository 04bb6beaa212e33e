"""Never-worn sensors: whether the rig itself moved while the others were worn, or one of them moved by itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from drift.engine.shared_steps import shared_steps
from drift.errors import Finding
from drift.records import Tables
from drift.results import Estimate, ResultTable
from drift.sensitivity.control_days import control_days, gaps, logged_changes, on_both_sides
from drift.sensitivity.controls_fit import fit_controls
from drift.sensitivity.controls_words import table_of, unsized, unwatched, worded
from drift.sensitivity.design import QUESTION, WearData
from drift.sensitivity.rig_effect import effects_on_wear, worn_days
from drift.study import ScreeningSpec


@dataclass(frozen=True, kw_only=True, eq=False)
class Controls:
    """Change of never-worn sensors over calendar time; ``sentence`` is said in the answer."""

    estimates: tuple[Estimate, ...] = ()
    findings: tuple[Finding, ...] = ()
    tables: tuple[ResultTable, ...] = ()
    sentence: str = ""


def controls(tables: Tables, data: WearData, *, level: float, screening: ScreeningSpec, slopes: Mapping[str, float]
             ) -> Controls:
    """Look for steps and a common trend of never-worn sensors over the days on which they were checked.

    Steps first (:func:`drift.engine.shared_steps.shared_steps`), then one slope beside them over the sensors' own
    means, with a t interval on the scatter about it. What all of them show together is the rig's (or the ageing of
    stored sensors), and worn sensors share it; what one shows alone is its own. ``slopes`` is the drift of each
    construction, to say what a step of the rig does to it; nothing is corrected.

    References
    ----------
    D. R. Cox (1958), Planning of Experiments, ch. 1 (controls).
    """
    any_kept, kept = control_days(tables, data.spec, screening, log=data.log)
    if not any_kept:
        return Controls()
    if kept is None or len(set(kept.day.tolist())) < 3:
        note = Finding(severity="note", code="controls-without-trend", question=QUESTION, column="time",
                       message="There are never-worn sensors, but not three dated days of checking them, so whether "
                               "the rig moved cannot be said", mend="Check them on every day, and record the time.")
        return Controls(findings=(note,))
    logged = logged_changes(tables, kept, data.spec.exposure)
    steps = shared_steps(kept.value, kept.day, kept.code, known=[c.at for c in logged if c.spanned])
    worn = worn_days(tables, data)
    lost, rows = unsized([(c, len(on_both_sides(data.sensor, worn, c.before, c.at))) for c in logged if not c.spanned])
    lost += unwatched([g for g in gaps(kept) if on_both_sides(data.sensor, worn, *g)
                       and not any(c.at == g[1] for c in logged)])
    fit = fit_controls(kept.value, kept.day, kept.code, kept.names, steps, level)
    if fit is None:
        return Controls(findings=tuple(lost), tables=tuple(table_of(rows)))
    estimates, findings, made, sentence = worded(fit, data, effects_on_wear(fit, tables, data), level, slopes,
                                                {c.at: c.cause for c in logged}, rows)
    return Controls(estimates=tuple(estimates), findings=(*findings, *lost), tables=tuple(made), sentence=sentence)

