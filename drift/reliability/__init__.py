"""Reliability: how alike readings of the same target are, and how large their measurement error is."""

from drift.reliability.analysis import ReliabilityResult, reliability
from drift.reliability.measurement_error import pooled_repeatability
from drift.reliability.nested_components import (
    combine_uncertainty,
    nested_components,
    nested_levels,
    relative_bias,
)
from drift.reliability.rows import check_question

__all__ = ["ReliabilityResult", "check_question", "combine_uncertainty", "nested_components", "nested_levels",
           "pooled_repeatability", "relative_bias", "reliability"]
