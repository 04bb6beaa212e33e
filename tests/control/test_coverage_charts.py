"""The simulated laboratories of the coverage table are judged as a laboratory's own table is."""

from __future__ import annotations

import numpy as np

from drift.control import ChartSpec, chart_standard
from tests.control.test_charts import occasions
from tests.coverage import control_charts as family


def test_a_simulated_growing_baseline_is_the_one_of_the_chart() -> None:
    x = np.random.default_rng(3).standard_normal((40, 50))
    x[20:, 20:] += 1.5
    m, out = family.grown(x)
    for i in range(40):
        for t in (6, 12, 25, 40, 50):
            found = chart_standard(occasions(x[i, :t]), ChartSpec())
            assert bool(found.latest) == out[i, t - 1]
            assert (found.stopped or 50) == (m[i] if m[i] < t else 50)


def test_a_simulated_baseline_is_called_changed_as_that_of_a_chart() -> None:
    x = np.random.default_rng(4).standard_normal((60, 20))
    x[30:, 12:] += 2.2
    changed = family._changed(x)
    for i in range(60):
        found = chart_standard(occasions(np.r_[x[i], 0.0]), ChartSpec(baseline=20))
        assert (bool(found.odd) or found.step is not None) == changed[i]
    assert changed[30:].mean() > 0.3
