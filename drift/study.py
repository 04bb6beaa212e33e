"""``study.toml`` as frozen models: what the columns mean, units, questions, limits."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, Literal, cast, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from drift.errors import Finding, Severity, raise_on_error
from drift.records import CHECK_COLUMNS, EVENT_COLUMNS, NUMBER_COLUMNS, SENSOR_COLUMNS, TRIAL_COLUMNS
from drift.units import UnitError, canonical, is_known, is_pressure, parse_quantity


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class StudyInfo(_Part):
    """``[study]``: what the study is, and how uses are counted."""

    title: str
    lab: str | None = None
    contact: str | None = None
    protocol_id: str | None = None
    invented: bool = False
    use_is: str | None = None
    count_uses: Literal["column", "session log", "dates"] = "column"
    duplicates: Literal["refuse", "keep", "drop"] = "refuse"
    checks_are_uses: bool = False


class Files(_Part):
    """``[files]``: table files relative to the study folder."""

    checks: str | None = None
    trials: str | None = None
    sensors: str | None = None
    events: str | None = None
    session_log: str | None = None


class TextFormat(_Part):
    """``[format.TABLE]``: how a text table is written, where it cannot be told from the file."""

    delimiter: str | None = None
    decimal: Literal[".", ","] | None = None
    thousands: Literal[",", ".", " ", "'"] | None = None
    encoding: str | None = None
    sheet: str | None = None
    dates: Literal["iso", "day first", "month first", "serial"] | None = None


class SensitivitySpec(_Part):
    """``[sensitivity]``: drift per use."""

    exposure: str = "use"
    exposure_unit: str | None = None
    scale: Literal["log", "linear"] = "log"
    full_scale: float | str | None = None
    covariates: tuple[str, ...] = ()
    where: dict[str, Any] = Field(default_factory=dict)


class ReliabilityQuestion(_Part):
    """``[[reliability]]``: one reliability question."""

    name: str
    target: str
    facet: str | tuple[str, ...]
    where: dict[str, Any] = Field(default_factory=dict)
    by: tuple[str, ...] = ()
    replicate: str | None = "replicate"
    facets_are: Literal["sample", "fixed"] = "sample"
    agree: Literal["value", "order"] = "value"
    use: Literal["single", "mean"] = "single"
    average_replicates: bool = False


class AgreementQuestion(_Part):
    """``[[agreement]]``: one agreement question; differences are a - b."""

    name: str
    compare: str
    a: str
    b: str
    target: str | None = None
    sensor: str | None = None
    pair_by: tuple[str, ...] = ()
    truth: Literal["varying", "constant"] | None = None
    harmless: float | None = None
    where: dict[str, Any] = Field(default_factory=dict)
    by: tuple[str, ...] = ()
    rows_are_independent: bool = False


class ReadingLimit(_Part):
    """A limit on the reading itself."""

    value: float
    direction: Literal["above", "below"] = "above"


class Limits(_Part):
    """``[limits]``: a sensor is fit for use while all of these hold. Nothing is built in."""

    sensitivity_change: float | None = Field(default=None, gt=0, lt=1)
    saturation_pressure: str | None = None
    dead_fraction: float | None = Field(default=None, ge=0, lt=1)
    dead_lines: int | None = Field(default=None, ge=0)
    reading: ReadingLimit | None = None


class RetirementSpec(_Part):
    """``[retirement]``: content and confidence of the retire-after statement."""

    content: float = Field(default=0.90, gt=0.5, lt=1)
    confidence: float = Field(default=0.95, gt=0.5, lt=1)
    pool: bool = False
    equal_slopes_within: float = Field(default=0.20, gt=0, lt=1)


class ScreeningSpec(_Part):
    """``[screening]``: which screening rules remove rows, and their limits where changed."""

    drop: tuple[str, ...] = ()
    saturated_fraction: float = Field(default=0.0, ge=0, le=1)
    dead_fraction: float = Field(default=0.02, ge=0, le=1)
    force_fraction: float = Field(default=0.90, gt=0, le=1)


class Costs(_Part):
    """``[costs]``: carried for the policy questions, printed with the study."""

    sensor: float | None = Field(default=None, ge=0)
    recalibration: float | None = Field(default=None, ge=0)
    spoilt_session: float | None = Field(default=None, ge=0)
    check: float | None = Field(default=None, ge=0)
    currency: str | None = None


class Study(_Part):
    """A whole study file."""

    study: StudyInfo
    files: Files = Files()
    format: dict[str, TextFormat] = Field(default_factory=dict)
    columns: dict[str, dict[str, str]] = Field(default_factory=dict)
    units: dict[str, dict[str, str | dict[str, str]]] = Field(default_factory=dict)
    sensitivity: SensitivitySpec | None = None
    reliability: tuple[ReliabilityQuestion, ...] = ()
    agreement: tuple[AgreementQuestion, ...] = ()
    limits: Limits = Limits()
    retirement: RetirementSpec | None = None
    screening: ScreeningSpec = ScreeningSpec()
    costs: Costs = Costs()
    folder: Path | None = Field(default=None, exclude=True)


COLUMNS_OF: dict[str, tuple[str, ...]] = {"checks": CHECK_COLUMNS, "trials": TRIAL_COLUMNS, "sensors": SENSOR_COLUMNS,
                                         "events": EVENT_COLUMNS, "session_log": ("sensor", "time")}
TABLE_NAMES = ("checks", "trials", "sensors", "events", "session_log")


def load_study(path: str | Path) -> tuple[Study | None, tuple[Finding, ...]]:
    """Read ``study.toml`` and say everything that is wrong with it.

    Parameters
    ----------
    path : str or Path
        The study folder or the file itself.

    Returns
    -------
    study : Study or None
        The study; where keys were refused, what remains without them, so that its tables can still be
        looked at. None when nothing usable remains.
    findings : tuple of Finding
        All of them, located by line.
    """
    file = Path(path)
    file = file / "study.toml" if file.is_dir() or file.suffix.lower() != ".toml" else file
    try:
        raw = file.read_bytes()
    except OSError:
        return None, (Finding(severity="error", code="missing-file", file=file.name, value=str(file),
                              message="the study file cannot be read",
                              mend="Give the folder that holds study.toml; 'drift new DIR' makes one"),)
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        return None, (Finding(severity="error", code="encoding", file=file.name, row=line,
                              message="the study file is not UTF-8 text", mend="Save it as UTF-8"),)
    text = text.replace("\r\n", "\n")
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return None, (_syntax_finding(str(error), file.name, text),)
    return _build(data, folder=file.parent, file=file.name, lines=_Lines(text))


def read_study(path: str | Path) -> Study:
    """Read a study file.

    Parameters
    ----------
    path : str or Path
        The study folder or the file itself.

    Returns
    -------
    Study

    Raises
    ------
    DriftError
        With every finding at once if any of them is an error.
    """
    study, findings = load_study(path)
    raise_on_error(findings)
    assert study is not None
    return study


def study_from_dict(data: Mapping[str, Any], folder: str | Path | None = None) -> Study:
    """Build a study in memory, by the same rules as from a file.

    Parameters
    ----------
    data : mapping
        What ``study.toml`` would hold. ``[study]`` may be left out.
    folder : str or Path, optional
        Where file names are looked up.

    Returns
    -------
    Study

    Raises
    ------
    DriftError
        With every finding at once.
    """
    plain = {**data, "study": {"title": "", **data.get("study", {})}}
    study, findings = _build(plain, folder=Path(folder) if folder is not None else None, file=None, lines=None)
    raise_on_error(findings)
    assert study is not None
    return study


def study_findings(study: Study) -> tuple[Finding, ...]:
    """Return what a valid study says against itself: warnings first found when it was read."""
    lines = None
    if study.folder is not None and (study.folder / "study.toml").is_file():
        lines = _Lines((study.folder / "study.toml").read_text(encoding="utf-8-sig", errors="replace"))
    return tuple(_contradictions(study, "study.toml" if lines else None, lines))


def nearest(word: str, known: Iterable[str], cutoff: float = 0.6) -> str | None:
    """Return the known word nearest to one that is not known, or None."""
    by_fold = {k.casefold(): k for k in known}
    found = difflib.get_close_matches(word.casefold(), list(by_fold), n=1, cutoff=cutoff)
    return by_fold[found[0]] if found else None


def suggestion(word: str, known: Sequence[str], *, noun: str) -> str:
    """Return the mend for a word that is not known: the nearest one, else all of them."""
    near = nearest(word, known)
    if near is not None:
        return f"Did you mean {near!r}?"
    shown = ", ".join(repr(k) for k in known[:12]) + (", ..." if len(known) > 12 else "")
    return f"Known {noun}: {shown}" if known else f"There are no {noun}"


def named_columns(study: Study, table: str) -> dict[str, tuple[str, ...]]:
    """Return the columns that the questions name in a table, each with the questions that name it.

    Parameters
    ----------
    study : Study
    table : {"checks", "trials"}

    Returns
    -------
    dict of str to tuple of str
        Column name to the names of the questions (``"sensitivity"`` for that section).
    """
    found: dict[str, list[str]] = {}

    def note(question: str, *names: str | None) -> None:
        for name in names:
            if name:
                found.setdefault(name, []).append(question)

    if table == "checks" and study.sensitivity is not None:
        spec = study.sensitivity
        note("sensitivity", spec.exposure, *spec.covariates, *spec.where)
    if table == "trials":
        for r in study.reliability:
            facets = (r.facet,) if isinstance(r.facet, str) else r.facet
            # The default is used where there is such a column; any other name is asked for.
            note(r.name, r.target, *facets, *r.by, *r.where, r.replicate if r.replicate != "replicate" else None)
        for q in study.agreement:
            note(q.name, q.compare, q.target, q.sensor, *q.pair_by, *q.by, *q.where)
    return {k: tuple(v) for k, v in found.items()}


# --- from plain data to models ----------------------------------------------------------------------------------


def _build(data: dict[str, Any], *, folder: Path | None, file: str | None,
           lines: _Lines | None) -> tuple[Study | None, tuple[Finding, ...]]:
    """Validate; drop what is refused and validate what remains, until it holds or nothing is left."""
    findings: list[Finding] = []
    data = json.loads(json.dumps(data, default=str))
    if "folder" in data:
        # A field of the model, but no key of the file.
        findings.append(_model_finding({"type": "extra_forbidden"}, ("folder",), file, lines))
        del data["folder"]
    study: Study | None = None
    for _ in range(50):
        try:
            # Through JSON, where strict means strict but arrays still become tuples.
            study = Study.model_validate_json(json.dumps(data), strict=True)
            break
        except ValidationError as error:
            places = [_real_path(e["loc"], data) for e in error.errors()]
            innermost = [p for p in places if not any(len(q) > len(p) and q[:len(p)] == p for q in places)]
            seen: set[tuple[Any, ...]] = set()
            for e, place in zip(error.errors(), places, strict=True):
                # Of a choice of types each refuses; the innermost place says it best, and nothing is said twice.
                told = e["type"] == "missing" and _words(place) in {f.column for f in findings}
                if place in seen or place not in innermost or told:
                    continue
                seen.add(place)
                findings.append(_model_finding(dict(e), place, file, lines))
            if not _prune(data, innermost):
                break
    if study is not None:
        study = study.model_copy(update={"folder": folder})
        refused = {f.column for f in findings}
        findings.extend(f for f in _contradictions(study, file, lines) if f.code != "missing-key"
                        or f.column not in refused)
    return study, tuple(findings)


def _real_path(loc: Sequence[str | int], data: Any) -> tuple[str | int, ...]:
    """Cut the union tags that the validation library appends from a location."""
    path: list[str | int] = []
    here: Any = data
    for i, step in enumerate(loc):
        if (isinstance(here, Mapping) and step in here) or (
                isinstance(here, list) and isinstance(step, int) and step < len(here)):
            here = cast("Any", here)[step]
        elif isinstance(here, Mapping) and i == len(loc) - 1 and isinstance(step, str) and not step.startswith(
                ("tuple[", "dict[", "list[")) and step not in ("str", "float", "int"):
            here = None  # a key that is missing
        else:
            continue
        path.append(step)
    return tuple(path)


def _prune(data: dict[str, Any], paths: Iterable[tuple[str | int, ...]]) -> bool:
    """Take refused values out, and the parts that something is missing from; False when that is not possible."""
    targets: set[tuple[str | int, ...]] = set()
    for path in paths:
        if path == ("study", "title") and isinstance(data.get("study"), dict) and not data["study"].get("title"):
            data["study"]["title"] = ""
        elif path == ("study",):
            data["study"] = {"title": ""}
        else:
            targets.add(path if _holds(data, path) else path[:-1])
    if () in targets:
        return False
    outermost = [t for t in targets if not any(t[:i] in targets for i in range(1, len(t)))]
    # Later entries of a list first, so that the numbers of earlier ones stay right.
    outermost.sort(key=lambda t: [(0, s, "") if isinstance(s, int) else (1, 0, s) for s in t], reverse=True)
    for path in outermost:
        here: Any = data
        for step in path[:-1]:
            here = here[step]
        del here[path[-1]]
    return True


def _holds(data: Any, path: tuple[str | int, ...]) -> bool:
    """Tell whether there is a value at a path."""
    here: Any = data
    for step in path:
        in_list = isinstance(here, list) and isinstance(step, int) and step < len(here)
        if in_list or (isinstance(here, Mapping) and step in here):
            here = here[step]
        else:
            return False
    return True


def _model_at(path: Sequence[str | int]) -> type[BaseModel] | None:
    """Return the model whose key the last step of a path is."""
    model: Any = Study
    for step in path[:-1]:
        if isinstance(step, int):
            continue
        if model is Study and step in ("format",):
            return TextFormat if len(path) > 2 else None
        field = model.model_fields.get(step) if model is not None else None
        options = [] if field is None else [field.annotation, *get_args(field.annotation)]
        model = next((o for o in options if isinstance(o, type) and issubclass(o, BaseModel)), None)
        if model is None:
            return None
    return cast("type[BaseModel] | None", model)


_EXPECTED = {"string_type": "text in quotes", "float_type": "a number", "int_type": "a whole number",
             "bool_type": "true or false", "tuple_type": "a list in square brackets", "dict_type": "a table",
             "model_type": "a table", "model_attributes_type": "a table", "int_from_float": "a whole number",
             "float_parsing": "a number", "finite_number": "a finite number"}


def _model_finding(error: dict[str, Any], path: tuple[str | int, ...], file: str | None,
                   lines: _Lines | None) -> Finding:
    """Word one error of the validation library."""
    kind, key = error["type"], str(path[-1]) if path else ""
    if path and isinstance(path[-1], int):
        key = f"{path[-2]} no. {path[-1] + 1}"
    where = _words(path[:-1])
    common: dict[str, Any] = {"severity": "error", "file": file, "row": lines.find(path) if lines else None,
                              "column": _words(path)}
    if kind == "extra_forbidden":
        model = _model_at(path)
        known = [k for k in (model.model_fields if model else {}) if k != "folder"]
        return Finding(code="unknown-key", message=f"{key!r} is not a key of {where or 'a study'}", value=key,
                       mend=suggestion(key, known, noun="keys"), **common)
    if kind == "missing":
        return Finding(code="missing-key", message=f"{key!r} is missing in {where or 'the study'}",
                       mend=f"Add it to {where or 'the file'}", **common)
    value = error.get("input")
    shown = value if isinstance(value, str) else json.dumps(value, default=str)
    if kind == "literal_error":
        allowed = [w.strip(" '\"") for w in error["ctx"]["expected"].replace(" or ", ", ").split(", ")]
        return Finding(code="unknown-choice", message=f"{key!r} has a value that is not offered", value=shown,
                       expected="one of " + ", ".join(repr(a) for a in allowed),
                       mend=suggestion(str(value), allowed, noun="choices"), **common)
    expected = _EXPECTED.get(kind, error["msg"].removeprefix("Input should be ").removeprefix("Value error, "))
    code = "wrong-type" if kind in _EXPECTED else "out-of-range"
    return Finding(code=code, message=f"{key!r} cannot be used as it stands", value=shown, expected=expected,
                   mend=_type_mend(kind, key, value, expected), **common)


def _type_mend(kind: str, key: str, value: Any, expected: str) -> str:
    """Say how a value of the wrong type or size is written."""
    if kind == "tuple_type":
        return (f"Write the section's name in double brackets: [[{key}]]" if isinstance(value, Mapping) else
                f"Write it as {key} = [{json.dumps(value, default=str)}]")
    if kind == "string_type":
        bare = isinstance(value, (int, float)) and " no. " not in key
        return f'Put it in quotes: {key} = "{json.dumps(value)}"' if bare else "Write text in quotes"
    if kind == "bool_type":
        return f"Write {key} = true or {key} = false, without quotes"
    if kind in ("float_type", "int_type", "float_parsing", "int_from_float"):
        return "Write a bare number, with a decimal point and without quotes or unit; a percentage as a share, 0.10"
    if kind in ("dict_type", "model_type", "model_attributes_type"):
        return f"Write it in braces, such as {key} = {{ name = \"value\" }}, or as a section of its own"
    if expected.startswith("less than") and isinstance(value, (int, float)) and 1 < value <= 100:
        return f"Write a share: {value:g} % is {value / 100:g}"
    return "Write it in the form expected"


def _words(path: Sequence[str | int]) -> str:
    """Write a path as a reader of the file would: ``[[reliability]] no. 2, target``."""
    out: list[str] = []
    for i, step in enumerate(path):
        if isinstance(step, int):
            out[-1] = f"[{out[-1]}] no. {step + 1}" if out else str(step)
        elif i == 0:
            out.append(f"[{step}]")
        elif i == 1 and path[0] in ("format", "columns", "units"):
            out[-1] = f"[{path[0]}.{step}]"
        else:
            out.append(step)
    return " ".join(out) if len(path) > 1 or not path else str(path[0])


def _syntax_finding(message: str, file: str, text: str) -> Finding:
    """Locate an error of TOML itself."""
    found = re.search(r"\(at line (\d+), column (\d+)\)", message)
    row = int(found.group(1)) if found else text.count("\n") + 1
    line = text.split("\n")[row - 1].strip() if row <= text.count("\n") + 1 else ""
    return Finding(severity="error", code="toml-syntax", file=file, row=row, value=line or None,
                   message=f"the file is not valid TOML ({message.split(' (at')[0]})", mend=_syntax_mend(line, message))


def _syntax_mend(line: str, message: str) -> str:
    """Say what is likely meant by a line that is no TOML."""
    bare = re.fullmatch(r"([\w.-]+)\s*=\s*([A-Za-z][\w .-]*)", line)
    number = re.fullmatch(r"[\w.-]+\s*=\s*([+-]?\d+),(\d+)\s*", line)
    if re.search("[\u201c\u201d\u201e\u2018\u2019\u201a\u00ab\u00bb]", line):
        return "Use straight quotation marks"
    if "\\" in line:
        return "Write folders with forward slashes, or put the text in single quotes"
    if "twice" in message or "overwrite" in message:
        return "The same name stands above already: keep one, and put all keys of a section together"
    if number:
        return f"Write decimals with a point: {number.group(1)}.{number.group(2)}"
    if bare:
        return f'Put text in quotes: {bare.group(1)} = "{bare.group(2).strip()}"'
    return "Mend the line; text stands in quotes, lists in square brackets, each key once"


class _Lines:
    """Finds the line of a key in TOML text. Exact for keys in tables; the table's line for anything nested."""

    _TABLE = re.compile(r"^\s*(\[\[?)\s*([^\]]+?)\s*\]\]?\s*(#.*)?$")
    _PART = r"""(?:[A-Za-z0-9_-]+|"[^"]*"|'[^']*')"""
    _KEY = re.compile(rf"^\s*({_PART}(?:\s*\.\s*{_PART})*)\s*=")

    def __init__(self, text: str) -> None:
        self._at: dict[tuple[str | int, ...], int] = {}
        counts: dict[tuple[str, ...], int] = {}
        table: tuple[str | int, ...] = ()
        for number, line in enumerate(text.split("\n"), 1):
            head = self._TABLE.match(line)
            if head:
                name = tuple(p.strip().strip("\"'") for p in head.group(2).split("."))
                if head.group(1) == "[[":
                    counts[name] = counts.get(name, -1) + 1
                    table = (*name, counts[name])
                else:
                    table = (name[0], counts[name[:1]], *name[1:]) if name[:1] in counts else name
                self._at.setdefault(table, number)
                self._at.setdefault(table[:1], number)
                continue
            key = self._KEY.match(line)
            if key:
                parts = tuple(p.strip().strip("\"'") for p in re.findall(self._PART, key.group(1)))
                for i in range(1, len(parts) + 1):
                    self._at.setdefault((*table, *parts[:i]), number)

    def find(self, path: Sequence[str | int]) -> int | None:
        """Return the line of a path, or of the nearest part of it that has one."""
        for end in range(len(path), 0, -1):
            if tuple(path[:end]) in self._at:
                return self._at[tuple(path[:end])]
        return None


