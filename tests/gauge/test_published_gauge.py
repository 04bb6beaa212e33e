"""Published gauge studies, digit by digit, through the public function and through ``--json``."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd
import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.engine.gauge import crossed_squares
from drift.results import Result
from tests.gauge.tables import gauge
from tests.published_examples import FOLDER, agrees, load

EXAMPLE = load("aiag-msa-grr-10x3x3")
LINE = load("aiag-gauge-linearity")
NAME = {"EV": "repeatability (EV)", "AV": "reproducibility (AV)", "INT": "part x operator interaction (INT)",
        "GRR": "gauge R&R (GRR)", "PV": "part variation (PV)", "TV": "total variation (TV)"}


def study(**more: Any) -> Result:
    frame = EXAMPLE.frame().rename(columns={"value": "reading", "appraiser": "operator", "trial": "replicate"})
    return gauge(frame, **more)


def as_json(*words: str) -> dict[str, Any]:
    run = CliRunner().invoke(cli, ["gauge", *words, "--json"])
    assert run.exit_code == 0, run.output
    data: dict[str, Any] = json.loads(run.stdout)
    return data


@pytest.fixture(scope="module")
def printed() -> dict[str, Any]:
    return as_json(str(FOLDER / "aiag-msa-grr-10x3x3.csv"), "--part", "part", "--operator", "appraiser", "--replicate",
                   "trial", "--value", "value")


@pytest.fixture(scope="module", params=["function", "json"])
def values(request: pytest.FixtureRequest, printed: dict[str, Any]) -> dict[str, float]:
    """Estimates by name, from the function and from ``--json``."""
    if request.param == "function":
        return {e.name: e.value for e in study().estimates}
    return {e["name"]: e["value"] for e in printed["estimates"]}


@pytest.fixture(scope="module", params=["function", "json"])
def frames(request: pytest.FixtureRequest, printed: dict[str, Any]) -> dict[str, pd.DataFrame]:
    """Tables by name."""
    if request.param == "function":
        return {t.name: t.to_frame() for t in study().tables}
    return {t["name"]: pd.DataFrame(t["rows"], columns=[c["name"] for c in t["columns"]]) for t in printed["tables"]}


@pytest.mark.parametrize("key", ["EV", "AV", "INT", "PV", "TV"])
def test_anova_components_as_printed(values: dict[str, float], key: str) -> None:
    assert agrees(values[NAME[key]], EXAMPLE.expected["anova"][key])


def test_anova_grr_is_one_unit_of_the_last_digit_off_the_print(values: dict[str, float]) -> None:
    """Printed 0.302373; its own printed EV and AV allow 0.3023711 to 0.3023725."""
    assert agrees(values[NAME["GRR"]], EXAMPLE.expected["anova"]["GRR"], units=1)
    assert values[NAME["GRR"]] == pytest.approx(EXAMPLE.recomputed["anova_pooled"]["GRR"], rel=1e-11)


@pytest.mark.parametrize("key", ["EV", "AV", "GRR", "PV"])
def test_anova_shares_as_printed(values: dict[str, float], key: str) -> None:
    assert agrees(values[f"{NAME[key]}, percent of study variation"], EXAMPLE.expected["anova"][f"pct_{key}"])
    assert agrees(values[f"{NAME[key]}, percent contribution"], EXAMPLE.expected["anova"][f"contribution_{key}"])


def test_distinct_categories_use_the_literal_1_41_and_are_truncated(values: dict[str, float]) -> None:
    """4.86 becomes 4; sqrt(2) in place of 1.41 would print 4.875, and rounding 5."""
    assert agrees(values["1.41 PV / GRR, not truncated"], EXAMPLE.expected["anova"]["ndc"])
    assert values["number of distinct categories (ndc)"] == 4


def test_the_table_with_interaction_as_printed(frames: dict[str, pd.DataFrame]) -> None:
    """The manual's F are over the equipment mean square; F over the interaction is ours, as for random effects."""
    t = frames["analysis of variance"]
    t = t[t["model"] == "with interaction"].set_index("source")
    names = {"appraiser": "operators", "part": "parts", "interaction": "part x operator", "equipment": "repeatability"}
    want = EXAMPLE.expected["anova"]
    for theirs, ours in names.items():
        assert agrees(t.loc[ours, "sum of squares"], want[f"ss_{theirs}"])
        assert agrees(t.loc[ours, "mean square"], want[f"ms_{theirs}"])
        if theirs != "equipment":
            assert agrees(t.loc[ours, "F over repeatability"], want[f"F_{theirs}"])
    assert agrees(t["sum of squares"].sum(), want["ss_total"])
    assert t.loc["operators", "F"] == pytest.approx(EXAMPLE.recomputed["F_interaction_as_error"]["appraiser"], rel=1e-8)
    assert t.loc["parts", "F"] == pytest.approx(EXAMPLE.recomputed["F_interaction_as_error"]["part"], rel=1e-8)
    assert t.loc["part x operator", "p"] == pytest.approx(EXAMPLE.recomputed["p_interaction"], rel=1e-8)


