"""From repeated-use trials of thin matrix pressure sensors to a defensible retire-after count.

Public names load on first use, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

from drift._version import __version__

_HOMES = {
    "AgreementResult": "drift.agreement",
    "ChartResult": "drift.control",
    "CheckResult": "drift.workflow",
    "CheckTable": "drift.records",
    "DriftError": "drift.errors",
    "Estimate": "drift.results",
    "Finding": "drift.errors",
    "GaugeResult": "drift.reliability.gauge",
    "InterlaboratoryResult": "drift.reliability.interlaboratory",
    "LogResult": "drift.ingest.logbook",
    "PolicyResult": "drift.retirement.policy",
    "PolicySpec": "drift.study",
    "RecalibrationResult": "drift.retirement.recalibration",
    "ReliabilityResult": "drift.reliability",
    "Result": "drift.results",
    "ResultTable": "drift.results",
    "RetirementResult": "drift.retirement",
    "Study": "drift.study",
    "StudyResult": "drift.workflow",
    "Tables": "drift.records",
    "TodayResult": "drift.today",
    "TrialTable": "drift.records",
    "WearResult": "drift.sensitivity",
    "check_study": "drift.workflow",
    "compare_policies": "drift.retirement.policy",
    "lifetimes": "drift.retirement.life_study",
    "fit_wear": "drift.sensitivity",
    "read_study": "drift.study",
    "read_tables": "drift.ingest",
    "recalibrate": "drift.retirement.recalibration",
    "retire": "drift.retirement",
    "run_study": "drift.workflow",
    "study_from_dict": "drift.study",
    "today_of_study": "drift.workflow_today",
    "write_output": "drift.workflow",
}

__all__ = ["__version__", *sorted(_HOMES)]


def __getattr__(name: str) -> Any:
    home = _HOMES.get(name)
    if home is None:
        raise AttributeError(f"module 'drift' has no attribute {name!r}")
    return getattr(import_module(home), name)


def __dir__() -> list[str]:
    return __all__
