"""A cause that several sensors share is said once, with their names."""

from __future__ import annotations

from pathlib import Path

from drift.workflow_today import today_of_study

TOML = """[study]
title = "t"
[files]
checks = "checks.csv"
[units.checks]
reading = "count"
reference = "kPa"
[limits]
sensitivity_change = "20 %"
"""


def test_one_cause_is_said_once_with_the_sensors(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text(TOML, encoding="utf-8")
    (tmp_path / "checks.csv").write_text("sensor,use,replicate,reference,reading\n" + "".join(
        f"S{i},0,1,{x},{x + i}\n" for i in range(1, 9) for x in (200, 500, 800)), encoding="utf-8")
    part = today_of_study(tmp_path, None).parts[0]
    (found,) = [f for f in part.findings if f.code == "no-forecast"]
    assert "S1, S2, S3, S4, S5, S6, S7 and S8" in found.message
    assert set(part.table("sensors today")["why"]) == {"uses left not known (see cautions)"}
    alone = today_of_study(tmp_path, "S1").parts[0]
    assert "S1 has left cannot be said" in next(f for f in alone.findings if f.code == "no-forecast").message
