"""Numbers of one place in one unit: converted where units can be, kept apart where they cannot."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal

from drift.reported.claims import Claim

# What a quantity is measured in: powers of the unit of the readings, of uses or time, and of cost.
_OF_READINGS = (
    "mean", "sd", "sd_all", "sd_columns", "sd_true", "se", "sem", "sem_1", "sem_c", "sem_a", "mdc", "mdc_1", "mdc_c",
    "mdc_a", "mdc_m", "repeatability", "reproducibility", "s_r", "s_R", "s_L", "mean_1", "mean_2", "sd_1", "sd_2",
    "se_1", "se_2", "bias", "sd_diff", "se_bias", "loa_low", "loa_high", "se_loa", "diff_min", "diff_max", "tdi",
    "coverage_at", "ev", "av", "interaction", "grr", "pv", "tv", "usl", "lsl", "tolerance", "u_part", "u_c",
    "u_expanded", "intercept", "start", "limit", "total_drift", "wiener_distance", "step", "group_mean", "group_sd")
_SQUARED = ("ms_units", "ms_within", "ms_raters", "ms_error", "ss_units", "ss_within", "ss_raters", "ss_error",
            "ss_total", "var_units", "var_raters", "var_error")
_A_USE = ("slope", "se_slope", "wiener_drift")
_OF_LIFE = ("uses", "uses_to_limit", "wiener_mean", "weibull_scale", "life_mean", "life_median", "b10", "replace_at")
READINGS, LIFE, COST = "readings", "life", "cost"
POWERS: dict[str, tuple[tuple[str, int], ...]] = {
    **dict.fromkeys(_OF_READINGS, ((READINGS, 1),)), **dict.fromkeys(_SQUARED, ((READINGS, 2),)),
    **dict.fromkeys(_A_USE, ((READINGS, 1), (LIFE, -1))), **dict.fromkeys(_OF_LIFE, ((LIFE, 1),)),
    "cost_planned": ((COST, 1),), "cost_failure": ((COST, 1),), "cost_rate": ((COST, 1), (LIFE, -1))}


@dataclass(frozen=True)
class Apart:
    """Numbers of one kind whose units cannot be converted into each other, and those that were left out for it."""

    shown: tuple[Claim, ...]
    left_out: tuple[Claim, ...]


def powers(symbol: str) -> tuple[tuple[str, int], ...]:
    """Return the powers of units that a variable is measured in; none for a share, a ratio or a count."""
    return POWERS.get(symbol.partition("__")[0], ())


def in_one_unit(claims: Sequence[Claim]) -> tuple[tuple[Claim, ...], tuple[Apart, ...], dict[str, str]]:
    """Bring the numbers of one place to one unit, that of the first claim that has one.

    Parameters
    ----------
    claims : sequence of Claim

    Returns
    -------
    claims : tuple of Claim
        Those that can be held against each other; a number without a unit is in the unit of the others.
    apart : tuple of Apart
        What was left out because units cannot be converted: the numbers of the unit that fewer have, and those without
        a unit, which may be of either.
    units : dict of str
        The unit of each kind, where one is printed.
    """
    kept, apart, units = list(claims), [], {}
    for kind in (READINGS, LIFE, COST):
        kept, clash, unit = _one_kind(kept, kind)
        if clash is not None:
            apart.append(clash)
        if unit:
            units[kind] = unit
    return (*_rates(kept, units, apart),), tuple(apart), units


def _one_kind(claims: list[Claim], kind: str) -> tuple[list[Claim], Apart | None, str]:
    """Bring the claims that are measured in a power of one kind of unit to that of the first."""
    mine = [c for c in claims if [k for k, _ in powers(c.symbol)] == [kind]]
    classes: list[tuple[str, list[tuple[Claim, Decimal]]]] = []
    for c in mine:
        if not c.printed.measured_in:
            continue
        power = powers(c.symbol)[0][1]
        unit = _base(c.printed.measured_in) if power == 2 else c.printed.measured_in
        for other, held in classes:
            factor = factor_between(unit, other)
            if factor is not None:
                held.append((c, factor ** power))
                break
        else:
            classes.append((unit, [(c, Decimal(1))]))
    if not classes:
        return claims, None, ""
    unit, held = max(classes, key=lambda x: len(x[1]))
    changed = {id(c): converted(c, f) for c, f in held}
    if len(classes) == 1:
        return [changed.get(id(c), c) for c in claims], None, unit
    out = [c for c in mine if id(c) not in changed]
    gone = set(map(id, out))
    shown = tuple(next((c for c, _ in others if "__" not in c.symbol), others[0][0]) for _, others in classes)
    return [changed.get(id(c), c) for c in claims if id(c) not in gone], Apart(shown, tuple(out)), unit


def _rates(claims: Iterable[Claim], units: dict[str, str], apart: list[Apart]) -> Iterable[Claim]:
    """Bring drift and cost per use to the units of the numbers they are of."""
    first: dict[tuple[tuple[str, int], ...], Claim] = {}
    for c in claims:
        kinds = powers(c.symbol)
        if len(kinds) < 2 or not c.printed.measured_in:
            yield c
            continue
        top, _, bottom = re.sub(r"\s+per\s+", "/", c.printed.measured_in).rpartition("/")
        # "per use" and "a use" are what no unit of life says otherwise.
        of = first.setdefault(kinds, c)
        wanted = (units.get(kinds[0][0], ""), units.get(kinds[1][0], ""))
        if not all(wanted) and of is not c:
            had, _, by = re.sub(r"\s+per\s+", "/", of.printed.measured_in).rpartition("/")
            wanted = (wanted[0] or had, wanted[1] or by)
        a = factor_between(top, wanted[0]) if wanted[0] else Decimal(1)
        b = factor_between(bottom, wanted[1]) if wanted[1] else Decimal(1)
        if a is None or b is None:
            beside = next((x for x in claims if x.printed.measured_in and x is not c
                           and powers(x.symbol) in (((kinds[0][0], 1),), ((kinds[1][0], 1),))), of)
            apart.append(Apart((beside, c), (c,)))
        else:
            yield converted(c, a / b)


def _base(unit: str) -> str:
    """Return the unit that a squared one is the square of; the unit itself where it is not squared."""
    plain = unit.strip()
    match = re.fullmatch(r"(?:\((.+)\)|([A-Za-z\u00b5\u03bc°\u03a9]+))\s*(?:\^|\*\*)?[2²]", plain)
    return next((g for g in match.groups() if g), plain) if match else plain


def factor_between(unit: str, other: str) -> Decimal | None:
    """Return what a number in one unit is multiplied by to be in another; None where it cannot be, or is not known."""
    if unit == other or same_text(unit) == same_text(other):
        return Decimal(1)
    from drift.units import UnitError, convert

    try:
        # Degrees of temperature have a zero of their own, which a difference has not.
        zero, one = float(convert(0.0, unit, other)), float(convert(1.0, unit, other))
    except UnitError:
        return None
    return Decimal(repr(one)).normalize() if zero == 0.0 and one > 0.0 else None


def same_text(unit: str) -> str:
    """Return the spelling of a unit in which it is compared: the house's own, or as printed where it is not known."""
    from drift.units import UnitError, canonical

    try:
        return canonical(unit)
    except UnitError:
        return " ".join(unit.split())


def unit_of(symbol: str, units: Mapping[str, str]) -> str:
    """Return the unit of a number that is not printed, from those of the numbers around it; empty if not known."""
    kinds = powers(symbol)
    if not kinds or any(kind not in units for kind, _ in kinds):
        return ""
    made = [units[kind] if abs(p) == 1 else f"{units[kind]}^2" if units[kind].isalpha() else f"({units[kind]})^2"
            for kind, p in kinds]
    return "/".join(made)


def converted(claim: Claim, factor: Decimal) -> Claim:
    """Return a claim in another unit, which still knows what was printed."""
    if factor == 1:
        return claim
    return replace(claim, printed=claim.printed.scaled(factor), as_printed=claim.own)


def apart_sentence(apart: Apart) -> str:
    """Say neutrally that numbers in different units were not compared."""
    names = [f"{c.name} in {c.printed.measured_in}" for c in apart.shown]
    listed = ", ".join(names[:-1]) + " and " + names[-1]
    return (f"{listed} are printed in units that cannot be converted into each other or are not known, and were not "
            "compared.")
