"""``drift recalibrate``: the recalibration interval from one table of bench checks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.options import columns_of_checks, common, duplicates, level_value, table_argument, where
from drift.cli.tables import OUT, answer_command

if TYPE_CHECKING:
    pass


def tolerance_value(_: click.Context, parameter: click.Parameter, value: str) -> float:
    """Read ``"5 %"`` or ``0.05``."""
    text = value.strip()
    percent = text.endswith("%")
    try:
        share = float(text.rstrip("% ")) / (100 if percent else 1)
    except ValueError:
        share = 0.0
    if not 0 < share < 1:
        hint = f"; {text} % is written '{text} %'" if not percent and share >= 1 else ""
        raise click.BadParameter(f"give a share above 0 and below 1, such as '5 %' or 0.05{hint}", param=parameter)
    return share


@click.command()
@table_argument
@columns_of_checks
@click.option("--tolerance", required=True, metavar='"X %"', callback=tolerance_value, help="How far readings may "
              "drift, either way, from what the last calibration would give.")
@click.option("--calibration-error", type=click.Choice(["apart", "inside"]), default="apart", show_default=True,
              help="Whether the tolerance is for drift alone, or for drift and the calibration's own error together.")
@click.option("--content", type=float, default=0.90, show_default=True, callback=level_value,
              help="At least this share of sensors is still within the tolerance ...")
@click.option("--confidence", type=float, default=0.95, show_default=True, callback=level_value,
              help="... with this confidence.")
@duplicates
@where
@common(OUT)
def recalibrate(table: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
                **options: Any) -> None:
    """Say every how many uses a sensor should be calibrated anew."""
    answer_command("recalibrate", table, options, as_json=as_json, out=out, seed=seed, level=level, quiet=quiet)
