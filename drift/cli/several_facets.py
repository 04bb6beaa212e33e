"""Options of ``drift icc`` for several facets: --nested --fixed --plan, and lists in --facet."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import rich_click as click

from drift.cli.reliability_options import names

Decorated = Callable[..., Any]


def over_facets(command: Decorated) -> Decorated:
    """Add --nested --fixed --plan."""
    for option in (
        click.option("--plan", multiple=True, metavar="FACET=N,N", callback=plans, help="Numbers of a facet's levels "
                     "to project coefficient, SEM and MDC for, such as session=1,2,3; may be repeated."),
        click.option("--fixed", metavar="COL[,COL]", default=None, callback=names,
                     help="Facets whose levels are the only ones of interest; the others are a sample."),
        click.option("--nested", multiple=True, metavar="INNER=OUTER", callback=nestings, help="A facet that lies in "
                     "another, or in the target, such as sensor=construction; may be repeated."),
    ):
        command = option(command)
    return command


def nestings(_: click.Context, parameter: click.Parameter, values: tuple[str, ...]) -> dict[str, str]:
    """Read ``INNER=OUTER`` pairs."""
    found: dict[str, str] = {}
    for text in values:
        inner, equals, outer = (part.strip() for part in text.partition("="))
        if not (inner and equals and outer):
            raise click.BadParameter(f"{text!r} is not INNER=OUTER, such as sensor=construction", param=parameter)
        found[inner] = f"{found[inner]},{outer}" if inner in found else outer
    return found


def plans(_: click.Context, parameter: click.Parameter, values: tuple[str, ...]) -> dict[str, list[int]]:
    """Read ``FACET=N,N`` pairs; numbers are whole and at least one."""
    found: dict[str, list[int]] = {}
    for text in values:
        facet, _equals, numbers = (part.strip() for part in text.partition("="))
        try:
            read = [int(n) for n in numbers.split(",")]
        except ValueError:
            read = []
        if not facet or not read or min(read) < 1:
            raise click.BadParameter(f"{text!r} is not FACET=N,N with whole numbers, such as session=1,2,3",
                                     param=parameter)
        found[facet] = [*found.get(facet, []), *read]
    return found


def facet_of(options: Mapping[str, Any], default: str = "session") -> str | list[str]:
    """Return ``--facet`` as a name, or as a list where it holds several."""
    listed = [part.strip() for part in (options.get("facet") or default).split(",") if part.strip()]
    return listed[0] if len(listed) == 1 else listed


def facets_question(options: Mapping[str, Any]) -> dict[str, Any]:
    """Return the keys of a ``[[reliability]]`` section that these options stand for; only what was said."""
    return {key: list(options[key]) if key == "fixed" else dict(options[key]) for key in ("nested", "fixed", "plan")
            if options.get(key)}
