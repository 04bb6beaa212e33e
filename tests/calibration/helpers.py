"""Tables of checks made in memory, and the command line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from click.testing import CliRunner, Result

from drift.calibration import CalibrationResult, calibrate_curves
from drift.cli import cli
from drift.ingest import read_one_table
from drift.study import study_from_dict

PUBLISHED = Path(__file__).parents[1] / "published"
DEMO = Path(__file__).parents[2] / "demo_trials" / "calibration"


def calibrated(frame: pd.DataFrame, **question: Any) -> CalibrationResult:
    """Calibrate a frame whose columns have our names."""
    asked = {"study": {"title": "t", "duplicates": "keep"}, "files": {"checks": "t.csv"},
             "calibration": [{"name": "calibration", **question}]}
    study = study_from_dict(asked)
    reading = read_one_table(frame, "checks", study)
    assert reading.tables.checks is not None, reading.findings
    return calibrate_curves(reading.tables.checks, study.calibration[0])


def levels(y: Any, x: Any, **more: Any) -> pd.DataFrame:
    """Return a frame of references and readings."""
    return pd.DataFrame({"reference": np.asarray(x, dtype=float), "reading": np.asarray(y, dtype=float), **more})


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, ["calibrate", *(str(w) for w in words)])


def answer(*words: object) -> dict[str, Any]:
    """Return what --json prints."""
    out = run(*words, "--json")
    assert out.exit_code == 0, out.output
    data: dict[str, Any] = json.loads(out.stdout)
    return data


def estimate(data: dict[str, Any], name: str, **of: str) -> dict[str, Any]:
    """Return the first estimate of that name and those labels."""
    found = [e for e in data["estimates"] if e["name"] == name and all(e["of"].get(k) == v for k, v in of.items())]
    assert found, (name, [e["name"] for e in data["estimates"]])
    return dict(found[0])
