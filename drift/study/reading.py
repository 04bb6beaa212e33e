"""From a study file or plain data to a study, with everything that is wrong at once."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any, cast

from pydantic import ValidationError

from drift.errors import Finding, raise_on_error
from drift.study.contradictions import contradictions
from drift.study.lines import Lines
from drift.study.models import Study
from drift.study.refusals import model_finding, syntax_finding
from drift.study.words import path_words


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
        return None, (syntax_finding(str(error), file.name, text),)
    return _build(data, folder=file.parent, file=file.name, lines=Lines(text))


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
    if study.folder is not None and (study.folder / study.file_name).is_file():
        lines = Lines((study.folder / study.file_name).read_text(encoding="utf-8-sig", errors="replace"))
    return tuple(contradictions(study, study.file_name if lines else None, lines))


def _build(data: dict[str, Any], *, folder: Path | None, file: str | None,
           lines: Lines | None) -> tuple[Study | None, tuple[Finding, ...]]:
    """Validate; drop what is refused and validate what remains, until it holds or nothing is left."""
    findings: list[Finding] = []
    data = json.loads(json.dumps(data, default=str))
    if "folder" in data:
        # A field of the model, but no key of the file.
        findings.append(model_finding({"type": "extra_forbidden"}, ("folder",), file, lines))
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
                told = e["type"] == "missing" and path_words(place) in {f.column for f in findings}
                if place in seen or place not in innermost or told:
                    continue
                seen.add(place)
                findings.append(model_finding(dict(e), place, file, lines))
            if not _prune(data, innermost):
                break
    if study is not None:
        study = study.model_copy(update={"folder": folder}).from_file(file)
        findings.extend(contradictions(study, file, lines, refused={f.column for f in findings if f.column}))
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
