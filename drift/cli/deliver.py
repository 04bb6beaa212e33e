"""How a command ends: the answer first, then numbers, then cautions; or one JSON object; and the exit code."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, Any, NoReturn

import rich_click as click

from drift.errors import DriftError, Finding

if TYPE_CHECKING:
    from drift.results import Result

DONE = {"new": "written", "check": "checked", "log": "written", "lock": "written"}
Tell = Callable[[str, float], None]


class Bar:
    """A progress bar on stderr that appears after a second, and only for a person."""

    def __init__(self, *, shown: bool) -> None:
        self.shown = shown and sys.stderr.isatty()
        self.start = time.monotonic()
        self.bar: Any = None
        self.task: Any = None

    def __call__(self, what: str, share: float) -> None:
        """Move the bar."""
        if not self.shown or (self.bar is None and time.monotonic() - self.start < 1.0):
            return
        if self.bar is None:
            from rich.console import Console
            from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

            self.bar = Progress(TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn(),
                                console=Console(stderr=True), transient=True)
            self.task = self.bar.add_task(what, total=1.0)
            self.bar.start()
        self.bar.update(self.task, description=what, completed=share)

    def close(self) -> None:
        """Take the bar away."""
        if self.bar is not None:
            self.bar.stop()


def deliver(command: str, work: Callable[[Tell], Result], *, as_json: bool, quiet: bool,
            write: Callable[[Any], str] | None = None) -> None:
    """Run ``work``, print what it found, write what is asked for, and leave with the right code."""
    bar = Bar(shown=not quiet)
    written = ""
    try:
        result = work(bar)
        if write is not None:
            bar("writing", 0.99)
            written = write(result)
    except DriftError as error:
        bar.close()
        fail(command, error.findings, as_json=as_json)
    finally:
        bar.close()
    result = _own_part(command, result)
    if as_json:
        from drift.report.output import machine_dict

        print_json(machine_dict(result))
    else:
        from drift.cli.show import as_text

        click.echo(as_text(result, quiet=quiet), nl=False)
        if written and not quiet:
            click.echo(written)
    if any(f.severity == "error" for f in result.findings):
        leave(1)


def leave(code: int) -> NoReturn:
    """End the command with an exit code."""
    raise click.exceptions.Exit(code)  # type: ignore[attr-defined]


def _own_part(command: str, result: Result) -> Result:
    """Return what a command on one table answers: its own part, with what was said about the table."""
    from drift.report import StudyResult

    own = result.part(command) if isinstance(result, StudyResult) else None
    if own is None or not isinstance(result, StudyResult):
        return result
    return replace(own, findings=tuple(dict.fromkeys((*result.general_findings(), *own.findings))))


def fail(command: str, findings: tuple[Finding, ...], *, as_json: bool) -> NoReturn:
    """Print every finding and leave with code 1."""
    from drift.report.same_faults import count_words

    answer = f"Nothing was {DONE.get(command, 'computed')}: {count_words(findings)}."
    if as_json:
        from drift.results import Provenance, Result, run_versions

        empty = Result(question="", answer=answer, findings=findings, provenance=Provenance(versions=run_versions()))
        print_json({**empty.to_dict(), "command": command})
    else:
        from drift.cli.show import findings_text

        click.echo(answer, err=True)
        click.echo(findings_text(findings), err=True)
    leave(1)


def print_json(data: dict[str, Any]) -> None:
    """Print one object; nothing else goes to stdout."""
    from drift.report.output import json_text

    click.echo(json_text(data))
