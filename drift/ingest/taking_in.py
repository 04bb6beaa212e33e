"""Taking a table of a file into the ledger: its rows become entries, read by the same rules as a table of the study."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from drift.errors import DriftError, Finding, raise_on_error
from drift.ingest.checks import FRACTIONS
from drift.ingest.dates import to_times
from drift.ingest.draft import Draft
from drift.ingest.log_faults import Source
from drift.ingest.logbook import LogResult, log
from drift.ingest.logged import KIND_OF, TABLE_OF, Row, ledger_path, line_of, read_ledger
from drift.ingest.numbers import to_numbers
from drift.ingest.source import locate, read_raw, start_draft
from drift.ingest.text import RefusedError
from drift.records import NUMBER_COLUMNS
from drift.results import join_words
from drift.study import COLUMNS_OF, Study
from drift.units import UnitError, canonical


def import_table(study: Study, file: str | Path, *, who: str, kind: str = "checks") -> LogResult:
    """Write every row of a table into the ledger, read by the same rules as a table of the study.

    The file that the study itself names under ``[files]`` may be taken in while it stands there: its rows are judged as
    they will be read once its line is taken out, which the answer asks for.

    Raises
    ------
    DriftError
        With every finding; then nothing is written.
    """
    path = locate(str(file), None)
    try:
        raw = read_raw(path, kind, study)
    except RefusedError as refused:
        raise DriftError(refused.finding) from None
    draft = start_draft(raw, kind, study, named=(), strict=False)
    raise_on_error([*raw.findings, *draft.findings, *_unit_faults(draft, study)])
    columns = {ours: _texts(draft, ours, kind) for ours in draft.placed.at}
    bodies = [{k: c[i] for k, c in columns.items() if c[i]} for i in range(len(raw))]
    moved = _is_own(study, kind, path)
    rows = _on_record(study) if bodies or moved else []
    _refuse_again(study, kind, bodies, raw.file, moved, rows)
    source = Source(file=raw.file, row=tuple(int(r) for r in raw.row), header_row=raw.header_row or None,
                    columns={ours: draft.header(ours) for ours in draft.placed.at},
                    declared=frozenset((*study.columns.get(kind, {}), *study.units.get(kind, {}))))
    standards = set(columns.get("role", ())) == {"check standard"} and kind == "checks"
    homes = _both(study, kind, rows) if moved else ()
    result = log(_without(study, homes), "standard" if standards else KIND_OF[kind], bodies, who=who,
                 source=source)
    if not moved:
        return result
    many = len(homes) > 1
    return replace(result, answer=f"{result.answer} Now take the line{'s' * many} "
                   f"{join_words([line_of(study, k) for k in homes])} out of [files] in study.toml: until then the "
                   f"study is not read. Keep the file{'s' * many} as the record {'they are' if many else 'it is'}.")


def _is_own(study: Study, kind: str, path: Path) -> bool:
    """Tell whether a file is the one that the study names for this table."""
    name = getattr(study.files, kind)
    return bool(name and name.strip()) and locate(name, study.folder).resolve() == path.resolve()


def _on_record(study: Study) -> list[Row]:
    """Return the rows that the ledger holds by now; none where there is no ledger yet."""
    path = ledger_path(study)
    return list(read_ledger(study)[0]) if path is not None and path.is_file() else []


def _both(study: Study, kind: str, rows: Sequence[Row]) -> tuple[str, ...]:
    """Return the tables that will stand both in a file and in the ledger: this one, and those taken in before."""
    held = {TABLE_OF[r[1]] for r in rows}
    return tuple(k for k in KIND_OF if getattr(study.files, k) and (k == kind or k in held))


def _without(study: Study, homes: Sequence[str]) -> Study:
    """Return the study as it will be once the lines of these files are taken out."""
    return study.model_copy(update={"files": study.files.model_copy(update=dict.fromkeys(homes))})


def _unit_faults(draft: Draft, study: Study) -> list[Finding]:
    """Refuse units that only the header states: entries are bare numbers, in the units that the study declares."""
    declared = study.units.get(draft.kind, {})
    made = []
    for ours, stated in draft.placed.header_units.items():
        if ours not in COLUMNS_OF[draft.kind] or ours not in NUMBER_COLUMNS:
            continue
        unit = declared.get(ours)
        try:
            same = isinstance(unit, str) and canonical(unit) == canonical(stated)
        except UnitError:
            same = unit == stated
        if not same:
            made.append(Finding(
                severity="error", code="unit-conflict", file=draft.raw.file, row=draft.raw.header_row or None,
                column=draft.header(ours), value=stated, message="the header states a unit, and entries of the ledger "
                "are bare numbers in the unit that [units." + draft.kind + "] declares"
                + (f", here {unit!r}" if unit else "; it declares none"),
                mend=f"Convert the column to {unit!r}." if unit else
                f"Write {ours} = \"{stated}\" under [units.{draft.kind}] in study.toml."))
    return made


def _refuse_again(study: Study, kind: str, bodies: Sequence[Mapping[str, str]], file: str, moved: bool,
                  rows: Sequence[Row]) -> None:
    """Refuse a file that was taken in before, in one sentence instead of one for every row."""
    if not rows or not bodies:
        return
    held: dict[tuple[str | None, ...], list[Mapping[str, str]]] = {}
    for _, entry, body in rows:
        if TABLE_OF[entry] == kind:
            held.setdefault(_label(body), []).append(body)
    if all(any(body.items() <= old.items() for old in held.get(_label(body), ())) for body in bodies):
        mend = (f"Take the line {line_of(study, kind)} out of [files] in study.toml." if moved else
                "Nothing is to be done.")
        raise DriftError(Finding(severity="error", code="imported-already", file=file, mend=mend,
                                 message=f"every row of {file} stands in the ledger already"))


def _label(body: Mapping[str, str]) -> tuple[str | None, ...]:
    return tuple(body.get(k) for k in ("sensor", "reading", "event"))


def _texts(draft: Draft, ours: str, kind: str) -> list[str]:
    """Cells of one column as the ledger holds them: numbers with a decimal point, dates as ISO text."""
    cells = draft.cells(ours)
    texts = [cells.text(i) for i in range(len(draft))]
    if ours == "time":
        times = to_times(cells, order=draft.date_order, epoch=draft.raw.epoch)
        return [str(t) if t is not None else text for t, text in zip(times.text, texts, strict=True)]
    if ours not in NUMBER_COLUMNS or ours not in COLUMNS_OF[kind]:
        return texts
    read = to_numbers(cells, draft.form)
    # A percent sign is lost beside a bare number: a share is written out, and any other is left to be refused.
    plain = ~read.percent
    if kind == "checks" and ours in FRACTIONS and draft.placed.header_units.get(ours) != "%":
        read.values[read.percent] /= 100.0
        plain[:] = True
    return [f"{v:.15g}" if np.isfinite(v) and p else t for v, p, t in zip(read.values, plain, texts, strict=True)]
