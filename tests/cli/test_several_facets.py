"""``drift icc`` with several facets: options, printed digits through ``--json``, and text that reads as advice."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result
from jsonschema import Draft202012Validator

from tests.published_examples import agrees, load

Drift = Callable[..., Result]
PUBLISHED = Path(__file__).parents[1] / "published"
SYNTHETIC = (PUBLISHED / "brennan-synthetic3-pxixo.csv", "--target", "person", "--facet", "item,occasion", "--value",
             "score")
UNBALANCED = (PUBLISHED / "brennan-unbalanced-pxih.csv", "--target", "person", "--facet", "item,category", "--nested",
              "item=category", "--value", "score")
SCHEMA: dict[str, Any] = json.loads(files("drift").joinpath("schema/output.json").read_text(encoding="utf-8"))


def found(drift: Drift, *words: object) -> dict[str, Any]:
    result = drift("icc", *words, "--json")
    assert result.exit_code == 0, result.output
    data: dict[str, Any] = json.loads(result.stdout)
    Draft202012Validator(SCHEMA).validate(data)
    return data


def value(data: dict[str, Any], name: str, **of: str) -> float:
    return float(next(e["value"] for e in data["estimates"] if e["name"] == name
                      and all(e["of"].get(k) == v for k, v in of.items())))


def rows(data: dict[str, Any], name: str) -> list[dict[str, Any]]:
    table = next(t for t in data["tables"] if t["name"] == name)
    names = [c["name"] for c in table["columns"]]
    return [dict(zip(names, row, strict=True)) for row in table["rows"]]


def test_printed_digits_of_the_crossed_study_through_json(drift: Drift) -> None:
    data, printed = found(drift, *SYNTHETIC), load("brennan-synthetic3-pxixo").expected["p_x_i_x_o"]
    mean = {"reading": "mean of 4 items x 2 occasions"}
    assert agrees(value(data, "G coefficient", **mean), printed["G_4_2"])
    assert agrees(value(data, "Phi coefficient", **mean), printed["Phi_4_2"])
    for component, name in (("person", "var_p"), ("item x occasion", "var_io")):
        assert agrees(value(data, "variance component, SD", component=component) ** 2, printed[name])


def test_printed_digits_of_the_unbalanced_study_through_json(drift: Drift) -> None:
    printed = load("brennan-unbalanced-pxih").expected
    table = {r["component"]: r for r in rows(found(drift, *UNBALANCED), "estimators")}
    assert agrees(table["person"]["analogous ANOVA (Henderson 1)"], printed["var_p"])
    assert agrees(table["item : category"]["analogous ANOVA (Henderson 1)"], printed["var_ih"])


def test_the_declared_coefficient_comes_first(drift: Drift) -> None:
    for agree, use, name, reading in (("value", "single", "Phi coefficient", "one reading"),
                                      ("order", "mean", "G coefficient", "mean of 4 items x 2 occasions")):
        first = found(drift, *SYNTHETIC, "--agree", agree, "--use", use)["estimates"][0]
        assert (first["name"], first["of"]["reading"]) == (name, reading)
        assert first["low"] <= first["value"] <= first["high"]


def test_a_plan_makes_the_rows_of_the_d_study(drift: Drift) -> None:
    data = found(drift, *SYNTHETIC, "--plan", "item=1,4", "--plan", "occasion=1,2,3")
    assert [(r["item"], r["occasion"]) for r in rows(data, "D study")] == [
        (1, 1), (1, 2), (1, 3), (4, 1), (4, 2), (4, 3)]


def test_fixed_facets_have_an_option(drift: Drift) -> None:
    free, held = found(drift, *SYNTHETIC), found(drift, *SYNTHETIC, "--fixed", "occasion")
    assert value(held, "SEM (absolute)", reading="one reading") < value(free, "SEM (absolute)", reading="one reading")


def test_the_text_reads_as_advice(drift: Drift) -> None:
    out = drift("icc", *UNBALANCED).stdout
    flat = " ".join(out.split())
    assert flat.startswith("Reading of the same person with another item and category: Phi coefficient 0.15 (")
    assert "A second category narrows the SEM from 2.41 to 1.70; a second item only to 2.29." in flat
    for head in ("Why this coefficient", "What would make it narrower", "D study", "source of variance"):
        assert head in out
    assert "with 6 categories instead of 3 expect about" in flat


@pytest.mark.parametrize(("words", "said"), [
    (("--nested", "item"), "is not INNER=OUTER"), (("--plan", "item=two"), "whole numbers"),
    (("--plan", "item=0"), "whole numbers"), (("--fixed", "item,item"), "named twice")])
def test_options_written_wrongly_are_wrong_usage(drift: Drift, words: tuple[str, ...], said: str) -> None:
    result = drift("icc", *SYNTHETIC, *words)
    assert result.exit_code == 2
    assert said in " ".join(result.output.replace("│", " ").split())


def test_a_facet_that_is_not_there_is_an_error_that_names_the_columns(drift: Drift) -> None:
    result = drift("icc", SYNTHETIC[0], "--target", "person", "--facet", "item,rig", "--value", "score")
    assert result.exit_code == 1
    assert "names a column that is not in the table (found 'rig')" in " ".join(result.output.split())


def test_a_study_file_gives_the_same_numbers(drift: Drift, tmp_path: Path) -> None:
    (tmp_path / "scores.csv").write_bytes(UNBALANCED[0].read_bytes())  # type: ignore[union-attr]
    (tmp_path / "study.toml").write_text("""
[study]
title = "items in categories"
[files]
trials = "scores.csv"
[columns.trials]
reading = "score"
[[reliability]]
name = "person over item, category"
target = "person"
facet = ["item", "category"]
nested = { item = "category" }
""")
    out = tmp_path / "out"
    assert drift("run", tmp_path, "--out", out).exit_code == 0
    whole = json.loads((out / "results.json").read_text())
    one = found(drift, *UNBALANCED)
    mine = {(e["name"], e["of"].get("reading"), e["of"].get("component")): e["value"] for e in whole["estimates"]}
    for e in one["estimates"]:
        assert mine[e["name"], e["of"].get("reading"), e["of"].get("component")] == pytest.approx(e["value"])
    page = (out / "report.html").read_text()
    assert "D study" in page
    assert "analysed after Brennan (2001)" in page
    assert len(list((out / "figures").glob("*d-study*.svg"))) == 2
    assert all(math.isfinite(e["value"]) for e in one["estimates"])
