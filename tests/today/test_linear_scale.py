"""A relative limit on the linear scale is a share of each sensor's own start, so no unit of the reference enters."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drift.engine.sensor_forecast import Mixture, chance_over
from drift.workflow_today import today_of_study

TOML = """[study]
title = "t"
[files]
checks = "checks.csv"
[units.checks]
reading = "count"
reference = "kPa"
[sensitivity]
scale = "linear"
[limits]
sensitivity_change = 0.25
"""


def write(folder: Path, factor: float) -> str:
    rng = np.random.default_rng(3)
    lines = ["sensor,use,reading,reference"]
    for i in range(8):
        start, fall = rng.normal(200, 10), rng.normal(0.006, 0.0008)
        fall, worn = (fall, 31) if i else (0.0072, 46)  # the first sensor has gone past the limit
        lines += [f"P{i + 1},{u},{start * (1 - fall * u) + rng.normal(0, 1):.3f},{200 * factor:g}"
                  for u in range(0, worn, 5)]
    folder.mkdir()
    (folder / "checks.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (folder / "study.toml").write_text(TOML, encoding="utf-8")
    return str(folder)


def test_the_verdict_does_not_depend_on_the_unit_of_the_reference(tmp_path: Path) -> None:
    found = {f: today_of_study(write(tmp_path / str(f), f), None).parts[0] for f in (0.1, 1.0, 10.0)}
    one = found[1.0].table("sensors today")
    assert "do not use" in set(one["verdict"])
    assert "use" in set(one["verdict"])
    left = one["left, median"][one["verdict"] == "use"]
    assert np.all((left > 3) & (left < 25))  # 0.25/0.006 is 42 uses from fresh on, of which 30 are over
    for f in (0.1, 10.0):
        other = found[f].table("sensors today")
        for name in ("sensor", "verdict", "left, median", "left, lower bound"):
            assert list(other[name]) == list(one[name])
        fan, same = found[f].table("forecast"), found[1.0].table("forecast")
        np.testing.assert_allclose(fan["50 %"], same["50 %"], rtol=1e-6)
        assert fan["limit"][0] == pytest.approx(75)


def test_the_chance_of_a_share_lost_is_that_of_drawn_lines() -> None:
    mean, cov = np.array([[2.0, -0.01]]), np.array([[[0.04, -0.0006], [-0.0006, 0.00002]]])
    line = Mixture(np.ones(1), mean, cov, np.ones(1))
    start, slope = np.random.default_rng(1).multivariate_normal(mean[0], cov[0], 200_000).T
    for use in (20.0, 50.0, 90.0):
        drawn = np.mean(-slope * use / start > 0.25)
        assert float(chance_over(line, [use], 0.25, sign=-1.0, relative=True, share=True)[0]) == pytest.approx(
            drawn, abs=0.005)
