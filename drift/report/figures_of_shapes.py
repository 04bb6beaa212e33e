"""Figures of the shape of drift: curves over the sensors' paths, and where a break may lie."""

from __future__ import annotations

import math
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from drift.errors import MINUS
from drift.report import drawing as look
from drift.report.figures import axis_label, exposure_label, is_log, table_of
from drift.results import Result

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes

SIZE = (4.9, 3.6)


def shape_drawings(wear: Result) -> list[tuple[str, str, Callable[..., str], tuple[float, float]]]:
    """Return what is to be drawn: one figure of shapes a construction."""
    table = table_of(wear, "shapes of drift")
    if table is None:
        return []
    shapes = [(f"shapes {c}", f"Shapes of drift{f', {c}' if c else ''}",
               partial(shapes_figure, wear, construction=c), SIZE)
              for c in dict.fromkeys(str(c) for c in table["construction"])]
    return shapes + _variograms(wear)


def _variograms(wear: Result) -> list[tuple[str, str, Callable[..., str], tuple[float, float]]]:
    table = table_of(wear, "residual variogram")
    if table is None:
        return []
    return [(f"variogram {c}", f"Residual variogram{f', {c}' if c else ''}",
             partial(variogram_figure, wear, construction=c), (4.9, 3.3))
            for c in dict.fromkeys(str(c) for c in table["construction"])]


def variogram_figure(wear: Result, axes: Axes, *, construction: str = "") -> str:
    """Draw the residual variogram of one construction beside that of independent errors, and return its caption."""
    table = wear.table("residual variogram")
    mine = table["construction"] == construction
    lag, seen, plain = (table[c][mine] for c in ("lag", "variogram", "independent"))
    # In units of a power of ten that stands in the label: residuals of logs square to a row of zeros.
    power = min(0, math.floor(math.log10(top))) if (top := float(max(seen.max(), plain.max()))) > 0 else 0
    power = power if power < -2 else 0
    seen, plain = seen / 10.0**power, plain / 10.0**power
    axes.plot(lag, plain, "--", color=look.FAINT, linewidth=1.3)
    axes.plot(lag, seen, "-o", color=look.MODEL, markersize=3.5)
    axes.set_ylim(0, 1.25 * float(max(seen.max(), plain.max())))
    unit = next((c.unit for c in table.columns if c.name == "lag"), "")
    axes.set_xlabel("uses between two checks" if unit == "use" else axis_label("exposure between two checks", unit))
    axes.set_ylabel("half mean squared difference\nof residuals" + (f" [10{_raised(power)}]" if power else ""))
    look.end_labels(axes, [float(lag[-1])] * 2, [float(seen[-1]), float(plain[-1])],
                    ["these checks", "independent\nerrors (dashed)"], colour=look.INK, lines=2)
    name = f" ({construction})" if construction else ""
    found = [e for e in wear.estimates if e.name == "gain of autocorrelated errors"
             and e.of.get("construction", "") == construction]
    if not found:
        return (f"Residual variogram{name}: there are too few checks a sensor to tell autocorrelation from the "
                "sensors' own slopes.")
    verdict = "rises with the distance: near checks are alike" if found[0].value > 0 else (
        "follows that of independent errors: no autocorrelation is seen")
    return f"Residual variogram{name} of the sensors' own lines: it {verdict} (AIC gain {_gain(found[0].value)})."


def _gain(value: float) -> str:
    return f"{value:.1f}".replace("-", MINUS)


