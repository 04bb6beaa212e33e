"""Whether successive checks of a sensor are alike beyond its line, and what that does to the drift."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.calibration import codes_of
from drift.engine.correlated import Correlated, CorrelatedFit
from drift.errors import MINUS, Finding
from drift.results import Estimate, ResultTable
from drift.sensitivity.companion import Companion, Floats, Setting
from drift.sensitivity.model import MIN_SENSORS, REML_INTERVAL, t_interval
from drift.simulated import Design
from drift.simulated.quoting import Asked

NAN = math.nan
LEAST_CHECKS = 6
TABLE, VARIOGRAM, FAMILY = "autocorrelation", "residual variogram", "autocorrelation"
METHOD = "REML with continuous-time autocorrelation and nugget, t interval with sensors less one degrees of freedom"
NAMED = "REML with autocorrelation, t over sensors"
NEAR, PROFILE = "correlation of residuals one use apart", "profile likelihood"
GRID = np.array([0.02, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.98])


@dataclass(frozen=True, kw_only=True, eq=False)
class Both:
    """The drift with errors taken as independent, and with errors that decay along use.

    ``low`` and ``high`` are ends of the correlation one unit of use apart, ``spacing`` the usual step between checks.
    """

    plain: CorrelatedFit
    correlated: CorrelatedFit
    low: float
    high: float
    sensors: int
    spacing: float

    @property
    def gain(self) -> float:
        """By how much AIC is lower with autocorrelation; positive where it is better."""
        return self.plain.aic - self.correlated.aic


def companion(setting: Setting) -> Companion | None:
    """Fit autocorrelated errors beside independent ones, and draw up the residual variogram.

    The occasion means of each sensor have corr(e_u, e_v) = (1 - nugget) phi^|u - v|, random start and slope as in the
    wear model. Both fits are restricted maximum likelihood over the same fixed effects, so that AIC compares them.
    With fewer than six checks a sensor the decay cannot be told from the sensors' own slopes, and is not fitted.

    References
    ----------
    Diggle PJ, Heagerty P, Liang K-Y, Zeger SL (2002), Analysis of Longitudinal Data, 2nd ed., sections 5.2 and 3.4.
    Pinheiro JC, Bates DM (2000), Mixed-Effects Models in S and S-PLUS, section 5.3.
    """
    o, fit = setting.occasions, setting.group.fit
    names, counts = np.unique(o.sensor.astype(str), return_counts=True)
    if fit.refused or fit.method != REML_INTERVAL or len(names) < MIN_SENSORS:
        return None
    if bool((o.epoch != "").any()):
        return Companion(findings=(setting.say(
            "note", "autocorrelation-not-looked-at", f"Autocorrelation{setting.where} is not looked at: the offsets of "
            "calibrations of displayed pressures would be taken for it", "Keep the raw output as well."),))
    variogram = _variogram(setting)
    median = float(np.median(counts))
    if median < LEAST_CHECKS:
        note = setting.say("note", "autocorrelation-not-identifiable",
                           f"Autocorrelation{setting.where} cannot be identified from {median:g} checks a sensor: it "
                           "cannot be told from the sensors' own slopes",
                           f"Check each sensor at {LEAST_CHECKS} or more {setting.data.counts}.")
        return Companion(tables=(variogram,), findings=(note,))
    found = both(o.use, o.response, codes_of([o.sensor])[0], level=setting.level)
    return Companion(estimates=_estimates(setting, found), tables=(_table(setting, found), variogram),
                     findings=_findings(setting, found), asked=_asked(setting, found))


def both(x: Floats, y: Floats, code: np.ndarray, *, level: float, interval: bool = True) -> Both:
    """Fit both error structures to occasion means."""
    columns = np.column_stack([np.ones_like(x), x])
    rows = Correlated(y, columns, columns, code, x)
    plain = rows.fit(correlated=False)
    decaying = rows.fit(effects=plain.theta)
    low = high = NAN
    if interval and decaying.nugget < 1 - 1e-3:
        from scipy.special import chdtri

        # At 0 the errors are independent.
        rise = np.concatenate([[max(2 * (decaying.loglik - plain.loglik), 0.0)], rows.near_profile(decaying, GRID)])
        low, high = _ends(np.concatenate([[0.0], GRID]), rise, decaying.near, float(chdtri(1, 1 - level)))
    spacing = np.concatenate([np.diff(np.unique(x[code == s])) for s in np.unique(code)])
    return Both(plain=plain, correlated=decaying, low=low, high=high, sensors=len(np.unique(code)),
                spacing=float(np.median(spacing)) if len(spacing) else 1.0)


def _ends(grid: Floats, rise: Floats, best: float, reach: float) -> tuple[float, float]:
    """Find the ends of the profile interval between neighbours; 0 and 1 where the profile stays inside."""
    at = np.concatenate([grid, [best]])
    value = np.concatenate([rise, [0.0]])
    order = np.argsort(at)
    at, value = at[order], value[order]
    k = int(np.searchsorted(at, best))
    low, high = 0.0, 1.0
    for i in range(k, 0, -1):
        if value[i - 1] > reach:
            low = float(at[i] - (at[i] - at[i - 1]) * (reach - value[i]) / (value[i - 1] - value[i]))
            break
    for i in range(k, len(at) - 1):
        if value[i + 1] > reach:
            high = float(at[i] + (at[i + 1] - at[i]) * (reach - value[i]) / (value[i + 1] - value[i]))
            break
    return low, high


def _seen(b: Both) -> bool:
    """Autocorrelation is seen where it lowers AIC and does not end at a bound as plain scatter."""
    return b.gain > 0 and b.correlated.nugget < 1 - 1e-3 and b.correlated.phi > 1e-3


def _estimates(setting: Setting, b: Both) -> tuple[Estimate, ...]:
    slope, se = float(b.correlated.beta[1]), float(b.correlated.std_errors[1])
    low, high = (float(setting.percent(v)) for v in t_interval(slope, se, b.sensors - 1, setting.level))
    per = setting.data.per
    # An interval from 0 to 1 says nothing, and neither does the value inside it.
    there = math.isfinite(b.low) and not (b.low == 0 and b.high == 1)
    return (
        Estimate(name=f"correlation of residuals one {per} apart", of=setting.of,
                 value=b.correlated.near if there else NAN, n=b.sensors,
                 low=b.low if there else NAN, high=b.high if there else NAN,
                 level=setting.level if there else NAN, method="(1 - nugget) phi by REML, profile likelihood "
                 "interval".replace(" - ", f" {MINUS} ") if there else
                 "not identified: the scatter may as well be independent"),
        Estimate(name="gain of autocorrelated errors", of=setting.of, value=b.gain, n=b.sensors,
                 method="REML-AIC of independent errors less that of autocorrelated ones, no interval"),
        Estimate(name="drift per use with autocorrelated errors", of=setting.of, value=float(setting.percent(slope)),
                 low=low, high=high, level=setting.level, unit=setting.percent_unit, n=b.sensors,
                 method=METHOD + (", ends transformed" if setting.data.log else "")))


def _table(setting: Setting, b: Both) -> ResultTable:
    fits = (b.plain, b.correlated)
    return ResultTable.build(TABLE, {
        "construction": np.array([setting.construction] * 2, dtype=object),
        "errors": np.array(["independent", "autocorrelated with nugget"], dtype=object),
        "slope": np.array([f.beta[1] for f in fits]), "standard error": np.array([f.std_errors[1] for f in fits]),
        "SD of slopes": np.array([math.sqrt(max(f.effects[1, 1], 0.0)) for f in fits]),
        "correlation": np.array([0.0, b.correlated.near]), "decay": np.array([f.phi for f in fits]),
        "nugget": np.array([f.nugget for f in fits]),
        "log likelihood": np.array([f.loglik for f in fits]), "AIC": np.array([f.aic for f in fits]),
    }, units=dict.fromkeys(("slope", "standard error", "SD of slopes"), setting.slope_unit),
        caption=f"Drift with independent and with autocorrelated errors: correlation of two residuals one "
                f"{setting.data.per} apart, which is the decay over one {setting.data.per} times what the nugget, the "
                "share that does not decay, leaves; restricted likelihoods, the lower AIC is better")


def _variogram(setting: Setting) -> ResultTable:
    """Half squared differences of residuals of the sensors' own lines, by lag, beside what independent errors give."""
    o = setting.occasions
    lags, seen, plain = [], [], []
    pooled_ss, pooled_df = 0.0, 0
    for name in dict.fromkeys(o.sensor.tolist()):
        mine = np.flatnonzero(o.sensor == name)
        x, y = o.use[mine], o.response[mine]
        if len(np.unique(x)) < 3:
            continue
        columns = np.column_stack([np.ones_like(x), x])
        hat = columns @ np.linalg.pinv(columns)
        r = y - hat @ y
        pooled_ss, pooled_df = pooled_ss + float(r @ r), pooled_df + len(x) - 2
        i, j = np.triu_indices(len(x), 1)
        lags.append(np.abs(x[i] - x[j]))
        seen.append((r[i] - r[j]) ** 2 / 2)
        rest = np.eye(len(x)) - hat
        plain.append((rest[i, i] + rest[j, j] - 2 * rest[i, j]) / 2)
    if not lags:
        return _bins(setting, np.zeros(0), np.zeros(0), np.zeros(0))
    return _bins(setting, np.concatenate(lags), np.concatenate(seen),
                 np.concatenate(plain) * pooled_ss / max(pooled_df, 1))


