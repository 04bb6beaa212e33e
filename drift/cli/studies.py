"""``drift new``, ``drift check`` and ``drift run``: commands on a study folder."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common, pseudonyms

if TYPE_CHECKING:
    from drift.results import Result


@click.command()
@click.argument("folder", metavar="DIR", type=click.Path(file_okay=False))
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
@click.option("--quiet", is_flag=True, help="Print the answer only.")
def new(folder: str, as_json: bool, quiet: bool) -> None:
    """Write a commented study to fill in, with small example tables, into an empty or new folder."""
    def work(tell: Tell) -> Result:
        from drift.workflow import new_study

        return new_study(folder)

    deliver("new", work, as_json=as_json, quiet=quiet)


@click.command()
@click.argument("study", type=click.Path(exists=True))
@common("Write findings, tables read and hashes there as well.")
@pseudonyms
def check(study: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
          pseudonyms: bool) -> None:
    """Say everything that is wrong with a study and its tables, changing nothing."""
    def work(tell: Tell) -> Result:
        from drift.workflow import check_study

        return check_study(study, pseudonyms=pseudonyms)

    deliver("check", work, as_json=as_json, quiet=quiet, write=_writer(out))


@click.command()
@click.argument("study", type=click.Path(exists=True))
@common("Folder to write. Default: STUDY-report beside the study.")
@pseudonyms
def run(study: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
        pseudonyms: bool) -> None:
    """Answer every question of a study; write the report, figures, tables and a machine-readable result."""
    where = Path(out) if out else default_out(Path(study))

    def work(tell: Tell) -> Result:
        from drift.study import read_study
        from drift.workflow import DEFAULT_SEED, run_study

        return run_study(read_study(study), level=level, seed=DEFAULT_SEED if seed is None else seed,
                         pseudonyms=pseudonyms, progress=tell)

    deliver("run", work, as_json=as_json, quiet=quiet, write=_writer(str(where)))


def default_out(study: Path) -> Path:
    """Return ``STUDY-report`` beside the study folder."""
    folder = study.resolve()
    folder = folder.parent if folder.is_file() else folder
    return folder.with_name(f"{folder.name}-report")


def _writer(out: str | None) -> Any:
    if out is None:
        return None

    def write(result: Any) -> str:
        from drift.workflow import write_output

        made = write_output(result, out)
        return f"Written: {made / 'report.html' if (made / 'report.html').exists() else made}"

    return write
