"""A true study is not accused where its numbers are printed in mixed units, or its percentages as fractions."""

from __future__ import annotations

import re
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from drift.reported.one_unit import READINGS, powers
from drift.reported.reading import paper_from_dict
from drift.reported.review import look
from drift.reported.vocabulary import quantities
from tests.reported.studies import FAMILIES, RULES, claims_of

NUMBER = re.compile(r"-?\d+(?:\.\d+)?")
UNITS = (("kPa", 0), ("Pa", 3), ("MPa", -3), ("N/cm2", -1))


def shifted(text: str, places: int) -> str:
    """Move the point of every number, and keep its digits: 56.60 becomes 5.660E+4, not 56600.00."""
    kept = "E" if places > 0 else "f"
    return NUMBER.sub(lambda m: f"{Decimal(m.group()).scaleb(places):{kept}}", text)


def in_mixed_units(claim: dict[str, Any], rng: np.random.Generator) -> None:
    kinds = powers(claim["what"])
    if kinds == ((READINGS, 1),):
        unit, places = UNITS[rng.integers(len(UNITS))]
        claim["printed"] = f"{shifted(claim['printed'], places)} {unit}"
    elif kinds == ((READINGS, 2),):
        claim["printed"] = f"{shifted(claim['printed'], 6)} Pa²"
    elif kinds and kinds[0] == (READINGS, 1):
        claim["printed"] = f"{shifted(claim['printed'], 3)} Pa/use"


def as_fractions(claim: dict[str, Any], rng: np.random.Generator) -> None:
    made = shifted(claim["printed"], -2)
    if quantities()[claim["what"]].scale == "percent" and all(abs(float(x)) <= 1 for x in NUMBER.findall(made)):
        claim["printed"] = made


@pytest.mark.parametrize("family", list(FAMILIES))
@pytest.mark.parametrize("change", [in_mixed_units, as_fractions])
def test_no_true_study_is_accused_for_how_it_is_printed(family: str, change: Any) -> None:
    made = 0
    for i in range(12):
        rng = np.random.default_rng([808, i, list(FAMILIES).index(family)])
        truth = FAMILIES[family](rng)
        if truth is None or made == 4:
            continue
        made += 1
        data = claims_of(truth, rng, rule=list(RULES)[i % len(RULES)], keep=0.8)
        for claim in data["claims"]:
            change(claim, rng)
        # The first number with a unit gives it to those without, which are in kPa.
        data["claims"].sort(key=lambda c: not str(c["printed"]).endswith(" kPa"))
        found = look(paper_from_dict(data)[0], with_implied=False)
        assert not [c for c in found.conflicts if not c.remark], i
        assert not [d for d in found.detections if d.kind == "units"], i
    assert made
