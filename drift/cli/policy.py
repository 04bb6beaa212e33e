"""``drift policy``: what counts, checks, recalibration and waiting for failure cost, for a study."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common, pseudonyms
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result

_LISTS = {"retire_after": "retire_after", "checks_every": "check_every", "recalibrate_every": "recalibrate_every"}


def counts(_: click.Context, parameter: click.Parameter, value: str | None) -> tuple[int, ...] | None:
    """Read ``5,10,20``."""
    if value is None:
        return None
    parts = [p.strip() for p in value.split(",")]
    if not all(p.isdigit() and int(p) >= 1 for p in parts):
        raise click.BadParameter("give whole numbers of uses of 1 or more, such as 5,10,20", param=parameter)
    return tuple(int(p) for p in parts)


def share(_: click.Context, parameter: click.Parameter, value: str | None) -> float | None:
    """Read ``"86 %"`` or ``0.86``."""
    if value is None:
        return None
    text = value.strip()
    try:
        found = float(text.rstrip("% ")) / (100 if text.endswith("%") else 1)
    except ValueError:
        found = 0.0
    if not 0 < found <= 1:
        raise click.BadParameter("give a share above 0 and up to 1, such as '86 %' or 0.86", param=parameter)
    return found


@click.command()
@click.argument("study", type=click.Path(exists=True))
@click.option("--retire-after", metavar="N[,N]", default=None, callback=counts,
              help="Counts to try besides those found.")
@click.option("--checks-every", metavar="M[,M]", default=None, callback=counts,
              help="Uses between checks to try, in place of the ones found.")
@click.option("--guard", metavar='"X %"', default=None, callback=share, help="Retire a checked sensor at this share of "
              "the limit. Default: a guard band for the check's error and the wear until the next one.")
@click.option("--recalibrate-every", metavar="M[,M]", default=None, callback=counts,
              help="Uses between calibrations to try, in place of the interval found, its half and its double.")
@click.option("--noticed-after", type=click.IntRange(min=1), metavar="K", default=None, show_default="1",
              help="Spoilt sessions after which a failure is noticed without a check.")
@click.option("--lives", type=click.IntRange(min=1000, max=2_000_000), metavar="N", default=None, show_default="20000",
              help="Simulated sensors for each policy.")
@common("Folder to write report, figures and tables to.")
@pseudonyms
def policy(study: str, as_json: bool, out: str | None, seed: int | None, level: float, quiet: bool, pseudonyms: bool,
           **options: Any) -> None:
    """Compare policies for the sensors of a study: cost per use, spoilt sessions and sensors per hundred uses.

    The costs stand in [costs] of the study: sensor, spoilt_session, check, recalibration.
    """
    del pseudonyms  # no person is in any of it; the option is there so that a script may pass it everywhere

    def work(tell: Tell) -> Result:
        from drift.study import PolicySpec, read_study
        from drift.workflow import DEFAULT_SEED, policy_of_study

        read = read_study(study)
        given = {_LISTS.get(k, k): v for k, v in options.items() if v is not None}
        spec = (read.policy or PolicySpec()).model_copy(update=given)
        return policy_of_study(read.model_copy(update={"policy": spec}), level=level,
                               seed=DEFAULT_SEED if seed is None else seed, progress=tell)

    deliver("policy", work, as_json=as_json, quiet=quiet, write=_writer(out))
