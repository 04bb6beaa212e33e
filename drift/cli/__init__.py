"""Command line. Importing it loads neither a command nor a numerical library; both load when they are used."""

from __future__ import annotations

import gc
import sys
from importlib import import_module
from io import TextIOWrapper

import click

from drift._version import __version__

COMMANDS = {
    "On a study (a folder with study.toml)": {
        "new": ("drift.cli.studies", "Write a commented study to fill in, with small example tables."),
        "check": ("drift.cli.studies", "Say everything that is wrong with a study and its tables."),
        "run": ("drift.cli.studies", "Answer every question of a study and write its report."),
        "budget": ("drift.cli.budget", "Say what a reading means as a pressure, and how well."),
        "today": ("drift.cli.today", "Say of one sensor: use it, check it again, or do not use it."),
        "log": ("drift.cli.log", "Write a check, a use or an event into the sensor ledger; export it."),
        "items": ("drift.cli.items", "Fill the items that reporting guidelines ask for."),
        "lock": ("drift.cli.lock", "Fix questions and limits before the data; say what changed."),
        "policy": ("drift.cli.policy", "Compare what counts, checks and recalibration cost."),
    },
    "On one table": {
        "wear": ("drift.cli.tables", "Estimate drift per use from bench checks."),
        "retire": ("drift.cli.tables", "Say after how many uses a sensor should be retired."),
        "recalibrate": ("drift.cli.recalibrate", "Say every how many uses a sensor should be calibrated anew."),
        "calibrate": ("drift.cli.calibrate", "Fit calibration curves; find loads; gains of cells."),
        "lifetimes": ("drift.cli.lifetimes", "Say how long units last, from times of failure or checks."),
        "icc": ("drift.cli.tables", "Estimate reliability: intraclass correlations, SEM and MDC."),
        "gauge": ("drift.cli.gauge", "Gauge R&R, bias and linearity; laboratories by ISO 5725-2."),
        "agree": ("drift.cli.tables", "Compare two methods: bias and limits of agreement."),
        "chart": ("drift.cli.chart", "Chart a check standard: is the rig in control?"),
    },
    "Before a study": {
        "plan": ("drift.cli.plan", "Say how large a study must be, and write its schedule."),
    },
    "On a paper": {
        "review": ("drift.cli.review", "Say whether the numbers a paper prints can be true together."),
    },
    "Handbook": {
        "explain": ("drift.cli.explain", "Explain a method: when to use it, how to read and report it."),
    },
}
KINDS = ("standard", "session", "event", "correction")  # what people take for commands: kinds of entries of the ledger


class Commands(click.Group):
    """A group that imports a command only when it is called; its help needs none of them."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the job."""
        return [name for group in COMMANDS.values() for name in group]

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command."""
        for group in COMMANDS.values():
            if cmd_name in group:
                command: click.Command = getattr(import_module(group[cmd_name][0]), cmd_name)
                return command
        return None

    def resolve_command(self, ctx: click.Context, args: list[str]
                        ) -> tuple[str | None, click.Command | None, list[str]]:
        """Find the command; of one that is not there, name the one that was meant."""
        name = args[0] if args else ""
        if name and not name.startswith("-") and self.get_command(ctx, name) is None:
            from difflib import get_close_matches

            near = get_close_matches(name, self.list_commands(ctx), 1)
            meant = f"drift log STUDY {name}" if name in KINDS else f"drift {near[0]}" if near else ""
            ctx.fail(f"There is no command {name!r}." + (f" Did you mean '{meant}'?" if meant else ""))
        return super().resolve_command(ctx, args)

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the commands in their two groups."""
        for heading, group in COMMANDS.items():
            with formatter.section(heading):
                formatter.write_dl([(name, text) for name, (_, text) in group.items()], col_spacing=4)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="drift")
def cli() -> None:
    """From repeated-use trials of thin matrix pressure sensors to a defensible retire-after count.

    "drift COMMAND --help" shows what a command takes. Exit codes: 0 done, 1 the input cannot be used,
    2 wrong usage.
    """


def main() -> None:
    """Run the command line; an interrupt ends it with one sentence and code 130."""
    for stream in (sys.stdout, sys.stderr):
        # Minus signs and people's names must get through every pipe and console.
        if isinstance(stream, TextIOWrapper) and stream.isatty():
            stream.reconfigure(errors="replace")
        elif isinstance(stream, TextIOWrapper):
            stream.reconfigure(encoding="utf-8")
    # A command lives for seconds and keeps most of what it makes: a search for cycles at every 700 objects finds none.
    gc.set_threshold(200_000, 20, 20)
    try:
        code = cli.main(prog_name="drift", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, click.Abort):
        print("stopped; earlier output is as it was", file=sys.stderr)
        sys.exit(130)
    except BrokenPipeError:
        sys.stderr.close()
        sys.exit(0)
    sys.exit(code if isinstance(code, int) else 0)


__all__ = ["cli", "main"]