# --- what a study says against itself ---------------------------------------------------------------------------


def _contradictions(study: Study, file: str | None, lines: _Lines | None) -> list[Finding]:
    """Return everything in valid settings that cannot be meant."""
    found: list[Finding] = []

    def say(code: str, path: tuple[str | int, ...], message: str, mend: str, *, severity: Severity = "error",
            value: Any = None, question: str | None = None) -> None:
        found.append(Finding(severity=severity, code=code, file=file, row=lines.find(path) if lines else None,
                             column=_words(path), message=message, mend=mend,
                             value=None if value is None else str(value), question=question))

    _about_tables(study, say)
    _about_limits(study, say)
    _about_questions(study, say)
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
            elif section != "units" and study.folder is not None and getattr(study.files, name) is None:
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
    if study.study.count_uses == "session log" and study.files.session_log is None:
        say("contradiction", ("study", "count_uses"), "uses are to be counted from a session log, but no file is named",
            mend="Add session_log = \"log.csv\" to [files]")
    if study.files.session_log is not None and study.study.count_uses != "session log":
        say("unused-setting", ("files", "session_log"), "a session log is named but uses are not counted from it",
            severity="warning", mend="Set count_uses = \"session log\" in [study], or take the file out")
    if study.study.count_uses == "dates" and study.folder is not None and study.files.trials is None:
        say("contradiction", ("study", "count_uses"), "uses are to be counted from the dates of trials, but there is "
            "no trials table", mend="Add trials = \"trials.csv\" to [files], or count from a session log")


