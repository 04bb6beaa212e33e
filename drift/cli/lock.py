"""``drift lock``: fix questions, limits and plan; say whether they are as they were fixed."""

from __future__ import annotations

from typing import TYPE_CHECKING

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.log import _user

if TYPE_CHECKING:
    from drift.results import Result


@click.command()
@click.argument("study", type=click.Path(exists=True))
@click.option("--who", metavar="NAME", default=None, help="Who fixes them. Default: the user of this computer.")
@click.option("--check", is_flag=True, help="Write nothing; exit code 1 where something changed since the last lock.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
@click.option("--quiet", is_flag=True, help="Print the answer only.")
def lock(study: str, who: str | None, check: bool, as_json: bool, quiet: bool) -> None:
    """Record hash and time of a study's questions, limits and plan, before the data are taken.

    The record is study.lock beside study.toml (other.lock beside other.toml): text, only ever added to. Locking again
    adds a lock. The report and "drift items" say what was fixed before the first and the last reading, and what changed
    since.
    """
    if check and who is not None:
        raise click.UsageError("--who belongs to locking; --check writes nothing")

    def work(tell: Tell) -> Result:
        from drift.workflow_items import lock_of_study

        return lock_of_study(study, who=None if check else (_user() if who is None else who))

    deliver("lock", work, as_json=as_json, quiet=quiet)
