"""Alias check: drift that only follows operator, rig or day is not put down to wear."""

from __future__ import annotations

import numpy as np
import pytest

from drift.records import Tables
from drift.sensitivity import fit_wear
from drift.sensitivity.aliases import alias_check
from tests.sensitivity.worlds import checks_of, laboratory, sensors_of, study, with_columns


def by_use(tables, rule):
    return [rule(s, u) for s, u in zip(tables.checks["sensor"], tables.checks["use"], strict=True)]


def checked(tables):
    return alias_check(tables.checks, np.ones(len(tables.checks), dtype=bool))


def test_an_operator_that_changes_with_use_is_refused():
    # No wear at all: operator B, who checks the used sensors, reads 8 % low.
    tables = laboratory(seed=61, slope=0.0, slope_sd=0.0, uses=(0, 30))
    operator = by_use(tables, lambda s, u: "A" if u == 0 else "B")
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    columns["reading"] = [y * (0.92 if o == "B" else 1.0) for y, o in zip(columns["reading"], operator, strict=True)]
    aliased = Tables(checks=checks_of({**columns, "operator": operator}))
    result = fit_wear(aliased, study())
    # The naive twin, drift without the check, is a clear and wrong fall.
    assert result.drift().high < 0
    found = next(f for f in result.findings if f.code == "alias-operator")
    assert found.severity == "warning"
    assert "Drift and operator cannot be told apart" in found.message
    assert found.mend
    assert "not put down to wear" in result.answer
    table = result.table("aliases")
    assert table["verdict"].tolist() == ["cannot be told apart"]
    assert table["canonical correlation"][0] == pytest.approx(1.0)


def test_operators_who_both_check_early_and_late_are_separable():
    tables = laboratory(seed=62)
    tables = with_columns(tables, operator=by_use(tables, lambda s, u: "AB"[(int(s[1:]) + int(u) // 5) % 2]))
    result = fit_wear(tables, study())
    assert result.table("aliases")["verdict"].tolist() == ["separable"]
    assert not [f for f in result.findings if f.code.startswith("alias")]
    assert "told apart" not in result.answer


def test_an_operator_of_sensors_does_not_alias_with_use():
    tables = laboratory(seed=63)
    found = checked(with_columns(tables, operator=by_use(tables, lambda s, u: "AB"[int(s[1:]) % 2])))
    assert found.table["canonical correlation"].tolist() == [0.0]


def test_rigs_in_step_with_use_are_nearly_aliased():
    tables = laboratory(seed=64, uses=(0, 2, 4, 36, 38, 40))
    found = checked(with_columns(tables, rig=by_use(tables, lambda s, u: "old" if u < 20 else "new")))
    assert found.table["verdict"].tolist() == ["nearly aliased"]
    assert found.table["VIF"][0] > 10
    assert "hardly" in found.findings[0].message


def dated(tables, day):
    return with_columns(tables, time=[f"{np.datetime64('2024-01-01') + int(day(s, u))}T09:00" for s, u in zip(
        tables.checks["sensor"], tables.checks["use"], strict=True)])


def test_days_shared_by_all_sensors_need_a_never_worn_control():
    tables = dated(laboratory(seed=65), lambda s, u: u)
    found = checked(tables)
    assert found.table["factor"].tolist() == ["day", "calendar time"]
    assert set(found.table["verdict"]) == {"cannot be told apart"}
    assert [f.severity for f in found.findings] == ["warning", "note"]
    assert "never-worn" in found.findings[0].mend
    # A control checked on the same days at use 0 breaks the alias.
    c = {k: v.tolist() for k, v in tables.checks.columns.items()}
    first = [i for i, s in enumerate(c["sensor"]) if s == "S01"]
    both = {k: v + [v[i] for i in first] for k, v in c.items()}
    both["sensor"] = c["sensor"] + ["CONTROL"] * len(first)
    both["use"] = c["use"] + [0.0] * len(first)
    both["replicate"] = c["replicate"] + [f"{c['time'][i][:10]}-{c['replicate'][i]}" for i in first]
    sheet = sensors_of({"sensor": [*sorted(set(c["sensor"])), "CONTROL"], "role": ["worn"] * 8 + ["control"]})
    result = fit_wear(Tables(checks=checks_of(both), sensors=sheet), study())
    assert result.table("aliases")["verdict"].tolist() != ["cannot be told apart"]
    assert "CONTROL" not in result.lines["sensor"]


def test_calendar_time_of_unshared_days_is_context():
    tables = dated(laboratory(seed=66), lambda s, u: 50 * int(s[1:]) + u)
    found = checked(tables)
    assert found.table["factor"].tolist() == ["calendar time"]
    assert [f.severity for f in found.findings] == ["note"]


def test_operator_and_rig_together_may_give_use_away():
    tables = laboratory(seed=67, uses=(0, 10, 20, 30))
    operator = by_use(tables, lambda s, u: "B" if u in (10, 30) else "A")
    rig = by_use(tables, lambda s, u: "new" if u in (20, 30) else "old")
    found = checked(with_columns(tables, operator=operator, rig=rig))
    assert found.table["factor"].tolist() == ["operator", "rig", "operator + rig"]
    assert found.table["verdict"].tolist()[-1] == "cannot be told apart"
    assert "together" in found.findings[-1].message


def test_row_order_and_names_of_operators_do_not_matter():
    tables = laboratory(seed=68)
    operator = by_use(tables, lambda s, u: "A" if u < 20 or s > "S05" else "B")
    one = checked(with_columns(tables, operator=operator)).table
    other = checked(with_columns(tables, operator=[{"A": "Zoe", "B": "Ann"}[o] for o in operator])).table
    assert one["VIF"][0] == pytest.approx(other["VIF"][0], rel=1e-10)
