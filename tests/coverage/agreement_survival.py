"""How often the band of the agreement survival plot holds the truth: ``python -m tests.coverage agreement_survival``.

Normal differences of total variance one, with and without a bias: one pair per target, targets with linked pairs,
targets crossed with sensors, unlinked readings. The share of differences further than 1, 2 and 3 SD from zero is
estimated by the function that the figure uses, with its pointwise interval.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from drift.engine.limits_of_agreement import Strata, one_stratum, unpaired_strata
from drift.engine.paired_components import fit_paired
from drift.engine.survival_agreement import model_beyond, normal_beyond
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED, STUDIES = FOLDER / "agreement_survival.csv", 20260503, 2000
DRAWS = 1500
AT = np.array([1.0, 2.0, 3.0])
UNEQUAL = (1, 1, 1, 2, 2, 3, 3, 4, 6, 8, 10, 12)


@dataclass(frozen=True)
class Design:
    """A world: codes of targets (and sensors) of each pair, their shares of the variance, and the bias in SDs."""

    kind: str
    n: int
    codes: tuple[tuple[int, ...], ...] = ()
    shares: tuple[float, ...] = ()
    bias: float = 0.0


def designs() -> dict[str, Design]:
    """Return every design by its words."""
    found: dict[str, Design] = {}
    for bias in (0.0, 1.0):
        end = f", bias {bias:g} SD"
        for n in (5, 10, 20, 50, 100):
            found[f"{n} targets, one pair each{end}"] = Design("simple", n, bias=bias)
        for sizes, words in (((10,) * 10, "10 targets x 10"), ((3,) * 20, "20 targets x 3"),
                             ((3,) * 85, "85 targets x 3"), (UNEQUAL, "12 targets, 1 to 12 pairs")):
            code = tuple(np.repeat(np.arange(len(sizes)), sizes).tolist())
            for share in (0.2, 0.5, 0.8):
                found[f"{words}, share {share:g}{end}"] = Design("linked", len(code), (code,), (share,), bias)
        for n, k, m in ((20, 4, 3), (12, 8, 2)):
            t, s = np.repeat(np.arange(n), k * m), np.tile(np.repeat(np.arange(k), m), n)
            for shares in ((0.3, 0.3), (0.1, 0.5)):
                words = f"{n} targets x {k} sensors x {m}, share {shares[0]:g}, sensor share {shares[1]:g}{end}"
                found[words] = Design("linked", len(t), (tuple(t.tolist()), tuple(s.tolist())), shares, bias)
        for share in (0.3, 0.8):
            found[f"20 targets, 3 and 2 unlinked readings, share {share:g}{end}"] = Design("unlinked", 20, (), (share,),
                                                                                         bias)
    return found


def simulated(design: Design, rng: np.random.Generator) -> Strata:
    """Simulate one study and return the strata of its differences."""
    if design.kind == "simple":
        return one_stratum(design.bias + rng.normal(size=design.n))
    rest = math.sqrt(1 - sum(design.shares))
    if design.kind == "unlinked":
        n, within = design.n, rest / math.sqrt(2)
        shift = design.bias + math.sqrt(design.shares[0]) * rng.normal(size=n)
        a, b = shift[:, None] + within * rng.normal(size=(n, 3)), within * rng.normal(size=(n, 2))
        return unpaired_strata(a.ravel(), np.repeat(np.arange(n), 3), b.ravel(), np.repeat(np.arange(n), 2)).strata
    d = design.bias + rest * rng.normal(size=design.n)
    codes = [np.array(c) for c in design.codes]
    for code, share in zip(codes, design.shares, strict=True):
        d = d + math.sqrt(share) * rng.normal(size=int(code.max()) + 1)[code]
    strata = fit_paired(d, codes).strata
    assert strata is not None
    return strata


def study(name: str, rng: np.random.Generator) -> Held:
    """Run one study: whether the interval of the share beyond each distance holds the true share."""
    design = named[name]
    try:
        strata = simulated(design, rng)
    except (ValueError, ArithmeticError, np.linalg.LinAlgError):
        return {}
    _, low, high = model_beyond(strata, AT, LEVEL, rng=rng, n_draws=DRAWS)
    truth = normal_beyond(design.bias, 1.0, AT)
    return {(f"share beyond {d:g} SD", "pivotal interval"): (bool(a <= t <= b), float(b - a))
            for d, t, a, b in zip(AT, truth, low, high, strict=True)}


named = designs()
FAMILY = Family("agreement_survival", __doc__ or "", list(named), study, TABLE, SEED, studies=STUDIES,
                cheap="10 targets, one pair each, bias 0 SD")

if __name__ == "__main__":
    from tests.coverage.__main__ import main

    raise SystemExit(main(["agreement_survival"]))
