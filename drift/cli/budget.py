"""``drift budget``: the uncertainty of a pressure at a use."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result


@click.command()
@click.argument("study", type=click.Path(exists=True))
@click.option("--reading", type=float, metavar="R", default=None, help="Raw reading whose pressure is asked.")
@click.option("--pressure", metavar='"P UNIT"', default=None, help="In place of --reading: the pressure at which the "
              "budget is made. Default: the middle of the calibrated range.")
@click.option("--use", type=click.FloatRange(min=0), metavar="N", default=None, help="Uses completed before the "
              "reading. Default: the last check.")
@click.option("--since-calibration", type=click.FloatRange(min=0), metavar="M", default=None, help="How many of them "
              "since the last calibration. Default: calibrated at the first check.")
@click.option("--sensor", metavar="ID", default=None, help="This sensor, with its own checks.")
@click.option("--construction", metavar="NAME", default=None, help="Any sensor of this construction. Default: each "
              "construction in turn.")
@click.option("--corrected/--not-corrected", default=None, help="Whether the pressure is corrected for drift. Default: "
              "corrected.")
@click.option("--mean-of", type=click.IntRange(min=1), metavar="K", default=None, help="Mountings whose mean is used.")
@click.option("--cells", type=click.IntRange(min=2), metavar="N", default=None, help="Also the force over N cells.")
@common("Folder to write report, figures and tables to.")
def budget(study: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool,
           **options: Any) -> None:
    """Say what a reading at a use means as a pressure, with its uncertainty and where that comes from.

    What the checks cannot tell is stated under [budget] in study.toml; an option given here takes the place of what
    stands there.
    """
    if options["reading"] is not None and options["pressure"] is not None:
        raise click.UsageError("give either --reading or --pressure")
    if options["sensor"] is not None and options["construction"] is not None:
        raise click.UsageError("give either --sensor or --construction")
    use, since = options["use"], options["since_calibration"]
    if use is not None and since is not None and since > use:
        raise click.UsageError(f"--since-calibration {since:g} is more than --use {use:g}: the calibration would lie "
                               "before the first use")

    def work(tell: Tell) -> Result:
        from drift.study import read_study
        from drift.workflow import DEFAULT_SEED, answer_budget

        return answer_budget(read_study(study), options, level=level, seed=DEFAULT_SEED if seed is None else seed,
                             progress=tell)

    deliver("budget", work, as_json=as_json, quiet=quiet, write=_writer(out))
