"""Check standards that make no uses: their days are their occasions, and a new baseline starts by its day."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from drift.control import occasions_of_checks
from drift.records import Tables
from drift.sensitivity.control_days import Baseline
from drift.sensitivity.design import label_of
from drift.today import prepare_setting
from tests.coverage.rig_steps import STUDY, World, laboratory


def drawn(**changes: object) -> Tables:
    return laboratory(replace(World(), **changes), np.random.default_rng(4))[0]  # type: ignore[arg-type]


def at_use_zero(tables: Tables) -> Tables:
    """Number the readings of standards by replicate, as a sensor that is never worn may be."""
    assert tables.checks is not None
    mine = np.array([str(s).startswith("CS") for s in tables.checks["sensor"]])
    use, replicate = tables.checks["use"].copy(), tables.checks["replicate"].copy()
    replicate[mine] = [f"{u:g}" for u in use[mine]]
    use[mine] = 0.0
    columns = {k: tables.checks[k] for k in tables.checks.columns} | {"use": use, "replicate": replicate}
    return replace(tables, checks=type(tables.checks)(columns, tables.checks.row, tables.checks.file,
                                                      units=tables.checks.units))


def test_days_of_one_use_are_occasions() -> None:
    tables = at_use_zero(drawn(logged=False))
    assert tables.checks is not None
    standard = np.asarray(label_of(tables.checks, tables.sensors, "role") == "check standard", dtype=np.bool_)
    found = occasions_of_checks(tables.checks, standard=standard)
    assert [len(o) for o in found] == [25, 25]
    assert found[0].label[0] == "2026-01-05"
    by_use = drawn(logged=False)
    assert by_use.checks is not None
    there = occasions_of_checks(by_use.checks, standard=standard)
    np.testing.assert_allclose(found[0].mean, there[0].mean)


def test_the_rig_is_judged_alike_by_use_and_by_day() -> None:
    by_day, by_use = (prepare_setting(t, STUDY).rig for t in (at_use_zero(drawn(logged=False)), drawn(logged=False)))
    assert by_day.status == by_use.status == "not fit"


def test_a_baseline_starts_with_the_reading_of_its_day_else_after_its_use() -> None:
    use = np.array([0.0, 1.0, 2.0, 3.0])
    day = np.array(["2026-01-01", "2026-01-06", "2026-01-11", "2026-01-16"], dtype=object)

    def first(at: float, of: str) -> int:
        return Baseline(sensor="CS1", use=at, day=of, cause="x", row=2).first(use, day)

    assert [first(3.0, d) for d in ("2026-01-06", "2026-01-07", "2026-02-01")] == [1, 2, 4]
    assert [first(u, "") for u in (0.0, 1.0, 2.5, 3.0)] == [0, 2, 3, 4]
