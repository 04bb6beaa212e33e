"""``[protocol]``: how sheets are calibrated, prepared and worn in this study."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator

from drift.study.parts import Part
from drift.study.reporting import Day
from drift.study.texts import about_empty_texts
from drift.units import UnitError, kind, parse_quantity

if TYPE_CHECKING:
    from drift.study.models import Study

Activity = Literal["standing", "walking", "running", "sitting", "gripping"]


def _listed(value: Any) -> Any:
    """Let one activity stand for a list of one."""
    return (value,) if isinstance(value, str) else tuple(value) if isinstance(value, list) else value


class ProtocolSpec(Part):
    """``[protocol]``: none of its keys changes a number; the report sets it against common practice and the data.

    ``calibration`` is the method's label as the column ``method`` of the trials has it; ``calibrated_on`` says what the
    known load was. ``liner`` is the thickness of sock or liner between body and sheet, with its unit; ``"0 mm"`` says
    that there is none. ``trimmed``, ``secured`` and ``covered`` say how, or that it was not done.
    """

    purpose: Literal["routine care", "research"] | None = None
    activity: Annotated[tuple[Activity, ...], BeforeValidator(_listed)] = ()
    calibration: str | None = None
    calibrated_on: Literal["bench", "standing", "walking", "other"] | None = None
    calibration_date: Day | None = None
    gains_equalised: bool | None = None
    construction: str | None = None
    trimmed: str | bool | None = None
    secured: str | bool | None = None
    covered: str | bool | None = None
    liner: str | None = None
    off_sheet_load_check: str | bool | None = None


def about_protocol(study: Study, say: Callable[..., None]) -> None:
    """Check ``[protocol]``: a thickness that is a length, texts that say something, activities named once."""
    spec: ProtocolSpec | None = study.protocol
    if spec is None:
        return
    about_empty_texts(spec, "protocol", "Say it, or take the key out", say)
    if len(set(spec.activity)) < len(spec.activity):
        say("contradiction", ("protocol", "activity"), "an activity is named twice", value=", ".join(spec.activity),
            mend="Name each once")
    if spec.liner is not None and spec.liner.strip():
        _thickness(spec.liner, say)


def _thickness(text: str, say: Callable[..., None]) -> None:
    path = ("protocol", "liner")
    try:
        found = parse_quantity(text)
    except UnitError as error:
        say("unknown-unit", path, str(error), value=text, mend="Write the thickness as \"2 mm\"; without one \"0 mm\"")
        return
    if not found.unit or kind(found.unit) != "length":
        say("no-unit" if not found.unit else "not-a-length", path, "a thickness needs a unit of length", value=text,
            mend=f"Write it as \"{found.value:g} mm\"")
    elif found.value < 0:
        say("out-of-range", path, "a thickness is not negative", value=text, mend="Without a liner write \"0 mm\"")
