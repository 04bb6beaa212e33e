"""Gauge study: repeatability and reproducibility of a gauge, its share of the variation, bias and linearity."""

from drift.reliability.gauge.study import GaugeResult, gauge_study, question_findings

__all__ = ["GaugeResult", "gauge_study", "question_findings"]
