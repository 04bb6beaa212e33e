"""Options shared by commands; the same word means the same thing everywhere."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

import rich_click as click

Decorated = Callable[..., Any]


def level_value(_: click.Context, parameter: click.Parameter, value: float | None) -> float | None:
    """Refuse a level that is no share, such as 95."""
    if value is not None and not 0.5 < value < 1:
        raise click.BadParameter("give a share above 0.5 and below 1, such as 0.95", param=parameter)
    return value


def table_or_study(command: Decorated) -> Decorated:
    """Add the argument TABLE_OR_STUDY, called ``table``."""
    return click.argument("table", metavar="TABLE_OR_STUDY", type=click.Path(exists=True))(command)


def is_study(name: str) -> bool:
    """Tell a study, a folder or its TOML file, from a table."""
    return Path(name).is_dir() or name.endswith(".toml")


def stated(context: click.Context, names: Iterable[str]) -> list[str]:
    """Return those of the options that stand on the command line, as they are written there."""
    from click.core import ParameterSource

    return [f"--{n.replace('_', '-')}" for n in names
            if context.get_parameter_source(n) is ParameterSource.COMMANDLINE]


def common(out: str) -> Callable[[Decorated], Decorated]:
    """Add --json --out --seed --level --quiet; ``out`` says what is written there."""
    def add(command: Decorated) -> Decorated:
        for option in (
            click.option("--quiet", is_flag=True, help="Print the answer only."),
            click.option("--level", type=float, default=0.95, show_default=True, callback=level_value,
                         help="Confidence level of intervals."),
            click.option("--seed", type=click.IntRange(min=0), default=None,
                         help="Seed of everything random; the same seed gives the same bytes."),
            click.option("--out", type=click.Path(file_okay=False), default=None, help=out),
            click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text."),
        ):
            command = option(command)
        return command

    return add


def pseudonyms(command: Decorated) -> Decorated:
    """Add --pseudonyms."""
    return click.option("--pseudonyms", is_flag=True, help="Replace people in every output by stable codes.")(command)


def duplicates(command: Decorated) -> Decorated:
    """Add --duplicates."""
    return click.option("--duplicates", type=click.Choice(["refuse", "keep", "drop"]), default="refuse",
                        show_default=True, help="What to do with rows that repeat another in every label and the "
                        "reading.")(command)


def unit_of_value(command: Decorated) -> Decorated:
    """Add --unit."""
    return click.option("--unit", metavar="U", default=None,
                        help="Unit of the value (a header may hold it too).")(command)


def where(command: Decorated) -> Decorated:
    """Add --where COL=VALUE, repeatable."""
    return click.option("--where", multiple=True, metavar="COL=VALUE", callback=where_pairs,
                        help="Use only rows where COL is VALUE; may be repeated.")(command)


def where_pairs(_: click.Context, parameter: click.Parameter, values: tuple[str, ...]) -> dict[str, Any]:
    """Read ``COL=VALUE`` pairs; a column given twice selects either value."""
    found: dict[str, Any] = {}
    for text in values:
        column, equals, value = text.partition("=")
        if not equals or not column.strip():
            raise click.BadParameter(f"{text!r} is not COL=VALUE", param=parameter)
        column, value = column.strip(), value.strip()
        found[column] = [*found[column], value] if column in found else [value]
    return {k: v[0] if len(v) == 1 else v for k, v in found.items()}


def columns_of_checks(command: Decorated) -> Decorated:
    """Add the column options of wear and retire."""
    for option in (
        click.option("--unit", metavar="U", default=None, help="Unit of the reading (a header may hold it too)."),
        click.option("--replicate", metavar="COL", default=None, help="Mounting."),
        click.option("--batch", metavar="COL", default=None, help="Batch of the sensor."),
        click.option("--construction", metavar="COL", default=None, help="Construction of the sensor."),
        click.option("--full-scale", type=float, metavar="X", default=None,
                     help="Largest reading there can be; readings there are lower bounds."),
        click.option("--scale", type=click.Choice(["log", "linear"]), default=None,
                     help="Scale of analysis. Default: log where all readings are positive, else linear."),
        click.option("--reference", metavar="COL", default=None, help="Known load. Without it the reading itself is "
                     "followed."),
        click.option("--reading", metavar="COL", default=None, help="Reading. Default: a column of that name."),
        click.option("--use", metavar="COL", default=None,
                     help="Uses before the reading, or another exposure. Default: a column of that name."),
        click.option("--sensor", metavar="COL", default=None, help="Sensor. Default: a column of that name."),
    ):
        command = option(command)
    return command


class TableFile(click.Path):
    """A file that holds one table; of a folder it says what to name instead."""

    def __init__(self) -> None:
        super().__init__(exists=True)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Refuse a folder."""
        found = super().convert(value, param, ctx)
        folder = Path(str(found))
        if folder.is_dir():
            tables = sorted(p.name for p in folder.iterdir() if p.suffix.lower() in TABLES and p.is_file())
            named = f" Name one of its tables: {', '.join(str(folder / n) for n in tables[:6])}." if tables else ""
            if (folder / "study.toml").is_file():
                self.fail(f"{str(value)!r} is a study folder, and this command takes one table. 'drift run {value}' "
                          f"answers what the study asks.{named}", param, ctx)
            self.fail(f"{str(value)!r} is a folder, and this command takes one table.{named}", param, ctx)
        return found


TABLES = (".csv", ".tsv", ".txt", ".xlsx", ".parquet")


def table_argument(command: Decorated) -> Decorated:
    """Add the TABLE argument."""
    return click.argument("table", type=TableFile())(command)
