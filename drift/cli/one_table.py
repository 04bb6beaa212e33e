"""A question about one table, put as a study made in memory: the same path as a study folder from there on."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

from drift.cli.agreement_options import agreement_words
from drift.cli.percent_limits import percent_of_reading
from drift.cli.reliability_options import words_of
from drift.cli.several_facets import facet_of, facets_question
from drift.cli.uses_and_comparison import uses_and_comparison_of

if TYPE_CHECKING:
    from drift.cli.deliver import Tell
    from drift.errors import Finding
    from drift.ingest import Reading
    from drift.records import CheckTable
    from drift.results import Result
    from drift.study import Study

def wear_of(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift wear``."""
    return _answer(table, "wear", checks_study(table, options), options, level=level, seed=seed, progress=progress)


def retire_of(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift retire``."""
    data = checks_study(table, options)
    checks = _checks(table, data)
    # A column under our own name counts as named: the limit must mean the same with and without the option.
    reference = options["reference"] or ("reference" if checks is not None and "reference" in checks else None)
    options = {**options, "reference": reference}
    said = percent_of_reading(checks, options)
    options["unit"] = unit_of_reading(checks, options)
    data["limits"] = limit_of(options["limit"], options)
    if options["unit"]:
        data.setdefault("units", {"checks": {}})["checks"]["reading"] = options["unit"]
    data["retirement"] = {"content": options["content"], "confidence": options["confidence"]}
    result = _answer(table, "retire", data, options, level=level, seed=seed, progress=progress)
    if said is not None:
        result = replace(result, findings=(said, *result.findings))
    return _with_limit_read(result, options)


def _with_limit_read(result: Result, options: Mapping[str, Any]) -> Result:
    """Say how a limit without a unit was read where it could have been meant in percent."""
    from drift.errors import Finding

    limit = options["limit"].strip()
    if not options["reference"] or not LIMIT.match(limit) or LIMIT.match(limit).group(2):  # type: ignore[union-attr]
        return result
    said = Finding(severity="warning", code="limit-without-unit",
                   message=f"--limit {limit} has no unit and was read as a limit on the reading, in its own unit",
                   mend=f'For a fall of sensitivity write --limit "{limit} %".')
    return replace(result, findings=(said, *result.findings))


def recalibrate_of(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift recalibrate``."""
    data = checks_study(table, options)
    data["recalibration"] = {k: options[k] for k in ("tolerance", "content", "confidence", "calibration_error")}
    return _answer(table, "recalibrate", data, options, level=level, seed=seed, progress=progress)


def icc_of(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift icc``."""
    if options["columns"] or options["wide"]:
        from drift.cli.wide_levels import icc_wide

        return icc_wide(table, options, level=level, seed=seed, progress=progress)
    target, facet = options["target"] or "participant", facet_of(options)
    over = facet if isinstance(facet, str) else ", ".join(facet)
    data = _bare(table, "trials")
    data["columns"] = {"trials": {"reading": options["value"]}}
    data["reliability"] = [{"name": f"{target} over {over}", "target": target, "facet": facet,
                            "where": dict(options["where"]), **words_of(options), **uses_and_comparison_of(options),
                            **facets_question(options)}]
    return _answer(table, "icc", data, options, level=level, seed=seed, progress=progress)


def agree_of(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    """Answer ``drift agree`` in long or wide form, or of two calibrations."""
    if options["calibrations_file"] or options["checks_file"]:
        from drift.cli.recalculated import agree_recalculated

        return agree_recalculated(table, options, level=level, seed=seed, progress=progress)
    if options["a_column"]:
        from drift.cli.wide import agree_wide

        return agree_wide(table, options, level=level, seed=seed, progress=progress)
    data = _bare(table, "trials")
    data["columns"] = {"trials": {"reading": options["value"]}}
    methods = options["methods"] and [m.strip() for m in options["methods"].split(",") if m.strip()]
    compared = ({"methods": "all" if methods == ["all"] else methods} if methods else
                {"a": options["a"], "b": options["b"]})
    question = {"name": f"{' and '.join(methods) if methods else options['a'] + ' against ' + options['b']}",
                "compare": options["compare"], **compared,
                "pair_by": [c.strip() for c in options["pair_by"].split(",") if c.strip()],
                "where": dict(options["where"]), **agreement_words(options)}
    data["agreement"] = [question]
    return _answer(table, "agree", data, options, level=level, seed=seed, progress=progress)


ANSWERS: dict[str, Callable[..., Result]] = {"wear": wear_of, "retire": retire_of, "recalibrate": recalibrate_of,
                                             "icc": icc_of, "agree": agree_of}


def checks_study(table: str, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the study of a table of checks as plain data."""
    data = _bare(table, "checks")
    use = () if _other_exposure(options["use"]) else ("use",)
    names = ("sensor", *use, "reading", "reference", "replicate", "construction", "batch")
    columns = {ours: options[ours] for ours in names if options[ours] and options[ours] != ours}
    data["columns"] = {"checks": columns}
    sensitivity: dict[str, Any] = {"scale": options["scale"] or "log",
                                   "where": {_ours(k, columns): v for k, v in options["where"].items()}}
    if options["full_scale"] is not None:
        sensitivity["full_scale"] = options["full_scale"]
    data["sensitivity"] = sensitivity
    data["study"]["use_is"] = f"one step of the column {options['use'] or 'use'}"
    if _other_exposure(options["use"]):
        from drift import units

        sensitivity["exposure"] = options["use"]
        if units.is_everyday(options["use"]):
            sensitivity["exposure_unit"] = units.canonical(options["use"])
    if options["unit"]:
        data["units"] = {"checks": {"reading": options["unit"]}}
    return data


def _other_exposure(column: str | None) -> bool:
    """Tell whether wear is counted in something else than uses, whose name and unit the output then carries."""
    return column is not None and re.sub(r"[\s_-]+", " ", column).casefold() not in USE_WORDS


def _ours(column: str, columns: Mapping[str, str]) -> str:
    return next((ours for ours, theirs in columns.items() if theirs == column), column)


def _bare(table: str, kind: str) -> dict[str, Any]:
    path = Path(table)
    return {"study": {"title": path.name}, "files": {kind: path.name}}


bare_study = _bare  # for the commands of a module of their own
USE_WORDS = frozenset({"use", "uses", "n uses", "use count", "uses completed", "completed uses", "number of uses"})
LIMIT = re.compile(r"^\s*([-+\N{MINUS SIGN}]?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?)\s*([^\W\d_].*|[%°].*)?$")


def limit_of(text: str, options: Mapping[str, Any]) -> dict[str, Any]:
    """Return ``[limits]`` for ``--limit "X [UNIT]"``.

    With a reference a limit in percent is on the fall of sensitivity; with a full scale a limit in a pressure
    unit is on the saturation pressure; every other limit is on the reading itself, in the reading's unit.
    """
    import rich_click as click

    from drift import units

    found = LIMIT.match(text)
    if not found:
        raise click.BadParameter(f"{text!r} is not a number with an optional unit, such as 10, '10 %' or '1600 kPa'; "
                                 "write decimals with a point", param_hint="--limit")
    value, unit = float(found.group(1).replace("\N{MINUS SIGN}", "-")), (found.group(2) or "").strip()
    if unit in ("%", "percent") and options["reference"]:
        if not 0 < value < 100:
            raise click.BadParameter("a fall of sensitivity in percent lies between 0 and 100", param_hint="--limit")
        return {"sensitivity_change": value / 100}
    if unit and options["full_scale"] is not None and units.is_pressure(unit):
        if not options["reference"]:
            raise click.BadParameter("a limit on the saturation pressure needs --reference", param_hint="--limit")
        return {"saturation_pressure": f"{value:g} {unit}"}
    if unit and options["unit"]:
        try:
            value = float(units.convert(value, unit, options["unit"]))
        except units.UnitError as error:
            raise click.BadParameter(f"{text!r} cannot be put in the unit of the reading, {options['unit']}: {error}",
                                     param_hint="--limit") from error
    return {"reading": {"value": value, "direction": options["direction"]}}


def unit_of_reading(checks: CheckTable | None, options: Mapping[str, Any]) -> str | None:
    """Return the unit of the reading: as given, as the header states it, else that of a limit on the reading.

    A reading without any stated unit is in the limit's unit, or the limit would mean nothing.
    """
    found = LIMIT.match(options["limit"])
    if options["unit"] or not found or not found.group(2):
        return cast("str | None", options["unit"])
    if "reading" not in limit_of(options["limit"], options):
        return None
    stated = checks.units.get("reading") if checks is not None else None
    return stated or found.group(2)


def _checks(table: str, data: dict[str, Any]) -> CheckTable | None:
    """Read the table once to see what it holds; what is wrong with it is said when the question is answered."""
    from drift.ingest import read_one_table
    from drift.study import study_from_dict

    return read_one_table(table, "checks", study_from_dict(data, folder=Path(table).resolve().parent)).tables.checks


def _answer(table: str, command: str, data: dict[str, Any], options: Mapping[str, Any], *, level: float,
            seed: int | None, progress: Tell) -> Result:
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED, answer_table

    with_table_options(data, options)
    study = study_from_dict(data, folder=Path(table).resolve().parent)
    reading = None
    if command in ("wear", "retire", "recalibrate") and options["scale"] is None:
        study, reading = _scale_from_data(table, study)
    return answer_table(table, command, study, level=level, seed=DEFAULT_SEED if seed is None else seed,
                        progress=progress, reading=reading)


def with_table_options(data: dict[str, Any], options: Mapping[str, Any]) -> None:
    """Add what --duplicates and --unit say to the study of one table."""
    if options.get("duplicates") not in (None, "refuse"):
        data["study"]["duplicates"] = options["duplicates"]
    if options.get("unit") and "trials" in data["files"]:
        data["units"] = {"trials": {"reading": options["unit"]}}


def _scale_from_data(table: str, study: Study) -> tuple[Study, Reading]:
    """Log scale where all readings are positive, else linear."""
    from drift.ingest import read_one_table

    reading = read_one_table(table, "checks", study)
    checks = reading.tables.checks
    if checks is not None and "reading" in checks and bool((checks["reading"] <= 0).any()):
        assert study.sensitivity is not None
        linear = study.sensitivity.model_copy(update={"scale": "linear"})
        study = study.model_copy(update={"sensitivity": linear})
        reading = read_one_table(table, "checks", study)
        reading = replace(reading, findings=(*reading.findings, _linear(checks)))
    return study, reading


def _linear(checks: CheckTable) -> Finding:
    """Say that the scale is linear, and by which rows; under a known load these are rarely meant."""
    from drift.errors import Finding
    from drift.validation import ranges

    rows = checks.row[checks["reading"] <= 0].tolist()
    n = len(rows)
    return Finding(
        severity="warning" if "reference" in checks else "note", code="linear-scale", file=checks.file,
        column="reading", row=rows[0] if n == 1 else None, message=f"{n} reading{'s are' if n > 1 else ' is'} not "
        f"above zero (row{'s' * (n > 1)} {ranges(rows)}), so that the scale is linear and not logarithmic",
        mend="Correct them if they are slips, or give --scale log or --scale linear.")
