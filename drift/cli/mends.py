"""Findings as a command on one table says them: options in place of the keys of a study file.

A question about one table is put as a study in memory, and what is wrong with it is found by the same rules. Only
its words differ: where a study's reader is told which key to write, the caller of a command is told which option.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from drift.cli.mends_agree import agreement_changes
from drift.cli.mends_calibrate import CALIBRATION_CHANGES
from drift.errors import DriftError, Finding

if TYPE_CHECKING:
    from drift.results import Result

ON_TRIALS = ("icc", "agree", "gauge", "chart")
# Options that hold the name of a column, by the option's word.
NAMING = ("target", "facet", "value", "by", "replicate", "compare", "pair_by", "columns", "a_column", "b_column",
          "fixed", "sensor", "use", "reading", "reference", "construction", "batch", "part", "operator", "laboratory",
          "material", "ordered", "direction", "cycle", "order", "hold", "row", "col", "exposure", "orientation")
A_STUDY = "of a study file ('drift new FOLDER' makes one); a command on one table has no option for it"
_QUOTED = r"\"?([^\"}=]*?)\"?"
Change = str | Callable[[re.Match[str]], str]


def with_options(command: str, options: Mapping[str, Any], work: Callable[[], Result]) -> Result:
    """Do the work and put what is said about it, in a result or in an error, in the words of options."""
    try:
        result = work()
    except DriftError as error:
        raise DriftError(tuple(in_options(f, command, options) for f in error.findings)) from None
    return replace(result, findings=tuple(in_options(f, command, options) for f in result.findings))


def in_options(finding: Finding, command: str, options: Mapping[str, Any]) -> Finding:
    """Return a finding with every key of a study file replaced by the option that stands for it.

    Parameters
    ----------
    finding : Finding
    command : str
        ``"icc"``, ``"agree"``, ``"gauge"``, ``"calibrate"``, ``"wear"`` or ``"retire"``.
    options : mapping
        What the command was called with.
    """
    changes = _changes(command, options)
    said = {name: _changed(getattr(finding, name), changes) for name in ("message", "mend", "expected")}
    option = _place(finding.column)
    if option:
        if not str(said["message"]).startswith("--"):
            said["message"] = f"{option}: {said['message']}"
        return replace(finding, **said, column=None, file=None, row=None)
    if finding.value is not None and "names a column that is not there" in str(said["message"]):
        typed = _naming(finding.value, options)
        wanted = {"participant": "--target", "session": "--facet", "sensor": "--sensor"}.get(finding.value)
        said["message"] = (f"{typed} names a column that is not in the table" if typed else "the table has no column "
                           f"{finding.value!r}" + (f"; say with {wanted} which column it is" if wanted else ""))
    if command == "icc" and not wide_form(options) and str(said["message"]).startswith("--value names"):
        mend = str(said["mend"])
        said["mend"] = (f"{mend} Where" if mend.endswith("?") else f"{mend} with --value; where") + (
            " each column holds the readings of one facet level, say --wide")
    return replace(finding, **said, file=None if finding.file == "study.toml" else finding.file)


def _changed(text: str | None, changes: list[tuple[str, Change]]) -> Any:
    if text is None:
        return None
    for pattern, change in changes:
        text = re.sub(pattern, change, text)
    return text


def wide_form(options: Mapping[str, Any]) -> bool:
    """Tell whether the table has one column a facet level."""
    return bool(options.get("columns") or options.get("wide"))


def option_of(ours: str, command: str, options: Mapping[str, Any]) -> str:
    """Return the option that says which column is ``ours``."""
    if command in ON_TRIALS and ours == "reading":
        return "--columns" if wide_form(options) else "--value"
    return "--hold" if ours == "hold_s" else f"--{ours.replace('_', '-')}"


def _naming(column: str, options: Mapping[str, Any]) -> str:
    """Return the option that was given a column; empty where none was."""
    for name in NAMING:
        held = options.get(name)
        held = [p.strip() for p in held.split(",")] if isinstance(held, str) else held
        if held and not isinstance(held, bool) and column in held:
            return f"--{name.replace('_', '-')}"
    if column in (options.get("where") or {}):
        return "--where"
    return ""


_KEYS = {"facets_are": "--sensors", "average_replicates": "--average-replicates", "name": "the question",
         "lines": "--line"}


def _place(column: str | None) -> str:
    """Return the option behind a place in a study file, such as ``[[reliability]] no. 1 by``; empty for a column."""
    found = re.match(r"\[+(\w+)(?:\.(\w+))?\]+(?: no\. \d+)?,? ?(\w+)?", column or "")
    if not found:
        return ""
    section, _, key = found.groups()
    if section == "units":
        return "--unit"
    if section == "limits":
        return "--limit"
    if section == "columns":
        return f"--{key}" if key != "reading" else "--value"
    return _KEYS.get(key or "", f"--{(key or section).replace('_', '-')}")


def _where(match: re.Match[str]) -> str:
    return f"--where \"{match.group(1).strip()}={match.group(2).strip()}\""


def _changes(command: str, options: Mapping[str, Any]) -> list[tuple[str, Change]]:
    """Return the patterns and what they become, the longer ones first."""
    def option(ours: str) -> str:
        return option_of(ours, command, options)

    repeats = "by" in options
    again = "repeat the question over it with --by {}" if repeats else ""
    replicate = "--replicate" if "replicate" in options else "--pair-by"
    named = f"name it with {replicate}"
    if options.get("calibrations_file") or options.get("checks_file"):  # where --pair-by has no meaning
        named = "call it replicate"
    changes: list[tuple[str, Change]] = [
        (r"\[columns\.\w+\] takes '(\w+)' from a column", lambda m: f"{option(m.group(1))} names a column"),
        (r"Say which column it is in \[columns\.\w+\]: (\w+) = \"(.*)\"",
         lambda m: f'Say which column it is, such as {option(m.group(1))} "{m.group(2)}"'),
        (r"If it is '(.*)', add to \[columns\.\w+\]: (\w+) = .*",
         lambda m: f'If it is {m.group(1)!r}, say {option(m.group(2))} "{m.group(1)}"'),
        (r"set duplicates = \"drop\" or \"keep\" in \[study\]", "say --duplicates drop or --duplicates keep"),
        (rf"Fix it, as in where = \{{ (\w[^=]*?) = {_QUOTED} \}}, or name it in by or as a facet",
         lambda m: ", or ".join(p for p in (f"Fix it with {_where(m)}", again.format(m.group(1)),
                                            "name it as a facet with --facet" if command == "icc" else "") if p)),
        (rf"Fix it, as in where = \{{ (\w[^=]*?) = {_QUOTED} \}}, or repeat over it with by = \[.*\]",
         lambda m: f"Fix it with {_where(m)}" + (f", or {again.format(m.group(1))}" if again else "")),
        (rf"Name it as facet, replicate or in by, or fix it: where = \{{ (\w[^=]*?) = {_QUOTED} \}}",
         lambda m: f"Name it with --facet, --replicate or --by, or fix it with {_where(m)}"),
        (rf"Name it as operator, replicate or in by, or fix it: where = \{{ (\w[^=]*?) = {_QUOTED} \}}",
         lambda m: f"Name it with --operator, --replicate or --by, or fix it with {_where(m)}"),
        (rf"Name it as replicate, or fix it: where = \{{ (\w[^=]*?) = {_QUOTED} \}}",
         lambda m: f"Name it with --replicate, or fix it with {_where(m)}"),
        (r"\bname their column as operator\b", "name their column with --operator"),
        (r"\bnested = true\b", "--nested"),
        (r"Choose one in where, or add \"measure\" to by", "Choose one with --where \"measure=...\""
         + (", or say --by measure" if repeats else "")),
        (rf"where = \{{ (\w[^=]*?) = {_QUOTED} \}}", _where),
        (r"Add a replicate column that tells them apart",
         f"Number the replicates in a column and {named}"),
        (r"Number the replicates, or set exclude",
         f"Number the replicates in a column ({named}), or set exclude"),
        *([(r"name it in a question, in where or by, to make it part of the key", "name it with --operator if it says "
            "who or what read, with --replicate if it numbers repeated readings, pick one value with --where, or "
            "repeat the study with --by")] if command == "gauge" else []),
        (r"name it in a question, in where or by, to make it part of the key",
         f"{named} if it numbers repeated readings, pick one value with --where"
         + (", or repeat the question with --by" if repeats else "")),
        (r"Add reading = \"?(.*?)\"? or another unit to \[units\.\w+\]", r"Say --unit \1 or another"),
        (r"into the header or into \[units\.\w+\]", "into the header, or say --unit"),
        (r"declare the unit: reading = \"%\" in \[units\.\w+\]", "say --unit %"),
        (r"Write a unit in \[units\.\w+\]", "Say --unit"),
        (r"as declared in \[units\.\w+\]", "as given with --unit"),
        (r"the study says '", "--unit says '"),
        (r"(declare the unit: )?(\w+) = \"([^\"]+)\"(?: or another unit)? (?:in|to) \[units\.\w+\]",
         r"write the unit into the header: '\2 (\3)'"),
        (r"Set full_scale under \[sensitivity\]", "Say --full-scale"),
        (r"full_scale in \[sensitivity\]", "--full-scale"),
        (r"Name an existing column as exposure under \[sensitivity\]", "Name an existing column with --use"),
        (r"Set scale = \"linear\" in \[sensitivity\]", "Say --scale linear"),
        (r"Set start under \[sensitivity\]", "Make a study (drift new) and set start in it"),
        (r"Add \"(.+?)\" to covariates under \[sensitivity\] to take it out",
         rf"To take it out name '\1' among the covariates {A_STUDY}"),
        (r", or take it out of \[limits\] and say so", ""),
        (r"Declare [\w, ]+ in \[limits\]", "Say --limit"), (r" is declared in \[limits\]", " is given with --limit"),
        (r"[;,] add (.+) to drop under \[screening\] to leave them out", ", and mark rows with exclude = yes in the "
         "table to leave them out"),
        (r"Set readings = \"calibrated\" and name in shown_by the column that says by which",
         "Name with --shown-by the column that says by which"),
        (r"a value of (shown_by|\S+) is a calibration", r"a value of --shown-by (\1) is a calibration"),
        (r"^(a|b) of '.*?' is a (?=calibration|value)", r"--\1 is a "),
        (r"readings = \"calibrated\" needs pressures", "--shown-by needs readings that are pressures"),
        (r"Add lines = \[\"deming\"\], or take error_ratio out", "Add --line deming, or leave --error-ratio out"),
        (r"Say error_ratio \(", "Say --error-ratio ("),
        (r"Ask a question of its own with a and b for each line", "Ask about two of them at a time, with --a and --b"),
        (r"\b([Ss])et truth = \"(\w+)\"", lambda m: f"{m[1]}ay --truth {m[2]}"),
        (r"Check pair_by\b", "Check --pair-by"),
        (r"with pair_by = \[([^\]]+)\]", lambda m: f"with --pair-by {m[1].replace(', ', ',').replace(chr(34), '')}"),
        (r"\bout of pair_by\b", "out of --pair-by"),
        (r"narrower range with where\b", "narrower range with --where"), (r"\) in pair_by\b", ") with --pair-by"),
        (r"as a number in error_ratio", "as a number with --error-ratio"),
        (r"set average_replicates = true", "say --average-replicates"),
        (r"Write plan = \{ (\S+) = \[([\d, ]+)\] \}", lambda m: f"Say --plan {m[1]}={m[2].replace(' ', '')}"),
        (r"fixed = \[\.\.\.\] names", "--fixed names"), (r"^(plan|fixed|nested) (names|needs)", r"--\1 \2"),
        (r"\b([Ff]ix \w+(?: \w+)?) in where\b", r"\1 with --where"), (r"\b(out of|in) where\b", r"\1 --where"),
        (r"give where a list of the values to compare", "repeat --where for each value to compare"),
        (r"\bout of (fixed|nested|plan|by|facet)\b", r"out of --\1"), (r"\badd it to facet\b", "add it to --facet"),
        (r"\bordered = true", "--ordered"), (r"\bordered = false", "--not-ordered"),
        (r"\bwindow = (\d+)", r"--window \1"), (r"\bfacets_are = \"(\w+)\"", r"--sensors \1"),
        (r"\bagree = \"(\w+)\"", r"--agree \1"), (r"\buse = \"(single|mean)\"", r"--use \1"),
        (r"Leave them out with where or \[screening\] drop and compare",
         "Leave them out with --where \"saturated=0\" and compare"),
        (r"Compare where with", "Compare --where with"),
        (r"where of '.*?' ", "--where "), (r"^where picks no row", "--where picks no row"),
        (r"lie outside its where", "lie outside --where"),
        (r"combinations of by\b", "combinations of --by"), (r"combination of by\b", "combination of --by"),
        (r"\bin by\b", "in --by"), (r", or map it in \[columns\.\w+\]", ", or name the column with its option"),
        (r"\s*(in|with a unit in) \[(format|units|columns)\.\w+\]", rf" in [\2] {A_STUDY}"),
        (r"Mend the name in \[files\]; (.*)", r"Mend the name; \1"),
        (r", as in \w+ = \"[^\"]+\" in \[files\]", ""),
        (r" or take it out of \[files\]", " or name another file"),
    ]
    if command == "agree":
        changes += agreement_changes(options)
    if command == "calibrate":
        changes = [*CALIBRATION_CHANGES, *changes]
    if wide_form(options) or options.get("a_column"):
        changes.append((r"Correct the cell; for a row not to be used set exclude = yes with a reason",
                        "Correct the cell, or empty it if there is no reading"))
    return changes
