"""``drift calibrate``: calibration curves of one table of checks, or gains of cells of one table of exposures."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import Decorated, common, duplicates, is_study, stated, table_or_study, where
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result
    from drift.study import Study

OUT = "Folder to write report, figures and tables to."
MODELS = ["auto", "line", "through-zero", "power", "power of logs", "quadratic", "saturating"]
COLUMNS = ("sensor", "use", "reading", "reference", "replicate", "direction", "order")
OF_CELLS = ("row", "col", "exposure", "orientation", "noise_floor")
OF_CURVES = ("replicate", "direction", "order", "hold", "cycle", "model", "full_scale", "floor", "spread",
             "invert", "mean_of", "regulation", "simultaneous", "both_directions", "reference_uncertainty",
             "resolution", "usable_at")


def _percent(_: click.Context, parameter: click.Parameter, value: str | None) -> str | None:
    if value is None:
        return None
    try:
        share = float(value.replace("%", "").strip()) / (100 if "%" in value else 1)
    except ValueError:
        share = -1.0
    if not 0 <= share < 1:
        raise click.BadParameter("give a share such as '0.5 %' or 0.005", param=parameter)
    return f"{100 * share:.12g} %"


def _full_scale(_: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
    if value is not None and not 0 < value < math.inf:
        raise click.BadParameter("full scale is the largest reading there can be, a number above zero such as 1023",
                                 param=parameter)
    return value


def _column(name: str, text: str) -> Callable[[Decorated], Decorated]:
    return click.option(f"--{name}", metavar="COL", default=None, help=text)


@click.command()
@table_or_study
@click.option("--cells", is_flag=True, help="The table holds readings of single cells under uniform loads: gains of "
              "cells.")
@_column("reading", "Reading. Default: a column of that name.")
@_column("reference", "Known load. Default: a column of that name.")
@_column("sensor", "Sensor; one curve each.")
@_column("use", "Uses before the reading; one curve each.")
@_column("replicate", "Mounting.")
@_column("direction", "Up or down.")
@_column("cycle", "Cycle of loading and unloading. Default: the k-th time a mounting meets a level.")
@_column("order", "Place in the sequence.")
@_column("hold", "Seconds held before the reading: creep.")
@click.option("--model", type=click.Choice(MODELS), default="auto", show_default=True, help="Curve. auto: line, power "
    "law "
              "or quadratic, by lack of fit and AICc.")
@click.option("--spread", type=click.Choice(["auto", "constant", "root", "proportional"]), default="auto",
              show_default=True, help="How the SD of a reading grows with the load.")
@click.option("--both-directions", is_flag=True, help="Fit the curve through unloading too.")
@click.option("--full-scale", type=float, metavar="X", default=None, callback=_full_scale,
              help="Largest reading there can be: readings there are lower bounds, and the load there is the "
                   "saturation pressure.")
@click.option("--floor", type=float, metavar="X", default=None, help="Readings at or below are upper bounds. Default: "
              "zeros under a load.")
@click.option("--invert", type=float, multiple=True, metavar="READING", help="Say which load lies behind this reading; "
              "may be repeated.")
@click.option("--mean-of", type=click.IntRange(min=1), default=1, show_default=True, help="Readings each --invert is "
    "the "
              "mean of.")
@click.option("--regulation", is_flag=True, help="--invert holds values of the mean response, without error of their "
    "own.")
@click.option("--simultaneous", is_flag=True, help="Sets that hold for all readings made with this curve at once "
              "(with --regulation).")
@click.option("--reference-uncertainty", metavar="SHARE", default=None, callback=_percent, help="Relative standard "
              "uncertainty of the reference, such as '0.5 %'.")
@click.option("--resolution", type=click.FloatRange(min=0), metavar="STEP", default=None, help="Step of the reading.")
@click.option("--usable-at", metavar="SHARE", default=None, callback=_percent, help="Say from which load on the "
    "relative "
              "uncertainty is at most this.")
@_column("row", "With --cells: row of the cell.")
@_column("col", "With --cells: column of the cell.")
@_column("exposure", "With --cells: number of the exposure.")
@_column("orientation", "With --cells: how the sheet lay.")
@click.option("--noise-floor", type=click.FloatRange(min=0), metavar="X", default=None, help="With --cells: readings "
    "at "
              "or below show nothing.")
@click.option("--unit", metavar="U", default=None, help="Unit of the reading (a header may hold it too).")
@duplicates
@where
@common(OUT)
@click.pass_context
def calibrate(context: click.RichContext, /, table: str, as_json: bool, out: str | None, seed: int | None, level: float,
              quiet: bool, **options: Any) -> None:
    """Fit calibration curves with their bands, say what load lies behind a reading, and how the sensor errs.

    With --cells: the gain of every cell from several uniform exposures, dead cells and dead lines. Of a study (a folder
    with study.toml) what its [[calibration]] asks, or with --cells its gains of cells.
    """
    if is_study(table):
        _of_study(context, table, options, as_json=as_json, out=out, seed=seed, level=level, quiet=quiet)
        return
    _refuse_mixtures(options)

    def work(tell: Tell) -> Result:
        from drift.cli.mends import with_options

        return with_options("calibrate", options, lambda: _answered(table, options, level=level, seed=seed,
                                                                    progress=tell))

    deliver("cells" if options["cells"] else "calibrate", work, as_json=as_json, quiet=quiet, write=_writer(out))


def _of_study(context: click.Context, folder: str, options: Mapping[str, Any], *, as_json: bool, out: str | None,
              seed: int | None, level: float, quiet: bool) -> None:
    """Answer what a study asks of its calibrations, or of its cells; how, it says itself."""
    given = stated(context, (n for n in options if n != "cells"))
    if given:
        raise click.UsageError(f"{' and '.join(given)} {'belongs' if len(given) == 1 else 'belong'} to one table: a "
                               "study says under [[calibration]] and [cells] how it is done")
    if Path(folder).is_dir() and not (Path(folder) / "study.toml").is_file():
        raise click.UsageError(f"{folder!r} is a folder without study.toml: name the table in it")

    def work(tell: Tell) -> Result:
        from drift.study import read_study
        from drift.workflow import DEFAULT_SEED, answer_calibrations

        return answer_calibrations(read_study(folder), cells=options["cells"], level=level, progress=tell,
                                   seed=DEFAULT_SEED if seed is None else seed)

    deliver("cells" if options["cells"] else "calibrations", work, as_json=as_json, quiet=quiet, write=_writer(out))


def _refuse_mixtures(options: Mapping[str, Any]) -> None:
    """Refuse options of the two forms together."""
    unset = {"model": "auto", "spread": "auto", "mean_of": 1}
    wrong = [f"--{name.replace('_', '-')}" for name in (OF_CURVES if options["cells"] else OF_CELLS)
             if options[name] not in (None, False, (), unset.get(name))]
    if wrong:
        raise click.UsageError(f"{' and '.join(wrong)} {'belongs' if len(wrong) == 1 else 'belong'} to "
                               f"{'calibration curves' if options['cells'] else '--cells'}: give one or the other")
    if options["simultaneous"] and not options["regulation"]:
        raise click.UsageError("--simultaneous goes with --regulation: a band of the curve holds for all its readings, "
                               "the error of each reading comes on top")


def _answered(table: str, options: Mapping[str, Any], *, level: float, seed: int | None, progress: Tell) -> Result:
    from drift.cli.one_table import bare_study, with_table_options
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED, answer_table

    kind = "exposures" if options["cells"] else "checks"
    data = bare_study(table, kind)
    names = (("sensor", "use", "reading", "reference", "row", "col", "exposure", "orientation") if options["cells"] else
             (*COLUMNS, "hold"))
    data["columns"] = {kind: {"hold_s" if n == "hold" else n: options[n] for n in names if options[n]}}
    chosen = dict(options["where"])
    if options["cells"]:
        data["cells"] = {"where": chosen, **({"noise_floor": options["noise_floor"]} if options["noise_floor"] else {})}
    else:
        keys = ("model", "cycle", "full_scale", "floor", "spread", "mean_of", "simultaneous", "reference_uncertainty",
                "resolution", "usable_at")
        data["calibration"] = [{"name": "calibration", "where": chosen, "invert": list(options["invert"]),
                                "problem": "regulation" if options["regulation"] else "calibration",
                                "direction": "both" if options["both_directions"] else "up",
                                **{k: options[k] for k in keys if options[k] is not None}}]
    if options["unit"]:
        data["units"] = {kind: {"reading": options["unit"]}}
    with_table_options(data, options)
    study = study_from_dict(data, folder=Path(table).resolve().parent)
    seed = DEFAULT_SEED if seed is None else seed
    if options["cells"]:
        return answer_table(table, "cells", study, level=level, seed=seed, progress=progress)
    return _of_curves(table, study, lambda: answer_table(table, "calibrate", study, level=level, seed=seed,
                                                         progress=progress))


def _of_curves(table: str, study: Study, work: Callable[[], Result]) -> Result:
    """Do the work and say so where the table holds readings of single cells, in an answer as in a refusal."""
    from drift.errors import DriftError, Finding

    if not _holds_cells(table, study):
        return work()
    said = Finding(severity="warning", code="readings-of-cells", file=Path(table).name, question="calibration",
                   message="the table has columns row and col: readings of single cells, which would count as readings "
                           "of one sensor", mend="Say --cells for the gains of cells")
    try:
        result = work()
    except DriftError as error:
        raise DriftError((replace(said, severity="error"), *error.findings)) from None
    return replace(result, findings=(said, *result.findings))


def _holds_cells(table: str, study: Study) -> bool:
    """Tell whether the header names the row and the column of a cell."""
    from drift.ingest.columns import fold, split_header
    from drift.ingest.source import read_raw
    from drift.ingest.text import RefusedError

    try:
        raw = read_raw(Path(table), "checks", study)
    except (RefusedError, OSError):
        return False  # the reading itself says what is wrong
    return {"row", "col"} <= {fold(split_header(c)[0]) for c in raw.header}
