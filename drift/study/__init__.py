"""``study.toml`` as frozen models: what the columns mean, units, questions, limits."""

from drift.study.calibrations import CalibrationQuestion, CellsQuestion
from drift.study.models import (
    COLUMNS_OF,
    TABLE_NAMES,
    AgreementQuestion,
    Costs,
    Files,
    GaugeQuestion,
    InterlaboratoryQuestion,
    Limits,
    PolicySpec,
    ReadingLimit,
    Recalculate,
    RecalibrationSpec,
    ReliabilityQuestion,
    RetirementSpec,
    ScreeningSpec,
    SensitivitySpec,
    Study,
    StudyInfo,
    TextFormat,
    TodaySpec,
)
from drift.study.protocol import ProtocolSpec
from drift.study.questions import named_columns
from drift.study.reading import load_study, read_study, study_findings, study_from_dict
from drift.study.reporting import ReportingSpec
from drift.study.words import nearest, suggestion

__all__ = [
    "COLUMNS_OF",
    "TABLE_NAMES",
    "AgreementQuestion",
    "CalibrationQuestion",
    "CellsQuestion",
    "Costs",
    "Files",
    "GaugeQuestion",
    "InterlaboratoryQuestion",
    "Limits",
    "PolicySpec",
    "ProtocolSpec",
    "ReadingLimit",
    "Recalculate",
    "RecalibrationSpec",
    "ReliabilityQuestion",
    "ReportingSpec",
    "RetirementSpec",
    "ScreeningSpec",
    "SensitivitySpec",
    "Study",
    "StudyInfo",
    "TextFormat",
    "TodaySpec",
    "load_study",
    "named_columns",
    "nearest",
    "read_study",
    "study_findings",
    "study_from_dict",
    "suggestion",
]
