"""The points of a comparison line, and how many independent units they are worth."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from scipy.special import stdtrit

from drift.agreement import agreement
from drift.agreement.line_points import PLAUSIBLE
from drift.cli import cli
from drift.report.drawing import make
from drift.report.figures_of_lines import line_drawings
from tests.agreement.test_comparison_lines import ask, repeated
from tests.agreement.trial_tables import long_form, trial_table


def test_targets_of_very_unequal_numbers_count_for_fewer() -> None:
    frame = repeated(10, 12, seed=4)
    number = frame["participant"].str[1:].astype(int)
    unequal = frame[frame["replicate"].astype(int) < 1 + number]  # 1 to 10 pairs
    pair_by = ("participant", "replicate")
    for data, effective in ((frame, 10.0), (unequal, 55**2 / 385)):
        slope = agreement(trial_table(data), ask("deming", error_ratio=1.0, pair_by=pair_by)).estimate("slope")
        assert slope.high - slope.value == pytest.approx(stdtrit(effective - 2, 0.975) * slope.std_error, rel=1e-9)
        assert slope.n == 10
        assert np.isfinite(slope.low)


def few_targets(seed: int = 4, n: int = 4, sensors: int = 8) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    p, k = (v.ravel() for v in np.meshgrid(np.arange(n), np.arange(sensors), indexing="ij"))
    true = np.linspace(50, 300, n)[p]
    a, b = true + rng.normal(0, 8, len(p)), true + rng.normal(0, 4, len(p))
    return long_form(a, b, participant=[f"P{i}" for i in p], sensor=[f"S{i}" for i in k])


def test_few_targets_on_many_sensors_give_no_means_of_sensors() -> None:
    result = agreement(trial_table(few_targets()), ask("passing-bablok", pair_by=("participant", "sensor")))
    refusal, = [f for f in result.findings if f.code == "line-refused"]
    assert "the mean of each participant, and 4 of them are fewer than 5" in refusal.message
    assert refusal.message in result.answer
    assert np.isnan(result.estimate("slope").value)


def test_targets_that_stand_once_on_repeated_sensors_stay_points_without_an_interval() -> None:
    frame = few_targets(n=40, sensors=1)
    frame["sensor"] = [f"S{i % 8}" for i in frame["participant"].str[1:].astype(int)]
    result = agreement(trial_table(frame), ask("passing-bablok", pair_by=("participant", "sensor")))
    alone = agreement(trial_table(frame.drop(columns="sensor")), ask("passing-bablok"))
    assert result.estimate("slope").value == alone.estimate("slope").value
    assert np.isnan(result.estimate("slope").low)
    said, = [f for f in result.findings if f.code == "line-without-interval"]
    assert said.message.startswith("Sensor repeats, and Passing-Bablok has no interval for that")


def test_the_linked_ratio_is_that_within_targets_though_only_sensors_are_left_out() -> None:
    frame = few_targets(seed=2)
    asked = ask("deming", pair_by=("participant", "sensor"), error_ratio="replicates")
    ratio = agreement(trial_table(frame), asked).estimate("ratio of error variances")
    assert ratio.low < 4 < ratio.high
    wide = frame.pivot(index=["participant", "sensor"], columns="method", values="reading")
    left = wide - wide.groupby("participant").transform("mean")
    slope = agreement(trial_table(frame), asked).estimate("slope").value
    cross = float((left["a"] * left["b"]).sum())
    top, bottom = float((left["a"] ** 2).sum()) - slope * cross, float((left["b"] ** 2).sum()) - cross / slope
    assert ratio.value == pytest.approx(top / bottom, rel=0.02)  # its slope is that of the target means


def moving(seed: int = 7) -> pd.DataFrame:
    """Twelve targets, three pairs each, whose true value moves far more than either method errs."""
    rng = np.random.default_rng(seed)
    code = np.repeat(np.arange(12), 3)
    true = rng.normal(260, 60, 12)[code] + rng.normal(0, 12, 36)
    a, b = true + 6 + rng.normal(0, 6, 12)[code] + rng.normal(0, 5, 36), true + rng.normal(0, 5, 36)
    return long_form(a, b, participant=[f"P{i:02d}" for i in code], replicate=[f"{i % 3}" for i in range(36)])


def test_a_ratio_that_replicates_do_not_tell_is_said_and_the_line_holds_over_ratios() -> None:
    table, pair_by = trial_table(moving()), ("participant", "replicate")
    result = agreement(table, ask("deming", pair_by=pair_by, error_ratio="replicates"))
    assert {f.code for f in result.findings} & {"ratio-not-told", "narrow-range"} == {"ratio-not-told"}
    assert np.isnan(result.estimate("ratio of error variances").value)
    slope = result.estimate("slope")
    each = [agreement(table, ask("deming", pair_by=pair_by, error_ratio=v)).estimate("slope") for v in PLAUSIBLE]
    assert slope.value == pytest.approx(each[1].value)
    assert [slope.low, slope.high] == pytest.approx([min(e.low for e in each), max(e.high for e in each)])
    assert "The replicates do not tell the ratio of error variances" in result.answer
    path = result.table("comparison line path").to_frame()
    assert ((path.low < path.fit) & (path.fit < path.high)).all()


def test_a_refused_line_is_said_in_the_answer() -> None:
    rng = np.random.default_rng(1)
    a = np.arange(20.0)
    result = agreement(trial_table(long_form(a + rng.normal(size=20), a)), ask("deming", error_ratio="replicates"))
    assert "No Deming line can be given: nothing is repeated" in result.answer


def test_a_difference_that_is_shown_and_harmless_is_said_as_such() -> None:
    for seed in range(40):
        rng = np.random.default_rng(seed)
        true = rng.uniform(190, 330, 30)
        frame = long_form(true + 4 + 6 * rng.normal(size=30), true + 6 * rng.normal(size=30))
        answer = agreement(trial_table(frame), ask("deming", harmless=30.0)).answer
        if "a difference is thus shown" in answer:
            break
    assert "which each allow agreement. It puts" in answer
    assert "a difference is thus shown, but within the harmless 30 kPa at all three" in answer


def test_a_line_on_means_is_drawn_and_captioned_with_its_means() -> None:
    pair_by = ("participant", "replicate")
    result = agreement(trial_table(repeated(12, 6)), ask("deming", "passing-bablok", pair_by=pair_by))
    table = result.table("comparison line points").to_frame()
    assert table.groupby("line").size().to_dict() == {"passing-bablok": 12}
    drawn = {name.split()[1]: (title, draw, size) for name, title, draw, size in line_drawings(result)}
    figures = {k: make(k, title, draw, size=size) for k, (title, draw, size) in drawn.items()}
    assert "(the means of 12 levels of participant)" in figures["passing-bablok"].caption
    assert "mean of a participant" in figures["passing-bablok"].svg
    assert "(72 pairs)" in figures["deming"].caption
    assert "mean of a" not in figures["deming"].svg


def test_a_band_that_leaves_the_picture_is_said_to() -> None:
    rng = np.random.default_rng(7)
    errors, shared = rng.normal(size=(2, 20)), rng.normal(size=20)
    wide, near = (agreement(trial_table(long_form(*(100 + errors + k * shared))), ask("deming")) for k in (1.2, 20))
    for result, cut in ((wide, True), (near, False)):
        _, title, draw, size = line_drawings(result)[0]
        assert ("It is cut where it leaves the picture." in make("x", title, draw, size=size).caption) is cut


def test_what_is_said_of_lines_on_the_command_line_names_options(tmp_path: Path, monkeypatch: pytest.MonkeyPatch
                                                                 ) -> None:
    monkeypatch.setenv("COLUMNS", "160")
    path = tmp_path / "t.csv"
    moving().assign(third="x").to_csv(path, index=False)

    def said(*options: str) -> str:
        done = CliRunner().invoke(cli, ["agree", str(path), "--compare", "method", "--line", "deming", *options])
        return " ".join(done.output.split())

    several = said("--methods", "a,b,c", "--pair-by", "participant,replicate")
    assert "--line: lines compare two methods" in several
    assert "with --a and --b" in several
    assert "--lines" not in several
    two = ("--a", "a", "--b", "b", "--pair-by")
    assert "Take it out of --pair-by" in said(*two, "participant,method")
    varying = said("--a", "a", "--b", "b", "--truth", "constant", "--target", "participant", "--pair-by", "replicate")
    assert "ay --truth varying" in varying
    assert not any(word in said(*two, "participant,replicate", "--error-ratio", "replicates")
                   for word in ("pair_by", "error_ratio", "set truth"))
