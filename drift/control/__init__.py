"""Control charts of check standards: whether the rig is fit for use today."""

from drift.control.charts import ChartSpec, StandardChart, chart_standard, stopped_finding
from drift.control.occasions import Occasions, occasions_of_checks, occasions_of_table
from drift.control.result import ChartResult, chart_table
from drift.control.rig import Rig, judge_rig

__all__ = ["ChartResult", "ChartSpec", "Occasions", "Rig", "StandardChart", "chart_standard", "chart_table",
           "judge_rig", "occasions_of_checks", "occasions_of_table", "stopped_finding"]
