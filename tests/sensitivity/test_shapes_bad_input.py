"""Awkward studies: what stands beside the drift answers, or says in one sentence why not; nothing breaks."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from drift.errors import DriftError
from drift.records import CheckTable, Tables
from drift.sensitivity import WearResult, fit_wear
from tests.sensitivity.worlds import laboratory, study

Columns = dict[str, np.ndarray]
SHORT = {"levels": (200.0, 400.0), "mountings": 1}


def changed(tables: Tables, change: Callable[[Columns], None], keep: Callable[[Columns], np.ndarray] | None = None
            ) -> Tables:
    checks = tables.checks
    assert checks is not None
    columns = {c: checks[c].copy() for c in checks.columns}
    change(columns)
    rows = keep(columns) if keep is not None else np.ones(len(checks), dtype=bool)
    return replace(tables, checks=CheckTable({c: v[rows] for c, v in columns.items()}, checks.row[rows], checks.file,
                                             units=dict(checks.units)))


def flat(columns: Columns) -> None:
    columns["reading"] = 5 + 1.6 * columns["reference"]


def worlds() -> dict[str, Tables]:
    made = laboratory(seed=1, **SHORT)  # type: ignore[arg-type]
    return {
        "one check each": laboratory(seed=1, uses=(0,), **SHORT),  # type: ignore[arg-type]
        "one check in some": changed(made, lambda c: None, lambda c: (c["sensor"] > "S03") | (c["use"] == 0)),
        "all at one late use": laboratory(seed=1, uses=(10,), **SHORT),  # type: ignore[arg-type]
        "no wear": laboratory(seed=1, slope=0.0, slope_sd=0.0, **SHORT),  # type: ignore[arg-type]
        "rising": laboratory(seed=1, slope=0.004, **SHORT),  # type: ignore[arg-type]
        "constant": changed(made, flat),
        "three sensors": laboratory(seed=1, n=3, **SHORT),  # type: ignore[arg-type]
        "two uses": laboratory(seed=1, uses=(0, 20), levels=(200.0, 400.0), mountings=2),
        "three uses": laboratory(seed=1, uses=(0, 1, 20), **SHORT),  # type: ignore[arg-type]
    }


WORLDS = worlds()


@cache
def answered(name: str) -> WearResult:
    return fit_wear(WORLDS[name], study(), seed=1)


@pytest.mark.parametrize("name", list(WORLDS))
def test_an_awkward_study_is_answered_without_a_number_that_means_nothing(name: str) -> None:
    result = answered(name)
    for e in result.estimates:
        assert np.isfinite(e.value) or any(f.severity in ("note", "warning") for f in result.findings), e.name
        if np.isfinite(e.low) and np.isfinite(e.high):
            assert e.low <= e.high, e.name
    said = [f.message for f in result.findings]
    assert len(said) == len(set(said))


@pytest.mark.parametrize(("name", "code"), [("rising", "rises-with-use"), ("constant", "constant-readings"),
                                            ("two uses", "shapes-refused"), ("three uses", "no-break-looked-for"),
                                            ("three sensors", "too-few-sensors")])
def test_each_is_named_once(name: str, code: str) -> None:
    result = answered(name)
    assert [f.code for f in result.findings].count(code) == 1


def test_a_start_after_the_last_check_is_refused_with_its_reason() -> None:
    with pytest.raises(DriftError, match="below start = 100"):
        fit_wear(WORLDS["rising"], study(start=100), seed=1)


def test_the_linear_scale_and_another_exposure_carry_units() -> None:
    tables = changed(laboratory(seed=2, **SHORT), lambda c: c.update(hours=50 * c["use"]))  # type: ignore[arg-type]
    result = fit_wear(tables, study(exposure="hours", exposure_unit="h", scale="linear"), seed=1)
    assert result.estimate("robust drift per use").unit == "count/kPa per h"
    assert result.table("shapes of drift")["shape"][0] == "straight line"
    wear = fit_wear(laboratory(seed=2, **SHORT), study(scale="linear"), seed=1)  # type: ignore[arg-type]
    assert 50 * result.estimate("robust drift per use").value == pytest.approx(
        wear.estimate("robust drift per use").value, rel=1e-6)
    # Log of use counts from one use, of hours from the first check above zero; the other shapes know no unit.
    a, b = (dict(zip(r.table("shapes of drift")["shape"], r.table("shapes of drift")["score"], strict=True))
            for r in (result, wear))
    assert [a[k] for k in a if k != "log of use"] == pytest.approx([b[k] for k in b if k != "log of use"], abs=1e-3)
