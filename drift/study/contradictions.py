"""What valid settings say against each other."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Mapping
from typing import Any

from drift.errors import Finding, Severity
from drift.records import NUMBER_COLUMNS
from drift.study.agreements import about_agreements
from drift.study.budgets import about_budget
from drift.study.gauges import about_gauges
from drift.study.lines import Lines
from drift.study.models import COLUMNS_OF, TABLE_NAMES, ReliabilityQuestion, Study
from drift.study.protocol import about_protocol
from drift.study.questions import named_columns
from drift.study.reporting import about_reporting
from drift.study.roles import one_role_each
from drift.study.words import nearest, path_words, suggestion
from drift.units import UnitError, canonical, is_known, is_pressure, parse_quantity


def contradictions(study: Study, file: str | None, lines: Lines | None,
                   refused: Collection[str] = ()) -> list[Finding]:
    """Return everything in valid settings that cannot be meant.

    ``refused`` names the keys whose values were refused and taken out: they are not missing.
    """
    found: list[Finding] = []

    def say(code: str, path: tuple[str | int, ...], message: str, mend: str, *, severity: Severity = "error",
            value: Any = None, question: str | None = None) -> None:
        column = path_words(path)
        if code == "missing-key" and column in refused:
            return
        found.append(Finding(severity=severity, code=code, file=file, row=lines.find(path) if lines else None,
                             column=column, message=message, mend=mend,
                             value=None if value is None else str(value), question=question))

    _about_tables(study, say)
    _about_limits(study, say, limit_refused=any(c.startswith("[limits") for c in refused))
    _about_questions(study, say)
    about_budget(study, say)
    about_protocol(study, say)
    about_reporting(study, say)
    return found


def _about_tables(study: Study, say: Callable[..., None]) -> None:
    """Check the sections that describe files, columns and units."""
    for name in TABLE_NAMES:
        if getattr(study.files, name) is not None and not getattr(study.files, name).strip():
            say("missing-file", ("files", name), "the name of the file is empty", value="",
                mend=f"Write {name} = \"{name}.csv\" or take the line out")
    for section in ("format", "columns", "units"):
        for name in getattr(study, section):
            if name not in TABLE_NAMES:
                say("unknown-key", (section, name), f"{name!r} is not a table", value=name,
                    mend=suggestion(name, TABLE_NAMES, noun="tables"))
            elif section != "units" and study.folder is not None and getattr(study.files, name) is None and not (
                    study.files.ledger and name in ("checks", "events", "session_log")):  # for files taken into it
                say("unused-setting", (section, name), f"[{section}.{name}] is for a table that [files] does not name",
                    severity="note", value=name, mend=f"Add {name} = \"{name}.csv\" to [files], or take it out")
    for name, mapping in study.columns.items():
        known = COLUMNS_OF.get(name, ())
        taken: dict[str, str] = {}
        for ours, theirs in mapping.items():
            if ours not in known and (near := nearest(ours, known, 0.8)) and ours not in named_columns(study, name):
                say("unknown-column-name", ("columns", name, ours), f"{ours!r} is not one of our column names",
                    value=ours, severity="warning", mend=f"Did you mean {near!r}? It is kept as a further column")
            if theirs in taken and {ours, taken[theirs]} & NUMBER_COLUMNS:
                say("column-used-twice", ("columns", name, ours), f"one column stands for both {taken[theirs]!r} "
                    f"and {ours!r}", value=theirs, mend="Give each its own column")
            taken.setdefault(theirs, ours)
    for name, mapping_of in study.units.items():
        for column, unit in mapping_of.items():
            pairs = unit.items() if isinstance(unit, Mapping) else [(None, unit)]
            for measure, text in pairs:
                path = ("units", name, column) + ((measure,) if measure else ())
                try:
                    canonical(text)
                except UnitError as error:
                    loose = column == "reading" and "did you mean" not in str(error)
                    say("unknown-unit", path, str(error), value=text, severity="warning" if loose else "error",
                        mend="It is kept as written and never converted" if loose else
                        "Write it as a common unit, such as 'kPa', 'psi', 'N/cm2' or 'count'")
    for name, text_format in study.format.items():
        decimal, thousands, delimiter = text_format.decimal, text_format.thousands, text_format.delimiter
        if decimal is not None and decimal == thousands:
            say("contradiction", ("format", name, "thousands"), "decimal and thousands separator are the same sign",
                value=thousands, mend="Declare two different signs")
        if delimiter is not None and (len(delimiter) != 1 or delimiter.isalnum() or delimiter in "\"'.\r\n"):
            say("bad-delimiter", ("format", name, "delimiter"), "a delimiter is one sign between columns",
                value=delimiter, mend="Declare one of \",\", \";\", \"\\t\", \"|\"")
    if study.study.count_uses == "session log" and not study.files.may_hold("session_log"):
        say("contradiction", ("study", "count_uses"), "uses are to be counted from a session log, but no file is named",
            mend="Add session_log = \"log.csv\" to [files]")
    if study.files.session_log is not None and study.study.count_uses != "session log":
        say("unused-setting", ("files", "session_log"), "a session log is named but uses are not counted from it",
            severity="warning", mend="Set count_uses = \"session log\" in [study], or take the file out")
    if study.study.count_uses == "dates" and study.folder is not None and study.files.trials is None:
        say("contradiction", ("study", "count_uses"), "uses are to be counted from the dates of trials, but there is "
            "no trials table", mend="Add trials = \"trials.csv\" to [files], or count from a session log")


def _about_limits(study: Study, say: Callable[..., None], *, limit_refused: bool) -> None:
    """Check limits and retirement."""
    limits = study.limits
    if limits.saturation_pressure is not None:
        path = ("limits", "saturation_pressure")
        try:
            quantity = parse_quantity(limits.saturation_pressure)
        except UnitError as error:
            say("unknown-unit", path, str(error), value=limits.saturation_pressure, mend="Write it as \"1600 kPa\"")
        else:
            if not is_pressure(quantity.unit):
                say("not-a-pressure", path, "a saturation pressure needs a unit of pressure",
                    value=limits.saturation_pressure, mend="Write it as \"1600 kPa\"")
            elif not quantity.value > 0:
                say("out-of-range", path, "a saturation pressure is above zero", value=limits.saturation_pressure,
                    mend="Write it as \"1600 kPa\"")
        if study.sensitivity is not None and study.sensitivity.full_scale is None:
            say("contradiction", path, "a limit on the saturation pressure needs the full scale of the raw reading",
                mend="Add full_scale = 1023 or your own to [sensitivity]")
    none_declared = all(getattr(limits, name) is None for name in type(limits).model_fields)
    if study.retirement is not None:
        if not study.study.use_is:
            say("missing-key", ("study", "use_is"), "a retire-after count needs to say what one use is",
                mend="Say it in words: use_is = \"one visit of one walker\" in [study]")
        if none_declared and not limit_refused:
            say("contradiction", ("retirement",), "retirement is asked for but no limit is declared",
                mend="Add a limit to [limits]; nothing is built in")
        if study.sensitivity is None and limits.reading is None and study.files.may_hold("checks"):
            say("contradiction", ("retirement",), "retirement is asked for but there is no [sensitivity] section",
                mend="Add [sensitivity]")
    if limits.reading is not None and study.sensitivity is not None and limits.sensitivity_change is not None and (
            study.sensitivity.scale == "linear"):
        say("contradiction", ("limits", "sensitivity_change"), "a relative fall needs the log scale",
            mend="Set scale = \"log\" in [sensitivity], or limit the reading only")
    costs = study.costs
    if study.policy is not None:
        again = study.recalibration is not None or study.policy.recalibrate_every
        for key in ("sensor", "spoilt_session", "check", *(("recalibration",) if again else ())):
            if getattr(costs, key) is None:
                say("costs-missing", ("costs", key), "[policy] compares policies by cost, and this one is missing",
                    mend=f"Add {key} = ... to [costs]; 0 where it costs nothing")
    if costs.currency is None and any(getattr(costs, n) is not None for n in type(costs).model_fields):
        say("missing-key", ("costs",), "costs are given without a currency", severity="warning",
            mend="Add currency = \"EUR\" or your own")
    full_scale = study.sensitivity.full_scale if study.sensitivity is not None else None
    if isinstance(full_scale, (int, float)) and not full_scale > 0:
        say("out-of-range", ("sensitivity", "full_scale"), "full scale is above zero", value=full_scale,
            mend="Give the highest raw reading, such as 1023")
    unit = study.sensitivity.exposure_unit if study.sensitivity is not None else None
    if unit is not None and not is_known(unit):
        say("unknown-unit", ("sensitivity", "exposure_unit"), "this unit is not known", value=unit, severity="warning",
            mend="It is printed as written")


def _about_questions(study: Study, say: Callable[..., None]) -> None:
    """Check each question against itself and against the others."""
    names: set[str] = set()
    for section in ("reliability", "gauge", "interlaboratory", "agreement"):
        for i, q in enumerate(getattr(study, section)):
            if q.name in names:
                say("duplicated-question", (section, i, "name"), "two questions have the same name", value=q.name,
                    question=q.name, mend="Give each its own name")
            names.add(q.name)
            if study.files.trials is None and study.folder is not None:
                say("contradiction", (section, i), "the question needs a trials table", question=q.name,
                    mend="Add trials = \"trials.csv\" to [files]")
            _where_values((section, i, "where"), q.name, q.where, say)
            for name in getattr(q, "by", ()):
                if name in q.where and not isinstance(q.where[name], list):
                    say("contradiction", (section, i, "by"), f"{name!r} is fixed in where and repeated over in by",
                        value=name, question=q.name, mend="Keep it in one of the two")
    if study.sensitivity is not None:
        _where_values(("sensitivity", "where"), None, study.sensitivity.where, say)
    for i, r in enumerate(study.reliability):
        facets = [r.facet] if isinstance(r.facet, str) else list(r.facet)
        roles = [("target", r.target), *(("facet", f) for f in facets), *(("by", b) for b in r.by),
                 *([("compare", r.compare)] if r.compare is not None else [])]
        _about_compare_and_order(i, r, facets, say)
        if not facets:
            say("contradiction", ("reliability", i, "facet"), "a reliability question needs a facet", question=r.name,
                mend="Name the column that should not matter")
        one_role_each("reliability", i, r.name, roles, say)
        if "replicate" in r.model_fields_set and r.replicate in {c for _, c in roles}:
            say("contradiction", ("reliability", i, "replicate"), "the replicate column has another role as well",
                value=r.replicate, question=r.name, mend="Name another column, or none")
    about_gauges(study, say)
    about_agreements(study, say)


def _about_compare_and_order(i: int, r: ReliabilityQuestion, facets: list[str], say: Callable[..., None]) -> None:
    """Check what a reliability question compares, and whether it has an order."""
    at = ("reliability", i)
    if r.compare is not None and r.compare in r.where and not (
            isinstance(r.where[r.compare], (list, tuple)) and len(r.where[r.compare]) > 1):
        say("contradiction", (*at, "compare"), "the compared column is fixed in where", value=r.compare,
            question=r.name, mend="Take it out of where, or give where a list of the values to compare")
    if r.compare is not None and len(facets) > 1:
        say("contradiction", (*at, "compare"), "reliabilities are compared over one facet, and here are "
            f"{len(facets)}", severity="warning", value=r.compare, question=r.name,
            mend="Each value is analysed by itself; for the comparison name one facet and fix the others in where")
    if r.window is not None and r.ordered is not True and not (r.ordered is None and facets == ["use"]):
        say("contradiction", (*at, "window"), "a window runs along use or time, and the facet is not declared as "
            "ordered", value=r.window, question=r.name, severity="warning", mend="Add ordered = true, or take it out")
    if r.ordered and len(facets) > 1:
        say("contradiction", (*at, "ordered"), "an order is followed along one facet, and here are "
            f"{len(facets)}", severity="warning", question=r.name, mend="Ask a question with the ordered facet alone")


def _where_values(path: tuple[str | int, ...], question: str | None, where: Mapping[str, Any],
                  say: Callable[..., None]) -> None:
    """Report what a ``where`` cannot be compared with: tables, lists of lists, empty lists."""
    for column, wanted in where.items():
        values = wanted if isinstance(wanted, (list, tuple)) else [wanted]
        if not values:
            say("out-of-range", (*path, column), "an empty list picks no row", value="[]", question=question,
                mend="Name the values wanted, or take the column out of where")
        for value in values:
            if not isinstance(value, (str, int, float)):
                say("wrong-type", (*path, column), "where compares a column with a value or with a list of values",
                    value=json.dumps(value, default=str), question=question,
                    mend=f"Write it as {column} = \"...\" or {column} = [\"...\", \"...\"]")
