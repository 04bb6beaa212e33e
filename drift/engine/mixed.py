"""Gaussian linear mixed models with nested random effects: the public names of the engine.

Everything is numpy at its core and works on sufficient statistics, so the cost of a fit does not grow with the
number of rows beyond one pass over them.
"""

from drift.engine.mixed_bootstrap import MixedBootstrap, parametric_bootstrap
from drift.engine.mixed_fit import MixedFit, fit_mixed
from drift.engine.mixed_inference import (
    FixedIntervals,
    FTest,
    StandardErrors,
    fixed_intervals,
    kenward_roger,
    kenward_roger_covariance,
    kenward_roger_test,
    satterthwaite,
    satterthwaite_test,
)
from drift.engine.mixed_intervals import VarianceIntervals, variance_intervals
from drift.engine.mixed_prediction import Blups, blups
from drift.engine.nested import Level, NestedDesign

__all__ = [
    "Blups", "FTest", "FixedIntervals", "Level", "MixedBootstrap", "MixedFit", "NestedDesign", "StandardErrors",
    "VarianceIntervals", "blups", "fit_mixed", "fixed_intervals", "kenward_roger", "kenward_roger_covariance",
    "kenward_roger_test", "parametric_bootstrap", "satterthwaite", "satterthwaite_test", "variance_intervals",
]
