"""Help: complete, and without loading what it does not need."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable

import pytest
from click.testing import Result

from drift.cli import COMMANDS

Drift = Callable[..., Result]
NAMES = [name for group in COMMANDS.values() for name in group]


def test_help_lists_every_command(drift: Drift) -> None:
    shown = drift("--help").stdout
    for group in COMMANDS.values():
        for name, (_, text) in group.items():
            assert name in shown
            assert text in shown


@pytest.mark.parametrize("name", NAMES)
def test_every_command_explains_itself(drift: Drift, name: str) -> None:
    result = drift(name, "--help")
    assert result.exit_code == 0
    assert "--json" in result.stdout


def test_help_loads_no_numerical_library() -> None:
    program = ("import sys; from drift.cli import cli; cli.main(['--help'], standalone_mode=False); "
               "heavy = {'numpy', 'pandas', 'scipy', 'matplotlib', 'pydantic', 'pint', 'jinja2'} & set(sys.modules); "
               "sys.exit(str(sorted(heavy)) if heavy else 0)")
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_the_package_runs_as_a_module() -> None:
    done = subprocess.run([sys.executable, "-m", "drift", "--version"], capture_output=True, text=True, check=False)
    assert done.returncode == 0
    assert done.stdout.startswith("drift, version ")


@pytest.mark.parametrize("words", [("no-such-command",), ("icc",), ("agree", "x.csv"), ("run", "no-such-folder"),
                                   ("retire", __file__, "--level", "95", "--limit", "10"),
                                   ("wear", __file__, "--scale", "x")])
def test_wrong_usage_is_code_two(drift: Drift, words: tuple[str, ...]) -> None:
    result = drift(*words)
    assert result.exit_code == 2
    assert result.stdout == ""


def test_half_of_the_wide_form_is_wrong_usage(drift: Drift) -> None:
    result = drift("agree", __file__, "--a-column", "one")
    assert result.exit_code == 2
    assert "both --a-column and --b-column" in " ".join(result.stderr.split())
