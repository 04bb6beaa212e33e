"""Options of ``drift agree``: the same words as in an ``[[agreement]]`` section."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import rich_click as click

from drift.cli.reliability_options import names

Decorated = Callable[..., Any]
LINES = ("deming", "weighted deming", "passing-bablok", "york")


def ratio(_: click.Context, parameter: click.Parameter, value: str | None) -> float | str | None:
    """Read a positive number or the word ``replicates``."""
    if value is None or value == "replicates":
        return value
    try:
        number = float(value)
    except ValueError:
        number = -1.0
    if not 0 < number < float("inf"):
        raise click.BadParameter(f"{value!r} is neither a number above zero nor the word 'replicates'", param=parameter)
    return number


def harmless(_: click.Context, __: click.Parameter, value: str | None) -> float | str | None:
    """Read a bare number as a number; a quantity such as ``25 kPa`` or ``10 %`` is read where all studies are."""
    if value is None:
        return None
    try:
        return float(value)
    except ValueError:
        return value.strip()


def of_agreement(command: Decorated) -> Decorated:
    """Add what an agreement question may say beyond a, b and the pairing."""
    for option in (
        click.option("--rows-are-independent", is_flag=True,
                     help="Treat pairs on one target or sensor as if each were a target of its own."),
        click.option("--multiplier", metavar="K", type=float, default=None,
                     help="Limits are bias -/+ K SD. Default: 1.96; 2 repeats papers of 1986."),
        click.option("--error-ratio", metavar="X", default=None, callback=ratio,
                     help="For lines: variance of the errors of a divided by that of b, or 'replicates' to take it "
                     "from repeated readings."),
        click.option("--line", "lines", multiple=True, type=click.Choice(LINES),
                     help="Fit a = intercept + slope x b with errors on both sides; may be repeated."),
        click.option("--harmless", metavar="X", default=None, callback=harmless,
                     help='Largest difference that would not matter: a number in the value\'s unit, "25 kPa", "10 %".'),
        click.option("--by", metavar="COL[,COL]", default=None, callback=names,
                     help="Repeat the question for every value of these columns."),
        click.option("--truth", type=click.Choice(["varying", "constant"]), default=None,
                     help="Whether the true value may change between the pairs of a target. Default: varying."),
        click.option("--sensor", metavar="COL", default=None,
                     help="Sensor that read the pair. Default: a column of that name."),
        click.option("--methods", metavar="A,B,C", default=None,
                     help="Three or more values of the compared column, or 'all', instead of --a and --b."),
    ):
        command = option(command)
    return command


def agreement_words(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the keys of an ``[[agreement]]`` section that the options stand for; only what was said."""
    keys = ("target", "sensor", "truth", "harmless", "error_ratio", "multiplier")
    said = {k: options[k] for k in keys if options.get(k) is not None}
    if options.get("lines"):
        said["lines"] = list(dict.fromkeys(options["lines"]))
    if options.get("by"):
        said["by"] = list(options["by"])
    if options.get("rows_are_independent"):
        said["rows_are_independent"] = True
    return said
