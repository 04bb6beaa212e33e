"""What people read: the report, its figures and tables, and the folder they are written to."""

from drift.report.study_result import StudyResult

__all__ = ["StudyResult"]
