"""Reading printed strings: digits, signs, percent, bounds and intervals, as papers set them."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Literal

from drift.engine.intervals import Interval, down, up

Rounding = Literal["nearest", "half-up", "half-even", "truncation"]
ROUNDINGS: tuple[Rounding, ...] = ("nearest", "half-up", "half-even", "truncation")
Mark = Literal["point", "comma"]

_MINUS = "\N{MINUS SIGN}\N{EN DASH}\N{FIGURE DASH}\N{NON-BREAKING HYPHEN}\N{SMALL HYPHEN-MINUS}\N{HYPHEN}"
_DIGITS = r"(?:\d{1,3}(?:[ '\u00a0\u2009\u202f]\d{3})+(?:[.,]\d+)?|\d+(?:[.,]\d+)*|[.,]\d+)"
_TIMES = "x*\N{MULTIPLICATION SIGN}\N{MIDDLE DOT}"
_DASHES = "\N{EN DASH}|\N{EM DASH}"
_NUMBER = rf"[+-]?\s?{_DIGITS}(?:[eE][+-]?\d+|\s?[{_TIMES}]\s?10\^?[+-]?\d+)?"
NUMBER = _NUMBER
# What may stand behind a number as its unit: words with powers, such as N/cm2, m/s^2 or kPa per use. A name of another
# number is none, nor is a digit behind a blank.
_NO_UNIT = r"(?!(?i:SDs?|SEs?|SEM|CI|KI|LoA|to|bis|and|or|vs)\b|(?-i:[npPk])\b)"
_WORD = rf"{_NO_UNIT}(?:[A-Za-z\u00b5\u03bc°\u03a9%]+(?:(?:\^|\*\*)?-?\d(?!\d))?[²³⁻¹]*)"
UNIT = rf"{_WORD}(?:(?:\s?[/·*.]\s?|\s){_WORD}){{0,4}}\.?"
_FOOTNOTES = "*\N{DAGGER}\N{DOUBLE DAGGER}\N{SECTION SIGN}\N{PILCROW SIGN}#"
_TRAILING_P = re.compile(r"(?<=[\d)\]%])\s*[,;]\s*[pP]\s*[<>=\N{LESS-THAN OR EQUAL TO}]\s*[\d.,]+$")
_SUPERSCRIPTS = str.maketrans("⁰¹²³⁴⁵⁶⁷⁸⁹⁻", "0123456789-")
_INTERVAL = re.compile(
    r"[\[(]\s*(?P<words>[^\d\[(]*?(?P<level>\d{2}(?:[.,]\d+)?)\s*%[^\d+-]*?)?(?P<ci>(?:CI|LoA|KI|IC)[:=,\s]*)?"
    rf"(?P<low>{_NUMBER})\s*%?\s*(?P<between>to|bis|and|;|,\s|-|{_DASHES}|\.\.\.?|/|,)\s*(?P<high>{_NUMBER})\s*%?\s*[\])]")
_BARE = re.compile(rf"^(?:\d{{2}}(?:[.,]\d+)?\s*%\s*(?:CI|LoA)?[:\s]*)?{_NUMBER}\s*%?"
                   rf"\s*(?:to|bis|and|;)\s*{_NUMBER}\s*%?$")


# A number, and its interval behind it without brackets: 0.85, 95 % CI 0.72-0.93.
_BEHIND = re.compile(
    rf"(?P<point>[<>]?\s*{_NUMBER}\s*%?(?:\s*{UNIT})??)\s*[,;]?\s+"
    rf"(?P<interval>(?:\d{{2}}(?:[.,]\d+)?\s*%\s*(?:CI|KI|IC)|(?:CI|KI|IC)(?:\s*95\s*%)?)[:=,\s]*{_NUMBER}\s*%?"
    rf"\s*(?:to|bis|and|;|,\s|-|{_DASHES}|\.\.\.?|/)\s*{_NUMBER}\s*%?)", re.IGNORECASE)


class StringProblemError(ValueError):
    """Raised for a string that cannot be read; ``mend`` says how to write it."""

    def __init__(self, message: str, mend: str) -> None:
        super().__init__(message)
        self.message, self.mend = message, mend


@dataclass(frozen=True)
class Printed:
    """One printed number.

    Parameters
    ----------
    text : str
        As it stands, stripped of sign and percent.
    value : Decimal
        The number that the digits say.
    unit : Decimal
        One unit of the last printed digit.
    bound : {"", "<", ">"}
        Whether only a bound is printed.
    percent : bool
        Whether a percent sign follows.
    measured_in : str
        Unit of measurement behind it, as printed; empty where none stands there.
    """

    text: str
    value: Decimal
    unit: Decimal
    bound: Literal["", "<", ">"] = ""
    percent: bool = False
    measured_in: str = ""

    @property
    def decimals(self) -> int:
        """Digits after the point."""
        exponent = self.unit.as_tuple().exponent
        return max(0, -int(exponent)) if isinstance(exponent, int) else 0

    def scaled(self, factor: Decimal) -> Printed:
        """Return the number in another unit."""
        return replace(self, value=self.value * factor, unit=self.unit * factor)

    def interval(self, rounding: Rounding = "nearest", *, extra: float = 0.0) -> Interval:
        """Return what the number can stand for, ``extra`` units of its last digit wider on both sides."""
        more = Decimal(repr(extra)) * self.unit
        if self.bound == "<":
            return (float("-inf"), up(float(self.value + more)))
        if self.bound == ">":
            return (down(float(self.value - more)), float("inf"))
        if rounding == "truncation":
            # Cut digits move a number towards zero; a printed zero may come from either side.
            below = self.unit if self.value <= 0 else Decimal(0)
            above = self.unit if self.value >= 0 else Decimal(0)
        else:
            # Both ends are kept: a binary number may round either way at a half.
            below = above = self.unit / 2
        slack = self.unit * Decimal("1e-9")
        return (down(float(self.value - below - more - slack)), up(float(self.value + above + more + slack)))


@dataclass(frozen=True)
class Reading:
    """What one string says: a number, and perhaps its interval with a level."""

    point: Printed | None
    low: Printed | None = None
    high: Printed | None = None
    level: float | None = None
    swapped: bool = False


def clean(text: str) -> str:
    """Replace typographic signs by plain ones; leave footnote marks and a p that follows away."""
    text = _TRAILING_P.sub("", text.strip().rstrip(_FOOTNOTES).strip())
    # A raised point is a decimal point (0·87), unless a power of ten follows.
    text = re.sub(r"(?<![\d.,])(\d+)\N{MIDDLE DOT}(\d+)(?![\d^⁰¹²³⁴⁵⁶⁷⁸⁹⁻])", r"\1.\2", text)
    text = text.translate(_SUPERSCRIPTS)
    text = text.replace("\N{LESS-THAN OR EQUAL TO}", "<").replace("\N{GREATER-THAN OR EQUAL TO}", ">")
    text = text.replace("<=", "<").replace(">=", ">").replace("\N{FULLWIDTH PERCENT SIGN}", "%")
    return re.sub(rf"(?<![\d%)])\s?[{_MINUS}]\s?(?=[\d.,])", "-", text).replace("\N{MINUS SIGN}", "-")


def read(text: str, *, mark: Mark | None = None) -> Reading:
    """Read a printed string.

    Parameters
    ----------
    text : str
        Such as ``"0.85 (0.72-0.93)"``, ``"0,85"``, ``"< .001"``, ``"85 %"``.
    mark : {"point", "comma"}, optional
        The decimal mark of the paper, where a string such as ``1,234`` leaves it open.

    Raises
    ------
    StringProblemError
        When it is no number, or may be two.
    """
    plain = clean(text)
    if not re.search(r"\d", plain):
        raise StringProblemError("no number stands there", "Copy the printed number with all its digits, such as 0.85.")
    if re.search(r"±|\+/-|\+-", plain):
        raise StringProblemError("what stands after the ± may be an SD, a standard error or half an interval",
                                 "Write two claims: the number, and what the ± holds by its name.")
    plain = re.sub(r"^[^\d<>=:]*(?:\([^)=]*\)|\d)?[^\d<>=:(]*[=:]\s*|^[A-Za-z][A-Za-z ()]*(?=[<>])", "", plain)
    behind_it = None if _BARE.search(plain) else _BEHIND.fullmatch(plain)
    if behind_it:
        plain = f"{behind_it.group('point')} ({behind_it.group('interval')})"
    found = _INTERVAL.search(plain) or _INTERVAL.fullmatch(f"({plain})" if _BARE.search(plain) else "")
    if found is None:
        number, behind = _stripped(plain)
        return Reading(replace(_one(number, mark, text), measured_in=behind))
    rest = (plain[: found.start()] + plain[found.end():]).strip()
    number, behind = _stripped(rest)
    point = None
    if re.search(r"\d", number):
        point = replace(_one(number, mark, text), measured_in=behind)
    elif re.fullmatch(UNIT, rest):
        behind = rest
    percent = "%" in found.group(0).split(found.group("words") or "\0")[-1]
    low, high = (_one(found.group(g), mark, text, percent=percent) for g in ("low", "high"))
    if point and point.percent and not percent:
        low, high = replace(low, percent=True), replace(high, percent=True)
    if point and percent and not point.percent and rest:
        point = replace(point, percent=True)
    low, high = replace(low, measured_in=behind), replace(high, measured_in=behind)
    level = float(found.group("level").replace(",", ".")) / 100 if found.group("level") else None
    swapped = low.value > high.value
    return Reading(point, *((high, low) if swapped else (low, high)), level, swapped)


def _stripped(text: str) -> tuple[str, str]:
    """Return a number and the unit behind it; the text as it is where it is no number with or without a unit."""
    match = re.fullmatch(rf"(?P<number>[<>]?\s*{_NUMBER}\s*%?)\s*(?P<unit>(?:{UNIT})?)\s*", text)
    return (match.group("number"), match.group("unit")) if match else (text, "")


def _one(text: str, mark: Mark | None, whole: str, *, percent: bool = False) -> Printed:
    match = re.fullmatch(rf"(?P<bound>[<>]?)\s*(?P<number>{_NUMBER})\s*(?P<percent>%?)\s*", text.strip())
    if match is None:
        raise StringProblemError(f"{whole.strip()!r} is not one number with or without an interval",
                                 "Copy one number a claim, such as 0.85 or 0.85 (0.72 to 0.93).")
    digits = _plain_digits(re.sub(r"\s", "", match.group("number")), mark, whole)
    value = Decimal(digits)
    exponent = value.as_tuple().exponent
    unit = Decimal(1).scaleb(int(exponent)) if isinstance(exponent, int) else Decimal(1)
    bound = match.group("bound")
    return Printed(text.strip().removesuffix("%").strip(), value, unit, "<" if bound == "<" else ">" if bound else "",
                   percent or bool(match.group("percent")))


def _plain_digits(number: str, mark: Mark | None, whole: str) -> str:
    """Return the number with a decimal point and no thousands marks."""
    number = number.replace("'", "").lstrip("+")
    power = re.search(rf"[{_TIMES}]10\^?([+-]?\d+)$", number)
    if power:
        number = f"{number[:power.start()]}e{power.group(1)}"
    head, _, tail = re.sub("[E]", "e", number).partition("e")
    commas, points = head.count(","), head.count(".")
    if commas and points:
        thousands = "," if head.rfind(".") > head.rfind(",") else "."
        head = head.replace(thousands, "").replace(",", ".")
    elif commas > 1 or points > 1:
        head = head.replace(",", "").replace(".", "")
    elif commas == 1:
        if mark == "point":
            head = head.replace(",", "")
        elif mark is None and re.fullmatch(r"-?[1-9]\d{0,2},\d{3}", head):
            raise StringProblemError(f"{whole.strip()!r} may be a decimal comma or a thousand",
                                     'Say so with decimal = "comma" or "point" under [paper], or write '
                                     f"{head.replace(',', '.')} or {head.replace(',', '')}.")
        else:
            head = head.replace(",", ".")
    return head + (f"e{tail}" if tail else "")
