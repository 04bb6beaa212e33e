"""``drift log``: write into the sensor ledger, look at it, check it, export it."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import rich_click as click

from drift.cli.deliver import Tell, deliver

if TYPE_CHECKING:
    from drift.results import Result

KINDS = ("check", "standard", "session", "event", "correction")


def _pairs(_: click.Context, parameter: click.Parameter, values: tuple[str, ...]) -> dict[str, str]:
    found: dict[str, str] = {}
    for text in values:
        column, equals, value = text.partition("=")
        if not equals or not column.strip():
            raise click.BadParameter(f"{text!r} is not COL=VALUE", param=parameter)
        if column.strip() in found:
            raise click.BadParameter(f"{column.strip()!r} is given twice", param=parameter)
        found[column.strip()] = value.strip()
    return found


@click.command()
@click.argument("study", type=click.Path(exists=True))
@click.argument("kind", type=click.Choice(KINDS), required=False)
@click.argument("cells", nargs=-1, callback=_pairs, metavar="[COL=VALUE]...")
@click.option("--who", metavar="NAME", default=None, help="Who writes. Default: DRIFT_WHO in the environment, else the "
              "user of this computer.")
@click.option("--repeat", is_flag=True, help="The check repeats the sensor's latest one, which lay off its path.")
@click.option("--anyway", metavar="REASON", default="", help="Write an entry down that 'drift today' would refuse, "
              "such as a reading above full scale; the reason is kept in it.")
@click.option("--import", "file", type=click.Path(), default=None, metavar="FILE",
              help="Write every row of a table of checks (or of events or sessions: drift log STUDY event --import "
                   "FILE). The study's own file as well; then its line is taken out of [files].")
@click.option("--export", "folder", type=click.Path(file_okay=False), default=None,
              help="Write the ledger as tables into a folder.")
@click.option("--show", type=click.IntRange(min=0), default=None, metavar="N", help="Print the last N entries.")
@click.option("--verify", is_flag=True, help="Check that nothing is missing and nothing was changed.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
@click.option("--quiet", is_flag=True, help="Print the answer only.")
def log(study: str, kind: str | None, cells: dict[str, str], who: str | None, repeat: bool, anyway: str,
        file: str | None, folder: str | None, show: int | None, verify: bool, as_json: bool, quiet: bool) -> None:
    """Write an entry into the sensor ledger. Nothing in it is ever changed; a correction is an entry of its own.

    For example: drift log STUDY check sensor=P01 reading=197 reference=200; a check at several loads is one entry for
    each, told apart by reference (or by level, where references are measured and differ a little): the same with
    reading=489 reference=500.3 level=500. Without a kind: the last entries.

    From files to a ledger: add ledger = "ledger.sqlite" to [files] in study.toml; drift log STUDY --import
    STUDY/checks.csv; drift log STUDY event --import STUDY/events.csv; then take their lines out of [files].
    """
    asked = [n for n, v in (("--import", file), ("--export", folder), ("--show", show is not None),
                            ("--verify", verify)) if v]
    if len(asked) > 1 or (asked and (cells or (kind and asked != ["--import"]))):
        raise click.UsageError("write an entry, or ask for one of --import, --export, --show and --verify")
    if kind and not cells and not file:
        raise click.UsageError(f"a {kind} needs its cells, such as sensor=P01")
    if repeat and kind != "check":
        raise click.UsageError("--repeat belongs to a check")

    def work(tell: Tell) -> Result:
        from drift.ingest import logbook
        from drift.study import read_study

        found = read_study(study)
        name = who if who is not None else os.environ.get("DRIFT_WHO") or _user()
        if file:
            from drift.ingest.logged import TABLE_OF
            from drift.ingest.taking_in import import_table

            table = TABLE_OF.get(kind or "", "checks")
            return _signed(import_table(found, _file(file, found.folder), who=name, kind=table), name, who)
        if folder:
            return logbook.export(found, folder)
        if verify:
            return logbook.verify(found)
        if kind is None:
            return logbook.show(found, 10 if show is None else show)
        refers = cells.pop("refers", None) if kind == "correction" else None
        return _signed(logbook.log(found, kind, [cells], who=name, refers=_number(refers), repeat=repeat,
                                   anyway=anyway.strip()), name, who)

    deliver("log", work, as_json=as_json, quiet=quiet)


def _signed(result: Result, name: str, who: str | None) -> Result:
    """Say so where nobody was named and the account is one that several people use."""
    from drift.ingest.log_typed import shared_name

    said = shared_name(name) if who is None else None
    return result if said is None else replace(result, findings=(*result.findings, said))


def _file(name: str, folder: Path | None) -> Path:
    """Return the file to take in: as named from here, else as named from the study folder."""
    here = Path(name)
    there = here if folder is None else folder / name
    for path in (here, there):
        if path.is_file():
            return path
    raise click.BadParameter(f"there is no file {name!r}", param_hint="--import")


def _user() -> str:
    import getpass

    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return os.environ.get("USERNAME", "")


def _number(text: str | None) -> int | None:
    if text is None:
        return None
    if not text.isdigit():
        raise click.BadParameter(f"{text!r} is not the number of an entry", param_hint="refers")
    return int(text)
