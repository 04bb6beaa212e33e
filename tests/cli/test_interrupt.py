"""An interrupt ends a command in one sentence and leaves nothing half done."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

import drift.cli


def test_an_interrupt_is_one_sentence_and_code_130(monkeypatch: pytest.MonkeyPatch,
                                                   capsys: pytest.CaptureFixture[str]) -> None:
    def stop(**options: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(drift.cli.cli, "main", stop)
    with pytest.raises(SystemExit, match="130"):
        drift.cli.main()
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err == "stopped; earlier output is as it was\n"


def test_a_run_that_is_interrupted_leaves_nothing(study: Path, tmp_path: Path) -> None:
    if os.name != "posix":
        return
    child = subprocess.Popen([sys.executable, "-m", "drift", "run", str(study), "--out", str(tmp_path / "out")],
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=Path(__file__).parents[2])
    until = time.monotonic() + 60
    while not list(tmp_path.iterdir()) and time.monotonic() < until:  # the new output is being made beside the old
        time.sleep(0.01)
    child.send_signal(signal.SIGINT)
    out, err = child.communicate(timeout=60)
    assert child.returncode == 130
    assert out == ""
    assert err.strip() == "stopped; earlier output is as it was"
    assert list(tmp_path.iterdir()) == []


def test_output_gets_through_a_pipe_that_knows_ascii_only(study: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "drift", "wear", str(study / "checks.csv"), "--json"], check=False,
                          capture_output=True, cwd=Path(__file__).parents[2],
                          env={**os.environ, "PYTHONIOENCODING": "ascii"})
    assert done.returncode == 0
    assert json.loads(done.stdout.decode("utf-8"))["command"] == "wear"
