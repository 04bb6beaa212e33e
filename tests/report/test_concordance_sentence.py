"""The methods paragraph says what the concordance correlation was, and that it decided nothing."""

from __future__ import annotations

import math

from drift.report.concordance_methods import concordance_sentence
from drift.results import Estimate, Result


def made(*estimates: Estimate) -> Result:
    return Result(question="q", answer="", estimates=estimates)


def ccc(value: float, **of: str) -> Estimate:
    return Estimate(name="CCC", value=value, low=value - 0.1, high=value + 0.05, level=0.95,
                    method="Lin 1989, divisor n", of={"question": "q", **of})


def test_one_group_is_told_with_its_factors() -> None:
    factors = [Estimate(name=n, value=0.95, low=0.9, high=0.98, level=0.95, method="m")
               for n in ("precision", "accuracy")]
    said = concordance_sentence(made(ccc(0.9), *factors))
    assert said.startswith(" The concordance correlation (Lin 1989, divisor n) was 0.90 (0.80 to 0.95), the product ")
    assert said.endswith("it depends on the spread of the targets and decided nothing.")


def test_several_groups_are_named_and_counted() -> None:
    said = concordance_sentence(made(*(ccc(0.9, region=r) for r in ("heel", "toe", "arch", "forefoot"))))
    assert "(heel)" in said
    assert "and 1 further groups" in said
    assert "product" not in said


def test_nothing_is_said_without_a_value() -> None:
    assert concordance_sentence(made()) == ""
    assert concordance_sentence(made(ccc(math.nan))) == ""
