"""Calibration curves against a library in the same process; run by hand.

Usage: ``python -m tests.speed.bench_calibration``. Ours: every curve that is tried (six models, two by nonlinear least
squares), the variance model averaged over its power, lack of fit, AICc, tables, cautions and the quoted coverage. The
peer fits one curve: a power law by ``scipy.optimize.curve_fit``, a quadratic by ``numpy.polyfit`` with its covariance.
"""

from __future__ import annotations

import numpy as np
from scipy.optimize import curve_fit

from drift.engine.curve_averaged import fit_averaged
from drift.engine.curve_choice import variance_model
from drift.engine.curves import fit_curve
from tests.calibration.helpers import calibrated, levels
from tests.speed.stopwatch import best

X = np.repeat(np.linspace(100.0, 800.0, 8), 3)


def main() -> None:
    """Print times and ratios."""
    rng = np.random.default_rng(1)
    y = 2.0 * X**0.9 + rng.normal(0, 4, len(X))
    frame, codes = levels(y, X), np.unique(X, return_inverse=True)[1]

    def library() -> None:
        curve_fit(lambda p, c, k: c * p**k, X, y, p0=[1.0, 1.0])

    ours, peer = best(lambda: fit_curve(X, y, model="power"), 20), best(library, 20)
    print(f"power law, 24 readings: {1e3 * ours:.2f} ms; curve_fit {1e3 * peer:.2f} ms; ratio {peer / ours:.2f}")
    ours = best(lambda: fit_curve(X, y, model="quadratic"), 20)
    peer = best(lambda: np.polyfit(X, y, 2, cov=True), 20)
    print(f"quadratic: {1e3 * ours:.2f} ms; polyfit {1e3 * peer:.2f} ms; ratio {peer / ours:.2f}")
    ours = best(lambda: fit_averaged(X, y, variance_model(X, y, codes), model="quadratic"), 20)
    print(f"quadratic averaged over its power: {1e3 * ours:.2f} ms")
    whole = best(lambda: calibrated(frame, full_scale=2000, invert=[300, 600]), 3)
    print(f"whole answer, six curves tried, two loads: {1e3 * whole:.0f} ms")


if __name__ == "__main__":
    main()
