"""Units: spellings as people write them, factors of published standards, and what must be refused."""

from __future__ import annotations

import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drift import units
from drift.units import Quantity, UnitError, canonical, convert, is_pressure, kind, parse_quantity

SPELLINGS = {
    "kPa": ["kPa", "kpa", "KPA", "kilopascal", " kPa ", "kN/m2", "kN/m²"],
    "N/cm2": ["N/cm2", "N/cm²", "N / cm^2", "N/cm**2", "n/cm2", "N cm-2", "N\u00a0/\u00a0cm2"],
    "kgf/cm2": ["kgf/cm2", "kgf/cm²", "kp/cm2"],
    "psi": ["psi", "PSI", "lbf/in2", "lb/in²"],
    "mmHg": ["mmHg", "mmhg", "mm Hg"],
    "count": ["count", "counts", "Counts", "raw", "ADC", "raw counts"],
    "MPa": ["MPa", "N/mm2", "N/mm²"],
    "%": ["%", "percent"],
    "degC": ["degC", "°C", "deg C", "Celsius"],
    "h": ["h", "hours", "hr"],
}


@pytest.mark.parametrize(("name", "spelling"), [(n, s) for n, spellings in SPELLINGS.items() for s in spellings])
def test_common_spellings_have_one_canonical_name(name: str, spelling: str) -> None:
    assert canonical(spelling) == name


def test_250_psi_is_1723_7_kpa() -> None:
    # NIST SP 811 (2008), appendix B.8: 1 psi = 6.894 757 E+03 Pa.
    assert f"{convert(1.0, 'psi', 'Pa'):.3f}" == "6894.757"
    assert f"{convert(250.0, 'psi', 'kPa'):.1f}" == "1723.7"


@pytest.mark.parametrize(("unit", "pascal"), [
    # NIST SP 811 (2008), appendix B.8 and B.9, as printed there (seven digits).
    ("mmHg", "133.3224"), ("kgf/cm2", "98066.50"), ("bar", "100000.0"), ("N/cm2", "10000.0"), ("inHg", "3386.389")])
def test_factors_agree_with_the_printed_ones(unit: str, pascal: str) -> None:
    digits = len(pascal.split(".")[1])
    # Conventional mercury: the printed inch uses the conventional value as well.
    assert abs(convert(1.0, unit, "Pa") - float(pascal)) <= 0.6 * 10.0**-digits + 1e-9 * float(pascal)


@pytest.mark.parametrize("name", [n for n, (k, _, _) in units._UNITS.items()
                                  if k in ("pressure", "force", "time", "mass", "length")])
def test_everyday_factors_agree_with_the_units_library(name: str) -> None:
    import pint

    registry: Any = pint.UnitRegistry()
    spelled = {"N/cm2": "N/cm**2", "kgf/cm2": "kgf/cm**2", "kgf": "kgf"}.get(name, name)
    base = {"pressure": "kPa", "force": "N", "time": "s", "mass": "kg", "length": "m"}[kind(name)]
    assert convert(1.0, name, base) == pytest.approx(registry.Quantity(1.0, spelled).to(base).magnitude, rel=1e-9)


def test_temperatures_convert_with_their_offset() -> None:
    assert convert(20.0, "degC", "K") == pytest.approx(293.15)


def test_arrays_convert_without_being_changed() -> None:
    given_ = np.array([1.0, 2.0])
    out = convert(given_, "N/cm2", "kPa")
    assert out.tolist() == [10.0, 20.0]
    assert given_.tolist() == [1.0, 2.0]


@pytest.mark.parametrize(("a", "b"), [("kPa", "N"), ("count", "kPa"), ("kPa", "count"), ("count", "%"), ("use", "h"),
                                      ("", "kPa"), ("ohm", "kPa")])
def test_units_of_different_things_do_not_convert(a: str, b: str) -> None:
    with pytest.raises(UnitError, match="do not measure the same thing"):
        convert(1.0, a, b)


def test_a_misspelt_unit_gets_the_nearest_suggested() -> None:
    with pytest.raises(UnitError, match="did you mean 'kPa'"):
        canonical("kPaa")


def test_a_mass_over_an_area_is_not_taken_for_a_pressure() -> None:
    with pytest.raises(UnitError, match="write 'kgf/cm2'"):
        canonical("kg/cm2")


def test_mpa_in_lower_case_is_refused_because_it_could_be_milli() -> None:
    with pytest.raises(UnitError, match="megapascal or millipascal"):
        canonical("mpa")
    assert convert(1.0, "mPa", "Pa") == pytest.approx(1e-3)


@pytest.mark.parametrize(("text", "value", "unit"), [
    ("1600 kPa", 1600.0, "kPa"), ("1600kPa", 1600.0, "kPa"), ("232.06 psi", 232.06, "psi"), ("10 %", 10.0, "%"),
    ("1.6e3 kPa", 1600.0, "kPa"), ("\u22125 N", -5.0, "N"), ("12", 12.0, ""), ("160\u00a0N/cm²", 160.0, "N/cm2")])
def test_quantities_are_read(text: str, value: float, unit: str) -> None:
    assert parse_quantity(text) == Quantity(value, unit)


@pytest.mark.parametrize(("text", "match"), [
    ("kPa", "does not start with a number"), ("1,600 kPa", "decimal point only"), ("1600 kPfoo", "not known"),
    ("", "does not start")])
def test_quantities_that_could_be_misread_are_refused(text: str, match: str) -> None:
    with pytest.raises(UnitError, match=match):
        parse_quantity(text)


def test_pressure_is_told_from_other_kinds() -> None:
    assert [is_pressure(u) for u in ("psi", "inHg", "N", "count", "nonsense", "")] == [True, True] + [False] * 4


@given(st.floats(1e-6, 1e6), st.sampled_from(["kPa", "psi", "mmHg", "N/cm2", "kgf/cm2", "bar"]),
       st.sampled_from(["kPa", "psi", "mmHg", "N/cm2", "kgf/cm2", "bar"]))
def test_there_and_back_changes_nothing(value: float, a: str, b: str) -> None:
    assert math.isclose(convert(convert(value, a, b), b, a), value, rel_tol=1e-14)


def test_everyday_units_do_not_load_the_units_library() -> None:
    code = ("import sys; from drift.units import convert, canonical; convert(1.0, 'psi', 'kPa'); canonical('N/cm²'); "
            "sys.exit('pint' in sys.modules)")
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
