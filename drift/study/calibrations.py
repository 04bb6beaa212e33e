"""``[[calibration]]`` and ``[cells]``: what a study file may ask of calibration."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import Field

from drift.study.parts import Part, Share


class CalibrationQuestion(Part):
    """``[[calibration]]``: one curve for each sensor, use and cal_id.

    ``invert`` names readings whose load is asked, each the mean of ``mean_of``; ``problem`` says whether they have the
    error of readings or are values of the mean response ("regulation"). ``reference_uncertainty`` is the relative
    standard uncertainty of the reference, common to all levels; ``resolution`` a step of the reading; ``usable_at`` the
    relative uncertainty from which on a load counts as usable.
    """

    name: str
    model: Literal["auto", "line", "through-zero", "power", "power of logs", "quadratic", "saturating"] = "auto"
    direction: Literal["up", "both"] = "up"
    cycle: str | None = None
    full_scale: float | None = Field(default=None, gt=0, allow_inf_nan=False)
    floor: float | None = None
    invert: tuple[float, ...] = ()
    mean_of: int = Field(default=1, ge=1)
    problem: Literal["calibration", "regulation"] = "calibration"
    simultaneous: bool = False
    spread: Literal["auto", "constant", "root", "proportional"] = "auto"
    reference_uncertainty: Share | None = Field(default=None, ge=0, lt=1)
    resolution: float | None = Field(default=None, ge=0)
    usable_at: Share | None = Field(default=None, gt=0, lt=1)
    where: dict[str, Any] = Field(default_factory=dict)


class CellsQuestion(Part):
    """``[cells]``: gains of the cells of each sensor from its uniform exposures.

    ``noise_floor`` is the reading at or below which a cell shows nothing.
    """

    name: str = "gains of cells"
    noise_floor: float = Field(default=0.0, ge=0)
    where: dict[str, Any] = Field(default_factory=dict)
