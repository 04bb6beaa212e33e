"""``[reporting]``: what a reader of the paper must know and no table can tell, typed once."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from drift.study.parts import Part
from drift.study.texts import about_empty_texts
from drift.units import UnitError, parse_quantity

if TYPE_CHECKING:
    from drift.study.models import Study

Answer = Literal["yes", "no", "unclear", "not needed"]
_DAY = re.compile(r"\d{4}(-\d{2}(-\d{2})?)?")


def _iso_day(value: Any) -> Any:
    """Read a day, a month or a year in ISO form; a bare date of TOML arrives as its text."""
    if not isinstance(value, str):
        raise ValueError("a date such as 2025-01-31")
    text = value.strip()
    if not _DAY.fullmatch(text):
        raise ValueError("a date such as 2025-01-31")
    year, month, day = (int(p) for p in [*text.split("-"), "1", "1"][:3])
    try:
        date(year, month, day)
    except ValueError:
        raise ValueError("a date of the calendar, such as 2025-01-31") from None
    return text


def _yes_or_no(value: Any) -> Any:
    """Let ``true`` and ``false`` stand for yes and no."""
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value


Day = Annotated[str, BeforeValidator(_iso_day)]
YesNo = Annotated[Answer, BeforeValidator(_yes_or_no)]


class ReportingSpec(Part):
    """``[reporting]``: metadata that reporting guidelines ask for.

    Texts are printed as they stand. ``quantity`` is what the readings
    stand for, and ``planned`` holds the numbers planned, by column of the trials (participants,
    sensors ...; the plural is understood). ``important_change`` is the smallest change that matters, a quantity such as
    ``"25 kPa"``; ``range_of_use`` the readings that matter in practice, such as ``"100 kPa to 600 kPa"``.
    ``blinded_measuring`` and ``blinded_scoring`` say whether whoever measured, or read a value off, knew the
    earlier values. ``confirmed`` lists items of the drafts that a person has read and stands by (``"GRRAS 1"``).
    """

    device: str | None = None
    firmware: str | None = None
    device_range: str | None = None
    device_resolution: str | None = None
    quantity: str | None = None
    population: str | None = None
    raters: str | None = None
    background: str | None = None
    sample_size: str | None = None
    planned: dict[str, Annotated[int, Field(ge=1)]] = Field(default_factory=dict)
    sampling: str | None = None
    characteristics: str | None = None
    conditions: str | None = None
    interval_reason: str | None = None
    stable: str | None = None
    blinded_measuring: YesNo | None = None
    blinded_scoring: YesNo | None = None
    blinding: str | None = None
    independence: str | None = None
    flaws: str | None = None
    important_change: str | None = None
    range_of_use: str | None = None
    relevance: str | None = None
    availability: str | None = None
    conflicts: str | None = None
    confirmed: tuple[str, ...] = ()


def about_reporting(study: Study, say: Callable[..., None]) -> None:
    """Check ``[reporting]``: quantities that can be read, texts that say something."""
    spec: ReportingSpec | None = study.reporting
    if spec is None:
        return
    about_empty_texts(spec, "reporting", "Say it, or take the key out: the item then counts as open", say)
    if spec.important_change is not None:
        _quantity(spec.important_change, ("reporting", "important_change"), say, example="25 kPa")
    if spec.range_of_use is not None and read_range(spec.range_of_use) is None:
        say("out-of-range", ("reporting", "range_of_use"), "this is no range of readings", value=spec.range_of_use,
            mend="Write it as \"100 kPa to 600 kPa\", the lower end first")


def _quantity(text: str, path: tuple[str | int, ...], say: Callable[..., None], *, example: str) -> None:
    try:
        found = parse_quantity(text)
    except UnitError as error:
        say("unknown-unit", path, str(error), value=text, mend=f"Write it as \"{example}\"")
        return
    if not found.unit or not found.value > 0:
        say("out-of-range", path, "this needs a size above zero and its unit", value=text,
            mend=f"Write it as \"{example}\"")


def read_range(text: str) -> tuple[float, float, str] | None:
    """Read ``"100 kPa to 600 kPa"`` or ``"100 to 600 kPa"`` as (low, high, unit).

    None where it is no range; the lower end is returned in the unit of the upper one.
    """
    low_text, to, high_text = text.partition(" to ")
    if not to:
        return None
    try:
        low, high = parse_quantity(low_text), parse_quantity(high_text)
        start = low.to(high.unit) if low.unit else low.value
    except UnitError:
        return None
    return (start, high.value, high.unit) if high.unit and start < high.value else None
