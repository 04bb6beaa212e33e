"""Checks of what the wear model assumes: normality, straightness, a common start.

Every check is a look at the data, not a gate: nothing is dropped or refitted because of a p-value.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drift.calibration import fit_lines
from drift.errors import with_minus_signs
from drift.sensitivity.lines import Occasions, SensorLines

Floats = NDArray[np.float64]

#: Below the first a departure is worth a caution; below the second nobody should read that nothing was seen.
LOOK, USUAL = 0.01, 0.05
MIN_SENSORS = 5


@dataclass(frozen=True, kw_only=True, eq=False)
class Check:
    """One assumption looked at: statistic, p-value, size in words, and whether it calls for a caution."""

    name: str
    construction: str
    statistic: float
    p: float
    size: float
    words: str
    caution: bool

    def __post_init__(self) -> None:
        object.__setattr__(self, "words", with_minus_signs(self.words))


def anderson_darling_normal(values: ArrayLike) -> tuple[float, float]:
    """Test normality with mean and SD estimated: modified A-squared and its p-value.

    Returns NaN for fewer than eight values or no spread.

    References
    ----------
    R. B. D'Agostino and M. A. Stephens (1986), Goodness-of-Fit Techniques, table 4.9 (p-value formulas).
    """
    from scipy.special import log_ndtr

    x = np.sort(np.asarray(values, dtype=np.float64))
    n = len(x)
    spread = float(x.std(ddof=1)) if n > 1 else 0.0
    if n < 8 or spread <= 1e-12 * max(1.0, float(np.abs(x).max())):
        return float("nan"), float("nan")
    z = (x - x.mean()) / spread
    i = np.arange(1, n + 1)
    a2 = -n - float(((2 * i - 1) * (log_ndtr(z) + log_ndtr(-z[::-1]))).sum()) / n
    a = a2 * (1 + 0.75 / n + 2.25 / n**2)
    if a < 0.2:
        p = 1 - np.exp(-13.436 + 101.14 * a - 223.73 * a**2)
    elif a < 0.34:
        p = 1 - np.exp(-8.318 + 42.796 * a - 59.938 * a**2)
    elif a < 0.6:
        p = np.exp(0.9177 - 4.279 * a - 1.38 * a**2)
    else:
        p = np.exp(1.2937 - 5.709 * a + 0.0186 * a**2)
    return float(a), float(p)


def two_sided_p(t: float, df: float) -> float:
    """Two-sided p-value of Student's t."""
    from scipy.special import stdtr

    return float(2 * stdtr(df, -abs(t)))


def _mean_against_zero(values: Floats) -> tuple[float, float, float]:
    """One-sample t over sensors: mean, t and p; NaN with fewer than five sensors or no spread."""
    v = values[np.isfinite(values)]
    if len(v) < MIN_SENSORS:
        return float("nan"), float("nan"), float("nan")
    sd = float(v.std(ddof=1))
    if sd <= 0:
        return float(v.mean()), float("nan"), float("nan")
    t = float(v.mean()) / (sd / np.sqrt(len(v)))
    return float(v.mean()), t, two_sided_p(t, len(v) - 1)


