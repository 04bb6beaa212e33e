"""The output folder: written complete beside the old one, then put in its place."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import os
import re
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from drift._version import __version__
from drift.errors import DriftError, Finding
from drift.platform_files import exchange, may_be_running
from drift.results import Exclusion, Result, ResultTable

MANIFEST = "manifest.json"
Watch = Callable[[str], None]
Swap = Callable[[Path, Path], bool]


def write_folder(result: Result, out: Path, *, watch: Watch | None = None, swap: Swap = exchange) -> Path:
    """Write everything about a result into ``out``.

    Parameters
    ----------
    result : Result
        A :class:`~drift.report.study_result.StudyResult` gets a report and figures too.
    out : Path
        Folder to make or to replace.
    watch : callable, optional
        Told before every step on disk; a test ends the process there.
    swap : callable
        Lets two folders change places in one step, or returns False.

    Returns
    -------
    Path
        ``out``, resolved.

    Raises
    ------
    DriftError
        When ``out`` is a file, holds files that are not listed in its manifest, or cannot be written.

    Notes
    -----
    At every moment ``out`` or, in the one step where the system cannot exchange folders, ``out.previous``
    is a complete output; the next start puts ``out.previous`` back when ``out`` is missing.
    """
    out = Path(os.path.realpath(out))
    tell = watch or (lambda _: None)
    try:
        recover(out)
        refuse_foreign(out)
        out.parent.mkdir(parents=True, exist_ok=True)
        partial = out.with_name(f".{out.name}.partial-{os.getpid()}")
        tell("make partial folder")
        shutil.rmtree(partial, ignore_errors=True)
        partial.mkdir()
        try:
            _fill(partial, result, tell)
            refuse_foreign(out)
            _put_in_place(partial, out, tell, swap)
        finally:
            shutil.rmtree(partial, ignore_errors=True)
    except OSError as error:
        raise DriftError(Finding(severity="error", code="cannot-write", file=str(out),
                                 message=f"the output folder cannot be written ({error.strerror or error})",
                                 mend="Choose another folder with --out.")) from error
    return out


def recover(out: Path) -> None:
    """Finish or undo what a killed run left beside ``out``."""
    previous = _previous(out)
    if previous.is_dir():
        if out.exists():
            if not _foreign(previous):
                shutil.rmtree(previous)
        elif (previous / MANIFEST).is_file() and not _foreign(previous):
            previous.rename(out)
    for partial in out.parent.glob(f".{_escape(out.name)}.partial-*"):
        number = partial.name.rsplit("-", 1)[1]
        if number.isdigit() and int(number) != os.getpid() and not may_be_running(int(number), partial):
            shutil.rmtree(partial, ignore_errors=True)


def refuse_foreign(out: Path) -> None:
    """Raise when ``out`` holds anything this package did not write there."""
    if not out.exists():
        return
    if not out.is_dir():
        raise DriftError(Finding(severity="error", code="not-a-folder", file=str(out), message="the output is to be a "
                                 "folder, but a file of that name exists", mend="Choose another name with --out."))
    foreign = _foreign(out)
    if foreign:
        raise DriftError(Finding(
            severity="error", code="foreign-files", file=str(out), value=foreign[0],
            message=f"the output folder holds {len(foreign)} {'file' if len(foreign) == 1 else 'files'} that this "
                    "program did not write; nothing was changed",
            mend="Move them away or choose another folder with --out."))


def _foreign(folder: Path) -> list[str]:
    try:
        listed = set(json.loads((folder / MANIFEST).read_text(encoding="utf-8"))["files"]) | {MANIFEST}
    except (OSError, ValueError, KeyError, TypeError):
        listed = set()
    ours = listed | {f"{parent.as_posix()}" for name in listed for parent in Path(name).parents}
    return sorted(p.relative_to(folder).as_posix() for p in folder.rglob("*")
                  if p.relative_to(folder).as_posix() not in ours)


def _escape(name: str) -> str:
    return re.sub(r"([\[\]*?])", r"[\1]", name)


def _previous(out: Path) -> Path:
    return out.with_name(f"{out.name}.previous")


def _fill(folder: Path, result: Result, tell: Watch) -> None:
    hashes: dict[str, str] = {}
    for name, content in contents(result):
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        tell(f"write {name}")
        path.write_bytes(content)
        hashes[name] = hashlib.sha256(content).hexdigest()
    tell(f"write {MANIFEST}")
    (folder / MANIFEST).write_bytes(json_bytes(manifest(result, hashes)))


def _put_in_place(partial: Path, out: Path, tell: Watch, swap: Swap) -> None:
    tell("put in place")
    if not out.exists():
        partial.rename(out)
        return
    if swap(partial, out):
        tell("remove the old one")
        return
    previous = _previous(out)
    out.rename(previous)
    tell("between two names")
    try:
        partial.rename(out)
    except OSError:
        previous.rename(out)
        raise
    tell("remove the old one")
    shutil.rmtree(previous)


def contents(result: Result) -> Iterator[tuple[str, bytes]]:
    """Yield name and bytes of every file but the manifest; the same result gives the same bytes."""
    from drift.report.study_result import StudyResult

    if isinstance(result, StudyResult):
        from drift.report.document import render, report_figures

        figures = report_figures(result)
        yield "report.html", render(result, figures).encode("utf-8")
        for figure in figures:
            yield f"figures/{figure.name}.svg", figure.svg.encode("utf-8")
            yield f"figures/{figure.name}.png", figure.png
    for name, table in file_names(result.tables):
        yield f"tables/{name}.csv", table_csv(table)
    yield "tables/estimates.csv", estimates_csv(result)
    yield "tables/findings.csv", findings_csv(result)
    yield "excluded.csv", excluded_csv(result.exclusions)
    yield "results.json", json_bytes(machine_dict(result))


def file_names(tables: tuple[ResultTable, ...]) -> list[tuple[str, ResultTable]]:
    """Return a name fit for every file system, unique, for each table."""
    made: dict[str, ResultTable] = {}
    for table in tables:
        base = slug(table.name)
        name, number = base, 1
        while name in made or name in ("estimates", "findings"):
            number += 1
            name = f"{base}-{number}"
        made[name] = table
    return list(made.items())


def slug(text: str) -> str:
    """Return lower-case letters, digits and hyphens only."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-")[:80] or "unnamed"


