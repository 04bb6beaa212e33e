"""Limits of all charts together hold one stated rate; a baseline that changed itself is not called in control."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.control import ChartSpec, chart_standard, chart_table, judge_rig
from drift.engine.baseline_step import largest_step, step_rather_than_alike
from drift.engine.control_charts import ChartLimits, any_alarm, individuals_factor
from drift.engine.joint_limits import RATES, joint_limits, mean_rate
from tests.control.test_charts import occasions, steady
from tests.references import joint_limits as reference


@pytest.mark.parametrize("n", [5, 10, 20, 27, 50, None])
def test_a_good_rig_is_past_any_limit_at_the_stated_rate(n: int | None) -> None:
    assert any_alarm(n, joint_limits(n)).occasions == pytest.approx(0.01, abs=0.0012)
    one = any_alarm(n, joint_limits(n, two_sided=False), two_sided=False).occasions
    assert one == pytest.approx(0.01, abs=0.0012)


def test_limits_of_each_chart_by_itself_are_passed_far_more_often() -> None:
    assert any_alarm(20, ChartLimits(individuals_factor(20), 2.86, 4.77)).occasions > 0.06


def test_with_the_scatter_inside_occasions_the_rate_is_the_same() -> None:
    both = joint_limits(20, rate=mean_rate(within=True))
    assert any_alarm(20, both, precision=0.9975).occasions == pytest.approx(0.01, abs=0.0012)


def test_the_table_is_what_its_script_makes() -> None:
    found = reference.limits(reference.statistics(10, runs=6_000, rng=np.random.default_rng(3)), 0.01)
    np.testing.assert_allclose(found, joint_limits(10), rtol=0.08)


def test_limits_widen_with_fewer_occasions_and_rarer_alarms() -> None:
    wide = [joint_limits(n) for n in (3, 5, 8, 20, 33, 50, 300, None)]
    assert all(a > b for one, two in pairwise(wide) for a, b in zip(one, two, strict=True))
    rare = [joint_limits(20, rate=r) for r in RATES]
    assert all(a > b for one, two in pairwise(rare) for a, b in zip(one, two, strict=True))
    with pytest.raises(ValueError, match="tabled for the rates"):
        joint_limits(20, rate=0.3)
    with pytest.raises(ValueError, match="three occasions"):
        joint_limits(2)


def test_the_test_of_a_baseline_has_its_size_and_finds_a_step() -> None:
    rng = np.random.default_rng(7)
    p = np.array([largest_step(rng.standard_normal(20), runs=399).p for _ in range(1500)])
    assert np.mean(p <= 0.05) == pytest.approx(0.05, abs=4 * np.sqrt(0.05 * 0.95 / 1500))
    x = rng.standard_normal(20)
    x[11:] -= 3
    found = largest_step(x)
    assert found.at == 11
    assert found.size < -2
    assert found.p < 0.005
    assert largest_step(np.full(8, 3.0)).p == 1.0
    with pytest.raises(ValueError, match="five occasions"):
        largest_step([1.0, 2.0, 3.0])


def test_units_and_direction_of_time_change_no_step() -> None:
    x = np.random.default_rng(3).normal(0, 1, 24)
    x[9:] += 2
    one, two, back = largest_step(x), largest_step(5 - 3 * x), largest_step(x[::-1])
    assert (one.at, one.p) == (two.at, two.p)
    assert two.size == pytest.approx(-one.size)
    assert back.at == 24 - one.at


def test_a_step_is_told_from_occasions_that_are_alike() -> None:
    rng = np.random.default_rng(4)
    x = rng.standard_normal(40)
    x[20:] += 4
    assert step_rather_than_alike(x, 20)
    walk = np.zeros(200)
    for t in range(1, 200):
        walk[t] = 0.8 * walk[t - 1] + rng.standard_normal()
    assert not step_rather_than_alike(walk, largest_step(walk, runs=99).at)


def test_a_baseline_with_a_step_inside_is_not_in_control() -> None:
    x = steady(25)
    x[10:] += 0.5  # before, "in control": the step had widened the limits
    found = chart_standard(occasions(x), ChartSpec(baseline=20))
    assert not found.latest
    assert found.step is not None
    assert found.step.at == 10
    told = chart_table((occasions(x),), ChartSpec(baseline=20), question="q")
    assert told.answer.startswith("Check again before use: the baseline itself changed: from occasion 11 on")
    assert "baseline-step" in [f.code for f in told.findings]
    back = chart_table((occasions(x),), ChartSpec(baseline=10**9), question="q")
    assert "The baseline itself changed: from occasion 11 on" in back.answer


def test_another_standard_with_a_sound_baseline_speaks_for_the_rig() -> None:
    x = steady(25)
    x[10:] += 0.5
    one, two = (chart_standard(occasions(v, n), ChartSpec(baseline=20)) for v, n in ((x, "A"), (steady(25, 2), "B")))
    found = judge_rig((one, two))
    assert found.status == "fit"
    assert ": B); the baseline of A itself changed" in found.sentence
    assert found.sentence.endswith("so that A does not count")
    assert [f.code for f in found.findings] == ["baseline-step"]


def test_good_baselines_are_called_changed_at_the_stated_size() -> None:
    rng = np.random.default_rng(5)
    held = [chart_standard(occasions(rng.normal(10, 0.1, 21)), ChartSpec(baseline=20)) for _ in range(600)]
    wrong = np.mean([bool(c.odd) or c.step is not None for c in held])
    assert wrong <= 0.01 + 4 * np.sqrt(0.01 / 600)


@pytest.mark.parametrize(("option", "value", "said"), [
    ("--ewma", "2 3", "the weight of the newest occasion lies above 0 and up to 1"),
    ("--ewma", "0.2 -1", "limits are a number of SDs above 0"),
    ("--ewma", "0.2", "is not 2 numbers separated by spaces"),
    ("--cusum", "-1 0", "the slack is 0 or more SDs"),
    ("--cusum", "0.5 0", "the limit is a number of SDs above 0"),
    ("--cusum", "nan 4", "is not 2 numbers"),
])
def test_settings_that_cannot_be_are_refused_in_words(option: str, value: str, said: str) -> None:
    from tests.published_examples import FOLDER

    shown = CliRunner().invoke(cli, ["chart", str(FOLDER / "nist-ewma-6324.csv"), "--value", "value", "--occasion",
                                     "value", option, value])
    assert shown.exit_code == 2
    assert said in " ".join(shown.output.replace("│", " ").split())
