"""``drift agree --calibrations FILE``: two calibrations compared on the raw readings of one table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.agreement_options import agreement_words
from drift.cli.reliability_options import names

if TYPE_CHECKING:
    from drift.cli.deliver import Tell
    from drift.results import Result

Decorated = Callable[..., Any]
# Options of the other forms, which have no meaning where both sides are computed from one reading.
OTHERS = {"compare": "--compare", "pair_by": "--pair-by", "methods": "--methods", "a_column": "--a-column",
          "b_column": "--b-column", "target": "--target", "truth": "--truth", "lines": "--line",
          "error_ratio": "--error-ratio", "rows_are_independent": "--rows-are-independent"}


def pressures(_: click.Context, parameter: click.Parameter, value: str | None) -> list[float]:
    """Read pressures separated by commas."""
    try:
        found = [float(v) for v in names(_, parameter, value) or ()]
    except ValueError:
        found = [-1.0]
    if any(not v > 0 for v in found):
        raise click.BadParameter(f"{value!r} is not a list of pressures such as 100,200", param=parameter)
    return found


def of_recalculation(command: Decorated) -> Decorated:
    """Add the options that compare two calibrations on the same raw readings."""
    for option in (
        click.option("--at", metavar="P[,P]", default=None, callback=pressures,
                     help="Pressures to give the limits at, besides low, middle and high."),
        click.option("--shown-by", metavar="COL", default=None,
                     help="The readings are pressures already, by the calibration that this column names."),
        click.option("--checks", "checks_file", metavar="FILE", default=None, type=click.Path(),
                     help="Fit the calibrations through these bench checks; --a and --b are a cal_id, 'first', "
                     "'latest' or 'use 30'."),
        click.option("--calibrations", "calibrations_file", metavar="FILE", default=None, type=click.Path(),
                     help="Express the raw readings through calibrations --a and --b of this table "
                     "(sensor, calibration, slope, intercept) and compare those."),
    ):
        command = option(command)
    return command


def asked(options: Mapping[str, Any]) -> bool:
    """Tell whether two calibrations are to be compared; refuse options that do not go with it."""
    files = [o for o in ("calibrations_file", "checks_file") if options[o]]
    if not files:
        for name, option in (("shown_by", "--shown-by"), ("at", "--at")):
            if options[name]:
                raise click.UsageError(f"{option} goes with --calibrations or --checks")
        return False
    if len(files) == 2:
        raise click.UsageError("give either --calibrations or --checks")
    if not (options["a"] and options["b"]):
        raise click.UsageError("name the two calibrations with --a and --b")
    wrong = [option for name, option in OTHERS.items() if options.get(name)]
    if wrong:
        raise click.UsageError(f"{' and '.join(wrong)} cannot go with --calibrations or --checks: both sides are "
                               "computed from one reading, and what repeats is the sensor")
    return True


def agree_recalculated(table: str, options: Mapping[str, Any], *, level: float, seed: int | None,
                       progress: Tell) -> Result:
    """Answer ``drift agree --calibrations FILE --a NAME --b NAME``."""
    from drift.ingest import read_with
    from drift.study import study_from_dict
    from drift.workflow import DEFAULT_SEED, answer_table

    path, source = Path(table), "calibrations" if options["calibrations_file"] else "checks"
    other = options[f"{source}_file"]
    how: dict[str, Any] = {"from": source, "levels": options["at"]}
    if options["shown_by"]:
        how |= {"readings": "calibrated", "shown_by": options["shown_by"]}
    question = {"name": f"{options['a']} against {options['b']}", "compare": "calibration", "a": options["a"],
                "b": options["b"], "where": dict(options["where"]), "recalculate": how, **agreement_words(options)}
    data: dict[str, Any] = {"study": {"title": path.name}, "files": {"trials": path.name, source: Path(other).name},
                            "columns": {"trials": {"reading": options["value"]}}, "agreement": [question]}
    if options.get("duplicates") not in (None, "refuse"):
        data["study"]["duplicates"] = options["duplicates"]
    if options.get("unit"):
        data["units"] = {"trials": {"reading": options["unit"]}}
    study = study_from_dict(data, folder=path.resolve().parent)
    reading = read_with(table, other, source, study)  # type: ignore[arg-type]
    return answer_table(table, "agree", study, level=level, seed=DEFAULT_SEED if seed is None else seed,
                        progress=progress, reading=reading)
