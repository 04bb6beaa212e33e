"""Small studies written to a folder, and findings picked from what was read."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from drift.errors import Finding
from drift.ingest import Reading, read_tables
from drift.study import load_study

CHECKS = """sensor,use,replicate,level,reference,reading,time
S1,0,1,1,200,201,2026-01-01T08:00
S1,0,1,2,400,399,2026-01-01T08:05
S1,5,1,1,200,198,2026-02-01T08:00
S1,5,1,2,400,395,2026-02-01T08:05
S2,0,1,1,200,202,2026-01-02T08:00
S2,0,1,2,400,401,2026-01-02T08:05
"""
TRIALS = """participant,session,sensor,method,region,measure,replicate,reading
A,1,S1,bench,heel,peak,1,210.5
A,1,S1,gait,heel,peak,1,215.25
A,2,S1,bench,heel,peak,1,211.75
B,1,S1,bench,heel,peak,1,190.5
B,1,S1,gait,heel,peak,1,188.25
B,2,S1,bench,heel,peak,1,192.75
"""
SENSORS = "sensor,construction,batch,full_scale,retired_at_use\nS1,plain,B1,1023,\nS2,laminated,B2,1023,10\n"
UNITS = '[units.checks]\nreading = "count"\nreference = "kPa"\n[units.trials]\nreading = "kPa"\n'


def write(folder: Path, *, toml: str = "", study: str = "", **files: str | bytes) -> Path:
    """Write tables by name (``checks=..., trials=...``; text as UTF-8) and a study that names them."""
    suffix = ".csv"
    lines = ["[study]", 'title = "Test"', study, "[files]"]
    for name, content in files.items():
        path = folder / f"{name}{suffix}"
        path.write_bytes(content if isinstance(content, bytes) else content.encode("utf-8"))
        lines.append(f'{name} = "{name}{suffix}"')
    units = UNITS if "[units." not in toml else ""
    (folder / "study.toml").write_text("\n".join([*lines, units, toml]) + "\n", encoding="utf-8")
    return folder


def read(folder: Path, *, toml: str = "", study: str = "", **files: str | bytes) -> Reading:
    """Write a study and read it; the study itself must be sound."""
    made, findings = load_study(write(folder, toml=toml, study=study, **files))
    assert made is not None
    assert not [f for f in findings if f.severity == "error"], [str(f) for f in findings]
    return read_tables(made)


def errors(reading: Reading) -> list[Finding]:
    """Return the findings of severity error."""
    return [f for f in reading.findings if f.severity == "error"]


def only(findings: Iterable[Finding], code: str) -> Finding:
    """Return the one finding with this code."""
    found = [f for f in findings if f.code == code]
    assert len(found) == 1, [str(f) for f in findings]
    return found[0]


def place(f: Finding) -> tuple[str | None, int | None, str | None, str | None]:
    """Return file, row, column and value of a finding."""
    return f.file, f.row, f.column, f.value
