"""Published interlaboratory studies, digit by digit, through the public function and through ``--json``."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.engine.outlying import (
    cochran_critical,
    grubbs_critical,
    grubbs_two_critical,
    mandel_h_critical,
    mandel_k_critical,
)
from tests.gauge.tables import laboratories
from tests.published_examples import FOLDER, agrees, load

GLUCOSE, COAL = load("astm-e691-glucose"), load("iso-5725-2-sulfur-coal")
KEYS = {"m": "general mean (m)", "mean": "general mean (m)", "s_r": "repeatability SD (s_r)",
        "s_R": "reproducibility SD (s_R)", "r": "repeatability limit (r)", "R": "reproducibility limit (R)"}
Found = tuple[dict[tuple[str, str], float], dict[str, pd.DataFrame]]


def through_json(file: str, *words: str, by: str) -> Found:
    run = CliRunner().invoke(cli, ["gauge", str(FOLDER / file), *words, "--material", by, "--json"])
    assert run.exit_code == 0, run.output
    data: dict[str, Any] = json.loads(run.stdout)
    return ({(e["of"][by], e["name"]): e["value"] for e in data["estimates"]},
            {t["name"]: pd.DataFrame(t["rows"], columns=[c["name"] for c in t["columns"]]) for t in data["tables"]})


def through_function(frame: pd.DataFrame, by: str, **words: str) -> Found:
    r = laboratories(frame, material=by, **words)
    return {(e.of[by], e.name): e.value for e in r.estimates}, {t.name: t.to_frame() for t in r.tables}


@pytest.fixture(scope="module", params=["function", "json"])
def glucose(request: pytest.FixtureRequest) -> Found:
    if request.param == "json":
        return through_json("astm-e691-glucose.csv", "--laboratory", "lab", "--value", "glucose", by="material")
    return through_function(GLUCOSE.frame().rename(columns={"glucose": "reading"}), "material", laboratory="lab")


@pytest.fixture(scope="module", params=["function", "json"])
def coal(request: pytest.FixtureRequest) -> Found:
    if request.param == "json":
        return through_json("iso-5725-2-sulfur-coal.csv", "--laboratory", "laboratory", "--value", "sulfur_pct",
                            by="level")
    return through_function(COAL.frame().rename(columns={"sulfur_pct": "reading"}), "level")


@pytest.mark.parametrize("material", list("ABCDE"))
def test_glucose_as_printed(glucose: Found, material: str) -> None:
    values, tables = glucose
    want = GLUCOSE.expected[material]
    for key in ("mean", "s_r", "s_R", "r", "R"):
        assert agrees(values[material, KEYS[key]], want[key]), key
    row = tables["precision"].set_index("material").loc[material]
    # 1.002751 for material B stands as 1.0027 in the print, which cuts it.
    assert agrees(row["s_xbar"], want["s_xbar"], units=0.5 if material == "B" else 0)


def test_glucose_material_a_has_a_negative_variance_between_laboratories(glucose: Found) -> None:
    values, tables = glucose
    before = tables["precision"].set_index("material").loc["A", "s_L2 before cut"]
    assert before == pytest.approx(GLUCOSE.recomputed["s_L2_material_A_negative"], abs=5e-7)
    assert values["A", KEYS["s_R"]] == values["A", KEYS["s_r"]]


@pytest.mark.parametrize("material", list("ABCDE"))
def test_glucose_h_k_and_cochran(glucose: Found, material: str) -> None:
    _, tables = glucose
    rows = tables["laboratories"][tables["laboratories"]["material"] == material]
    np.testing.assert_allclose(rows["h"], GLUCOSE.recomputed["h"][material], atol=0.005 + 1e-9)
    np.testing.assert_allclose(rows["k"], GLUCOSE.recomputed["k"][material], atol=0.005 + 1e-9)
    tests = tables["outlier tests"]
    c = tests[(tests["material"] == material) & (tests["test"] == "Cochran")].iloc[0]
    assert c["statistic"] == pytest.approx(GLUCOSE.recomputed["cochran_C"][material], abs=5e-5)


def test_critical_h_and_k_of_e691(glucose: Found) -> None:
    _, tables = glucose
    assert agrees(tables["laboratories"]["h critical 0.5 %"][0], GLUCOSE.expected["h_critical_0.5pct_p8"])
    assert agrees(tables["laboratories"]["k critical 0.5 %"][0], GLUCOSE.expected["k_critical_0.5pct_p8_n3"])
    beyond = tables["laboratories"].query("k > `k critical 0.5 %`")
    assert list(zip(beyond["material"], beyond["lab"], strict=True)) == [("C", "4"), ("E", "2")]


@pytest.mark.parametrize("level", ["1", "2", "3", "4"])
def test_coal_as_printed_and_recomputed(coal: Found, level: str) -> None:
    """Numbers of results are unequal: 3 to 5."""
    values, tables = coal
    for key in ("m", "s_r", "s_R"):
        assert agrees(values[level, KEYS[key]], COAL.expected[f"level{level}"][key]), key
        assert values[level, KEYS[key]] == pytest.approx(COAL.recomputed[f"level{level}"][key], abs=1e-8)
    assert values[level, "between-laboratory SD (s_L)"] == pytest.approx(COAL.recomputed[f"level{level}"]["s_L"],
                                                                         abs=1e-8)
    tests = tables["outlier tests"]
    own = tests[tests["level"] == level].set_index("test")["statistic"]
    assert own["Cochran"] == pytest.approx(COAL.recomputed[f"level{level}"]["cochran_C"], rel=1e-10)
    assert [own["Grubbs, highest"], own["Grubbs, lowest"]] == pytest.approx(
        COAL.recomputed[f"level{level}"]["grubbs_high_low"], rel=1e-10)


def test_coal_has_one_straggler_by_cochran(coal: Found) -> None:
    """Level 3, laboratory 5: above the 5 % and below the 1 % critical value for eight laboratories of three results."""
    tests = coal[1]["outlier tests"]
    cochran = tests[tests["test"] == "Cochran"]
    assert list(cochran["says"]) == ["nothing striking", "nothing striking", "straggler", "nothing striking"]
    assert cochran.iloc[2]["laboratory"] == "5"


def test_critical_values_of_the_standard() -> None:
    """As the formula lines of the examples give them (ISO 5725-2 tables 4, 5; ASTM E691 table)."""
    assert agrees(cochran_critical(8, 3, 0.05), "0.5157")
    assert agrees(cochran_critical(8, 3, 0.01), "0.6152")
    # 2.1266 and 2.2744; the standard's table cuts the first to 2.126.
    assert agrees(grubbs_critical(8, 0.05), "2.126", units=0.5)
    assert agrees(grubbs_critical(8, 0.01), "2.274")
    assert agrees(mandel_h_critical(8, 0.005), "2.15")
    assert agrees(mandel_k_critical(2, 14, 0.005), "2.06")
    # ISO 5725-2 table 5, two largest or two smallest of eight; from memory, confirmed by simulation below.
    assert agrees(grubbs_two_critical(8, 0.05), "0.1101")
    assert agrees(grubbs_two_critical(8, 0.01), "0.0563")


@pytest.mark.parametrize("p", [4, 5, 8, 15])
def test_grubbs_for_two_keeps_its_level(p: int) -> None:
    """Four Monte-Carlo errors; half of the level lies at each end."""
    n = 40_000
    x = np.sort(np.random.default_rng(p).standard_normal((n, p)), axis=1)
    rest = x[:, :-2]
    ratio = ((rest - rest.mean(axis=1, keepdims=True)) ** 2).sum(axis=1) / (
        (x - x.mean(axis=1, keepdims=True)) ** 2).sum(axis=1)
    share = float(np.mean(ratio < grubbs_two_critical(p, 0.05)))
    assert abs(share - 0.025) < 4 * np.sqrt(0.025 * 0.975 / n)
