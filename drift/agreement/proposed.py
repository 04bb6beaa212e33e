"""What is said and shown where a check fails: the fitting variant, its figures, and the verdict by it."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from drift.agreement.checks import ALPHA, GROWS, Check
from drift.agreement.companion import Companion
from drift.agreement.pairs import Group
from drift.agreement.proposal import (
    SPREAD,
    TREND,
    Proposal,
    Variants,
    propose,
    shown_rows,
    variants_of,
    verdict_by,
)
from drift.agreement.standing_out import deciding_finding, deciding_pairs, deciding_sentence
from drift.agreement.structure import Structure
from drift.agreement.variants import BIAS, LOWER, NONPARAMETRIC, PERCENT, PLAIN, RATIO, REGRESSION, UPPER, LimitRow
from drift.agreement.words import number, opening
from drift.engine.quantile_limits import pairs_needed
from drift.errors import MINUS, Finding
from drift.results import ResultTable, decimals_for, join_words
from drift.simulated import Design
from drift.simulated.quoting import Asked
from drift.study import AgreementQuestion

TABLE, FAMILY = "limits, plain and proposed", "agreement_variants"
DECIDES = "Look at the plot, and rest the decision on the limits that fit it."


@dataclass(frozen=True, kw_only=True, eq=False)
class Asking:
    """What a proposal is made for: the group, its checks and plain rows, and what was asked."""

    structure: Structure
    group: Group
    checks: Sequence[Check]
    plain: Sequence[LimitRow]
    question: AgreementQuestion
    label: str
    level: float
    multiplier: float
    harmless: float | None
    verdict: str
    design: Design


def beside_plain(ask: Asking) -> tuple[list[LimitRow], Companion]:
    """Make every variant; return rows of the table of limits, and what stands beside the plain limits.

    Parameters
    ----------
    ask : Asking
        ``plain`` holds bias and limits; ``verdict`` that of the plain limits, empty without a harmless difference.

    Returns
    -------
    rows, companion
        The companion has the table "regression limits", with a failed check "limits, plain and proposed", the
        findings about failed checks, and the sentence that proposes a variant.
    """
    variants = variants_of(ask.structure, ask.group, ask.level, multiplier=ask.multiplier)
    deciding = deciding_pairs(ask.group, ask.structure, ask.checks, ask.level)
    proposal = propose(variants, ask.checks) if deciding is None else None
    findings = [] if deciding else _failed(ask, variants, proposal)
    findings += _missing(ask, variants)
    tables = [variants.path.table] if variants.path is not None else []
    sentences: tuple[str, ...] = ()
    if deciding is not None:
        findings.insert(0, deciding_finding(deciding, ask.question, ask.label))
        sentences = (deciding_sentence(deciding, ask.group, ask.multiplier),)
    quoted: tuple[tuple[str, Asked], ...] = ()
    if proposal is not None:
        rows = shown_rows(proposal, variants, ask.plain)
        tables.insert(0, _table(rows, ask))
        quoted = tuple(_asked(proposal, variants, ask))
        other = ""
        if ask.harmless is not None and ask.verdict:
            other = verdict_by(proposal, variants, ask.harmless)
        sentences = (_sentence(proposal, variants, rows, ask, other),)
        if other and other != ask.verdict:
            findings.append(Finding(
                severity="warning", code="verdict-by-variant", question=ask.question.name,
                message=f"The verdict{ask.label} is {ask.verdict} by the plain limits and {other} by the "
                        f"{proposal.name}, which fit better", mend=DECIDES))
    return variants.rows, Companion(tables=tuple(tables), findings=tuple(findings), sentences=sentences,
                                    asked=quoted)


def _asked(proposal: Proposal, variants: Variants, ask: Asking) -> Iterator[tuple[str, Asked]]:
    """Yield the printed intervals of the proposed variant, under the names that their simulation has for them."""
    of = ask.label.strip(" ()")
    exact = ask.structure.kind == "simple"
    how = {RATIO: "exact noncentral t" if exact else "MOVER",
           REGRESSION: "averaged noncentral t" if variants.path is not None and variants.path.kind == "changing" else
           "exact noncentral t" if exact else "MOVER",
           NONPARAMETRIC: "binomial interval of order statistics" if exact else "effective number of pairs"}
    named = {RATIO: {"ratio upper limit": "ratio upper limit", "ratio lower limit": "ratio lower limit",
                     "ratio bias": "ratio bias"},
             REGRESSION: {f"regression limit, {at}": f"regression limits at the {at}"
                          for at in ("largest mean", "middle mean", "smallest mean")},
             NONPARAMETRIC: {"nonparametric upper limit": "nonparametric upper limit",
                             "nonparametric lower limit": "nonparametric lower limit"}}
    for name, printed in named[proposal.variant].items():
        yield FAMILY, Asked(quantity=printed, named=name, method="t" if name == "ratio bias" else how[proposal.variant],
                            design=ask.design, of=of)


def _table(rows: Sequence[LimitRow], ask: Asking) -> ResultTable:
    return ResultTable.build(TABLE, {
        "variant": [r.variant for r in rows], "limit": [r.limit for r in rows], "at": np.array([r.at for r in rows]),
        "value": np.array([r.value for r in rows]), "low": np.array([r.low for r in rows]),
        "high": np.array([r.high for r in rows]), "unit": [r.unit for r in rows]}, units={"at": ask.group.unit},
        caption="Plain limits and those proposed because a check failed; at: the mean reading they hold at")


def _failed(ask: Asking, variants: Variants, proposal: Proposal | None) -> list[Finding]:
    """Return a finding for each failed check, with the variant to read."""
    made: list[Finding] = []
    fits = "" if proposal is None else f"Read the {proposal.name} beside the plain ones."

    def say(code: str, message: str, mend: str, severity: Literal["warning", "note"] = "warning") -> None:
        made.append(Finding(severity=severity, code=code, message=opening(message) + ask.label, mend=mend,
                            question=ask.question.name))

    state = {c.name: c for c in ask.checks}
    if state[SPREAD].holds == "no":
        mend = fits or "Look at the plot, and ask the question over a narrower range with where or by."
        if state[SPREAD].words == GROWS and RATIO in variants.missing:
            mend += " Ratio limits need positive readings."
        say("spread-with-size", f"{state[SPREAD].words}, so one pair of limits is too wide at one end and too narrow "
            "at the other", mend)
    if state[TREND].holds == "no":
        say("trend-with-size", "differences change with the size of the reading, so a single bias does not hold over "
            "the range", fits or "Look at the plot.")
    odd = [c for c in ask.checks if c.name.startswith("normality") and c.holds == "no"]
    if odd:
        # Several parts are tested at 5 %, so that clean data fail often: only clear departures are cautions.
        within = f"deviations within {' and '.join(ask.structure.factors)}"
        parts = [c.name.removeprefix("normality of ").replace("deviations within", within) for c in odd]
        mend = ("Look at the plot; the nonparametric limits stand beside the plain ones."
                if proposal is not None and proposal.variant == NONPARAMETRIC else
                "Look at the plot; what changes with the size of the reading may be the reason."
                if proposal is not None else "Look at the plot.")
        say("not-normal", f"the {join_words(parts)} do not look normal", mend,
            "warning" if any(c.p < ALPHA / 5 for c in odd) else "note")
    return made


def _missing(ask: Asking, variants: Variants) -> list[Finding]:
    """Say why there are no ratio or percent limits, where the readings do not allow them."""
    words = {RATIO: "ratio limits", PERCENT: "percent limits"}
    told = [f"no {words[v]}, as {variants.missing[v]}" for v in words if v in variants.missing
            and not (v == PERCENT and ask.structure.kind == "unpaired")]
    if not told:
        return []
    return [Finding(severity="note", code="variant-missing", question=ask.question.name,
                    message=f"There are {'; '.join(told)}{ask.label}")]


def _sentence(proposal: Proposal, variants: Variants, rows: Sequence[LimitRow], ask: Asking, other: str) -> str:
    q, unit = ask.question, f" {ask.group.unit}".rstrip()
    start = f"{opening(proposal.name)} fit better, as {proposal.why}: "
    mine = [r for r in rows if r.variant == proposal.name]
    if proposal.variant == RATIO:
        bias, low, high = (next(r for r in mine if r.limit == n) for n in (BIAS, LOWER, UPPER))
        told = (f"{q.a} is {_shown(bias)} times {q.b} ({_end(bias.low, bias)} to {_end(bias.high, bias)}), and 95 % of "
                f"ratios are expected between {_shown(low)} and {_shown(high)}")
    elif proposal.variant == REGRESSION:
        ends = [[r for r in mine if r.at == at] for at in (mine[0].at, mine[-1].at)]
        told = " and ".join(f"{_between(part)}{unit} where the mean is {_mean(part[0].at)}" for part in ends)
    else:
        told = f"95 % of differences lie between {_between(mine)}{unit}".replace(" to ", " and ", 1)
        needed = pairs_needed(0.025, ask.level)
        if any(not math.isfinite(v) for r in mine for v in (r.low, r.high)):
            told += (f"; their {100 * ask.level:g} % intervals have no outer end, which takes {needed} independent "
                     "pairs or more")
    if other:
        told += (f"; by them the verdict would be {other}" if other != ask.verdict else
                 "; by them the verdict is the same")
    return f"{start}{told}."


def _mean(at: float) -> str:
    """Print a mean reading with three significant digits, never as a power of ten where it has up to six."""
    return f"{float(f'{at:.3g}'):g}".replace("-", MINUS)


def _between(rows: Sequence[LimitRow]) -> str:
    low, high = (next(r for r in rows if r.limit == n) for n in (LOWER, UPPER))
    return f"{_shown(low)} to {_shown(high)}"


def _shown(row: LimitRow) -> str:
    return _end(row.value, row)


def _end(value: float, row: LimitRow) -> str:
    low, high = (2 * row.value - b if math.isnan(a) else a for a, b in ((row.low, row.high), (row.high, row.low)))
    return number(value, decimals_for(low, high, row.value))


__all__ = ["PLAIN", "TABLE", "Asking", "beside_plain"]
