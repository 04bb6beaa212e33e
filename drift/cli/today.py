"""``drift today``: use one sensor, check it again, or do not use it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result


@click.command()
@click.argument("study", type=click.Path(exists=True))
@click.option("--sensor", metavar="ID", default=None, help="The sensor in your hand. Default: all sensors, in one "
              "table.")
@click.option("--reading", type=float, metavar="R", multiple=True, help="A reading taken now, not yet logged; with "
              "--reference. Repeat both for several levels.")
@click.option("--reference", metavar="P", multiple=True, help="Known load of that reading, in the study's unit or with "
              "one: '200 kPa'.")
@click.option("--use", type=click.FloatRange(min=0), metavar="N", default=None, help="Uses it has made by now. "
              "Default: the most on record.")
@click.option("--repeat", is_flag=True, help="The reading repeats the latest check, which lay off its path.")
@common("Folder to write report, figures and tables to.")
def today(study: str, sensor: str | None, reading: tuple[float, ...], reference: tuple[str, ...], use: float | None,
          repeat: bool, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool) -> None:
    """Say whether a sensor may be used today: off its path, past a limit, uses left, and whether the rig is fit.

    From the study's tables and its ledger, or with a reading taken just now.
    """
    if (reading or repeat or use is not None) and sensor is None:
        raise click.UsageError("--reading, --use and --repeat are about one sensor: name it with --sensor")
    if reference and len(reference) != len(reading):
        raise click.UsageError("give as many --reference as --reading")
    if repeat and not reading:
        raise click.UsageError("--repeat needs the --reading that repeats; a logged repeat is found by itself")

    def work(tell: Tell) -> Result:
        from datetime import date

        from drift.workflow_today import today_of_study

        return today_of_study(study, sensor, readings=reading, references=reference, use=use, repeat=repeat, seed=seed,
                              on=date.today())

    deliver("today", work, as_json=as_json, quiet=quiet, write=_writer(out))
