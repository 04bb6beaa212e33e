"""Every result class keeps the same promises."""

from __future__ import annotations

import dataclasses
import json
import pickle
from html.parser import HTMLParser

import numpy as np
import pytest

from drift.results import ESTIMATE_COLUMNS, Result

CLASSES = ("NewResult", "CheckResult", "StudyResult", "WearResult", "RetirementResult", "ReliabilityResult",
           "AgreementResult",
           "RecalibrationResult",
           "GaugeResult",
           "InterlaboratoryResult",
           "BudgetResult",
           "CalibrationResult",
           "CellGainsResult",
           "TodayResult",
           "PlanResult",
           "ChartResult",
           "LogResult",
           "PolicyResult",
           "LifetimesResult",
           "ItemsResult",
           "LockResult",
           "ReviewResult")
FIELDS = ["question", "answer", "estimates", "tables", "findings", "exclusions", "provenance"]


@pytest.fixture(params=CLASSES)
def result(request: pytest.FixtureRequest, results: dict[str, Result]) -> Result:
    return results[request.param]


def test_there_is_one_of_each(results: dict[str, Result]) -> None:
    assert set(results) == set(CLASSES)


def test_it_adds_no_fields(result: Result) -> None:
    assert [f.name for f in dataclasses.fields(result)] == FIELDS


def test_it_is_frozen(result: Result) -> None:
    with pytest.raises(dataclasses.FrozenInstanceError, match="answer"):
        result.answer = "other"  # type: ignore[misc]
    for table in result.tables:
        for column in table.columns:
            if len(column.values):
                with pytest.raises(ValueError, match="read-only"):
                    column.values[0] = column.values[0]
    with pytest.raises(TypeError, match="does not support item assignment"):
        result.provenance.versions["drift"] = "9"  # type: ignore[index]


def test_it_survives_pickling_still_frozen(result: Result) -> None:
    again = pickle.loads(pickle.dumps(result))
    assert type(again) is type(result)
    assert again.to_dict() == result.to_dict()
    for table in again.tables:
        assert all(not c.values.flags.writeable for c in table.columns)


def test_it_survives_json(result: Result) -> None:
    data = json.loads(json.dumps(result.to_dict(), allow_nan=False))
    again = type(result).from_dict(data)
    assert again.to_dict() == result.to_dict()
    for mine, theirs in zip(result.tables, again.tables, strict=True):
        for a, b in zip(mine.columns, theirs.columns, strict=True):
            np.testing.assert_array_equal(a.values, b.values)


def test_its_frame_has_the_fixed_columns(result: Result) -> None:
    frame = result.to_frame()
    assert tuple(frame.columns) == ESTIMATE_COLUMNS
    assert len(frame) == len(result.estimates)


def test_it_shows_as_a_table_in_a_notebook(result: Result) -> None:
    html = result._repr_html_()
    HTMLParser().feed(html)
    assert "<table" in html
    assert "<script" not in html


def test_its_summary_starts_with_the_answer(result: Result) -> None:
    assert result.answer
    assert result.summary().startswith(result.answer)


def test_every_interval_names_its_method_and_level(result: Result) -> None:
    for e in result.estimates:
        if np.isfinite(e.low) or np.isfinite(e.high):
            assert e.method, e
            assert 0.5 < e.level < 1, e


def test_what_is_not_a_number_has_a_finding(result: Result) -> None:
    missing = [e for e in result.estimates if np.isnan(e.value)]
    assert not missing or result.findings


def test_no_row_is_dropped_without_a_reason(result: Result) -> None:
    accounted = sum(a.outside_where + a.unmatched + a.excluded for a in result.provenance.accounts)
    if type(result).__name__ != "CheckResult":  # a check counts rows; the lists come with the analysis
        assert len(result.exclusions) == accounted
    assert all(x.reason for x in result.exclusions)


def test_a_study_result_gives_back_its_parts(results: dict[str, Result]) -> None:
    whole = results["StudyResult"]
    parts = whole.parts  # type: ignore[attr-defined]
    assert [type(p).__name__ for p in parts] == ["WearResult", "RetirementResult", "ReliabilityResult",
                                                 "AgreementResult"]
    assert sum(len(p.estimates) for p in parts) == len(whole.estimates)
    assert sum(len(p.exclusions) for p in parts) == len(whole.exclusions)
    assert {f for p in parts for f in p.findings} | set(whole.general_findings()) == set(  # type: ignore[attr-defined]
        whole.findings)
