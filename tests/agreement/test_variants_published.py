"""Published agreement examples through ``drift agree --json``, to their printed digits.

Bland & Altman (1986) take limits at 2 SD, their later paper at 1.96: ``--multiplier 2`` repeats the first. Intervals of
limits in both papers are by the approximation sqrt(3/n) SD; ours are exact, and are compared by how they differ.
"""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from drift.cli import cli
from tests.published_examples import agrees, load

FOLDER = Path(__file__).parents[1] / "published"


def ran(name: str, *options: str) -> dict[str, Any]:
    """Return the JSON object of the command on a published table."""
    done = CliRunner().invoke(cli, ["agree", str(FOLDER / f"{name}.csv"), *options, "--json"])
    assert done.exit_code == 0, done.output
    found: dict[str, Any] = json.loads(done.output)
    return found


def estimate(found: dict[str, Any], name: str) -> dict[str, Any]:
    return next(e for e in found["estimates"] if e["name"] == name)


def rows(found: dict[str, Any], name: str, **where: str) -> list[dict[str, Any]]:
    table = next(t for t in found["tables"] if t["name"] == name)
    made = [dict(zip((c["name"] for c in table["columns"]), r, strict=True)) for r in table["rows"]]
    return [r for r in made if all(r[k] == v for k, v in where.items())]


PEFR = ("--compare", "meter", "--a", "large", "--b", "mini", "--pair-by", "subject", "--target", "subject", "--value",
        "pefr", "--where", "replicate=1")
SBP = ("--compare", "method", "--a", "J", "--b", "S", "--pair-by", "subject", "--target", "subject", "--value", "sbp")
PLASMA = ("--compare", "method", "--a", "Nadler", "--b", "Hurley", "--pair-by", "subject", "--target", "subject",
          "--value", "plasma_volume_pct")
MILK = ("--compare", "method", "--a", "Trig", "--b", "Gerber", "--pair-by", "sample", "--target", "sample", "--value",
        "fat_g_per_100ml")


def test_peak_flow_of_1986_with_2_sd():
    example = load("bland-altman-1986-pefr")
    found = ran("bland-altman-1986-pefr", *PEFR, "--multiplier", "2")
    bias = estimate(found, "bias")
    assert agrees(bias["value"], example.expected["bias"])
    assert agrees(bias["std_error"], example.expected["se_bias"])
    assert agrees(estimate(found, "SD of differences")["value"], example.expected["sd_diff"])
    # print builds limits and interval from the rounded SD and SE
    for name, printed in zip(("lower limit", "upper limit"), example.expected["loa_2sd"], strict=True):
        assert agrees(estimate(found, name)["value"], printed, units=1)
    for end, printed in zip(("low", "high"), example.expected["ci_bias"], strict=True):
        assert agrees(bias[end], printed, units=1)
    said, = [f["message"] for f in found["findings"] if f["code"] == "multiplier"]
    assert "2 SD, which hold 95.4 % of normal differences" in said
    assert "95.4 % of differences are expected" in found["answer"]


def test_the_default_is_1_96_and_does_not_give_the_limits_printed_in_1986():
    example = load("bland-altman-1986-pefr")
    found = ran("bland-altman-1986-pefr", *PEFR)
    for name, printed in zip(("lower limit", "upper limit"), example.expected["loa_2sd"], strict=True):
        assert not agrees(estimate(found, name)["value"], printed, units=5)
    assert not any(f["code"] == "multiplier" for f in found["findings"])


def test_the_printed_approximate_intervals_of_1986_are_even_on_both_sides_and_ours_are_not():
    example = load("bland-altman-1986-pefr")
    limit = estimate(ran("bland-altman-1986-pefr", *PEFR, "--multiplier", "2"), "upper limit")
    low, high = (float(v) for v in example.expected["ci_upper_loa"])
    assert limit["value"] - limit["low"] < limit["high"] - limit["value"]
    assert low < limit["low"] < limit["value"]
    assert limit["high"] > high


def test_blood_pressure_of_1999():
    example = load("bland-altman-1999-sbp").expected["single_J_minus_S"]
    found = ran("bland-altman-1999-sbp", *SBP, "--where", "replicate=1", "--unit", "mmHg")
    bias = estimate(found, "bias")
    assert agrees(bias["value"], example["bias"])
    assert agrees(estimate(found, "SD of differences")["value"], example["sd"])
    for end, printed in zip(("low", "high"), example["ci_bias"], strict=True):
        assert agrees(bias[end], printed)
    for name, printed in zip(("lower limit", "upper limit"), example["loa"], strict=True):
        assert agrees(estimate(found, name)["value"], printed)


def test_blood_pressure_of_1999_with_replicates():
    example = load("bland-altman-1999-sbp").expected["replicated_J_minus_S"]
    found = ran("bland-altman-1999-sbp", *SBP, "--truth", "constant")
    assert agrees(estimate(found, "bias")["value"], example["bias"])
    assert agrees(estimate(found, "SD of differences")["value"], example["corrected_sd"])
    for name, printed in zip(("lower limit", "upper limit"), example["loa"], strict=True):
        assert agrees(estimate(found, name)["value"], printed)


def test_plasma_volume_of_1999_as_ratios():
    example = load("bland-altman-1999-plasma-volume-log").expected
    found = ran("bland-altman-1999-plasma-volume-log", *PLASMA)
    bias, low, high = (rows(found, "limits", variant="ratio (log scale)", limit=name)[0]
                       for name in ("bias", "lower limit", "upper limit"))
    assert agrees(math.log(bias["value"]), example["mean_log_diff"])
    for row, log, ratio in zip((low, high), example["loa_log"], example["loa_ratio"], strict=True):
        assert agrees(math.log(row["value"]), log)
        assert agrees(row["value"], ratio)
    # the interval of the ratio: t on the log scale, 99 pairs
    assert bias["low"] < bias["value"] < bias["high"]
    # the paper goes to logs because differences grow with the mean; so do we
    assert "Ratio limits fit better" in found["answer"]
    assert rows(found, "limits, plain and proposed", variant="ratio limits")


def test_milk_fat_of_1999_on_a_line():
    example = load("bland-altman-1999-milk-fat-regression")
    found = ran("bland-altman-1999-milk-fat-regression", *MILK)
    for name, printed in zip(("lower limit", "upper limit"), example.expected["simple_loa"], strict=True):
        assert agrees(estimate(found, name)["value"], printed)
    lows, highs = (rows(found, "limits", variant="regression on mean, constant SD", limit=name)
                   for name in ("lower limit", "upper limit"))
    middle = [(a["value"] + b["value"]) / 2 for a, b in zip(lows, highs, strict=True)]
    at = [r["at"] for r in lows]
    slope = (middle[-1] - middle[0]) / (at[-1] - at[0])
    assert agrees(slope, example.expected["slope"])
    assert agrees(middle[0] - slope * at[0], example.expected["intercept"])
    assert agrees((highs[0]["value"] - lows[0]["value"]) / (2 * 1.96), example.expected["residual_sd"])
    trend, = rows(found, "checks", check="trend with size")
    assert agrees(trend["value"], example.expected["slope"])
    assert len(rows(found, "regression limits")) == 25


@pytest.mark.parametrize("name", ["bland-altman-1986-pefr", "bland-altman-1999-milk-fat-regression"])
def test_the_files_say_what_they_print(name):
    assert load(name).expected
