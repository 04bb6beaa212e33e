"""Whether one or two pairs alone make a check fail: then a reading is to be looked at, not another model chosen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.agreement.checks import Check, normality_checks, outliers, spread_check, trend_check
from drift.agreement.pairs import Group
from drift.agreement.structure import Structure
from drift.agreement.words import number, opening
from drift.errors import Finding
from drift.results import decimals_for, join_words
from drift.study import AgreementQuestion

MOST = 2  # three pairs that stand out are a shape of the differences, not slips


@dataclass(frozen=True, kw_only=True)
class Deciding:
    """Pairs without which every failed check would hold, and bias and SD of the others."""

    keys: tuple[str, ...]
    apart: tuple[float, ...]
    bias: float
    sd: float


def deciding_pairs(group: Group, structure: Structure, checks: Sequence[Check], level: float) -> Deciding | None:
    """Find one or two pairs that alone make checks fail; None where there are none, or where pairs repeat.

    Notes
    -----
    The pairs that stand out (Bonferroni 5 %) are set aside for the checks only: the limits keep them. Where the spread
    truly grows, further pairs stand out or the check fails without them too, and a variant is proposed as before.
    """
    failed = {c.name for c in checks if c.holds == "no"}
    found = {key: t for _, key, t in outliers(group, structure)}
    if structure.kind != "simple" or not failed or not 1 <= len(found) <= MOST or len(group.a) - len(found) < 5:
        return None
    rest = _without(group, ~np.isin(group.key.astype(str), list(found)))
    again = [trend_check(rest, structure, level), spread_check(rest, structure, level),
             *normality_checks(rest, structure)]
    if any(c.holds == "no" for c in again):
        return None
    d = rest.difference
    return Deciding(keys=tuple(found), apart=tuple(float(x) for x in group.difference[
        [int(np.nonzero(group.key == k)[0][0]) for k in found]]), bias=float(d.mean()), sd=float(d.std(ddof=1)))


def _without(group: Group, keep: NDArray[np.bool_]) -> Group:
    """Keep some pairs, for checks."""
    return replace(group, key=group.key[keep], a=group.a[keep], b=group.b[keep], target=group.target[keep],
                   sensor=None if group.sensor is None else group.sensor[keep],
                   use=None if group.use is None else group.use[keep], readings=None, errors=None, occasion=None,
                   linked=None)


def deciding_finding(deciding: Deciding, question: AgreementQuestion, label: str) -> Finding:
    """Say which pairs to look at before anything else is read."""
    one = len(deciding.keys) == 1
    return Finding(severity="warning", code="one-pair-decides", question=question.name, message=(
        f"{opening(join_words(deciding.keys))} {'stands' if one else 'stand'} so far out{label} that without "
        f"{'it' if one else 'them'} no check would fail; {'it was' if one else 'both were'} kept"),
        mend=f"Look at how {'it was' if one else 'they were'} measured, and correct a slip in the table, before "
             "reading bias, limits and verdict.")


def deciding_sentence(deciding: Deciding, group: Group, multiplier: float) -> str:
    """Give bias and limits without the pairs that decide them."""
    unit = f" {group.unit}".rstrip()
    reach = multiplier * deciding.sd
    d = decimals_for(deciding.bias - reach, deciding.bias + reach, deciding.bias)
    apart = join_words([f"{key} ({number(x, d)}{unit})" for key, x in zip(deciding.keys, deciding.apart, strict=True)])
    one = len(deciding.keys) == 1
    return (f"{'One pair decides' if one else 'Two pairs decide'} this: {apart}. Without {'it' if one else 'them'} the "
            f"bias would be {number(deciding.bias, d)}{unit} and the limits {number(deciding.bias - reach, d)} to "
            f"{number(deciding.bias + reach, d)}{unit}.")


__all__ = ["Deciding", "deciding_finding", "deciding_pairs", "deciding_sentence"]
