"""``drift plan``: how large a study must be, and a schedule for it."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver
from drift.cli.options import common
from drift.cli.studies import _writer

if TYPE_CHECKING:
    from drift.results import Result

Decorated = Callable[..., Any]
MOST = 100_000


class Range(tuple[int, ...]):
    """First and last number of a range; where it is not searched, every number in it is looked at."""


def numbers(_: click.Context, parameter: click.Parameter, text: str | None) -> tuple[int, ...] | None:
    """Read ``12``, ``2,3,5`` or ``5-60``."""
    if text is None:
        return None
    parts = text.replace("\N{EN DASH}", "-").replace("..", "-").replace(" ", "").split("-")
    words = parts if len(parts) == 2 else text.replace(" ", "").split(",")
    if not all(w.isdigit() for w in words) or not all(0 < int(w) <= MOST for w in words):
        raise click.BadParameter(f"{text!r} is neither a number, nor numbers such as 2,3,5, nor a range such as 5-60",
                                 param=parameter)
    found = tuple(int(w) for w in words)
    if len(parts) == 2 and found[0] > found[1]:
        raise click.BadParameter(f"{text!r} runs backwards", param=parameter)
    return Range(found) if len(parts) == 2 else found


def _at(_: click.Context, parameter: click.Parameter, text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        return tuple(sorted({float(w) for w in text.replace(",", " ").split()}))
    except ValueError:
        raise click.BadParameter(f"{text!r} is not a list of uses such as 0,5,10,20", param=parameter) from None


def _prices(_: click.Context, parameter: click.Parameter, values: tuple[str, ...]) -> dict[str, float] | None:
    found: dict[str, float] = {}
    for done, text in enumerate(values, 1):
        item, equals, price = text.partition("=")
        try:
            found[item.strip()] = float(price)
        except ValueError:
            equals = ""
        if len(found) < done:
            raise click.BadParameter(f"{item.strip()!r} has two prices", param=parameter)
        if not equals or not item.strip() or not 0 <= found.get(item.strip(), 0) < float("inf"):
            raise click.BadParameter(f"{text!r} is not ITEM=PRICE, such as sensor=90", param=parameter)
    return found or None


@click.group()
def plan() -> None:
    """Say how large a study must be for what it is to show; what one more of anything buys; and write its schedule.

    Numbers such as --sensors take one number, several (2,3,5) or a range (5-60). Every plan is checked by simulating
    the analysis that the study will get. "drift plan icc --help" shows what one plan takes; all take --json and --out.
    """


CROSSED_ITEMS = "target, level (or what the plan calls them: participant=100), reading"
SENSOR_ITEMS = "sensor, check, reading"


def shared(*, pilot: str, items: str) -> Callable[[Decorated], Decorated]:
    """Add the options all plans have."""
    def add(command: Decorated) -> Decorated:
        for option in (
            common("Folder to write the plan to: report, tables, figure."),
            click.option("--schedule", type=click.Path(file_okay=False), metavar="DIR", default=None,
                         help="Write the randomised schedule and a study.toml that analyses it into a new folder."),
            click.option("--people", type=click.IntRange(min=1), default=1, show_default=True, metavar="N",
                         help="Operators who take the readings in turn in the schedule."),
            click.option("--studies", type=click.IntRange(min=100, max=100_000), default=1000, show_default=True,
                         help="Simulated studies that check the plan."),
            click.option("--cost", multiple=True, metavar="ITEM=PRICE", callback=_prices,
                         help=f"Price of one {items}; may be repeated. Without any the number of readings counts."),
            click.option("--question", "pilot_question", metavar="NAME", default=None,
                         help="Which question (construction) of the pilot, where it has several."),
            click.option("--pilot", type=click.Path(exists=True), metavar="STUDY", default=None, help=pilot),
        ):
            command = option(command)
        return command

    return add


def _option(name: str, text: str, **kwargs: Any) -> Any:
    return click.option(name, help=text, default=kwargs.pop("default", None), **kwargs)


def counted(name: str, text: str) -> Any:
    """Return an option that takes numbers or a range."""
    return click.option(name, metavar="N", default=None, callback=numbers, help=text)


SHARE = click.FloatRange(0, 1, max_open=True)
CHANCE = click.FloatRange(0, 1, min_open=True, max_open=True)
POSITIVE = click.FloatRange(min=0, min_open=True)
TARGETS = counted("--targets", "People, loads or objects measured. Default: searched.")
LEVELS = counted("--levels", "Sensors, sessions or operators they are compared over.  [default: 3,5]")
REPEATS = counted("--repeats", "Readings in a cell.  [default: 1]")
POWER = _option("--power", "Chance wanted.", type=CHANCE, default=0.8, show_default=True)
NAMES = (_option("--target", "What is measured, in one word: participant.", metavar="WORD"),
         _option("--facet", "What should not matter, in one word: sensor.", metavar="WORD"))
VARIANCES = (_option("--facet-share", "Share of the facet in the variance of one reading; no part of a consistency.  "
                     "[default: 0.05]", type=SHARE),
             _option("--repeat-share", "Share of repeats in the variance of error.  [default: 0.5]",
                     type=click.FloatRange(0, 1)))


def _with(*options: Any) -> Callable[[Decorated], Decorated]:
    def add(command: Decorated) -> Decorated:
        for option in reversed(options):
            command = option(command)
        return command

    return add


def _run(kind: str, options: dict[str, Any]) -> None:
    """Plan, and write the schedule if asked."""
    keep = {k: options.pop(k) for k in ("as_json", "out", "seed", "level", "quiet", "schedule", "studies", "pilot",
                                        "pilot_question")}
    options["target_name"], options["facet_name"] = options.pop("target", None), options.pop("facet", None)
    for key in ("levels", "repeats", "operators", "checks", "mountings"):
        values = options.get(key)
        if isinstance(values, Range):
            options[key] = tuple(range(values[0], values[1] + 1))

    def work(tell: Tell) -> Result:
        from drift.workflow import DEFAULT_SEED, answer_plan

        return answer_plan(kind, options, pilot=keep["pilot"], pilot_question=keep["pilot_question"],
                           schedule=keep["schedule"], level=keep["level"], studies=keep["studies"],
                           seed=DEFAULT_SEED if keep["seed"] is None else keep["seed"], progress=tell)

    deliver("plan", work, as_json=keep["as_json"], quiet=keep["quiet"], write=_writer(keep["out"]))


@plan.command()
@_with(_option("--icc", "Planned value of the coefficient --form (of one reading).", type=SHARE),
       _option("--form", "Coefficient.", type=click.Choice(["ICC(A,1)", "ICC(C,1)", "ICC(1)"]), default="ICC(A,1)",
               show_default=True),
       _option("--width", "Goal: full width of its interval.", type=POSITIVE),
       _option("--least", "Goal: show that it is above this value ...", type=SHARE), POWER, TARGETS, LEVELS, REPEATS,
       *VARIANCES, _option("--missing", "Share of cells expected to be missing.  [default: 0]", type=SHARE), *NAMES)
@shared(pilot="Study whose reliability question gives the variance components.",
        items=CROSSED_ITEMS)
def icc(**options: Any) -> None:
    """Plan an intraclass correlation."""
    _run("icc", options)


@plan.command()
@_with(_option("--within", "Goal: half-width of the interval, in percent of the SEM.", type=POSITIVE),
       _option("--error", "Which SEM.", type=click.Choice(["agreement", "consistency"]), default="agreement",
               show_default=True), TARGETS, LEVELS, REPEATS, *VARIANCES, *NAMES)
@shared(pilot="Study whose reliability question gives the variance components.",
        items=CROSSED_ITEMS)
def sem(**options: Any) -> None:
    """Plan a standard error of measurement (and with it an MDC)."""
    _run("sem", options)


@plan.command()
@_with(_option("--sd", "SD of differences (with --within-sd: of the targets' mean differences).", type=POSITIVE),
       _option("--within-sd", "SD of pairs of one target about their mean.", type=click.FloatRange(min=0)),
       _option("--bias", "Expected mean difference.  [default: 0]", type=float),
       _option("--width", "Goal: full width of the interval of a limit.", type=POSITIVE),
       _option("--harmless", "Goal: the verdict interchangeable within this difference ...", type=POSITIVE), POWER,
       TARGETS, counted("--repeats", "Pairs of each target.  [default: 1]"), _option("--unit", "Unit of the reading.",
                                                                                    metavar="U"), NAMES[0])
@shared(pilot="Study whose agreement question gives bias and SDs.",
        items="target (or what the plan calls it: participant=100), pair, reading")
def limits(**options: Any) -> None:
    """Plan limits of agreement of two methods."""
    _run("limits", options)


WEAR = (_option("--wear-sd", "SD of that between sensors, in percentage points.", type=click.FloatRange(min=0)),
        _option("--occasion-sd", "SD of a check, in percent.", type=click.FloatRange(min=0)),
        _option("--mounting-sd", "SD of one mounting within a check, in percent.", type=click.FloatRange(min=0)),
        _option("--start-sd", "SD of fresh sensors, in percent.  [default: 3]", type=click.FloatRange(min=0)),
        _option("--until", "Uses at the last check.", type=POSITIVE),
        _option("--at", "Uses of the checks, in place of --checks and --until: 0,5,10,20.", callback=_at,
                metavar="LIST"),
        _option("--drop-out", "Share of sensors lost on the way, for other reasons than wear.  [default: 0]",
                type=SHARE),
        counted("--sensors", "Sensors. Default: searched."),
        counted("--checks", "Checks of each sensor.  [default: 5,7]"),
        counted("--mountings", "Mountings at each check.  [default: 1,2]"))


@plan.command()
@_with(_option("--half-width", "Goal: half-width of the interval, in percentage points per use.", type=POSITIVE),
       _option("--detect", "Goal: show a drift (a difference, with two groups) of this size, in percent per use ...",
               type=POSITIVE), POWER,
       _option("--groups", "2 compares two constructions.", type=click.IntRange(1, 2), default=1, show_default=True),
       *WEAR)
@shared(pilot="Study whose checks give the SDs.",
        items=SENSOR_ITEMS)
def slope(**options: Any) -> None:
    """Plan a drift per use, or a comparison of two."""
    _run("slope", options)


@plan.command()
@_with(_option("--lose", "Goal: uses the count may lie below the true one, on average.", type=POSITIVE),
       _option("--limit", "Limit on the fall of sensitivity from the sensor's own fresh value, in percent.",
               type=POSITIVE),
       _option("--wear", "Mean fall of sensitivity per use, in percent.", type=POSITIVE),
       _option("--content", "Share of sensors that must be fit at the count.", type=CHANCE, default=0.9,
               show_default=True),
       _option("--confidence", "Confidence of that statement.", type=CHANCE, default=0.95, show_default=True), *WEAR)
@shared(pilot="Study whose checks give wear and SDs.",
        items=SENSOR_ITEMS)
def retire(**options: Any) -> None:
    """Plan a retire-after count."""
    _run("retire", options)


@plan.command()
@_with(_option("--grr", "Expected %GRR of study variation.",
               type=click.FloatRange(0, 100, min_open=True, max_open=True)),
       _option("--operator-share", "Share of operators in the gauge's variance.  [default: 0.3]",
               type=click.FloatRange(0, 1)),
       _option("--interaction-share", "Share of parts x operators in it.  [default: 0.1]", type=click.FloatRange(0, 1)),
       _option("--within", "Goal: half-width of the interval of GRR, in percent of GRR.", type=POSITIVE),
       _option("--most", "Goal: show that %GRR is below this ...", type=click.FloatRange(0, 100, min_open=True)), POWER,
       counted("--parts", "Parts. Default: searched."), counted("--operators", "Operators.  [default: 2,3,5]"),
       counted("--repeats", "Readings of a part by an operator.  [default: 2]"))
@shared(pilot="Study whose gauge question gives the variance components.",
        items="part, operator, reading")
def gauge(**options: Any) -> None:
    """Plan a gauge study."""
    _run("gauge", options)
