"""A Weibull shape that is given leads the answer; where nothing can be fitted, exact bounds of shares do."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.retirement.life_bounds import exact_share, units_needed
from drift.retirement.life_study import LifeSpec, LifetimesResult, lifetimes
from tests.retirement.test_life_quoted import observed

LIFE = "lower bound of the life by which 10 % fail, shape given"


def answered(lower: list[float], upper: list[float], **spec: float) -> LifetimesResult:
    return lifetimes(observed(lower, upper), LifeSpec(draws=49, **spec))


@pytest.mark.parametrize(("upper", "bound"), [([10.0, np.inf, np.inf], 7.542), ([np.inf] * 3, 9.065)])
def test_the_shape_that_was_given_leads_the_answer(upper: list[float], bound: float) -> None:
    # Nelson (1985): (2 x sum t^b / chi2(0.95; 2r + 2))^(1/b) x (-ln 0.9)^(1/b), by hand.
    result = answered([10.0, 20.0, 30.0], upper, shape=2.5)
    assert result.estimate(LIFE, shape="2.5").value == pytest.approx(bound, abs=5e-4)
    first = result.answer.split(". ")[1]
    assert first.startswith("With the Weibull shape of 2.5 that was given")
    assert f"at least 90 % last {bound:.3f} uses" in " ".join(result.answer.split())
    mends = " ".join(f.mend for f in result.findings)
    assert "take a shape" not in mends
    assert "fixed shape" not in mends


def test_with_a_failure_the_life_and_what_an_open_shape_says_stand_beside_it() -> None:
    result = answered([10.0, 20.0, 30.0], [10.0, np.inf, np.inf], shape=2.5)
    eta = (10**2.5 + 20**2.5 + 30**2.5) ** 0.4  # one failure
    told = result.estimate("life by which 10 % fail, shape given", shape="2.5").value
    assert told == pytest.approx(eta * (-math.log(0.9)) ** 0.4, rel=1e-6)
    assert "With the shape left open" in result.answer
    assert result.life().name == "life by which 10 % fail"
    plain = answered([10.0, 20.0, 30.0], [10.0, np.inf, np.inf])
    assert "see the fixed shapes" in plain.answer
    assert not [e for e in plain.estimates if e.name.endswith("shape given")]


@pytest.mark.parametrize(("shape", "said"), [(1.0, "flatter"), (40.0, "steeper"), (8.0, "")])
def test_a_shape_that_these_lives_do_not_allow_is_said_to_fit_badly(shape: float, said: str) -> None:
    lives = list(30 * np.random.default_rng(3).weibull(8, 20))
    found = {f.code: f for f in answered(lives, lives, shape=shape).findings}
    assert ("shape-does-not-fit" in found) is bool(said)
    if said:
        assert said in found["shape-does-not-fit"].message


def test_the_caution_of_an_open_shape_does_not_stand_against_the_answer_by_a_given_one() -> None:
    result = answered([0.0, 0.0, 0.0], [10.0, 10.0, 10.0], shape=2.5)
    told = next(f for f in result.findings if f.code == "no-life-distribution")
    assert told.message.startswith("No distribution can be fitted with the shape left open")
    assert "still fit" not in result.estimate("failures seen").method


def test_the_bound_with_the_right_shape_is_safe() -> None:
    rng, held = np.random.default_rng(5), 0
    for _ in range(200):
        life = np.minimum(rng.weibull(2.5, 6) * 40, 1e9)
        ends = np.where(life < 25, life, np.inf)
        total = (np.minimum(life, 25.0) ** 2.5).sum()
        r = int(np.isfinite(ends).sum())
        from scipy.special import chdtri
        held += (2 * total / chdtri(2 * r + 2, 0.05)) ** 0.4 <= 40
    assert held >= 183


def test_all_lives_in_one_interval_have_exact_bounds_and_a_next_step() -> None:
    result = answered([20.0] * 5, [30.0] * 5)
    share = result.estimate("share still fit, exact bound", at="20 uses")
    assert share.low == pytest.approx(100 * 0.05 ** (1 / 5), rel=1e-12)
    assert share.level == 0.95
    failed = result.estimate("share failed, exact bound", at="30 uses")
    assert failed.low == share.low
    assert "at least 54.9 % last 20 uses and at least 54.9 % have failed by 30 uses" in " ".join(result.answer.split())
    (found,) = [f for f in result.findings if f.code == "no-life-distribution"]
    assert "Check oftener between 20 and 30 uses" in found.mend
    assert "29 units" in found.mend


def test_nothing_is_said_of_a_share_that_no_unit_shows() -> None:
    result = answered([0.0] * 4, [30.0] * 4)
    assert not [e for e in result.estimates if e.name == "share still fit, exact bound"]
    assert "have failed by 30 uses" in result.answer
    mixed = answered([20.0, 20.0, 25.0], [30.0, 30.0, np.inf])
    assert not [e for e in mixed.estimates if e.name == "share failed, exact bound"]
    assert mixed.estimate("share still fit, exact bound", at="20 uses").n == 3


def test_the_number_of_units_is_the_smallest_that_will_do() -> None:
    for share in (0.01, 0.05, 0.1, 0.25):
        n = units_needed(share, 0.95)
        assert exact_share(n, 0.95) >= 1 - share > exact_share(n - 1, 0.95)
    assert units_needed(0.10, 0.95) == 29
    assert units_needed(0.10, 0.90) == 22


def test_the_command_line_puts_the_given_shape_first(tmp_path: Path) -> None:
    (tmp_path / "l3.csv").write_text("id,uses,what\na,10,1\nb,20,0\nc,30,0\n")
    out = CliRunner().invoke(cli, ["lifetimes", str(tmp_path / "l3.csv"), "--time", "uses", "--event", "what",
                                   "--shape", "2.5", "--quiet"])
    assert "at least 90 % last 7.542 uses" in " ".join(out.stdout.split()).split("With the shape left open")[0]
