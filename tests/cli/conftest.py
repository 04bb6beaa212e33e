"""One small study for all tests of the command line."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from drift.cli import cli


@pytest.fixture(scope="session")
def study(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A study as ``drift new`` writes it."""
    folder = tmp_path_factory.mktemp("new") / "study"
    assert CliRunner().invoke(cli, ["new", str(folder)]).exit_code == 0
    return folder


@pytest.fixture
def drift() -> Callable[..., Result]:
    """Run a command in this process."""
    def call(*words: object) -> Result:
        result = CliRunner().invoke(cli, [str(w) for w in words])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return result

    return call
