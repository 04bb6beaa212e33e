"""The choice of a coefficient by words: the same words as in a ``[[reliability]]`` section, as options."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import rich_click as click

Decorated = Callable[..., Any]
GRADES = ("Koo & Li 2016", "Cicchetti 1994")


def names(_: click.Context, parameter: click.Parameter, value: str | None) -> tuple[str, ...] | None:
    """Read ``COL,COL``; an empty name or the same name twice is refused."""
    if value is None:
        return None
    found = tuple(part.strip() for part in value.split(","))
    if not all(found):
        raise click.BadParameter(f"{value!r} holds an empty name", param=parameter)
    twice = sorted({n for n in found if found.count(n) > 1})
    if twice:
        raise click.BadParameter(f"{twice[0]!r} is named twice", param=parameter)
    return found


def chosen_by_words(command: Decorated) -> Decorated:
    """Add the options that pick a coefficient: --sensors --agree --use --average-replicates --by --replicate --grades.

    ``--levels`` is the neutral name of ``--sensors``, for facets that are sessions, operators or methods.
    """
    for option in (
        click.option("--bound", type=click.Choice(["lower", "upper"]), default=None,
                     help="Give a one-sided bound of the coefficient as well."),
        click.option("--grades", type=click.Choice(GRADES), default=None, metavar="NAME",
                     help="Published words for the coefficient, read from its interval: "
                     + " or ".join(f'"{g}"' for g in GRADES) + ". Default: none."),
        click.option("--by", metavar="COL[,COL]", default=None, callback=names,
                     help="Repeat the question for every value of these columns."),
        click.option("--average-replicates", is_flag=True,
                     help="Average the replicates of a cell first; every figure is then about such means."),
        click.option("--replicate", metavar="COL", default=None,
                     help="Column that numbers repeated readings of a cell. Default: a column of that name."),
        click.option("--use", type=click.Choice(["single", "mean"]), default="single", show_default=True,
                     help="What will be used later: a single reading, or the mean over all levels."),
        click.option("--agree", type=click.Choice(["value", "order"]), default="value", show_default=True,
                     help="Readings must agree in value, or only keep the order and distances of targets."),
        click.option("--sensors", "--levels", "facets_are", type=click.Choice(["sample", "fixed"]), default="sample",
                     show_default=True, help="The sensors (or other facet levels) are a sample from many, or fixed: "
                     "the only ones of interest."),
    ):
        command = option(command)
    return command


def wide_form(command: Decorated) -> Decorated:
    """Add --columns and --wide: one row a target, one column a facet level."""
    for option in (
        click.option("--columns", metavar="COL,COL[,COL]", default=None, callback=names,
                     help="The same, with the columns named."),
        click.option("--wide", is_flag=True, help="The table has one row a target and one column a facet level: take "
                     "every column of numbers."),
    ):
        command = option(command)
    return command


def words_of(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the keys of a ``[[reliability]]`` section that the options stand for; only what was said."""
    said = {key: options.get(key) for key in ("facets_are", "agree", "use", "bound", "grades", "replicate")}
    question = {key: value for key, value in said.items() if value is not None}
    if options.get("by"):
        question["by"] = list(options["by"])
    if options.get("average_replicates"):
        question["average_replicates"] = True
    return question
