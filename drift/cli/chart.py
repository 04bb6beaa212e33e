"""``drift chart``: control charts of a check standard, from any table."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common, is_study, stated, table_or_study, unit_of_value, where
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result


def _numbers(n: int, fault: Callable[[tuple[float, ...]], str | None] = lambda _: None) -> Any:
    """Return a callback that reads ``n`` numbers separated by spaces or commas, and what ``fault`` finds in them."""
    def read(_: click.Context, parameter: click.Parameter, text: str | None) -> tuple[float, ...] | None:
        if text is None:
            return None
        try:
            found = tuple(float(t) for t in text.replace(",", " ").split())
        except ValueError:
            found = ()
        if len(found) != n or not all(math.isfinite(v) for v in found):
            raise click.BadParameter(f"{text!r} is not {n} numbers separated by spaces", param=parameter)
        said = fault(found)
        if said:
            raise click.BadParameter(f"{text!r}: {said}", param=parameter)
        return found

    return read


def _ewma_fault(v: tuple[float, ...]) -> str | None:
    if not 0 < v[0] <= 1:
        return f"the weight of the newest occasion lies above 0 and up to 1, not at {v[0]:g}"
    return None if v[1] > 0 else f"limits are a number of SDs above 0, not {v[1]:g}"


def _cusum_fault(v: tuple[float, ...]) -> str | None:
    if v[0] < 0:
        return f"the slack is 0 or more SDs, not {v[0]:g}"
    return None if v[1] > 0 else f"the limit is a number of SDs above 0, not {v[1]:g}"


def _line_fault(v: tuple[float, ...]) -> str | None:
    if v[1] == 0:
        return "the slope is not 0"
    return None if v[2] > 0 and v[3] > 0 else "residual SD and degrees of freedom are above 0"


def _baseline(_: click.Context, parameter: click.Parameter, text: str | None) -> int | None:
    if text is None or text == "all":
        return None if text is None else 10**9
    if not text.isdigit() or int(text) < 5:
        raise click.BadParameter(f"{text!r} is neither a number of occasions from 5 on nor 'all'", param=parameter)
    return int(text)


OF_TABLES = ("value", "occasion", "standard", "within_sd", "within_df", "true", "line", "unit")


@click.command()
@table_or_study
@click.option("--value", metavar="COL", default="reading", show_default=True, help="The reading of the standard.")
@click.option("--occasion", metavar="COL", default=None, help="Of a table: day or session; readings of one "
              "occasion are averaged.")
@click.option("--standard", metavar="COL", default=None, help="Which check standard, where there are several.")
@click.option("--baseline", metavar="N", default=None, callback=_baseline, show_default="grows to 50",
              help="First occasions that limits come from, declared good; 'all' looks back at them.")
@click.option("--direction", type=click.Choice(["both", "up", "down"]), default="both", show_default=True,
              help="Side on which a change matters.")
@click.option("--within-sd", metavar="COL", default=None, help="SD inside an occasion, where rows are means already.")
@click.option("--within-df", metavar="COL", default=None, help="Its degrees of freedom.")
@click.option("--centre", type=float, metavar="X", default=None, help="Known centre, with --sd in place of a baseline.")
@click.option("--sd", type=click.FloatRange(min=0, min_open=True), metavar="X", default=None,
              help="Known SD between occasions.")
@click.option("--multiplier", type=click.FloatRange(min=0, min_open=True), metavar="K", default=None,
              show_default="by all charts", help="SDs between centre and limit of single occasions. By default the "
              "limits of all charts are such that a good rig is past any of them on 1 % of occasions.")
@click.option("--precision", type=click.FloatRange(0, 1, min_open=True, max_open=True), metavar="P", default=None,
              show_default="0.9975", help="Share of good occasions within the limit of the SD inside an occasion.")
@click.option("--ewma", metavar='"WEIGHT WIDTH"', default=None, callback=_numbers(2, _ewma_fault),
              show_default="0.2, limit by all charts",
              help="Weight of the newest occasion, and limits in SDs of the average.")
@click.option("--steady", is_flag=True, help="EWMA limits of a long run from the first occasion on.")
@click.option("--cusum", metavar='"SLACK LIMIT"', default=None, callback=_numbers(2, _cusum_fault),
              show_default="0.5, limit by all charts",
              help="Slack and limit of the CUSUM, in SDs.")
@click.option("--true", metavar="COL", default=None, help="Value of the standard: charts a calibration line instead.")
@click.option("--line", metavar='"A B S DF"', default=None, callback=_numbers(4, _line_fault),
              help="With --true: intercept, slope, residual SD and degrees of freedom of the line in use. Default: "
              "fitted to the baseline.")
@unit_of_value
@where
@common("Folder to write the chart's tables to.")
@click.pass_context
def chart(context: click.RichContext, /, table: str, as_json: bool, out: str | None, seed: int | None, level: float,
          quiet: bool, **options: Any) -> None:
    """Chart a check standard, and say whether the rig is in control.

    Single occasions, scatter inside an occasion, EWMA and CUSUM against limits from a baseline. Of a study (a folder
    with study.toml) the sensors with the role check standard are charted, from its checks or its ledger; of a table
    --occasion says what is averaged.
    """
    of_study = is_study(table)
    _refuse_wrong(context, options, of_study=of_study)
    if options["centre"] is not None and not math.isfinite(options["centre"]):
        raise click.UsageError("--centre is a number")
    if (options["centre"] is None) != (options["sd"] is None):
        raise click.UsageError("--centre and --sd belong together: a known process needs both")
    if options["line"] and not options["true"]:
        raise click.UsageError("--line needs --true COL, the values of the standards")

    def work(tell: Tell) -> Result:
        from drift.cli.mends import with_options
        from drift.cli.one_table import bare_study, with_table_options
        from drift.study import study_from_dict
        from drift.workflow_today import chart_of_study, chart_of_table

        if of_study:
            return with_options("chart", options, lambda: chart_of_study(table, options, level=level))
        data = bare_study(table, "trials")
        data["columns"] = {"trials": {"reading": options["value"]}}
        with_table_options(data, options)
        study = study_from_dict(data, folder=Path(table).resolve().parent)
        return with_options("chart", options, lambda: chart_of_table(table, study, options, level=level))

    deliver("chart", work, as_json=as_json, quiet=quiet, write=_writer(out))


def _refuse_wrong(context: click.Context, options: dict[str, Any], *, of_study: bool) -> None:
    """Refuse options of a table for a study, whose columns are known, and a table without its occasions."""
    given = stated(context, OF_TABLES)
    if of_study and given:
        raise click.UsageError(f"{' and '.join(given)} {'belongs' if len(given) == 1 else 'belong'} to a table of its "
                               "own: of a study the check standards are read as 'drift today' reads them")
    if not of_study and options["occasion"] is None:
        raise click.UsageError("--occasion COL is missing: which column of the table says the day or session?")
