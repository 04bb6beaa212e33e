"""How often sets and intervals of calibration curves hold the truth: ``python -m tests.coverage calibration``.

Straight lines, lines through zero and quadratics with 6 to 30 readings; the load behind one new reading at the middle,
near both ends and beyond the top; coefficients and saturation pressure, of the true curve and of one that is chosen
(line, power law, quadratic and saturating worlds, the top level at 80 or 50 % of the saturation pressure); an SD that
is constant or grows with the load and is then estimated from the readings; a reference that is wrong by one factor at
all levels; three and five mountings that differ or do not; gains of cells that differ much or hardly. Normal errors,
analysed by the functions that fill the printed estimates. Beside each printed interval stands the naive one.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from drift.calibration.fitting import Fitted, fit_series
from drift.calibration.rows import Series
from drift.calibration.saturation import Saturation, own_saturation, saturation
from drift.calibration.with_reference import in_quadrature, moved_by_reference, set_with_reference
from drift.engine.cell_gains import shrink, two_way
from drift.engine.curve_averaged import fit_averaged
from drift.engine.curve_choice import VarianceModel, variance_model
from drift.engine.curve_models import Model, values
from drift.engine.curves import CurveFit, fit_curve, over_mountings
from drift.engine.inverse_prediction import InverseSet, coefficient_degrees, inverse_set, t_quantile
from drift.study import CalibrationQuestion
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "calibration.csv", 20260604, 2000
EXACT, WALD, LOG_T = "exact set by inversion", "first order (Wald)", "t interval of the log"
T, NAIVE_LINE, CURVE_ONLY = "t interval", "load regressed on reading", "t interval of the log, reference left out"
INDEPENDENT = "all readings taken as independent"
FULL, TRUE = 1000.0, {"line": (20.0, 1.0), "through-zero": (1.05,), "quadratic": (10.0, 1.3, -2.4e-4)}
PLACES = {"middle": 450.0, "near the lowest level": 110.0, "near the top level": 790.0, "beyond the top level": 900.0}
LEFT_OUT, ADDED = ", reference left out", ", with the reference"
SHRUNK, PLAIN = "shrunk, averaged over the spread", "unshrunk, t interval"
ONE_SPREAD = "shrunk, one value of the spread"
HULL, KNOWN = "hull of the curves not rejected", "chosen curve taken as true"
TWO = "chosen curve, and how far a line or power law is"
WORLDS: dict[str, tuple[Model, tuple[float, ...]]] = {
    "line": ("line", (20.0, 1.0)), "power law": ("power", (3.0, 0.85)),
    "quadratic": ("quadratic", (10.0, 1.3, -2.4e-4)), "saturating": ("saturating", (1500.0, 1e-3))}


@dataclass(frozen=True, kw_only=True)
class Design:
    """A world: curve, levels, readings a level, SD of a reading at 450, its power of the load, and what else errs."""

    model: Model
    levels: int
    each: int
    sd: float = 8.0
    theta: float = 0.0
    reference: float = 0.0
    mountings: int = 1
    mounting_sd: float = 0.0

    @property
    def x(self) -> np.ndarray:
        """Loads of one mounting."""
        return np.repeat(np.linspace(100.0, 800.0, self.levels), self.each)


def named() -> dict[str, Design]:
    """Return every design of curves by its name."""
    found: dict[str, Design] = {}
    shapes: tuple[tuple[Model, tuple[tuple[int, int], ...]], ...] = (
        ("line", ((3, 2), (5, 2), (10, 3))), ("through-zero", ((3, 2), (5, 2), (10, 3))),
        ("quadratic", ((4, 2), (5, 2), (10, 3))))
    for model, sizes in shapes:
        for k, each in sizes:
            found[f"{model}, {k} levels x {each}"] = Design(model=model, levels=k, each=each)
    found["line, 3 levels x 2, slope hardly shown"] = Design(model="line", levels=3, each=2, sd=250.0)
    for k, each in ((5, 3), (8, 2), (6, 5)):
        for theta, said in ((1.0, "SD proportional to load"), (0.0, "SD constant, power estimated")):
            found[f"line, {k} levels x {each}, {said}"] = Design(model="line", levels=k, each=each, theta=theta,
                                                                 sd=12.0)
    found["line, 5 levels x 2, reference off by 1 %"] = Design(model="line", levels=5, each=2, reference=0.01)
    for m in (3, 5):
        found[f"line, {m} mountings x 5 levels, mountings differ by 2 %"] = Design(
            model="line", levels=5, each=1, mountings=m, mounting_sd=0.02)
    found["line, 5 mountings x 5 levels, mountings alike"] = Design(model="line", levels=5, each=1, mountings=5)
    return found


CHOSEN = {f"{world}, {k} levels x {each}, curve chosen, top level at {100 * share:g} %": (world, k, each, share)
          for k, each, share in ((5, 2, 0.8), (10, 3, 0.5)) for world in WORLDS}


CELLS = {f"{c} cells x {k} exposures, gains differ by {100 * tau:g} %": (c, k, tau)
         for c, k, tau in ((96, 2, 0.03), (96, 3, 0.03), (96, 3, 0.1), (24, 3, 0.03), (400, 6, 0.03), (96, 3, 0.005),
                           (96, 3, 0.01), (96, 3, 0.05), (24, 3, 0.01), (96, 2, 0.01), (400, 6, 0.005))}
DESIGNS = [*named(), *CHOSEN, *CELLS]


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one calibration and report what its intervals held."""
    if name in CELLS:
        return _cells(*CELLS[name], rng)
    if name in CHOSEN:
        return _chosen(*CHOSEN[name], rng)
    d = named()[name]
    truth = np.array(TRUE[d.model])
    x = np.tile(d.x, d.mountings)
    mounting = np.repeat(np.arange(d.mountings), len(d.x))
    factor = np.exp(rng.normal(0, d.mounting_sd, d.mountings)) if d.mounting_sd else np.ones(d.mountings)
    bare = values(d.model, truth, x * math.exp(rng.normal(0, d.reference)))
    y = factor[mounting] * bare + rng.normal(0, 1, len(x)) * _sd(d, x)
    free = d.theta > 0 or "power estimated" in name
    power = (variance_model(x, y, np.unique(x, return_inverse=True)[1]) if free else
             VarianceModel(theta=0.0, how="assumed"))
    pooled = fit_averaged(x, y, power, model=d.model)
    fit = pooled
    if d.mountings > 1:
        fit = over_mountings([fit_curve(x[mounting == j], y[mounting == j], model=d.model)
                              for j in range(d.mountings)], pooled)
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    for place, load in PLACES.items():
        new = float(values(d.model, truth, load)) * (math.exp(rng.normal(0, d.mounting_sd)) if d.mounting_sd else 1.0)
        new += rng.normal() * float(_sd(d, np.array([load]))[0])
        _load(held, f"load at a reading, {place}", fit, new, load, x, y,
              pooled if d.mountings > 1 else fit_curve(x, y, model=d.model) if free else None, d.reference)
    _coefficients(held, fit, truth, pooled if d.mountings > 1 else None, d.reference)
    _saturation(held, fit, d, truth, pooled if d.mountings > 1 else None)
    return held


