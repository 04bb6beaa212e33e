"""The points of a comparison line, and how many independent units they are worth."""

from __future__ import annotations

import numpy as np
import pytest

from drift.agreement import agreement
from tests.agreement.test_comparison_lines import ask, repeated
from tests.agreement.trial_tables import trial_table


def test_targets_of_very_unequal_numbers_count_for_fewer() -> None:
    frame = repeated(10, 12, seed=4)
    number = frame["participant"].str[1:].astype(int)
    unequal = frame[frame["replicate"].astype(int) < 1 + number]  # 1 to 10 pairs
    pair_by = ("participant", "replicate")
    for data, effective in ((frame, 10.0), (unequal, 55**2 / 385)):
        slope = agreement(trial_table(data), ask("deming", error_ratio=1.0, pair_by=pair_by)).estimate("slope")
        from scipy.special import stdtrit

        assert slope.high - slope.value == pytest.approx(stdtrit(effective - 2, 0.975) * slope.std_error, rel=1e-9)
        assert slope.n == 10
        assert np.isfinite(slope.low)