def _raised(power: int) -> str:
    return str(power).translate(str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹"))


def shapes_figure(wear: Result, axes: Axes, *, construction: str = "") -> str:
    """Draw every shape over the sensors' paths, the chosen one heavy, and the interval of a break.

    Parameters
    ----------
    wear : Result
        Of ``fit_wear``; tables "occasions", "shapes of drift" and "shape curves".
    axes : Axes
    construction : str

    Returns
    -------
    str
        The caption, a sentence with the finding.
    """
    log = is_log(wear)
    back: Any = (lambda v: 100 * np.expm1(v)) if log else (lambda v: v)
    occasions, shapes, curves = (wear.table(n) for n in ("occasions", "shapes of drift", "shape curves"))
    mine = occasions["construction"] == construction
    rows = np.flatnonzero(shapes["construction"] == construction)
    chosen = next(str(shapes["shape"][i]) for i in rows if shapes["chosen"][i] == "yes")
    origin = _origin(curves, construction, chosen) if log else 0.0
    for sensor in dict.fromkeys(occasions["sensor"][mine].tolist()):
        own = mine & (occasions["sensor"] == sensor)
        order = np.argsort(occasions["use"][own])
        axes.plot(occasions["use"][own][order], back(occasions["response"][own][order] - origin), "-o",
                  color=look.BAND, markersize=2.0, linewidth=0.7, zorder=0.9)
    ends: list[tuple[float, float, str]] = []
    for number, i in enumerate(rows):
        name = str(shapes["shape"][i])
        own = (curves["construction"] == construction) & (curves["shape"] == name)
        u, fit = curves["use"][own], back(curves["fit"][own] - origin)
        heavy = name == chosen
        axes.plot(u, fit, color=look.MODEL if heavy else look.FAINT, linewidth=2.6 if heavy else 1.0,
                  linestyle="-" if heavy else look.DASHES[number % len(look.DASHES)], zorder=3 if heavy else 2)
        ends.append((float(u[-1]), float(fit[-1]), f"{name} (chosen)" if heavy else name))
    axes.set_xlabel(exposure_label(wear))
    axes.set_ylabel("change from the average first check [%]" if log else axis_label("response", _unit(occasions)))
    look.end_labels(axes, [e[0] for e in ends], [e[1] for e in ends], [e[2] for e in ends], colour=look.INK)
    return _caption(wear, axes, shapes, rows, chosen, construction)


def _unit(occasions: Any) -> str:
    return next((c.unit for c in occasions.columns if c.name == "response"), "")


def _origin(curves: Any, construction: str, chosen: str) -> float:
    """Return where the chosen curve begins: the first value of the average sensor."""
    own = (curves["construction"] == construction) & (curves["shape"] == chosen)
    return float(curves["fit"][own][0])


def _claimed(wear: Result, construction: str) -> bool:
    """Whether the analysis says the chosen shape in words, and not only in its table."""
    drift = next((e for e in wear.estimates if e.name == "drift per use" and "sensor" not in e.of
                  and e.of.get("construction", "") == construction), None)
    if drift is None or not drift.low <= 0 <= drift.high:
        return True
    # Without a change that is shown, only a shape that was said has its finding.
    told = [f for f in wear.findings if f.code == "drift-not-straight"]
    return any(not construction or construction in f.message for f in told)


def _caption(wear: Result, axes: Axes, shapes: Any, rows: Any, chosen: str, construction: str) -> str:
    name = f" ({construction})" if construction else ""
    best = next(i for i in rows if shapes["shape"][i] == chosen)
    if chosen == "straight line":
        said = (f"Shapes of drift{name} over the paths of the sensors: the straight line is kept, since the best of "
                f"{len(rows) - 1} other shapes is not ahead of it by more than one standard error.")
    else:
        said = (f"Shapes of drift{name} over the paths of the sensors: {chosen} predicts left-out sensors better than "
                f"a straight line, by {shapes['gain over the line'][best]:.2f} (standard error "
                f"{shapes['SE of the gain'][best]:.2f}) in log score.")
        if not _claimed(wear, construction):
            said += " No change is shown, so that this is a choice among curves and no shape is claimed."
    found = [e for e in wear.estimates if e.name in ("break at use", "break at exposure")
             and e.of.get("construction", "") == construction]
    if not found or found[0].value != found[0].value:
        return said
    e = found[0]
    left, right = axes.get_xlim()
    low, high = (e.low if e.low == e.low else left), (e.high if e.high == e.high else right)
    axes.axvspan(low, high, color=look.SAFE, alpha=0.8, zorder=0.5, linewidth=0)
    axes.axvline(e.value, color=look.LIMIT, linewidth=1.2, linestyle="--", zorder=1.5)
    axes.annotate(f"break {e.text()}", (e.value, 0.98), xycoords=axes.get_xaxis_transform(), xytext=(4, 0),
                  textcoords="offset points", fontsize=8, color=look.LIMIT, va="top",
                  bbox={"facecolor": "white", "edgecolor": "none", "alpha": 0.8, "pad": 0.6})
    return f"{said} The shaded stretch is the {100 * e.level:g} % set of the break, {e.text()}."