def _sd(d: Design, x: np.ndarray) -> np.ndarray:
    return d.sd * (x / 450.0) ** d.theta


def _put(held: dict[Any, Any], quantity: str, method: str, low: float, high: float, truth: float) -> None:
    if math.isfinite(low) and math.isfinite(high):
        held[quantity, method] = (low <= truth <= high, high - low)


def _load(held: dict[Any, Any], quantity: str, fit: CurveFit, y0: float, truth: float, x: np.ndarray, y: np.ndarray,
          other: CurveFit | None, reference: float) -> None:
    found = inverse_set(fit, y0, level=LEVEL)
    held[quantity, EXACT + LEFT_OUT * bool(reference)] = _in_set(found, truth)
    wide = set_with_reference(found, reference, level=LEVEL) if reference else None
    if wide is not None:
        _put(held, quantity, EXACT + ADDED, *wide, truth)
    t = t_quantile(LEVEL, found.df)
    _put(held, quantity, WALD + LEFT_OUT * bool(reference), found.estimate
         - t * found.std_error, found.estimate + t * found.std_error, truth)
    if fit.model == "line" and fit.mountings == 1:
        back = fit_curve(y, x)
        at = float(values("line", np.asarray(back.coefficients), y0))
        d = np.array([1.0, y0])
        half = t_quantile(LEVEL, back.df) * math.sqrt(float(d @ back.covariance @ d))
        _put(held, quantity, NAIVE_LINE, at - half, at + half, truth)
    if other is not None:
        held[quantity, INDEPENDENT if fit.mountings > 1 else "constant SD assumed, " + EXACT] = _in_set(
            inverse_set(other, y0, level=LEVEL), truth)


