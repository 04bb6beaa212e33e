"""Figures of the handbook are what the demo trials give, and stand in the page with their captions."""

from __future__ import annotations

import json
import re
from functools import cache

import matplotlib as mpl
import pytest

from demo_trials import handbook_figures as program
from drift.handbook_pages import FOLDER, pages
from drift.report.drawing import Figure
from drift.report.handbook import captions, shown, whole_page

FILES = sorted((FOLDER / "figures").glob("*.svg"))


@cache
def drawn() -> dict[str, Figure]:
    return {f.name: f for f in program.figures()}


def test_captions_are_those_of_the_program() -> None:
    assert captions() == {name: f.caption for name, f in drawn().items()}


@pytest.mark.parametrize("name", sorted(program.DRAW))
def test_a_figure_is_drawn_again_alike(name: str) -> None:
    committed = (FOLDER / "figures" / f"{name}.svg").read_text(encoding="utf-8")
    again = drawn()[name].svg

    def words(svg: str) -> list[str]:
        return re.findall(r"<text[^>]*>([^<]+)</text>", svg)

    assert words(committed) == words(again)
    if f"Matplotlib v{mpl.__version__}" in committed or committed == again:
        assert committed == again


def test_the_same_error_gives_another_coefficient_among_people_who_are_alike() -> None:
    everyone = program.found(program.trials())
    few = program.found(program.alike(program.trials()))
    assert few.declared.value < everyone.declared.value - 0.1
    ratio = program.value(few, "SEM (agreement)") / program.value(everyone, "SEM (agreement)")
    assert 0.8 < ratio < 1.25


def test_every_figure_stands_on_a_page_and_every_page_has_its_figure() -> None:
    asked = {m for p in pages() for m in re.findall(r"\(figures/([\w-]+)\.svg\)", p.source)}
    assert asked == {f.stem for f in FILES}
    assert asked <= set(json.loads((FOLDER / "figures" / "captions.json").read_text(encoding="utf-8")))


def test_the_terminal_text_has_no_trace_of_a_figure() -> None:
    assert all("figures/" not in p.text for p in pages())


def test_the_local_page_needs_nothing_else() -> None:
    page = whole_page()
    assert page.count("<svg") == len(FILES)
    assert "<script" not in page
    assert not re.search(r"(src|href)=\"(?!#)", page)
    assert "viewport" in page
    assert len(page) < 900_000  # about 60 kB a figure


def test_ids_on_the_local_page_are_unique_and_links_lead_somewhere() -> None:
    page = whole_page()
    ids = re.findall(r'\bid="([^"]+)"', page)
    assert len(ids) == len(set(ids))
    assert set(re.findall(r'href="#([^"]+)"', page)) <= set(ids)


def test_pages_escape_what_could_be_markup() -> None:
    assert all("<script" not in p.body and "<!--" not in p.body for p in shown())
