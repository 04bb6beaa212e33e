"""Numbers of a study file written as words, with units or in quotes: the mend that is offered leads to a valid file."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from drift.errors import DriftError, Finding
from drift.study import Study, read_study

COSTS = ("sensor", "spoilt_session", "check", "recalibration")
WRITTEN = ['"ten"', "ten", '"10 EUR"', "10 EUR", "EUR 10", "€10", '"10"', "10,5", '"10,5"', '"1,000.50"', "-5", "[10]",
           "true", "nan", "inf", "", "...", "ten # a word"]


def read(folder: Path, section: str, line: str, more: str = "") -> tuple[Study | None, tuple[Finding, ...]]:
    (folder / "study.toml").write_text(f'[study]\ntitle = "t"\nuse_is = "one press"\n[{section}]\n{line}\n{more}',
                                       encoding="utf-8")
    try:
        return read_study(folder), ()
    except DriftError as error:
        return None, tuple(f for f in error.findings if f.severity == "error")


@pytest.mark.parametrize("key", COSTS)
@pytest.mark.parametrize("written", WRITTEN)
def test_the_mend_of_a_cost_is_a_line_that_is_read(tmp_path: Path, key: str, written: str) -> None:
    study, found = read(tmp_path, "costs", f"{key} = {written}")
    assert study is None
    (finding,) = found
    assert finding.row == 5
    decimal = re.fullmatch(r"Write decimals with a point: ([\d.]+)", finding.mend)
    line = f"{key} = {decimal[1]}" if decimal else re.findall(rf"{key} = [^\s,;]+", finding.mend)[0]
    currency = re.search(r'currency = "[^"]+"', finding.mend)
    study, found = read(tmp_path, "costs", line, f"{currency[0]}\n" if currency else "")
    assert found == ()
    assert study is not None
    value = getattr(study.costs, key)
    assert value == {"10,5": 10.5, '"10,5"': 10.5, '"1,000.50"': 1000.5}.get(written, 10.0)
    assert study.costs.currency == {'"10 EUR"': "EUR", "10 EUR": "EUR", "EUR 10": "EUR", "€10": "€"}.get(written)


@pytest.mark.parametrize(("section", "line", "mend"), [
    ("retirement", 'content = "90 %"', "Write the number alone, without quotes or unit: content = 0.9"),
    ("retirement", "content = ninety", "Write a number in digits, without quotes or unit, such as content = 0.9"),
    ("retirement", "pool = yes", "Write pool = true"),
    ("sensitivity", "scale = log", 'Put text in quotes: scale = "log"'),
    ("limits", "saturation_pressure = 1400 kPa", 'Put text in quotes: saturation_pressure = "1400 kPa"'),
    ("limits", "sensitivity_change = 25 %", 'Put text in quotes: sensitivity_change = "25 %"'),
    ("policy", "guard = 86 %", 'Put text in quotes: guard = "86 %"'),
    ("costs", "currency = EUR", 'Put text in quotes: currency = "EUR"')])
def test_text_stays_text_and_shares_become_shares(tmp_path: Path, section: str, line: str, mend: str) -> None:
    _, found = read(tmp_path, section, line)
    assert mend in [f.mend for f in found]


def test_a_cost_without_end_is_refused(tmp_path: Path) -> None:
    _, (finding,) = read(tmp_path, "costs", "check = 1e400")
    assert "finite" in str(finding.expected)
