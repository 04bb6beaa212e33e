"""``drift items``: what reporting guidelines ask for, filled from a study."""

from __future__ import annotations

from typing import TYPE_CHECKING

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common, pseudonyms
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result


@click.command()
@click.argument("study", type=click.Path(exists=True), required=False)
@click.option("--list", "lists", multiple=True, metavar="VERSION", help="Only this list, such as grras-2011 (or grras "
              "for its newest); may be repeated. Without STUDY the lists are named.")
@common("Folder to write the tables to.")
@pseudonyms
def items(study: str | None, lists: tuple[str, ...], as_json: bool, out: str | None, seed: int | None, level: float,
          quiet: bool, pseudonyms: bool) -> None:
    """Fill the items that reporting guidelines ask for: GRRAS, COSMIN, Bland-Altman, ICC.

    Each is filled from the data or from [reporting] in study.toml, needs you (and says which key), or does not apply;
    what is filled is a sentence that a paper can print.
    """
    def work(tell: Tell) -> Result:
        from drift.workflow import DEFAULT_SEED
        from drift.workflow_items import items_of_study, lists_there_are

        if study is None:
            return lists_there_are(lists)
        return items_of_study(study, lists=lists, level=level, seed=DEFAULT_SEED if seed is None else seed,
                              pseudonyms=pseudonyms, progress=tell)

    deliver("items", work, as_json=as_json, quiet=quiet, write=_writer(out))
