"""Printed strings are read right, or refused with one clear sentence."""

from __future__ import annotations

from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drift.reported.strings import StringProblemError, read


@pytest.mark.parametrize(("text", "value", "unit"), [
    ("0.85", "0.85", "0.01"), (".85", "0.85", "0.01"), ("0,85", "0.85", "0.01"), ("\N{MINUS SIGN}0.13", "-0.13",
                                                                                  "0.01"),
    ("\N{EN DASH}0,13", "-0.13", "0.01"), ("1 234.5", "1234.5", "0.1"), ("1,234.5", "1234.5", "0.1"), ("12", "12", "1"),
    ("1.234,5", "1234.5", "0.1"), ("0.2450E-04", "0.00002450", "1E-8"),
    ("7.3 \N{MULTIPLICATION SIGN} 10\N{MINUS SIGN}3", "0.0073", "0.0001"),
    ("7.3 x 10^-3", "0.0073", "0.0001"), ("7.3·10⁻³", "0.0073", "0.0001"), ("p = .03", "0.03", "0.01"),
    ("ICC(2,1) = 0.85", "0.85", "0.01"), ("2.3 kPa", "2.3", "0.1"), ("10.2 N/cm2", "10.2", "0.1"),
    ("+4.0", "4.0", "0.1")])
def test_one_number_with_its_digits(text: str, value: str, unit: str) -> None:
    made = read(text).point
    assert made is not None
    assert (made.value, made.unit, made.bound) == (Decimal(value), Decimal(unit), "")


@pytest.mark.parametrize("text", [
    "0.85 (0.72-0.93)", "0.85 (0.72\N{EN DASH}0.93)", "0.85 [0.72, 0.93]", "0,85 (0,72; 0,93)",
    "0.85 (95 % CI 0.72 to 0.93)",
    "0.85, 95% CI 0.72-0.93", "0.85 95 % CI: 0.72, 0.93", "0,85; 95 % CI 0,72 to 0,93", "0.85, CI 0.72-0.93",
    "0.85, 95% CI 0.72-0.93, p < 0.001", "0.85 (95% CI: 0.72, 0.93)",
    "0.85 (0.72 to 0.93)", "0,85 (0,72-0,93)", ".85 (.72-.93)", "0.85 (CI 0.72..0.93)"])
def test_a_number_with_its_interval(text: str) -> None:
    made = read(text)
    assert made.point is not None
    assert made.low is not None
    assert made.high is not None
    assert [made.point.value, made.low.value, made.high.value] == [Decimal("0.85"), Decimal("0.72"), Decimal("0.93")]
    assert made.level == (0.95 if "95" in text else None)


@pytest.mark.parametrize(("text", "ends"), [("(-0.13-0.72)", ("-0.13", "0.72")),
                                            ("[\N{MINUS SIGN}54.7, \N{MINUS SIGN}22.1]", ("-54.7", "-22.1")),
                                            ("0.72 to 0.93", ("0.72", "0.93")),
                                            ("95 % CI 0.72 to 0.93", ("0.72", "0.93"))])
def test_an_interval_alone(text: str, ends: tuple[str, str]) -> None:
    made = read(text)
    assert made.point is None
    assert made.low is not None
    assert made.high is not None
    assert (made.low.value, made.high.value) == (Decimal(ends[0]), Decimal(ends[1]))


def test_an_interval_the_wrong_way_round_is_turned_and_said() -> None:
    made = read("0.85 (0.93-0.72)")
    assert made.swapped
    assert made.low is not None
    assert made.low.value == Decimal("0.72")


def test_bounds_and_percent() -> None:
    assert read("<0.001").point.bound == "<"  # type: ignore[union-attr]
    assert read("p < 0.05").point.bound == "<"  # type: ignore[union-attr]
    assert read("≥ 0.9").point.bound == ">"  # type: ignore[union-attr]
    made = read("85 % (72-93)")
    assert made.point is not None
    assert made.low is not None
    assert made.point.percent
    assert made.low.percent


def test_a_comma_that_may_be_either_is_asked_about_and_a_setting_answers() -> None:
    with pytest.raises(StringProblemError, match="may be a decimal comma or a thousand"):
        read("1,234")
    assert read("1,234", mark="comma").point.value == Decimal("1.234")  # type: ignore[union-attr]
    assert read("1,234", mark="point").point.value == Decimal("1234")  # type: ignore[union-attr]
    assert read("0,853").point.value == Decimal("0.853")  # type: ignore[union-attr]


@pytest.mark.parametrize(("text", "said"), [("abc", "no number"), ("12.3 ± 4", "what stands after the ±"),
                                            ("12 of 40", "is not one number"), ("n.s.", "no number"), ("--",
                                                                                                       "no number"),
                                            ("0.85, 0.91", "is not one number"), ("0.85, 0.72-0.93", "is not one"),
                                            ("0.85/0.93", "is not one number")])
def test_what_is_no_number_is_said(text: str, said: str) -> None:
    with pytest.raises(StringProblemError, match=said):
        read(text)


RULES = {"half-up": ROUND_HALF_UP, "half-even": ROUND_HALF_EVEN, "nearest": ROUND_HALF_EVEN, "truncation": ROUND_DOWN}


@given(st.floats(-1e4, 1e4, allow_nan=False), st.integers(0, 6), st.sampled_from(list(RULES)))
def test_what_rounds_to_a_print_lies_in_its_interval(value: float, decimals: int, rule: str) -> None:
    shown = f"{Decimal(repr(value)).quantize(Decimal(1).scaleb(-decimals), rounding=RULES[rule]):f}"
    made = read(shown).point
    assert made is not None
    low, high = made.interval(rule)  # type: ignore[arg-type]
    assert low <= value <= high
    assert high - low <= 2.001 * float(made.unit)