def _in_set(found: InverseSet, truth: float) -> tuple[bool, float]:
    """Whether a set holds the truth, and its length; an unbounded set has none but holds what it holds."""
    inside = any(low <= truth <= high for low, high in found.pieces)
    return inside, sum(high - low for low, high in found.pieces)


def _coefficients(held: dict[Any, Any], fit: CurveFit, truth: np.ndarray, other: CurveFit | None,
                  reference: float) -> None:
    moved = reference * moved_by_reference(fit.model, np.asarray(fit.coefficients))
    for at, method in ((fit, T), *(((other, INDEPENDENT),) if other is not None else ())):
        df = coefficient_degrees(at)
        for j, name in enumerate(("a", "s", "q") if len(truth) > 1 else ("s",)):
            if j < len(truth):
                half = t_quantile(LEVEL, df[j]) * math.sqrt(at.covariance[j, j])
                value = at.coefficients[j]
                ends = value - half, value + half
                _put(held, f"coefficient {name}", method + LEFT_OUT * bool(moved[j]), *ends, truth[j])
                if moved[j]:
                    _put(held, f"coefficient {name}", method + ADDED,
                         *in_quadrature(value, *ends, abs(moved[j]), level=LEVEL), truth[j])


def _saturation(held: dict[Any, Any], fit: CurveFit, d: Design, truth: np.ndarray, other: CurveFit | None) -> None:
    if d.model == "quadratic":
        a, s, q = truth
        true = 2 * (FULL - a) / (s + math.sqrt(s * s - 4 * q * (a - FULL)))
    else:
        true = (FULL - (truth[0] if len(truth) > 1 else 0.0)) / truth[-1]
    tried = ((fit, LOG_T, d.reference), *(((fit, CURVE_ONLY, 0.0),) if d.reference else ()),
             *(((other, INDEPENDENT, 0.0),) if other is not None else ()))
    for at, method, reference in tried:
        whole: Any = Fitted(series=None, spread=VarianceModel(theta=0.0, how="assumed"), tried={},  # type: ignore[arg-type]
                            model=d.model, fit=at, reason="asked")
        found = own_saturation(whole, full_scale=FULL, level=LEVEL, reference=reference, resolution=None)
        if found is not None:
            _put(held, "saturation pressure", method, found.low, found.high, true)
            if method == LOG_T and not d.reference:
                held["saturation pressure", EXACT] = _in_set(found.of_fit, true)