def _csv(head: list[str], rows: Iterator[list[Any]]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return text.getvalue().encode("utf-8")


def _cell(value: Any) -> Any:
    if value is None or value != value:
        return ""
    return int(value) if isinstance(value, float) and value.is_integer() and abs(value) < 1e15 else value


def table_csv(table: ResultTable) -> bytes:
    """Return a table as CSV, units in the header: ``use [h]``."""
    head = [f"{c.name} [{c.unit}]" if c.unit else c.name for c in table.columns]
    rows = ([_cell(v.item() if hasattr(v, "item") else v) for v in row]
            for row in zip(*(c.values for c in table.columns), strict=True))
    return _csv(head, rows)


def estimates_csv(result: Result) -> bytes:
    """Return the estimates as CSV with the fixed columns."""
    from drift.results import ESTIMATE_COLUMNS

    rows = ([("; ".join(f"{k}: {v}" for k, v in e.of.items()) if c == "of" else _cell(getattr(e, c)))
             for c in ESTIMATE_COLUMNS] for e in result.estimates)
    return _csv(list(ESTIMATE_COLUMNS), rows)


def findings_csv(result: Result) -> bytes:
    """Return the findings as CSV, one line each."""
    head = ["severity", "code", "file", "row", "column", "value", "message", "expected", "mend", "question"]
    return _csv(head, ([_cell(getattr(f, c)) for c in head] for f in result.findings))


def excluded_csv(exclusions: tuple[Exclusion, ...]) -> bytes:
    """Return every row that did not enter a question, with its reason."""
    head = ["question", "table", "file", "row", "kind", "reason", "key"]
    return _csv(head, ([getattr(x, c) for c in head] for x in exclusions))


def json_bytes(data: Any) -> bytes:
    """Return JSON text with a final newline; NaN never stands in it."""
    return (json_text(data) + "\n").encode("utf-8")


def json_text(data: Any) -> str:
    """Return JSON with one line for each entry of the top level and of its lists: short, and still readable."""
    def line(value: Any) -> str:
        return json.dumps(value, ensure_ascii=False, allow_nan=False)

    if not isinstance(data, dict):
        return line(data)
    entries = []
    for key, value in data.items():
        many = isinstance(value, list) and len(value) > 1
        entries.append(f"{line(key)}: " + ("[\n" + ",\n".join(f"  {line(v)}" for v in value) + "\n ]" if many
                                           else line(value)))
    return "{\n " + ",\n ".join(entries) + "\n}"


def machine_dict(result: Result) -> dict[str, Any]:
    """Return the output contract as printed with ``--json`` and kept in ``results.json``.

    Rows outside a question's ``where`` are counted in ``provenance`` and listed in ``excluded.csv`` alone: they
    are what the question did not ask for, and would be most of the file.
    """
    data = result.to_dict()
    data["exclusions"] = [x for x in data["exclusions"] if x["kind"] != "outside where"]
    return data


def manifest(result: Result, hashes: dict[str, str]) -> dict[str, Any]:
    """Return what was written from what: hashes of files and inputs, seed, versions."""
    source = result.provenance.to_dict()
    return {"written_by": "drift", "version": __version__, "command": result.command, "files": hashes,
            "inputs": source["inputs"], "seed": source["seed"], "level": source["level"],
            "versions": source["versions"], "settings": source["settings"]}
