"""``drift lifetimes``: how long units last, from a table of lives."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common, level_value, table_argument, where
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result

OUT = "Folder to write report, figures and tables to."


def _names(_: click.Context, __: click.Parameter, value: str | None) -> tuple[str, ...]:
    return tuple(v.strip() for v in (value or "").split(",") if v.strip())


def _share(_: click.Context, parameter: click.Parameter, value: float) -> float:
    if not 0 < value < 0.5:
        raise click.BadParameter("give a share above 0 and below 0.5, such as 0.10", param=parameter)
    return value


@click.command()
@table_argument
@click.option("--time", metavar="COL", default=None, help="Time of failure, or up to which a unit was still fit.")
@click.option("--event", metavar="COL", default=None, help="What happened then: 1 failed, 0 still fit (also yes/no, "
              "failed/censored; the answer says how other words, such as broken or running, are read). Without it "
              "every row failed.")
@click.option("--entry", metavar="COL", default=None, help="With --time: from which time on a unit was watched, where "
              "it was not from new (left truncation; empty: from new).")
@click.option("--failed", metavar="VALUE[,VALUE]", default=None, callback=_names, help="Values of --event that are "
              "failures, all others being still fit; several values are causes told apart.")
@click.option("--from", "start", metavar="COL", default=None, help="In place of --time: the last time seen fit (empty: "
              "never).")
@click.option("--to", "end", metavar="COL", default=None, help="With --from: the first time seen past (empty: still "
              "fit).")
@click.option("--cause", metavar="COL", default=None, help="Cause of failure.")
@click.option("--unit-column", "unit", metavar="COL", default=None, help="Label of the unit.")
@click.option("--per", metavar="WORD", default=None, help="What life is counted in, such as uses or months. Default: "
              "the unit in the header, or the name of the column.")
@click.option("--share", type=float, default=0.10, show_default=True, callback=_share,
              help="The life by which this share has failed.")
@click.option("--confidence", type=float, default=0.95, show_default=True, callback=level_value,
              help="Confidence of its one-sided lower bound.")
@click.option("--shape", type=click.FloatRange(min=0, min_open=True), default=None, metavar="X",
              help="Weibull shape known from earlier studies (Weibayes).")
@where
@common(OUT)
def lifetimes(table: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
              **options: Any) -> None:
    """Say how long units last: Weibull and lognormal with intervals, the curve without a model, causes.

    A life may be known exactly (--time), only to have ended between two checks (--from, --to), or not to have ended.
    """
    _refuse_mixtures(options)

    def work(tell: Tell) -> Result:
        from drift.cli.mends import with_options

        return with_options("lifetimes", options, lambda: _answered(table, options, level=level, seed=seed))

    deliver("lifetimes", work, as_json=as_json, quiet=quiet, write=_writer(out))


def _refuse_mixtures(options: Mapping[str, Any]) -> None:
    """Refuse the two forms together, half a form, and neither."""
    exact, between = bool(options["time"] or options["event"]), bool(options["start"] or options["end"])
    if exact and between:
        raise click.UsageError("give either --time and --event, or --from and --to")
    if between and not (options["start"] and options["end"]):
        raise click.UsageError("--from and --to belong together: the last time seen fit and the first time seen past")
    if exact and not options["time"]:
        raise click.UsageError("--event needs --time: the time at which it was seen")
    if not (exact or between):
        raise click.UsageError("give --time (and --event) for times of failure, or --from and --to for lives that "
                               "ended "
                               "between two checks")
    if options["entry"] and not options["time"]:
        raise click.UsageError("--entry goes with --time: units that were not watched from new need times of failure")
    if options["failed"] and not options["event"]:
        raise click.UsageError("--failed names values of --event: give --event as well")


def _answered(table: str, options: Mapping[str, Any], *, level: float, seed: int | None) -> Result:
    from pathlib import Path

    from drift.cli.one_table import bare_study
    from drift.ingest.lives import LivesForm, read_lives
    from drift.report.study_result import StudyResult
    from drift.results import Provenance, ResultTable, run_versions
    from drift.retirement.life_study import LifeSpec
    from drift.retirement.life_study import lifetimes as answer
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED

    used = DEFAULT_SEED if seed is None else seed
    study = study_from_dict(bare_study(table, "trials"), folder=Path(table).resolve().parent)
    chosen = tuple((k, tuple([v] if isinstance(v, str) else v)) for k, v in options["where"].items())
    form = LivesForm(**{k: options[k] for k in ("time", "event", "start", "end", "cause", "unit", "entry", "failed")},
                     where=chosen)
    reading = read_lives(table, form, study, per=options["per"])
    spec = LifeSpec(share=options["share"], confidence=options["confidence"], level=level, shape=options["shape"])
    asked = {k: v if isinstance(v, str) else ", ".join(v) for k, v in options.items()
             if k in ("time", "event", "start", "end", "cause", "entry", "failed") and v}
    part = answer(reading, spec, seed=used, settings=asked)
    lives = reading.lives
    listed = ResultTable.build("tables read", {
        "table": ["lifetimes"], "file": [lives.file], "rows": [float(reading.read)],
        "columns": [", ".join(asked.values())], "sha256": [lives.sha256]}, caption="Tables read")
    return StudyResult.join([part], question=Path(table).name, answer=part.answer, findings=(), tables=(listed,),
                            provenance=Provenance(inputs=dict(part.provenance.inputs), seed=used, level=level,
                                                  versions=run_versions(),
                                                  settings={**part.provenance.settings, "study":
                                                            study.model_dump_json(exclude_none=True,
                                                                                  exclude={"folder"})}))
