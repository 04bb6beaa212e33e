"""Write two invented papers as claim files: one whose numbers come from data, one with three of them planted wrong.

The readings are drawn here; nothing is a real person, sensor or laboratory.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from scipy.special import stdtrit

from drift.engine.limits_of_agreement import limits, mean_interval, one_stratum
from drift.engine.meansquares import classical_intervals, icc_points, two_way

HERE = Path(__file__).resolve().parent
SEED = 20260611
WALKERS, VISITS = 16, 3
HEAD = '''# An invented paper. The Fellbridge laboratory, its walkers and its numbers do not exist.
{about}

[paper]
title = "Repeatability of plantar pressure with thin insoles (invented)"
invented = true
n = {walkers}
level = "95 %"

'''
# What was planted: what it is, where, as it should be, as it is printed.
PLANTED = (
    ("SEM (agreement)", "heel", "two digits exchanged"),
    ("ICC(C,1)", "forefoot", "a 90 % interval called a 95 % one"),
    ("SD of differences", "gait against bench", "the standard error printed in its place"),
)

Claim = dict[str, str | int]


def reliability(rng: np.random.Generator, region: str, mean: float, sd: float, error: float) -> list[Claim]:
    """Return Table 2 of one region."""
    table = mean + sd * rng.normal(size=(WALKERS, 1)) + 0.3 * error * rng.normal(size=(1, VISITS))
    squares = two_way(table + error * rng.normal(size=(WALKERS, VISITS)))
    points, mse = icc_points(squares), squares.ms_residual
    ends, narrow = classical_intervals(squares, 0.95), classical_intervals(squares, 0.90)
    sem = math.sqrt(mse + max(squares.components()["facet"], 0.0))
    where: Claim = {"table": "Table 2", "group": region, "k": VISITS}

    def coefficient(name: str, level: dict[str, tuple[float, float]]) -> str:
        low, high = level[name]
        return f"{points[name]:.3f} ({low:.3f} to {high:.3f})"

    return [{"what": "ICC(A,1)", "printed": coefficient("ICC(A,1)", ends), **where},
            {"what": "ICC(C,1)", "printed": coefficient("ICC(C,1)", ends), "method": "F", **where,
             "planted": coefficient("ICC(C,1)", narrow)},
            {"what": "ICC(A,k)", "printed": f"{points['ICC(A,k)']:.3f}", **where},
            {"what": "MS error", "printed": f"{mse:.1f}", **where},
            {"what": "variance of raters", "printed": f"{max(squares.components()['facet'], 0.0):.1f}", **where},
            {"what": "SEM (agreement)", "printed": f"{sem:.1f}", **where, "planted": exchanged(f"{sem:.1f}")},
            {"what": "MDC (agreement)", "printed": f"{1.959964 * math.sqrt(2) * sem:.1f}", "factor": "1.96", **where}]


def exchanged(text: str) -> str:
    """Exchange the first two digits."""
    return text[1] + text[0] + text[2:]


def comparison(rng: np.random.Generator) -> list[Claim]:
    """Return Table 3: gait against bench calibration."""
    bench = 320 + 45 * rng.normal(size=WALKERS)
    gait = bench - 14 + 16 * rng.normal(size=WALKERS)
    found = one_stratum(gait - bench)
    low, high = limits(found)
    ends = mean_interval(found, 0.95)
    where: Claim = {"table": "Table 3", "group": "gait against bench"}
    both: Claim = {"factor": "1.96", "divisor": "n-1"}
    return [{"what": "mean 1", "printed": f"{gait.mean():.1f}", **where},
            {"what": "mean 2", "printed": f"{bench.mean():.1f}", **where},
            {"what": "SD 1", "printed": f"{gait.std(ddof=1):.1f}", **where},
            {"what": "SD 2", "printed": f"{bench.std(ddof=1):.1f}", **where},
            {"what": "Pearson r", "printed": f"{np.corrcoef(gait, bench)[0, 1]:.3f}", **where},
            {"what": "bias", "printed": f"{found.mean:.1f} ({ends[0]:.1f} to {ends[1]:.1f})", "method": "t", **where},
            {"what": "SD of differences", "printed": f"{found.sd:.1f}", **where, **both,
             "planted": f"{found.sd / math.sqrt(WALKERS):.1f}"},
            {"what": "lower limit", "printed": f"{low:.1f}", **where, **both},
            {"what": "upper limit", "printed": f"{high:.1f}", **where, **both}]


def wear(rng: np.random.Generator) -> list[Claim]:
    """Return Table 4: a line through bench checks of one insole."""
    use = np.arange(0, 61, 5.0)
    reading = 412 - 0.62 * use + 3 * rng.normal(size=use.size)
    x = use - use.mean()
    slope = float(x @ reading / (x @ x))
    intercept = float(reading.mean() - slope * use.mean())
    rest = reading - reading.mean() - slope * x
    se = math.sqrt(float(rest @ rest) / (use.size - 2) / float(x @ x))
    half = float(stdtrit(use.size - 2, 0.975)) * se
    where: Claim = {"table": "Table 4", "group": "insole P03"}
    return [{"what": "slope", "printed": f"{slope:.3f} ({slope - half:.3f} to {slope + half:.3f})", "method": "t",
             **where},
            {"what": "SE of the slope", "printed": f"{se:.4f}", **where},
            {"what": "t of the slope", "printed": f"{slope / se:.1f}", **where},
            {"what": "df of the slope", "printed": str(use.size - 2), **where},
            {"what": "points of the line", "printed": str(use.size), **where},
            {"what": "R squared", "printed": f"{np.corrcoef(use, reading)[0, 1] ** 2:.3f}", **where},
            {"what": "intercept", "printed": f"{intercept:.1f}", **where},
            {"what": "limit", "printed": "350.0", **where},
            {"what": "uses to the limit", "printed": f"{(350 - intercept) / slope:.0f}", **where}]


def text(claims: list[Claim], about: str, *, planted: bool) -> str:
    """Return a claim file."""
    wrong = {(what, group) for what, group, _ in PLANTED} if planted else set()
    lines = [HEAD.format(about=about, walkers=WALKERS)]
    for claim in claims:
        shown = dict(claim)
        other = shown.pop("planted", None)
        if other is not None and (claim["what"], claim["group"]) in wrong:
            shown["printed"] = other
        lines.append("[[claims]]\n" + "".join(f"{k} = {v}\n" if isinstance(v, int) else f'{k} = "{v}"\n'
                                               for k, v in shown.items()) + "\n")
    return "".join(lines).rstrip() + "\n"


def papers() -> dict[str, str]:
    """Return name and text of both files."""
    rng = np.random.default_rng(SEED)
    claims = [*reliability(rng, "forefoot", 330, 50, 21), *reliability(rng, "heel", 265, 38, 15), *comparison(rng),
              *wear(rng)]
    list_of = "\n".join(f"#   {what}, {group}: {how}" for what, group, how in PLANTED)
    return {"clean.toml": text(claims, "# Every number comes from the same drawn readings.", planted=False),
            "with-errors.toml": text(claims, f"# Three numbers are planted wrong:\n{list_of}", planted=True)}


if __name__ == "__main__":
    for name, content in papers().items():
        (HERE / name).write_text(content, encoding="utf-8", newline="\n")
