"""The report: one page that needs nothing else, with the decision on top and every caution in it."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest

from drift.report.document import render, report_figures
from drift.report.drawing import Figure
from drift.report.study_result import StudyResult
from tests.report.example_results import study_result


class Text(HTMLParser):
    """Collects words, tags and ids of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []
        self.ids: list[str] = []
        self.links: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.ids += [v for k, v in attrs if k == "id" and v]
        self.links += [v for k, v in attrs if k in ("href", "src", "xlink:href") and v]

    def handle_data(self, data: str) -> None:
        self.words.append(data)


@pytest.fixture(scope="module")
def result() -> StudyResult:
    return study_result()


@pytest.fixture(scope="module")
def figures(result: StudyResult) -> tuple[Figure, ...]:
    return report_figures(result)


@pytest.fixture(scope="module")
def page(result: StudyResult, figures: tuple[Figure, ...]) -> str:
    return render(result, figures)


@pytest.fixture(scope="module")
def text(page: str) -> Text:
    parsed = Text()
    parsed.feed(page)
    return parsed


def test_it_has_no_script_and_asks_no_network(page: str, text: Text) -> None:
    assert not {"script", "iframe", "link", "object", "embed", "img"} & set(text.tags)
    assert all(link.startswith("#") for link in text.links)
    assert not re.search(r"url\((?!#)", page)
    assert "@import" not in page
    assert not re.search(r"\son\w+=", page)


def test_every_id_stands_once_and_every_link_arrives(text: Text) -> None:
    assert len(text.ids) == len(set(text.ids))
    assert {link[1:] for link in text.links} <= set(text.ids)


def test_the_decision_comes_before_anything_else(page: str) -> None:
    body = page[page.index("<body>"):]
    assert body.index("retire after 20 uses") < body.index("<svg")
    assert body.index("retire after 20 uses") < body.index("<h2")


def test_invented_data_say_so_on_top(page: str, result: StudyResult, figures: tuple[Figure, ...]) -> None:
    assert page.index("Invented data.") < page.index("<h2")
    real = replace(result, provenance=replace(result.provenance, settings={
        "study": str(result.provenance.settings["study"]).replace('"invented": true', '"invented": false')}))
    assert "Invented data." not in render(real, figures)


@pytest.mark.parametrize("words", [
    "not a medical device", "licensed staff", "local rules", "Where a local code", "spilt coffee",
    "Methods, ready to paste", "Kenward-Roger", "noncentral t", "SHA-256", "excluded.csv", "One use is",
    "Mount each sensor twice", "another day", "harmless"])
def test_what_a_reader_must_find_is_there(text: Text, words: str) -> None:
    assert words in " ".join(" ".join(text.words).split())


def test_the_methods_carry_the_numbers(page: str) -> None:
    methods = re.sub(r"\s+", " ", page[page.index('id="methods"'):page.index('id="cautions"')])
    for number in ("0.40", "12 sensors", "90 %", "95 %", "20 uses", "30 uses", "0.86", "110 of 111 rows", "seed 1"):
        assert number in methods, number


def test_it_is_the_same_bytes_every_time(result: StudyResult, figures: tuple[Figure, ...], page: str) -> None:
    assert render(result, figures) == page


def test_a_name_with_markup_in_it_stays_words(result: StudyResult, figures: tuple[Figure, ...]) -> None:
    evil = replace(result, question="<script>alert(1)</script>")
    page = render(evil, figures)
    assert "<script" not in page
    assert "&lt;script&gt;" in page


def test_without_a_count_the_answers_stand_on_top(result: StudyResult) -> None:
    parts = [p for p in result.parts if p.command in ("icc", "agree")]
    joined = StudyResult.join(parts, question="q", answer=" ".join(p.answer for p in parts), findings=(),
                              provenance=result.provenance)
    page = render(joined, ())
    for part in parts:
        assert page.index(part.answer) < page.index("<h2")


def test_every_table_slides_and_carries_the_hint_that_shows_where_it_must(page: str) -> None:
    """The height of the hint is what the width of the page lacks: it shows where a table is cut and only there."""
    tables = page.count("<table")
    assert tables > 10
    assert page.count('<div class="scroll"><div class="slide">') >= tables
    assert page.count('class="hint"') == page.count('<div class="scroll"><div class="slide">')
    assert "(100% - 100cqw" in page
    assert "container-type: inline-size" in page


def test_a_semicolon_of_the_methods_is_followed_by_a_small_letter(page: str) -> None:
    start = page.index('id="methods"')
    methods = re.sub(r"<[^>]+>", " ", page[start:page.index("</section>", start)])
    # Authors keep their capital: a year or another author follows.
    assert re.findall(r"; ([A-Z][a-z]+\b(?! (?:and|et)\b)(?! \d))", methods) == []
