"""Errors seeded into the print of a consistent study, as they happen in papers."""

from __future__ import annotations

import copy
import re
from collections.abc import Callable
from typing import Any

import numpy as np

from tests.reported.studies import FAMILIES, Truth, claims_of

Claims = dict[str, Any]
# Returns the names of the claims that are wrong, or None where the study has no place for the error.
Seed = Callable[[Claims, Truth, np.random.Generator], "list[str] | None"]

EXCHANGED = (("icc_a1", "icc_c1"), ("icc_1", "icc_k"), ("icc_c1", "icc_ck"), ("sd_1", "sd_2"))


def _plain(claims: Claims) -> list[dict[str, Any]]:
    """Return claims that an error can go into: rounded numbers, no settings, no share that is exact."""
    return [c for c in claims["claims"] if c["what"] not in ("tdi_share", "step", "coverage_factor", "usl", "lsl")
            and not c["what"].startswith("df_") and "." in c["printed"]]


def _number(text: str) -> str:
    return text.split(" (")[0]


def _with(text: str, number: str) -> str:
    return number + text[len(_number(text)):]


def digit_slip(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Put another digit in one place of one number."""
    held = _plain(claims)
    claim = held[int(rng.integers(len(held)))]
    number = _number(claim["printed"])
    at = [i for i, ch in enumerate(number) if ch.isdigit()]
    first = next((i for i in at if number[i] != "0"), at[0])
    at = [i for i in at if i >= first]
    i = at[int(rng.integers(len(at)))]
    digit = str((int(number[i]) + int(rng.integers(1, 10))) % 10)
    claim["printed"] = _with(claim["printed"], number[:i] + digit + number[i + 1:])
    return [claim["what"]]


def digits_exchanged(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Exchange two neighbouring digits of one number."""
    for claim in rng.permutation(np.array(_plain(claims), dtype=object)):
        number = _number(claim["printed"])
        pairs = [m.start() for m in re.finditer(r"(?=\d\d)", number) if number[m.start()] != number[m.start() + 1]]
        if pairs:
            i = pairs[int(rng.integers(len(pairs)))]
            claim["printed"] = _with(claim["printed"], number[:i] + number[i + 1] + number[i] + number[i + 2:])
            return [claim["what"]]
    return None


def wrong_level(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Call a 90 % interval a 95 % one."""
    held = [c for c in claims["claims"] if c.get("level") == "0.9" and " (" in c["printed"]]
    if not held:
        return None
    claim = held[int(rng.integers(len(held)))]
    claim["level"] = "0.95"
    return [claim["what"]]


def _exchange(claims: Claims, a: str, b: str) -> list[str] | None:
    one, two = (next((c for c in claims["claims"] if c["what"] == x), None) for x in (a, b))
    if one is None or two is None or _number(one["printed"]) == _number(two["printed"]):
        return None
    first, second = _number(one["printed"]), _number(two["printed"])
    one["printed"], two["printed"] = second, first
    return [a, b]


def sd_and_se(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Print a standard error as the SD and the SD as the standard error."""
    pairs = [("sd", "se"), ("sd_1", "se_1"), ("sd_diff", "se_bias")]
    for i in rng.permutation(len(pairs)):
        done = _exchange(claims, *pairs[i])
        if done:
            return done
    return None


def coefficients_exchanged(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Print agreement as consistency, or a mean form as a single one."""
    for i in rng.permutation(len(EXCHANGED) - 1):
        done = _exchange(claims, *EXCHANGED[i])
        if done:
            return done
    return None


def wrong_divisor(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Print an SD with divisor n where n - 1 is stated or meant."""
    n = truth.counts.get("n")
    for symbol in ("sd_diff", "sd_1", "sd"):
        claim = next((c for c in claims["claims"] if c["what"] == symbol), None)
        if claim is not None and n:
            d = len(claim["printed"].partition(".")[2])
            new = f"{truth.values[symbol] * ((n - 1) / n) ** 0.5:.{d}f}"
            if new != claim["printed"]:
                claim["printed"] = new
                return [symbol]
    return None


def sign_lost(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Leave out a minus sign."""
    held = [c for c in _plain(claims) if c["printed"].startswith("-") and "(" not in c["printed"]]
    if not held:
        return None
    claim = held[int(rng.integers(len(held)))]
    claim["printed"] = claim["printed"].removeprefix("-")
    return [claim["what"]]


def wrong_n(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Print n one too large."""
    if "n" not in claims["paper"]:
        return None
    claims["paper"]["n"] += 1
    return ["n"]


def copied_number(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """Copy one number from the row of another study."""
    family = next((f for f, symbol in (("reliability", "icc_c1"), ("two methods", "loa_low"), ("gauge study", "tv"),
                                       ("drift and life", "slope"), ("counts and groups", "step"))
                   if symbol in truth.values), "laboratories")
    held = _plain(claims)
    claim = held[int(rng.integers(len(held)))]
    for _ in range(20):
        other = FAMILIES[family](rng)
        if other is not None and claim["what"] in other.values:
            d = len(_number(claim["printed"]).partition(".")[2])
            new = f"{other.values[claim['what']]:.{d}f}"
            if new != _number(claim["printed"]):
                claim["printed"] = new
                return [claim["what"]]
    return None


def limits_of_two(claims: Claims, truth: Truth, rng: np.random.Generator) -> list[str] | None:
    """State 1.96 where the limits were made with another factor."""
    held = [c for c in claims["claims"] if c.get("factor") in ("2", "t")]
    if not held or (not {"sd_diff", "loa_low"} <= {c["what"] for c in claims["claims"]} and not any(
            c["what"].startswith("mdc") for c in held)):
        return None
    for c in held:
        c["factor"] = "1.96"
    return [c["what"] for c in held]


KINDS: dict[str, tuple[Seed, tuple[str, ...]]] = {
    "digit slip": (digit_slip, tuple(FAMILIES)),
    "digits exchanged": (digits_exchanged, tuple(FAMILIES)),
    "number copied from another row": (copied_number, ("reliability", "two methods", "gauge study", "drift and life")),
    "sign lost": (sign_lost, ("two methods", "drift and life")),
    "90 % interval called 95 %": (wrong_level, ("reliability", "two methods", "drift and life")),
    "SD and SE exchanged": (sd_and_se, ("two methods", "counts and groups")),
    "coefficients exchanged": (coefficients_exchanged, ("reliability",)),
    "SD with the wrong divisor": (wrong_divisor, ("two methods", "counts and groups")),
    "another factor than the one stated": (limits_of_two, ("reliability", "two methods")),
    "n one too large": (wrong_n, ("reliability", "two methods", "counts and groups")),
}


def seeded(kind: str, digits: int, rng: np.random.Generator) -> tuple[Claims, Claims, list[str]]:
    """Return the print of a consistent study, the same with one error, and the names of what is wrong."""
    put, families = KINDS[kind]
    while True:
        truth = FAMILIES[families[int(rng.integers(len(families)))]](rng)
        if truth is None:
            continue
        right = claims_of(truth, rng, rule="half-up", significant=digits, keep=0.8)
        wrong = copy.deepcopy(right)
        named = put(wrong, truth, rng) if _plain(wrong) else None
        if named is not None and wrong != right:
            return right, wrong, named
