"""``drift wear``, ``retire``, ``icc`` and ``agree``: one question about one table."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.agreement_options import of_agreement
from drift.cli.deliver import Tell, deliver
from drift.cli.options import (
    columns_of_checks,
    common,
    duplicates,
    level_value,
    table_argument,
    unit_of_value,
    where,
)
from drift.cli.recalculated import asked as recalculation
from drift.cli.recalculated import of_recalculation
from drift.cli.reliability_options import chosen_by_words, wide_form
from drift.cli.several_facets import over_facets
from drift.cli.studies import _writer
from drift.cli.uses_and_comparison import along_use_and_compared

if TYPE_CHECKING:
    from drift.results import Result

OUT = "Folder to write report, figures and tables to."


def answer_command(command: str, table: str, options: dict[str, Any], *, as_json: bool, out: str | None,
                   seed: int | None, level: float, quiet: bool) -> None:
    """Answer one question about one table, and deliver it."""
    def work(tell: Tell) -> Result:
        from drift.cli.mends import with_options
        from drift.cli.one_table import ANSWERS

        return with_options(command, {**options, "out": out}, lambda: ANSWERS[command](
            table, options, level=level, seed=seed, progress=tell))

    deliver(command, work, as_json=as_json, quiet=quiet, write=_writer(out))


@click.command()
@table_argument
@columns_of_checks
@duplicates
@where
@common(OUT)
def wear(table: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
         **columns: Any) -> None:
    """Estimate drift per use from a table of bench checks."""
    answer_command("wear", table, columns, as_json=as_json, out=out, seed=seed, level=level, quiet=quiet)


@click.command()
@table_argument
@columns_of_checks
@click.option("--limit", required=True, metavar='"X [UNIT]"', help="Limit on the reading; with --reference a limit in "
              "percent is on the fall of sensitivity; with --full-scale a limit in a pressure unit is on the "
              "saturation pressure.")
@click.option("--direction", type=click.Choice(["above", "below"]), default="above", show_default=True,
              help="Side of the limit on which a reading is no longer fit for use.")
@click.option("--content", type=float, default=0.90, show_default=True, callback=level_value,
              help="At least this share of sensors is still within the limit ...")
@click.option("--confidence", type=float, default=0.95, show_default=True, callback=level_value,
              help="... with this confidence.")
@duplicates
@where
@common(OUT)
def retire(table: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
           **options: Any) -> None:
    """Say after how many uses a sensor should be retired."""
    answer_command("retire", table, options, as_json=as_json, out=out, seed=seed, level=level, quiet=quiet)


@click.command()
@table_argument
@click.option("--target", metavar="COL", default=None, show_default="participant", help="What is being measured.")
@click.option("--facet", metavar="COL[,COL]", default=None, show_default="session", help="What should not matter; two "
              "or three columns make it a generalizability study.")
@click.option("--value", metavar="COL", default="reading", show_default=True, help="The value reported.")
@over_facets
@chosen_by_words
@along_use_and_compared
@wide_form
@unit_of_value
@duplicates
@where
@common(OUT)
def icc(table: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
        **options: Any) -> None:
    """Estimate reliability: the intraclass correlation that fits, all ten cases, SEM and MDC, with intervals."""
    answer_command("icc", table, options, as_json=as_json, out=out, seed=seed, level=level, quiet=quiet)


@click.command()
@table_argument
@click.option("--compare", metavar="COL", default=None, help="Column that names what is compared (long form).")
@click.option("--a", "a", metavar="NAME", default=None, help="First of the two; differences are a - b.")
@click.option("--b", "b", metavar="NAME", default=None, help="Second of the two.")
@click.option("--pair-by", metavar="COL[,COL]", default=None, help="Columns that together pick one reading of each.")
@click.option("--a-column", metavar="COL", default=None, help="Readings of the first (wide form).")
@click.option("--b-column", metavar="COL", default=None, help="Readings of the second (wide form).")
@click.option("--target", metavar="COL", default=None, help="What is measured; rows of one target are not independent.")
@click.option("--value", metavar="COL", default="reading", show_default=True, help="The value reported (long form).")
@of_agreement
@of_recalculation
@unit_of_value
@duplicates
@where
@common(OUT)
def agree(table: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
          **options: Any) -> None:
    """Compare two methods: bias and limits of agreement with intervals, and a verdict when --harmless is given."""
    if recalculation(options):
        answer_command("agree", table, options, as_json=as_json, out=out, seed=seed, level=level, quiet=quiet)
        return
    wide = options["a_column"] or options["b_column"]
    if wide and not (options["a_column"] and options["b_column"]):
        raise click.UsageError("the wide form needs both --a-column and --b-column")
    if wide and (options["compare"] or options["a"] or options["b"] or options["pair_by"] or options["methods"]):
        raise click.UsageError("give either --a-column and --b-column, or --compare, --a, --b and --pair-by")
    if options["methods"] and (options["a"] or options["b"]):
        raise click.UsageError("give either --methods, or --a and --b")
    if not wide:
        _long_form(options)
    answer_command("agree", table, options, as_json=as_json, out=out, seed=seed, level=level, quiet=quiet)


def _long_form(options: dict[str, Any]) -> None:
    """Say which option of the long form is missing; all forms where none was begun."""
    of_long = {"--compare": options["compare"], "--a": options["a"] or options["methods"],
               "--b": options["b"] or options["methods"], "--pair-by": options["pair_by"]}
    missing = [name for name, given in of_long.items() if not given]
    if not missing:
        return
    if len(missing) == len(of_long):
        raise click.UsageError("give --compare, --a, --b and --pair-by (long form; --methods for three or more), "
                               "--a-column and --b-column (wide), or --calibrations, --a and --b")
    what = {"--compare": "the column that names what is compared", "--a": "the first of the two",
            "--b": "the second of the two", "--pair-by": "the columns that together pick one reading of each, such as "
            "--pair-by participant"}
    raise click.UsageError(f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing: "
                           + "; ".join(what[m] for m in missing))
