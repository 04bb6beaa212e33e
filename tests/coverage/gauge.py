"""How often the intervals of a gauge study hold the truth.

``python -m tests.coverage.gauge``. Normal parts x operators x replicates, total variance one: parts crossed with
operators (the interaction absent, or a fifth of the gauge's variance; pooled by the rule of the printed analysis),
parts of each operator's own, no replicates, readings missing at random; bias and linearity against references. The
figures come from the functions that fill the printed tables; "operator share" and "ICC" (the share of the parts) are
shares of the total variance. An interval of a share is taken to hold the truth where the bound that defines its ends
has the sign it must have there, which is the same; widths of shares come from one study in twenty.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.engine.bias_line import bias_study, lines_of_operators
from drift.engine.gauge import SUMS, GaugeSquares
from drift.engine.mean_square_intervals import bound
from drift.reliability.gauge.analysis import MLS, GaugeParts, analyse_gauge
from drift.reliability.gauge.estimates import NAMES, STUDY
from drift.reliability.gauge.rows import GaugeGroup
from drift.study import GaugeQuestion
from tests.coverage.family import FOLDER, LEVEL, Held
from tests.coverage.runner import command

TABLE, SEED, STUDIES, WIDTHS = FOLDER / "gauge.csv", 20261126, 2000, 20
QUESTION = GaugeQuestion(name="simulated", part="part", operator="operator")
HOLDS = {"EV": ("e",), "AV": ("o",), "INT": ("i",), "GRR": ("e", "o", "i"), "PV": ("p",), "TV": ("e", "o", "i", "p")}


@dataclass(frozen=True)
class Design:
    """Parts, operators, readings a cell; shares of operators and parts, and of the interaction in the rest."""

    p: int
    o: int
    m: int
    share: float
    icc: float
    inter: float = 0.0
    nested: bool = False
    missing: float = 0.0
    line: bool = False

    @property
    def name(self) -> str:
        """The design as it stands in the table."""
        size = f"{self.p} x {self.o} x {self.m}"
        if self.nested:
            size = f"{self.p} parts within {self.o} operators x {self.m}"
        gone = f", {100 * self.missing:g} % of readings missing" if self.missing else ""
        inter = f", interaction {self.inter:g} of the rest" if self.inter else ""
        line = ", against references" if self.line else ""
        return f"{size}, operator share {self.share:g}, ICC {self.icc:g}{inter}{gone}{line}"

    @property
    def variances(self) -> dict[str, float]:
        """Variances by letter: part, operator, interaction, repeatability."""
        rest = 1 - self.share - self.icc
        return {"p": self.icc, "o": self.share, "i": self.inter * rest, "e": (1 - self.inter) * rest}


def named() -> dict[str, Design]:
    """Return the grid of the table."""
    sizes = ((10, 3, 3), (10, 2, 2), (10, 3, 2), (5, 3, 3), (20, 3, 2), (10, 5, 2), (30, 2, 2), (5, 2, 3))
    grid = [Design(p, o, m, share, 0.8) for p, o, m in sizes for share in (0.0, 0.1)]
    grid += [Design(p, o, m, 0.3, 0.5) for p, o, m in sizes[:4]] + [Design(10, 3, 3, 0.02, 0.95)]
    grid += [Design(10, o, 2, 0.1, 0.7, inter=0.5) for o in (2, 3)]
    grid += [Design(10, 2, 1, 0.1, 0.8), Design(10, 3, 1, 0.1, 0.8), Design(10, 3, 1, 0.0, 0.8)]
    grid += [Design(10, o, 2, 0.1, 0.8, missing=0.1) for o in (2, 3, 5)] + [Design(10, 3, 2, 0.0, 0.8, missing=0.1)]
    grid += [Design(10, 3, 3, 0.1, 0.7, inter=0.5, missing=0.25)]
    grid += [Design(5, o, 2, 0.1, 0.8, nested=True) for o in (2, 3, 5)] + [Design(5, 3, 2, 0.0, 0.8, nested=True)]
    grid += [Design(5, 1, 3, 0.0, 0.9, line=True), Design(10, 1, 2, 0.0, 0.9, line=True)]
    grid += [Design(5, o, 2, 0.3, 0.6, line=True) for o in (3, 8)]
    return {d.name: d for d in grid}


NAMED = named()
DESIGNS = list(NAMED)


def draw(d: Design, rng: np.random.Generator) -> GaugeGroup:
    """Draw the readings of one study."""
    v = {k: math.sqrt(x) for k, x in d.variances.items()}
    p, o, m = d.p, d.o, d.m
    parts = v["p"] * rng.standard_normal((p, o) if d.nested else (p, 1))
    cells = parts + v["o"] * rng.standard_normal((1, o)) + v["i"] * rng.standard_normal((p, o))
    y = (cells[:, :, None] + v["e"] * rng.standard_normal((p, o, m))).reshape(-1)
    i, j = (np.repeat(x.reshape(-1), m) for x in np.indices((p, o)))
    if d.nested:
        i = i * o + j
    if d.missing:
        keep = rng.random(len(y)) >= d.missing
        y, i, j = y[keep], np.unique(i[keep], return_inverse=True)[1], np.unique(j[keep], return_inverse=True)[1]
    names = tuple(str(x) for x in range(int(i.max()) + 1))
    return GaugeGroup(labels={}, values=y, parts=i, operators=j, part_names=names, references=None, unit="",
                      operator_names=tuple(str(x) for x in range(int(j.max()) + 1)))


def study(design: str, rng: np.random.Generator) -> Held:
    """Run one study."""
    d = NAMED[design]
    group = draw(d, rng)
    if d.line:
        return _against_references(d, group, rng)
    whole = rng.random() < 1 / WIDTHS
    parts = analyse_gauge(group, QUESTION, level=LEVEL, shares=whole)
    if not isinstance(parts, GaugeParts):
        return {}
    truth = d.variances
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    for name, s in parts.sized.items():
        # Without the interaction in the model, repeatability is both.
        alone = "interaction" in parts.variances
        letters = ("e", "i") if name == "EV" and not alone and not d.nested else HOLDS[name]
        squares = parts.squares if name != "INT" or alone else parts.tables["with interaction"]
        true = sum(truth[k] for k in letters)
        held[NAMES[name], MLS] = _inside(true, s.low, s.high), math.sqrt(s.high) - math.sqrt(s.low)
        if name != "TV":
            width = 100 * (math.sqrt(s.share_high) - math.sqrt(s.share_low)) if whole else math.nan
            held[NAMES[name] + STUDY, MLS] = _share_held(squares, name, true, s.share), width
    return held


def _share_held(squares: GaugeSquares, name: str, true: float, estimate: float) -> bool:
    """Tell whether the interval of a share holds the truth: the bound that defines its ends has its sign there."""
    top = np.sum([squares.weights[c] for c in SUMS[name] if c in squares.weights], axis=0)
    rest = np.sum(list(squares.weights.values()), axis=0) - top
    at = (1 - true) * top - true * rest
    low, high = (float(bound(squares.ms, squares.df, at, (1 - LEVEL) / 2, side)) for side in ("lower", "upper"))
    if name == "GRR" and (top < 0).any():  # its lower end is no lower than that of the repeatability, at half the error
        own = squares.weights["repeatability"]
        less = (1 - true) * own - true * (np.sum(list(squares.weights.values()), axis=0) - own)
        low = max(low, float(bound(squares.ms, squares.df, less, (1 - LEVEL) / 4, "lower")))
    return (low <= 1e-12 or true >= estimate) and (high >= -1e-12 or true <= estimate)


def _inside(true: float, low: float, high: float) -> bool:
    return bool(low <= true * (1 + 1e-12) and true <= high * (1 + 1e-12))


def _against_references(d: Design, group: GaugeGroup, rng: np.random.Generator) -> Held:
    """Parts are their references; bias is 0.5 - 0.1 times the reference, in each operator another offset and slope."""
    x = np.linspace(1, 10, d.p)[group.parts]
    y = x + 0.5 - 0.1 * x + math.sqrt(d.variances["e"]) * rng.standard_normal(len(x))
    held: dict[tuple[str, str], tuple[bool, float]] = {}
    if d.o > 1:
        own = math.sqrt(d.share) * rng.standard_normal((2, d.o))
        y = y + own[0][group.operators] + 0.1 * own[1][group.operators] * x
        lines = lines_of_operators(y, group.operators, x, level=LEVEL)
        assert lines is not None
        for name, (low, high), true in (("linearity, slope of bias on reference", lines.slope_ends, -0.1),
                                        ("linearity, bias at reference 0", lines.intercept_ends, 0.5)):
            held[name, "mean of operators' own lines, t interval over operators"] = low <= true <= high, high - low
        low, high = lines.mean_ends
        held["mean bias",
             "mean over operators, t interval over operators"] = low <= 0.5 - 0.1 * x.mean() <= high, high - low
    found = bias_study(y, group.parts, x, level=LEVEL)
    for through, line in (("readings", found.line), ("part means", found.over_parts)):
        if line is not None:
            for name, what, true in (("linearity, slope of bias on reference", "slope", -0.1),
                                     ("linearity, bias at reference 0", "intercept", 0.5)):
                low, high = line.ends(what, LEVEL)
                held[name, f"least squares through {through}, t interval"] = low <= true <= high, high - low
    if d.o > 1:  # a part's own readings, and its interval, are about these operators
        return held
    true = 0.5 - 0.1 * float(x[group.parts == 0][0])
    held["bias", "t interval of its readings"] = (bool(found.lows[0] <= true <= found.highs[0]),
                                                  float(found.highs[0] - found.lows[0]))
    return held


if __name__ == "__main__":
    command(study, DESIGNS, out=TABLE, seed=SEED, about=__doc__ or "")
