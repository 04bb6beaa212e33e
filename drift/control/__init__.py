"""Control charts of check standards: whether the rig is fit for use today."""

from drift.control.charts import ChartSpec, StandardChart, chart_standard, stopped_finding
from drift.control.occasions import Occasions, Unread, occasions_of_checks, occasions_of_table, read_standards
from drift.control.result import ChartResult, chart_table
from drift.control.rig import Rig, judge_rig, without_latest

__all__ = ["ChartResult", "ChartSpec", "Occasions", "Rig", "StandardChart", "Unread", "chart_standard",
           "chart_table", "judge_rig", "occasions_of_checks", "occasions_of_table", "read_standards", "stopped_finding",
           "without_latest"]