def _about_limits(study: Study, say: Callable[..., None]) -> None:
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
        if none_declared:
            say("contradiction", ("retirement",), "retirement is asked for but no limit is declared",
                mend="Add a limit to [limits]; nothing is built in")
        if study.sensitivity is None and limits.reading is None and study.files.checks is not None:
            say("contradiction", ("retirement",), "retirement is asked for but there is no [sensitivity] section",
                mend="Add [sensitivity]")
    if limits.reading is not None and study.sensitivity is not None and limits.sensitivity_change is not None and (
            study.sensitivity.scale == "linear"):
        say("contradiction", ("limits", "sensitivity_change"), "a relative fall needs the log scale",
            mend="Set scale = \"log\" in [sensitivity], or limit the reading only")
    costs = study.costs
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
    for section in ("reliability", "agreement"):
        for i, q in enumerate(getattr(study, section)):
            if q.name in names:
                say("duplicated-question", (section, i, "name"), "two questions have the same name", value=q.name,
                    question=q.name, mend="Give each its own name")
            names.add(q.name)
            if study.files.trials is None and study.folder is not None:
                say("contradiction", (section, i), "the question needs a trials table", question=q.name,
                    mend="Add trials = \"trials.csv\" to [files]")
            _where_values((section, i, "where"), q.name, q.where, say)
            for name in q.by:
                if name in q.where and not isinstance(q.where[name], list):
                    say("contradiction", (section, i, "by"), f"{name!r} is fixed in where and repeated over in by",
                        value=name, question=q.name, mend="Keep it in one of the two")
    if study.sensitivity is not None:
        _where_values(("sensitivity", "where"), None, study.sensitivity.where, say)
    for i, r in enumerate(study.reliability):
        facets = [r.facet] if isinstance(r.facet, str) else list(r.facet)
        roles = [("target", r.target), *(("facet", f) for f in facets), *(("by", b) for b in r.by)]
        if not facets:
            say("contradiction", ("reliability", i, "facet"), "a reliability question needs a facet", question=r.name,
                mend="Name the column that should not matter")
        _one_role_each("reliability", i, r.name, roles, say)
        if "replicate" in r.model_fields_set and r.replicate in {c for _, c in roles}:
            say("contradiction", ("reliability", i, "replicate"), "the replicate column has another role as well",
                value=r.replicate, question=r.name, mend="Name another column, or none")
    for i, q in enumerate(study.agreement):
        if q.a == q.b:
            say("contradiction", ("agreement", i, "b"), "a and b are the same", value=q.b, question=q.name,
                mend=f"Name two different values of {q.compare!r}")
        roles = [("compare", q.compare), *(("by", b) for b in q.by)]
        if q.target:
            roles.append(("target", q.target))
        _one_role_each("agreement", i, q.name, roles, say)
        if q.compare in q.pair_by:
            say("contradiction", ("agreement", i, "pair_by"), "the compared column cannot also link the pairs",
                value=q.compare, question=q.name, mend="Take it out of pair_by")
        if q.compare in q.where:
            say("contradiction", ("agreement", i, "where"), "the compared column is fixed in where", value=q.compare,
                question=q.name, mend="Take it out of where")
        if q.harmless is not None and not q.harmless > 0:
            say("out-of-range", ("agreement", i, "harmless"), "the largest harmless difference is above zero",
                value=q.harmless, question=q.name, mend="Give it in the reading's unit")


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


def _one_role_each(section: str, i: int, question: str, roles: list[tuple[str, str]],
                   say: Callable[..., None]) -> None:
    """Report a column that a question uses in two roles."""
    seen: dict[str, str] = {}
    for role, column in roles:
        if column in seen:
            say("contradiction", (section, i, role), f"{column!r} is both {seen[column]} and {role}", value=column,
                question=question, mend="Name two different columns")
        seen.setdefault(column, role)
