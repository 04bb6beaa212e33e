"""What a study declares about its pairs, set against the rows: the truth, the repeats, the independence."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import Group
from drift.agreement.structure import Structure, analyse
from drift.engine.limits_of_agreement import mean_interval, one_stratum, upper_limit_bound
from drift.errors import Finding
from drift.results import join_words
from drift.simulated import Design
from drift.simulated.tables import nearest
from drift.study import AgreementQuestion

ALPHA = 0.05
POOLED = "rows pooled as independent"


@dataclass(frozen=True)
class Together:
    """Correlation of a and b within targets, pair by pair, and the one-sided p-value that it is above zero."""

    r: float
    df: int
    p: float


def moving_together(a: NDArray[np.float64], b: NDArray[np.float64], target: NDArray[np.int64]) -> Together | None:
    """Correlate readings of pairs within targets; None with fewer than three degrees of freedom or no spread.

    Notes
    -----
    Correlation of the deviations from target means; ``t = r sqrt(df / (1 - r^2))`` with df the pairs less the targets
    less one, exact for normal errors (partial correlation given the targets). With a constant truth and independent
    errors it is zero.
    """
    from scipy import special

    code = np.unique(target, return_inverse=True)[1].reshape(-1)
    number = np.bincount(code)
    x, y = (v - (np.bincount(code, weights=v) / number)[code] for v in (a, b))
    df = len(x) - len(number) - 1
    size = float(np.sqrt((x @ x) * (y @ y)))
    if df < 3 or not size > 0:
        return None
    r = float(np.clip(x @ y / size, -1, 1))
    t = r * np.sqrt(df / max(1 - r**2, np.finfo(float).tiny))
    return Together(r, df, float(special.stdtr(df, -t)))


def declared_findings(group: Group, structure: Structure, question: AgreementQuestion, target: str,
                      label: str) -> list[Finding]:
    """Say where the rows speak against what the study declares, or make it idle.

    Returns
    -------
    list of Finding
        Codes "truth-seems-to-vary", "truth-not-seen-to-vary", "nothing-repeats".
    """
    def finding(severity: str, code: str, message: str, mend: str = "") -> Finding:
        return Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                       question=question.name)

    if question.truth is None:
        return []
    if structure.kind == "simple":
        one_each = not question.rows_are_independent and len(set(group.target)) == len(group.a)
        what = "Each pair is a target of its own" if target == "pair" else f"Each {target} has one pair"
        return [finding("note", "nothing-repeats", f"{what}{label}, so truth = "
                        f'"{question.truth}" changes nothing')] if one_each else []
    if structure.kind == "unpaired":
        return _constant(group, target, label, finding)
    if len(structure.codes) > 1 or structure.occasion is not None or question.truth != "varying":
        return []  # what a and b share within targets may then be the sensor or the session
    found = moving_together(group.a, group.b, structure.codes[0])
    if found is None or found.p < ALPHA:
        return []
    return [finding("note", "truth-not-seen-to-vary", f"Truth is declared as varying, but within levels of "
                    f"{structure.factors[0]} readings of a and b are not seen to rise and fall together (r = "
                    f"{found.r:.2f}, one-sided p = {found.p:.2g}){label}; pairs taken together may be analysed as "
                    "linked all the same")]


def _constant(group: Group, target: str, label: str, finding: Callable[..., Finding]) -> list[Finding]:
    assert group.readings is not None
    if max(np.bincount(group.readings[i]).max() for i in (1, 3)) == 1:
        return [finding("note", "nothing-repeats", f"Each {target} has one reading of each{label}, so truth = "
                        '"constant" changes nothing')]
    if group.linked is None:
        return []
    columns, x, y, code = group.linked
    found = moving_together(x, y, code)
    if found is None or not found.p < ALPHA:
        return []
    by = join_words(f'"{c}"' for c in (target, *columns))
    return [finding("warning", "truth-seems-to-vary", "Truth is declared as constant, but within levels of "
                    f"{target} readings of a and b with the same {join_words(columns)} rise and fall together (r = "
                    f"{found.r:.2f}, one-sided p = {found.p:.1g}){label}, as they do when the true value changes; "
                    "limits of unlinked readings then count that change as disagreement",
                    f'Set truth = "varying" with pair_by = [{by.replace(" and ", ", ")}].')]


def cost_of_independence(group: Group, dependent: Structure) -> str:
    """Say in words by how much intervals are too short when rows are taken as independent.

    Parameters
    ----------
    group : Group
    dependent : Structure
        As it would be if targets and sensors counted.
    """
    try:
        strata = analyse(dependent, group).strata
    except ValueError:
        return ""
    pooled = one_stratum(group.difference)
    if not pooled.sd > 0:
        return ""
    wide = [mean_interval(s, 0.95) for s in (strata, pooled)]
    limit = [[upper_limit_bound(s, p) for p in (0.025, 0.975)] for s in (strata, pooled)]
    bias, upper = ((x[0][1] - x[0][0]) / (x[1][1] - x[1][0]) for x in (wide, limit))
    said = (f"with {' and '.join(dependent.factors)} counted the interval of the bias is {bias:.1f} times and that of "
            f"the upper limit {upper:.1f} times as wide")
    levels, share = [len(np.unique(c)) for c in dependent.codes], None
    if strata.variance > 0:
        share = max(0.0, 1 - float(strata.mean_squares[-1]) / strata.variance)
    design = Design(n=float(levels[0]), m=len(group.a) / levels[0], share=share)
    of_bias, of_limit = (nearest("agreement", q, POOLED, design) for q in ("bias", "upper limit"))
    if of_bias is None or of_limit is None or of_bias.far:
        return said
    return (f"{said}; in simulated studies like this one ({of_bias.design_text}) pooled rows held the bias in "
            f"{100 * of_bias.coverage:.0f} % and the upper limit in {100 * of_limit.coverage:.0f} %, where 95 % are "
            "promised")
