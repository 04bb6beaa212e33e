"""What every section of a study file shares: unknown keys refused, values frozen, shares written as percent."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict

from drift.units import UnitError, parse_quantity


class Part(BaseModel):
    """A section: unknown keys are refused, values never change, and numbers are finite."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False, defer_build=True)


def _share(value: Any) -> Any:
    """Read ``"20 %"`` as 0.20; anything else is left for the model to judge."""
    if not isinstance(value, str):
        return value
    try:
        quantity = parse_quantity(value)
    except UnitError:
        return value
    return quantity.value / 100 if quantity.unit == "%" else value


Share = Annotated[float, BeforeValidator(_share)]
