"""Random studies as other people print them: small, with negative coefficients, and with habits left unsaid.

Components, coefficients and their zeros are cut off or not; SDs have divisor n or n - 1; factors are 1.96, 2, t or a
rounded 1.645; degrees of freedom and p are corrected for sphericity; whole numbers are rounded to few digits. Nothing
of this is stated in the claims, so that nothing of it may be accused.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from decimal import ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal
from typing import Any

import numpy as np
from scipy import stats


@dataclass
class Printer:
    """Prints a share of what a study gives, with few digits."""

    rng: np.random.Generator
    digits: int
    decimals: int
    keep: float
    coarse: bool
    claims: list[dict[str, Any]] = field(default_factory=list)

    def text(self, what: str, text: str, **more: Any) -> None:
        """Print a string, or leave it out."""
        if self.rng.random() < self.keep:
            self.claims.append({"what": what, "printed": text, **more})

    def share(self, what: str, value: float) -> None:
        """Print a coefficient or a p."""
        p = what.startswith("p of")
        if p and value < 0.001:
            self.text(what, "< 0.001")
            return
        made = Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-3 if p else -self.decimals), ROUND_HALF_UP)
        self.text(what, f"{made if made else abs(made):f}")

    def number(self, what: str, value: float, **more: Any) -> None:
        """Print a number to so many digits; whole numbers either to the unit or to as many digits."""
        if value == 0:
            self.text(what, "0", **more)
            return
        size = math.floor(math.log10(abs(value)))
        places = self.digits - 1 - size
        if abs(round(value, places)) >= 10 ** (size + 1) * (1 - 1e-12):
            places -= 1
        places = places if self.coarse else max(places, 0)
        rule = ROUND_HALF_UP if self.rng.random() < 0.5 else ROUND_HALF_EVEN
        self.text(what, f"{Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-places), rule):f}", **more)


def study(rng: np.random.Generator) -> dict[str, Any] | None:
    """Return the claims of one study, or None where a study has no scatter."""
    n, k = int(rng.choice([2, 3, 4, 5, 6, 8, 10, 20])), int(rng.choice([2, 2, 2, 3, 4]))
    table = readings(rng, n, k)
    out = Printer(rng, digits=int(rng.choice([1, 2, 2, 3, 3, 4])), decimals=int(rng.choice([1, 2, 2, 3])),
                  keep=float(rng.choice([0.3, 0.6, 1.0])), coarse=bool(rng.random() < 0.2))
    if not _reliability(out, table) or (k == 2 and not _two_trials(out, table)):
        return None
    paper = {x: v for x, v in (("n", n), ("k", k)) if rng.random() < 0.9}
    return {"paper": paper, "claims": out.claims}


def readings(rng: np.random.Generator, n: int, k: int) -> Any:
    """Return a table of units by raters, in three of ten cases with less than no agreement."""
    if rng.random() < 0.3:
        table = rng.normal(size=(n, k))
        table = table - table.mean(axis=1, keepdims=True) * rng.uniform(0.3, 1.0)
    else:
        table = (rng.normal(0, 10 ** rng.uniform(-2, 1), (n, 1)) + rng.normal(0, rng.choice([0, 0.1, 1, 5]), (1, k))
                 + rng.normal(size=(n, k)) + rng.choice([0, 10, 1000, -50]))
    return table * 10 ** rng.uniform(-4, 4)


def _reliability(out: Printer, table: Any) -> bool:
    rng, (n, k) = out.rng, table.shape
    rest = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0) + table.mean()
    units, raters = k * table.mean(axis=1).var(ddof=1), n * table.mean(axis=0).var(ddof=1)
    df = {"units": n - 1, "raters": k - 1, "error": (n - 1) * (k - 1), "within": n * (k - 1)}
    error, within = float((rest ** 2).sum()) / df["error"], float(table.var(axis=1, ddof=1).mean())
    if min(units, error, within) <= 1e-12 * np.abs(table).max() ** 2:
        return False
    cut = rng.random() < 0.5
    of_units, of_raters = (units - error) / k, (raters - error) / n
    if cut:
        of_units, of_raters = max(of_units, 0.0), max(of_raters, 0.0)
    whole, mean = of_units + of_raters + error, of_units + (of_raters + error) / k
    if min(abs(whole), abs(mean)) < 1e-9 * error or abs(of_units / mean) > 1.9 or abs(of_units / whole) > 1.9:
        return False
    least = 0.0 if cut else -math.inf
    out.share("ICC(A,1)", of_units / whole)
    out.share("ICC(A,k)", of_units / mean)
    out.share("ICC(C,1)", max((units - error) / (units + (k - 1) * error), least))
    out.share("ICC(1)", max((units - within) / (units + (k - 1) * within), least))
    if not cut and min(units / error, units / within) > 0.35:
        for what, value in (("ICC(C,k)", 1 - error / units), ("Cronbach alpha", 1 - error / units),
                            ("ICC(k)", 1 - within / units)):
            out.share(what, value)
    out.number("F (two-way)", units / error)
    out.number("F of raters", raters / error)
    epsilon = rng.uniform(1 / (k - 1), 1) if k > 2 and n > 2 and rng.random() < 0.5 else 1.0
    out.share("p of F of raters", stats.f.sf(raters / error, epsilon * df["raters"], epsilon * df["error"]))
    if epsilon < 1 and rng.random() < 0.5:
        out.text("df raters", f"{epsilon * df['raters']:.2f}")
        out.text("df error", f"{epsilon * df['error']:.2f}")
    for what, square in (("units", units), ("raters", raters), ("error", error), ("within", within)):
        out.number(f"MS {what}", square)
        out.number(f"SS {what}", square * df[what])
    for what, part in (("units", of_units), ("raters", of_raters), ("error", error)):
        out.number(f"variance of {what}", part)
    out.number("SEM (consistency)", error ** 0.5)
    out.number("SEM (one-way)", within ** 0.5)
    if of_raters + error > 0:
        out.number("SEM (agreement)", (of_raters + error) ** 0.5)
    out.number("SD of all readings", table.std(ddof=1))
    factor, level = [(1.96, "95 %"), (2.0, "95 %"), (stats.t.ppf(0.975, n - 1), "95 %"), (1.645, "90 %")][
        int(rng.integers(4))]
    out.number("MDC (consistency)", factor * (2 * error) ** 0.5, level=level)
    return True


def _two_trials(out: Printer, table: Any) -> bool:
    rng, n, ddof = out.rng, len(table), int(out.rng.integers(2))
    sign = 1 if rng.random() < 0.8 else -1
    d, mean = sign * (table[:, 0] - table[:, 1]), table.mean(axis=1)
    sds, sd = table.std(axis=0, ddof=ddof), float(d.std(ddof=ddof))
    if min(*sds, d.std(), mean.std()) <= 1e-9 * np.abs(table).max():
        return False
    bias, se = float(d.mean()), float(d.std(ddof=1)) / n ** 0.5
    for i in (0, 1):
        out.number(f"mean {i + 1}", table[:, i].mean())
        out.number(f"SD {i + 1}", sds[i])
    out.number("SD of differences", sd)
    out.number("bias", bias)
    factor = float(rng.choice([1.96, 2.0, stats.t.ppf(0.975, n - 1)]))
    out.number("lower limit", bias - factor * sd)
    out.number("upper limit", bias + factor * sd)
    out.number("t of the bias", bias / se)
    out.number("SE of the bias", se)
    out.share("p of the bias", 2 * stats.t.sf(abs(bias / se), n - 1))
    out.number("smallest difference", d.min())
    out.number("largest difference", d.max())
    outside = int(np.sum(np.abs(d - bias) > 1.96 * sd))
    out.text("points outside the limits", str(outside))
    out.text("share outside the limits", f"{100 * outside / n:.1f} %")
    if n > 2:
        r, along = float(np.corrcoef(table.T)[0, 1]), float(np.corrcoef(mean, d)[0, 1])
        out.share("r", r)
        out.share("p of r", stats.pearsonr(table[:, 0], table[:, 1])[1])
        out.share("CCC", 2 * r * sds[0] * sds[1] / (sds[0] ** 2 + sds[1] ** 2 + bias ** 2))
        out.number("slope of difference on mean", np.polyfit(mean - mean.mean(), d, 1)[0])
        out.share("correlation of difference and mean", along)
    return True