def test_pooling_is_a_rule_with_a_switch() -> None:
    """Without it GRR takes 28.8 % of the study variation in place of 27.9 %."""
    kept = study(pool_above=None)
    want = EXAMPLE.recomputed["anova_unpooled"]
    assert kept.estimate(NAME["EV"]).value ** 2 == pytest.approx(want["var_E"], rel=1e-10)
    assert kept.estimate(NAME["AV"]).value ** 2 == pytest.approx(want["var_appraiser"], rel=1e-10)
    assert kept.estimate(NAME["PV"]).value ** 2 == pytest.approx(want["var_part"], rel=1e-10)
    assert kept.estimate(f"{NAME['GRR']}, percent of study variation").value == pytest.approx(28.8, abs=0.05)
    frame = EXAMPLE.frame()
    codes = [pd.factorize(frame[c])[0] for c in ("part", "appraiser")]
    raw = crossed_squares(frame["value"], *codes).unbiased()["interaction"]
    assert raw == pytest.approx(want["var_interaction_raw"], rel=1e-9)


MANUAL = {"rbar_A": "mean range of A", "rbar_B": "mean range of B", "rbar_C": "mean range of C", "rbar": "mean range",
          "xbar_A": "mean of A", "xbar_B": "mean of B", "xbar_C": "mean of C", "R_p": "range of part means", "K1": "K1",
          "K2": "K2", "K3": "K3", "EV": "EV", "AV": "AV", "GRR": "GRR", "PV": "PV", "TV": "TV",
          "pct_AV": "AV, % of study variation", "pct_GRR": "GRR, % of study variation",
          "pct_PV": "PV, % of study variation", "ndc": "1.41 PV / GRR"}


@pytest.mark.parametrize("key", list(MANUAL))
def test_average_and_range_method_as_printed(frames: dict[str, pd.DataFrame], key: str) -> None:
    """With the manual's rounding of R-bar, averages and R_p the printed digits come out."""
    t = frames["average and range"].set_index("quantity")["as in the manual"]
    assert agrees(t[MANUAL[key]], EXAMPLE.expected["range_method"][key])


def test_two_figures_of_the_range_method_do_not_follow_from_its_own_print(frames: dict[str, pd.DataFrame]) -> None:
    """X_diff is printed 0.4447, but its AV needs 0.4446, the difference of the rounded averages; 0.20188 / 1.14610 is
    17.61 %, printed 17.62."""
    t = frames["average and range"].set_index("quantity")
    assert agrees(t.loc["range of operator means", "exact"], EXAMPLE.expected["range_method"]["x_diff"])
    assert agrees(t.loc["EV, % of study variation", "as in the manual"], EXAMPLE.expected["range_method"]["pct_EV"],
                  units=1)


def test_unrounded_range_method_is_as_recomputed_but_for_the_constants(frames: dict[str, pd.DataFrame]) -> None:
    """The recomputed values take the manual's four-digit constants; ours are exact, 3e-5 away."""
    t = frames["average and range"].set_index("quantity")["exact"]
    for key in ("EV", "AV", "GRR", "PV", "TV"):
        assert t[key] == pytest.approx(EXAMPLE.recomputed["range_method"][key], rel=2e-4)


@pytest.fixture(scope="module", params=["function", "json"])
def line(request: pytest.FixtureRequest) -> tuple[dict[str, float], pd.DataFrame, pd.DataFrame]:
    if request.param == "function":
        frame = LINE.frame().rename(columns={"measurement": "reading", "trial": "replicate"})
        r = gauge(frame, operator=None, reference="reference")
        return ({e.name: e.value for e in r.estimates if e.of.get("through", "readings") == "readings"},
                r.table("linearity").to_frame(), r.table("bias").to_frame())
    data = as_json(str(FOLDER / "aiag-gauge-linearity.csv"), "--part", "part", "--replicate", "trial", "--value",
                   "measurement", "--reference", "reference")
    made = {t["name"]: pd.DataFrame(t["rows"], columns=[c["name"] for c in t["columns"]]) for t in data["tables"]}
    return ({e["name"]: e["value"] for e in data["estimates"] if e["of"].get("through", "readings") == "readings"},
            made["linearity"], made["bias"])


def test_linearity_as_printed(line: tuple[dict[str, float], pd.DataFrame, pd.DataFrame]) -> None:
    values, lines, bias = line
    want = LINE.expected
    row = lines.set_index("through").loc["readings"]
    assert agrees(values["linearity, slope of bias on reference"], want["slope"])
    assert agrees(values["linearity, bias at reference 0"], want["intercept"])
    assert agrees(values["linearity, residual SD"], want["s"])
    assert agrees(row["R squared"], want["r_squared"])
    assert agrees(row["t of slope"], want["t_slope"])
    assert agrees(row["t of bias at 0"], want["t_intercept"])
    for value, printed in zip(bias["bias"], want["bias_by_part"], strict=True):
        assert agrees(value, printed)


def test_the_nested_resistivity_study_has_its_own_home() -> None:
    """Runs, days and repetitions of one artefact at a time are nested components, not parts by operators."""
    assert load("nist-gauge-study-resistivity").expected["probe_2362"]["s1"] == "0.0729"
