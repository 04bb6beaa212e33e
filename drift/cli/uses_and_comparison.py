"""Options of ``drift icc`` about repeated uses and about comparing reliabilities."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import rich_click as click

Decorated = Callable[..., Any]


def along_use_and_compared(command: Decorated) -> Decorated:
    """Add --compare, --ordered and --window."""
    for option in (
        click.option("--window", type=click.IntRange(min=2), default=None, metavar="N",
                     help="Levels looked at together along use. Default: a quarter of them, three to eight."),
        click.option("--ordered/--not-ordered", default=None, help="The facet's levels follow each other in use or "
                     "time: trend, drift left in and removed, ICC and SEM along use. Default: where the facet is the "
                     "use count."),
        click.option("--compare", metavar="COL", default=None, help="Compare the reliability of the values of this "
                     "column: difference of ICC, ratio of SEM."),
    ):
        command = option(command)
    return command


def uses_and_comparison_of(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the keys of a ``[[reliability]]`` section that the options stand for; only what was said."""
    return {key: options[key] for key in ("compare", "ordered", "window") if options.get(key) is not None}
