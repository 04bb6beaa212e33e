"""Charts of the NIST/SEMATECH e-Handbook, through the engine and through the command's JSON."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.engine.control_charts import (
    baseline,
    calibration_line_chart,
    cusum,
    ewma,
    pooled_sd,
    precision_limit,
)
from tests.published_examples import FOLDER, agrees, load


def asked(*words: str) -> dict[str, Any]:
    found = CliRunner().invoke(cli, ["chart", *words, "--json"])
    assert found.exit_code == 0, found.output
    return json.loads(found.output)  # type: ignore[no-any-return]


def values(result: dict[str, Any]) -> dict[str, float]:
    return {e["name"]: e["value"] for e in result["estimates"]}


def column(result: dict[str, Any], table: str, name: str) -> list[Any]:
    t = next(t for t in result["tables"] if t["name"].endswith(table))
    at = [c["name"] for c in t["columns"]].index(name)
    return [row[at] for row in t["rows"]]


def test_check_standard_of_wafer_137() -> None:
    e = load("nist-check-standard-137")
    d = e.frame()
    s1, df = pooled_sd(d["within_sd"], d["within_df"])
    b = baseline(d["check_value"])
    limit = precision_limit(s1, df, d["within_df"], level=0.95)
    assert agrees(s1, e.expected["s1"])
    assert agrees(b.sd, e.expected["s2"])
    assert agrees(limit[0], e.expected["ucl_sd"])
    assert agrees((limit[0] / s1) ** 2, e.expected["F_0.95_5_125"])
    assert int((d["within_sd"] > limit).sum()) == int(e.unprinted["n_above_ucl_sd"])


def test_check_standard_of_wafer_137_through_the_command() -> None:
    e = load("nist-check-standard-137")
    found = asked(str(FOLDER / "nist-check-standard-137.csv"), "--value", "check_value", "--occasion", "temperature",
                  "--within-sd", "within_sd", "--within-df", "within_df", "--baseline", "all", "--multiplier", "2",
                  "--precision", "0.95")
    v = values(found)
    assert agrees(v["SD within occasions"], e.expected["s1"])
    assert agrees(v["SD between occasions"], e.expected["s2"])
    assert agrees(v["limit of the SD within an occasion"], e.expected["ucl_sd"])
    assert agrees(v["lower control limit"], e.expected["lcl_mean_2s"])
    assert agrees(v["centre"], e.expected["centre"])
    assert agrees(v["upper control limit"], e.expected["ucl_mean_2s"])


def test_cusum_of_section_6323() -> None:
    e = load("nist-cusum-6323")
    x = e.frame()["mean"].to_numpy()
    sums = cusum(x, 325.0, 0.3175)
    for i in range(len(x)):
        assert agrees(sums.high[i], e.expected[f"s_hi_{i + 1:02d}"])
        assert agrees(sums.low[i], e.expected[f"s_lo_{i + 1:02d}"])
    assert int(np.flatnonzero(sums.high > float(e.expected["h"]))[0]) + 1 == 14


def test_cusum_of_section_6323_through_the_command() -> None:
    e = load("nist-cusum-6323")
    found = asked(str(FOLDER / "nist-cusum-6323.csv"), "--value", "mean", "--occasion", "group", "--centre", "325",
                  "--sd", "1", "--cusum", "0.3175 4.1959")
    for i, (up, down) in enumerate(zip(column(found, "control chart", "CUSUM above"),
                                       column(found, "control chart", "CUSUM below"), strict=True), 1):
        assert agrees(up, e.expected[f"s_hi_{i:02d}"])
        assert agrees(down, e.expected[f"s_lo_{i:02d}"])
    assert agrees(values(found)["CUSUM limit"], e.expected["h"])
    first = next(o for o, c in zip(column(found, "signals", "occasion"), column(found, "signals", "chart"),
                                   strict=True) if c == "CUSUM")
    assert first == "14"


def test_ewma_of_section_6324() -> None:
    e = load("nist-ewma-6324")
    found = ewma(e.frame()["value"], 50.0, 2.0539, weight=0.3, width=3.0, steady=True)
    for i, w in enumerate(found.value, 1):
        assert agrees(w, e.expected[f"ewma_{i:02d}"])
    # The page rounds sqrt(0.3/1.7) before multiplying: one unit of the last digit.
    assert agrees(50 + found.half_width[0], e.expected["ucl"], units=1)
    assert agrees(50 - found.half_width[0], e.expected["lcl"], units=1)


def test_ewma_of_section_6324_through_the_command() -> None:
    e = load("nist-ewma-6324")
    found = asked(str(FOLDER / "nist-ewma-6324.csv"), "--value", "value", "--occasion", "order", "--centre", "50",
                  "--sd", "2.0539", "--ewma", "0.3 3", "--steady")
    for i, w in enumerate(column(found, "control chart", "EWMA"), 1):
        assert agrees(w, e.expected[f"ewma_{i:02d}"])
    assert agrees(column(found, "control chart", "EWMA upper")[-1], e.expected["ucl"], units=1)


def test_calibration_line_of_section_2371() -> None:
    e = load("nist-mpc371-linear-calibration-control")
    d = e.frame()
    found = calibration_line_chart(d["measured_um"], d["reference_um"], intercept=0.2357, slope=0.9870, sd=0.06203,
                                   df=38, m=3)
    assert agrees(found.multiplier, e.expected["t_star"])
    assert agrees(found.difference.std(ddof=1), e.expected["sd_calibrated_values"])
    outside = np.abs(found.difference) > found.limit
    assert sorted(set(d["day"][outside])) == [4]
    assert int(outside.sum()) == 3


def test_calibration_line_of_section_2371_through_the_command() -> None:
    e = load("nist-mpc371-linear-calibration-control")
    found = asked(str(FOLDER / "nist-mpc371-linear-calibration-control.csv"), "--value", "measured_um", "--occasion",
                  "day", "--true", "reference_um", "--line", "0.2357 0.9870 0.06203 38")
    assert agrees(values(found)["multiplier t*"], e.expected["t_star"])
    assert agrees(values(found)["SD of calibrated values"], e.expected["sd_calibrated_values"])
    assert values(found)["limit of calibrated values"] == pytest.approx(float(e.unprinted["limit"]), rel=1e-8)
    signal = column(found, "calibration line chart", "signal")
    days = column(found, "calibration line chart", "occasion")
    assert {d for d, s in zip(days, signal, strict=True) if s} == {"4"}