def curvature(occasions: Occasions, lines: SensorLines, pick: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Test whether paths bend: mean over sensors of the bend of each sensor's own quadratic.

    The bend is the quadratic's height over the straight line between its two ends, at the middle, on the response
    scale; its mean is compared with zero by a t over sensors (those with four or more checks), so that bends that
    differ between sensors do not count as evidence.

    Returns
    -------
    mean bend, t, p
    """
    bends = []
    for s in np.flatnonzero(pick):
        rows = lines.sensor_of_occasion == s
        x, y = occasions.use[rows], occasions.response[rows]
        if len(np.unique(x)) < 4:
            continue
        half = (x.max() - x.min()) / 2
        u = (x - (x.max() + x.min()) / 2) / half
        basis = np.column_stack([np.ones_like(u), u, 1 - u**2])
        bends.append(float(np.linalg.lstsq(basis, y, rcond=None)[0][2]))
    return _mean_against_zero(np.array(bends, dtype=np.float64))


def break_in(occasions: Occasions, lines: SensorLines, pick: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Test whether fresh sensors stand off their later line: first check at use 0 against the line of the others.

    Returns
    -------
    mean offset, t, p
        Over sensors with a check at use 0 and three or more later ones; response scale.
    """
    fresh = (occasions.use == 0) & pick[lines.sensor_of_occasion]
    later = (occasions.use > 0) & pick[lines.sensor_of_occasion]
    if not fresh.any() or not later.any():
        return float("nan"), float("nan"), float("nan")
    fit = fit_lines(occasions.response[later], occasions.use[later], group=lines.sensor_of_occasion[later],
                    n_groups=len(lines))
    start = np.full(len(lines), np.nan)
    start[lines.sensor_of_occasion[fresh]] = occasions.response[fresh]
    offset = np.where(fit.df >= 1, start - fit.intercept, np.nan)
    return _mean_against_zero(offset[pick])


def succession(occasions: Occasions, lines: SensorLines, pick: NDArray[np.bool_]) -> tuple[float, float, float]:
    """Test whether neighbouring checks of a sensor err alike: mean lag-one correlation of its line residuals.

    Residuals of a fitted line are negatively correlated by construction; each sensor's correlation is taken from what
    independent errors would give on its schedule, trace(MA)/trace(M), and the mean compared with zero over sensors.

    Returns
    -------
    mean excess correlation, t, p

    References
    ----------
    J. Durbin and G. S. Watson (1950), Biometrika 37, 409-428, section 2 (ratio of quadratic forms in residuals).
    """
    excess = []
    for s in np.flatnonzero(pick):
        rows = np.flatnonzero(lines.sensor_of_occasion == s)
        rows = rows[np.argsort(occasions.use[rows], kind="stable")]
        n = len(rows)
        if n < 5 or len(set(occasions.epoch[rows])) > 1:
            continue
        x = np.column_stack([np.ones(n), occasions.use[rows] / max(1.0, float(np.ptp(occasions.use[rows])))])
        made = np.eye(n) - x @ np.linalg.pinv(x)
        lag = (np.eye(n, k=1) + np.eye(n, k=-1)) / 2
        e = lines.residual[rows]
        if float(e @ e) > 0:
            excess.append(float(e @ lag @ e) / float(e @ e) - float(np.trace(made @ lag) / np.trace(made)))
    return _mean_against_zero(np.array(excess, dtype=np.float64))


def calibration_check(bend: Floats, sensor: NDArray[np.object_], *, construction: str) -> tuple[Check, ...]:
    """Look at whether calibration lines are straight: mean bend of a sensor's mountings, t over sensors."""
    good = np.isfinite(bend)
    names = sorted(set(sensor[good].tolist()))
    means = np.array([bend[good & (sensor == s)].mean() for s in names], dtype=np.float64)
    mean, t, p = _mean_against_zero(means)
    if not np.isfinite(t):
        return ()
    # A bend of a thousandth of the span is real in many rigs and matters to nobody.
    bent = p < LOOK and abs(mean) > 0.005
    shape = "flatten" if mean > 0 else "steepen"
    verdict = f"readings {shape} at high loads, so that a sensitivity is a mean over the levels" if bent else (
        _not_called(p, "straight") if p >= LOOK else "bent by less than 0.5 % of the span, which is called straight")
    return (Check(name="straight calibration lines", construction=construction, statistic=t, p=p, size=100 * mean,
                  words=f"mean bend {100 * mean:+.2f} % of the span of readings, t over sensors = {t:.2f}, "
                        f"p {p_words(p)}: {verdict}", caution=bent),)


def assumption_checks(occasions: Occasions, lines: SensorLines, *, construction: str, pick: NDArray[np.bool_],
                      blup_slope: Floats, log: bool, per: str) -> tuple[Check, ...]:
    """Look at residuals, sensors' slopes, bends and the start of one construction.

    Parameters
    ----------
    pick : array of bool, shape (n_sensors,)
        Sensors of the construction.
    blup_slope : array, shape (n_sensors,)
        Predicted slopes, NaN elsewhere.
    """
    inside = pick[lines.sensor_of_occasion]
    df, n = lines.df[lines.sensor_of_occasion], lines.n_checks[lines.sensor_of_occasion]
    with np.errstate(divide="ignore", invalid="ignore"):
        scaled = np.where(df > 0, lines.residual / np.sqrt(df / n), np.nan)
    found = []
    for name, values in (("normality of line residuals", scaled[inside]),
                         ("normality of the sensors' slopes", blup_slope[pick])):
        a, p = anderson_darling_normal(values[np.isfinite(values)])
        if np.isfinite(a):
            verdict = "not normal" if p < LOOK else _not_called(p, "no departure seen")
            found.append(Check(name=name, construction=construction, statistic=a, p=p, size=float("nan"),
                               words=f"Anderson-Darling A = {a:.2f}, p {p_words(p)}: {verdict}", caution=p < LOOK))
    slopes = lines.slope[pick & np.isfinite(lines.slope)]
    falling = bool(len(slopes)) and float(slopes.mean()) < 0
    for name, result, shape in (("straight line", curvature(occasions, lines, pick), "bend"),
                                ("break-in", break_in(occasions, lines, pick), "offset of use 0")):
        mean, t, p = result
        if not np.isfinite(t):
            continue
        size = f"{100 * np.expm1(mean):+.2f} %" if log else f"{mean:+.4g}"
        verdict = _shape_words(name, mean, falling, per) if p < LOOK else _not_called(p, "none seen")
        found.append(Check(name=name, construction=construction, statistic=t, p=p,
                           size=100 * float(np.expm1(mean)) if log else mean,
                           words=f"mean {shape} {size}, t over sensors = {t:.2f}, p {p_words(p)}: {verdict}",
                           caution=p < LOOK))
    mean, t, p = succession(occasions, lines, pick)
    if np.isfinite(t):
        verdict = _not_called(p, "none seen")
        if p < LOOK:
            verdict = ("neighbouring checks err alike; standard errors of single lines are too small, while the "
                       "interval of the drift rests on the spread between sensors") if mean > 0 else "neighbours differ"
        found.append(Check(name="independence of successive checks", construction=construction, statistic=t, p=p,
                           size=mean, words=f"mean excess lag-one correlation {mean:+.2f}, t over sensors = {t:.2f}, "
                           f"p {p_words(p)}: {verdict}", caution=p < LOOK))
    return tuple(found)


def _not_called(p: float, nothing: str) -> str:
    """Word a check that is not called: nothing seen, or a sign short of the level of one check of several."""
    return nothing if p >= USUAL else f"a sign only, short of the {LOOK:g} at which one of several checks is called"


def p_words(p: float) -> str:
    """Return ``= 0.021`` or ``below 0.001``."""
    return "below 0.001" if p < 0.001 else f"= {p:.3f}"


def _shape_words(name: str, mean: float, falling: bool, per: str) -> str:
    """Say which way paths bend; a path above its chord steepens when it falls and flattens when it rises."""
    if name == "break-in":
        return f"fresh sensors stand {'above' if mean > 0 else 'below'} the line of their later {per} counts"
    faster = (mean > 0) == falling
    return f"paths bend {'down' if mean > 0 else 'up'}: drift {'accelerates' if faster else 'slows down'}"
