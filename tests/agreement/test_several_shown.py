"""How several methods are shown: figures readable in grey, the paragraph, the command, the check of a study."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from matplotlib.colors import to_hex
from matplotlib.figure import Figure as Canvas

from drift.agreement import AgreementResult, agreement
from drift.cli import cli
from drift.errors import MINUS
from drift.handbook_pages import find
from drift.report.drawing import make
from drift.report.figures_of_several import mean_figure, pairs_figure, several_drawings
from drift.report.handbook import help_for
from drift.report.several_methods import several_paragraph
from tests.agreement.test_several import ask, long, pressure, readings
from tests.agreement.trial_tables import trial_table
from tests.report.grey import overlapping_words, told_apart_by_hue_alone


def with_gap_and_copy() -> AgreementResult:
    table = readings(20, (1.0, 1.0, 2.0, 1.0), (0.0, 0.0, 3.0, 0.0))
    table[:, 3] = table[:, 0]
    table[:2, 1] = np.nan
    return agreement(trial_table(long(table)), ask(methods=tuple("abcd"), harmless=6.0), seed=1)


def many() -> AgreementResult:
    table = readings(8, (1.0,) * 12, tuple(np.linspace(0, 4, 12)))
    rows = long(table, methods="abcdefghijkl")
    return agreement(trial_table(rows), ask(methods="all"), seed=1)


CASES = {"pressure": lambda: pressure(repeats=True), "gap and copy": with_gap_and_copy, "many": many}


@pytest.mark.parametrize("case", sorted(CASES))
def test_both_figures_are_drawn_with_a_sentence_and_alike_on_every_run(case: str) -> None:
    result = CASES[case]()
    for name, title, draw, size in several_drawings(result):
        one = make("f", title, draw, size=size)
        assert one.svg == make("f", title, draw, size=size).svg
        assert one.caption.endswith(".")
        assert one.caption[0].isupper()
        assert name


@pytest.mark.parametrize("draw", [mean_figure, pairs_figure])
def test_words_do_not_overlap_and_grey_tells_what_colour_does(draw) -> None:
    canvas = Canvas(figsize=(5.4, 2.9), layout="constrained")
    draw(pressure(repeats=True), canvas.add_subplot())
    canvas.draw_without_rendering()
    for axes in canvas.axes:
        assert overlapping_words(axes) == []
        assert told_apart_by_hue_alone(axes) == []


def test_the_harmless_band_stands_in_every_panel_and_behind_the_pairs() -> None:
    canvas = Canvas(figsize=(5.4, 2.9), layout="constrained")
    caption = mean_figure(pressure(repeats=True), canvas.add_subplot())
    assert len(canvas.axes) == 3
    for axes in canvas.axes:
        assert any(to_hex(p.get_facecolor()) == "#dfe9d8" for p in axes.patches)
    assert "23.7 (20.9 to 27.3) mmHg of the mean of all" in caption


def test_a_copy_and_pairs_too_many_are_said() -> None:
    caption = pairs_figure(with_gap_and_copy(), Canvas().add_subplot())
    assert "of 6 pairs" in caption
    assert "36 pairs with narrower limits" in pairs_figure(many(), Canvas().add_subplot())
    assert "3 methods with narrower limits are not drawn" in mean_figure(many(), Canvas().add_subplot())


def test_the_methods_paragraph_names_limits_sources_and_the_rule() -> None:
    text = several_paragraph(pressure(repeats=True), {})
    for words in ("J, R and S", "Jones, Dobson and O'Brian 2011", "\N{PLUS-MINUS SIGN}23.7 (20.9 to 27.3) mmHg",
                  "simultaneous over all pairs", "intersection-union", "Grubbs 1948", "15 mmHg"):
        assert words in text, words


def test_the_page_is_found_and_offered() -> None:
    assert find("several methods") is not None
    assert find("pairwise limits") is find("several methods")
    assert "several-methods" in help_for(pressure(repeats=True))


def write(folder: Path) -> Path:
    rows = long(readings(12, (0.5, 1.0, 1.0), (0.0, 0.0, 2.0)))
    rows.to_csv(folder / "t.csv", index=False)
    return folder / "t.csv"


def test_the_command_shows_three_tables_and_one_object(tmp_path: Path) -> None:
    words = ["agree", str(write(tmp_path)), "--compare", "method", "--methods", "a,b,c", "--pair-by", "participant",
             "--unit", "kPa", "--harmless", "5 kPa"]
    shown = CliRunner().invoke(cli, words)
    assert shown.exit_code == 0, shown.output
    for text in ("Against the mean of the others", "Every pair", f"a {MINUS} b", "limit of agreement with the mean",
                 "Verdict: "):
        assert text in shown.output
    data = json.loads(CliRunner().invoke(cli, [*words, "--json"]).stdout)
    assert {t["name"] for t in data["tables"]} >= {"verdict", "pairwise limits", "limits with the mean",
                                                   "method variances", "readings by method"}


def test_a_wrong_name_is_said_in_the_words_of_the_command(tmp_path: Path) -> None:
    base = ["agree", str(write(tmp_path)), "--compare", "method", "--pair-by", "participant", "--methods"]
    two, wrong = (CliRunner().invoke(cli, [*base, m]) for m in ("a,b", "a,b,x"))
    assert two.exit_code == wrong.exit_code == 1
    assert "--methods: methods names three or more" in two.output
    assert "is a value of 'method' that does not occur (found 'x')" in " ".join(wrong.output.split())


def test_a_study_asks_it_checks_it_and_hides_names(tmp_path: Path) -> None:
    rows = long(readings(12), methods=("Ann", "Bob", "Cy")).rename(columns={"method": "operator"})
    rows.to_csv(tmp_path / "t.csv", index=False)
    (tmp_path / "study.toml").write_text("""[study]
title = "operators"
[files]
trials = "t.csv"
[[agreement]]
name = "operators"
compare = "operator"
methods = ["Ann", "Bob", "Cy"]
target = "participant"
pair_by = ["participant"]
truth = "varying"
""", encoding="utf-8")
    checked = CliRunner().invoke(cli, ["check", str(tmp_path)])
    assert "Do Ann, Bob and Cy (operator) agree?" in checked.output, checked.output
    done = CliRunner().invoke(cli, ["run", str(tmp_path), "--pseudonyms", "--json"])
    assert done.exit_code == 0, done.output
    assert "Ann" not in done.stdout
    page = CliRunner().invoke(cli, ["run", str(tmp_path), "--out", str(tmp_path / "out")])
    assert page.exit_code == 0, page.output
    report = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert report.count("<svg") >= 2
    assert "limit of agreement with the mean" in report
