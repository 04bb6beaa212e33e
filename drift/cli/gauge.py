"""``drift gauge``: a gauge study, or the precision of a method over laboratories, from one table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common, duplicates, table_argument, unit_of_value, where
from drift.cli.reliability_options import names
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result

ONE_GAUGE = ("part", "operator", "nested", "tolerance", "lower", "upper", "reference", "pool_above", "study_variation",
             "by")
OUT = "Folder to write report, figures and tables to."


def _share(_: click.Context, parameter: click.Parameter, value: str | None) -> float | str | None:
    if value is None or value == "never":
        return value
    try:
        found = float(value)
    except ValueError:
        found = 0.0
    if not 0 < found < 1:
        raise click.BadParameter("give a probability between 0 and 1, such as 0.25, or 'never'", param=parameter)
    return found


@click.command()
@table_argument
@click.option("--part", metavar="COL", default=None, help="What is read: a pressure block, a seat, a walker's region.")
@click.option("--operator", metavar="COL", default=None, help="Who or what reads it: a person, a sensor, a rig.")
@click.option("--laboratory", metavar="COL", default=None, help="In place of --part: precision of a method over "
              "laboratories, rigs or benches (ISO 5725-2).")
@click.option("--material", metavar="COL", default=None, help="With --laboratory: the level or material.")
@click.option("--value", metavar="COL", default="reading", show_default=True, help="The value reported.")
@click.option("--replicate", metavar="COL", default=None, help="Column that numbers repeated readings. Default: a "
              "column of that name.")
@click.option("--reference", metavar="COL", default=None, help="Known value of each part: bias and linearity.")
@click.option("--tolerance", type=click.FloatRange(min=0, min_open=True), metavar="X", default=None,
              help="Width of the tolerance, in the value's unit.")
@click.option("--lower", type=float, metavar="X", default=None, help="Lower limit of the tolerance.")
@click.option("--upper", type=float, metavar="X", default=None, help="Upper limit; one of the two alone is a one-sided "
              "tolerance.")
@click.option("--nested/--crossed", default=None, help="Each operator has parts of its own, or all read the same ones. "
              "Default: as the table shows.")
@click.option("--pool-above", metavar="P", default=None, show_default="0.25", callback=_share,
              help="Pool the part x operator interaction with the repeatability when its p is above P; 'never' keeps "
              "it.")
@click.option("--study-variation", type=click.FloatRange(min=0, min_open=True), metavar="K", default=None,
              show_default="6", help="SDs that count as the spread, for the percent of tolerance.")
@click.option("--by", metavar="COL[,COL]", default=None, callback=names, help="Repeat the study for every value of "
              "these columns.")
@unit_of_value
@duplicates
@where
@common(OUT)
def gauge(table: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
          **options: Any) -> None:
    """Say what share of the variation is the gauge's own: repeatability, reproducibility, distinct categories, bias.

    With --laboratory: repeatability and reproducibility of a method over laboratories, with the laboratories that
    stand out.
    """
    _refuse_mixtures(options)

    def work(tell: Tell) -> Result:
        from drift.cli.mends import with_options

        return with_options("gauge", options, lambda: _answered(table, options, level=level, seed=seed, progress=tell))

    deliver("interlaboratory" if options["laboratory"] else "gauge", work, as_json=as_json, quiet=quiet,
            write=_writer(out))


def _refuse_mixtures(options: Mapping[str, Any]) -> None:
    """Refuse options of the two forms together, and neither form."""
    given = [f"--{name.replace('_', '-')}" for name in ONE_GAUGE if options[name] is not None]
    if options["laboratory"]:
        if given:
            raise click.UsageError(f"{' and '.join(given)} {'belongs' if len(given) == 1 else 'belong'} to a gauge "
                                   "study and --laboratory to the precision of a method over laboratories: give one "
                                   "or the other")
        return
    if options["material"]:
        raise click.UsageError("--material belongs to --laboratory, the precision of a method over laboratories")
    if not options["part"]:
        raise click.UsageError("give --part (and --operator) for a gauge study, or --laboratory for the precision of a "
                               "method over laboratories")


def _answered(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    from drift.cli.one_table import bare_study, with_table_options
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED, answer_table

    data = bare_study(table, "trials")
    columns = {"reading": options["value"]}
    shared = {"where": dict(options["where"])} | ({"replicate": options["replicate"]} if options["replicate"] else {})
    if options["laboratory"]:
        data["interlaboratory"] = [{"name": f"results over {options['laboratory']}",
                                    "laboratory": options["laboratory"],
                                    "material": options["material"], **shared}]
    else:
        question = {k: options[k] for k in ("part", "operator", "nested", "tolerance", "lower", "upper",
                                            "study_variation") if options[k] is not None}
        if options["reference"]:  # under our own name its cells are read as numbers
            columns["reference"] = options["reference"]
            question["reference"] = "reference"
        if options["pool_above"] is not None:
            question["pool_above"] = None if options["pool_above"] == "never" else options["pool_above"]
        over = f" over {options['operator']}" if options["operator"] else ""
        data["gauge"] = [{"name": f"{options['part']}{over}", **question, **shared, "by": list(options["by"] or ())}]
    data["columns"] = {"trials": columns}
    with_table_options(data, options)
    from pathlib import Path

    study = study_from_dict(data, folder=Path(table).resolve().parent)
    return answer_table(table, "gauge", study, level=level, seed=DEFAULT_SEED if seed is None else seed,
                        progress=progress)