def _bins(setting: Setting, lag: Floats, seen: Floats, plain: Floats) -> ResultTable:
    """Average pairs in up to eight classes of lag with about the same number of pairs."""
    distinct = np.unique(lag)
    code = np.searchsorted(distinct, lag)
    if len(distinct) > 8:
        edges = np.unique(np.quantile(lag, np.linspace(0, 1, 9)[1:-1]))
        code = np.unique(np.searchsorted(edges, lag), return_inverse=True)[1]
    n = np.bincount(code) if len(lag) else np.zeros(0)

    def mean(v: Floats) -> Floats:
        return np.bincount(code, weights=v) / n if len(lag) else np.zeros(0)

    unit = f"{setting.unit}^2" if setting.unit else ""
    return ResultTable.build(VARIOGRAM, {
        "construction": np.array([setting.construction] * len(n), dtype=object), "lag": mean(lag), "pairs": n,
        "variogram": mean(seen), "independent": mean(plain),
    }, units={"lag": setting.data.per, "variogram": unit, "independent": unit},
        caption="Half the mean squared difference of two residuals of a sensor's own line, by the uses between them, "
                "and what independent errors of the same size would give")


def _findings(setting: Setting, b: Both) -> tuple[Finding, ...]:
    ratio = float(b.correlated.std_errors[1] / b.plain.std_errors[1])
    if not _seen(b):
        return (setting.say("note", "no-autocorrelation", f"Autocorrelation{setting.inside} is not seen: AIC is not "
                            "lower with it; the standard error of the drift would be "
                            f"{ratio:.2f} times as large with it"),)
    c, per = b.correlated, setting.data.per
    usual = (f", {b.spacing:g} {'uses' if per == 'use' else per} apart, as neighbouring checks are, "
             f"{(1 - c.nugget) * c.phi**b.spacing:.2f}") if b.spacing != 1 else ""
    text = (f"Residuals{setting.where} one {per} apart are correlated {c.near:.2f}{usual} (a share of {c.nugget:.2f} "
            f"does not decay, the rest by {c.phi:.2f} a {per}; AIC lower by {b.gain:.1f}); the standard error of the "
            f"drift is {ratio:.2f} times that of independent errors")
    if ratio > 1.1:
        return (setting.say("warning", "autocorrelation", text + ", so that the interval of the drift per use above is "
                            "too short", "Report the drift per use with autocorrelated errors beside it."),)
    return (setting.say("note", "autocorrelation", text),)


def _asked(setting: Setting, b: Both) -> tuple[tuple[str, Asked], ...]:
    design, of = Design(n=float(b.sensors)), setting.construction
    asked = [Asked(quantity="drift per use with autocorrelated errors", named="drift per use", method=NAMED,
                   design=design, of=of, printed=METHOD)]
    if math.isfinite(b.low) and not (b.low == 0 and b.high == 1):
        quantity = f"correlation of residuals one {setting.data.per} apart"
        asked.append(Asked(quantity=quantity, named=NEAR, method=PROFILE, design=design, of=of))
    return tuple((FAMILY, a) for a in asked)