def _chosen(world: str, levels: int, each: int, share: float, rng: np.random.Generator) -> Held:
    """Choose a curve in a world that may be curved, and go beyond its levels to full scale."""
    model, truth = WORLDS[world]
    true = 800.0 / share
    full = float(values(model, np.array(truth), true))
    x = np.repeat(np.linspace(100.0, 800.0, levels), each)
    y = values(model, np.array(truth), x) + rng.normal(0, 8.0, len(x))
    fitted = fit_series(_series(x, y, full), CalibrationQuestion(name="c", spread="constant"))
    found = saturation(fitted, full_scale=full, level=LEVEL, reference=None, resolution=None) if fitted.fit else None
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    if found is None:
        return held
    low = found.low if math.isfinite(found.low) else 0.0
    held["saturation pressure", HULL] = low <= true <= found.high, found.high - low
    if not math.isfinite(found.value):
        return held
    _put(held, "saturation pressure", KNOWN, *_log_ends(found, 0.0), true)
    apart = max((abs(v - found.value) for m, v in found.others.items() if m in ("line", "power") and math.isfinite(v)
                 and m in found.sets), default=0.0)
    _put(held, "saturation pressure", TWO, *_log_ends(found, apart / math.sqrt(3)), true)
    return held


def _log_ends(found: Saturation, spread: float) -> tuple[float, float]:
    """Return the t interval of the log of the chosen curve alone, and with a known part in quadrature."""
    known = spread * t_quantile(LEVEL, math.inf)
    half = math.hypot(t_quantile(LEVEL, found.df_fit) * found.u_fit, known) / found.value
    return found.value * math.exp(-half), found.value * math.exp(half)


def _series(x: np.ndarray, y: np.ndarray, full: float) -> Series:
    n = len(x)
    no, yes, none = np.zeros(n, dtype=bool), np.ones(n, dtype=bool), np.zeros(n, dtype=np.int64)
    return Series(sensor="", use="", cal_id="", date="", x=x, y=y, mounting=none, mountings=("1",), cycle=none,
                  direction=np.full(n, "", dtype=object), level=np.unique(x, return_inverse=True)[1].astype(np.int64),
                  hold=np.full(n, np.nan), right=no, left=no, curve=yes, row=np.arange(n), full_scale=full,
                  reference_unit="", reading_unit="")


def _cells(cells: int, exposures: int, tau: float, rng: np.random.Generator) -> Held:
    """Gains of cells: one cell drawn like the others, and the one that reads highest."""
    gamma = rng.normal(0, tau, cells)
    logs = gamma[:, None] + np.linspace(4, 6, exposures)[None, :] + rng.normal(0, 0.03, (cells, exposures))
    fit = two_way(logs)
    top = int(np.argmax(fit.gamma))
    s = shrink(fit, ends_of=np.array([0, top]))
    true = np.exp(gamma) / np.exp(gamma).mean()
    t = t_quantile(LEVEL, fit.df)
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    for quantity, c in (("gain of a cell", 0), ("gain of the cell that reads highest", top)):
        one, se = _one_spread(fit.gamma, s.gain_se**2)
        for method, gain, error in ((PLAIN, s.gain[c], s.gain_se[c]), (ONE_SPREAD, one[c], se[c])):
            low, high = (float(gain * math.exp(sign * t * error)) for sign in (-1, 1))
            held[quantity, method] = (low <= true[c] <= high, high - low)
        _put(held, quantity, SHRUNK, float(s.low[c]), float(s.high[c]), float(true[c]))
    _put(held, "SD of gains between cells", "restricted likelihood", s.tau_low, s.tau_high, tau)
    return held


def _one_spread(gamma: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return shrunk gains and their errors at the one spread that moments give, which is often 0."""
    tau2 = max(float(np.var(gamma, ddof=1) - error.mean()), 0.0)
    weight = tau2 / (tau2 + error)
    unsure = 2 / (len(gamma) - 1) * (1 - weight) ** 2 * gamma**2
    gain = np.exp(weight * gamma)
    return gain / gain.mean(), np.sqrt(weight * error + unsure)


FAMILY = Family("calibration", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES,
                cheap="line, 3 levels x 2")
