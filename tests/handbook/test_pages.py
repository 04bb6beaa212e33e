"""The pages: every method has one, of one shape, and whatever they show can be done and was computed."""

from __future__ import annotations

import csv
import re
import shlex
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli
from drift.handbook_pages import ALSO, FOLDER, SECTIONS, Page, coverage_rows, find, nearest, pages

REFERENCE = ("estimates", "columns")
METHODS = [p for p in pages() if p.topic not in REFERENCE]
ASKED = ("icc", "sem", "mdc", "gauge", "generalizability", "repeated uses", "comparing", "agreement",
         "agreement along use", "limits of agreement", "variants of limits", "repeated pairs", "coverage",
         "estimates", "columns")
ROOT = Path(__file__).parents[2]
FENCE = re.compile(r"^```\n(.*?)^```", re.MULTILINE | re.DOTALL)


def commands(page: Page) -> list[list[str]]:
    found = []
    for block in FENCE.findall(page.source):
        lines = block.replace("\\\n", " ").splitlines()
        found += [shlex.split(line)[1:] for line in lines if line.startswith("drift ")]
    return found


SHOWN = list({" ".join(words): (p.topic, words) for p in pages() for words in commands(p)}.values())


def test_every_page_is_listed_once() -> None:
    topics = [p.topic for p in pages()]
    assert len(topics) == len(set(topics))


@pytest.mark.parametrize("topic", ASKED)
def test_every_topic_asked_for_has_a_page(topic: str) -> None:
    assert find(topic) is not None


@pytest.mark.parametrize("page", METHODS, ids=lambda p: p.topic)
def test_a_page_has_the_sections_of_all_pages_in_their_order(page: Page) -> None:
    assert page.source.startswith("# ")
    headings = re.findall(r"^## (.+)$", page.source, re.MULTILINE)
    assert headings == [h for h in SECTIONS if h in headings]
    assert set(SECTIONS) - set(headings) == set()


@pytest.mark.parametrize("page", METHODS, ids=lambda p: p.topic)
def test_a_page_shows_a_command_and_cites_a_source_with_its_year(page: Page) -> None:
    assert commands(page)
    references = page.source.split("## References")[1]
    assert re.search(r"\((19|20)\d\d\)|:(19|20)\d\d", references)


@pytest.mark.parametrize("page", METHODS, ids=lambda p: p.topic)
def test_a_page_is_short_and_its_formulas_fit_a_terminal(page: Page) -> None:
    prose = page.source.split("## References")[0]
    assert len(prose.split()) < 1000
    wide = [line for block in FENCE.findall(page.source) for line in block.splitlines() if len(line) > 76]
    assert wide == []


@pytest.mark.parametrize(("topic", "words"), SHOWN, ids=lambda v: v if isinstance(v, str) else " ".join(v)[:60])
def test_every_command_shown_runs(topic: str, words: list[str], monkeypatch: pytest.MonkeyPatch,
                                  tmp_path: Path) -> None:
    (tmp_path / "demo_trials").symlink_to(ROOT / "demo_trials")
    (tmp_path / "tests").symlink_to(ROOT / "tests")
    (tmp_path / "analyses").symlink_to(ROOT / "analyses")
    monkeypatch.chdir(tmp_path)
    result = CliRunner().invoke(cli, words)
    assert result.exit_code == 0, result.output
    assert not isinstance(result.exception, Exception)
    assert "No coefficient" not in result.stdout.split("\n")[0]


@pytest.mark.parametrize("page", pages(), ids=lambda p: p.topic)
def test_every_page_that_a_page_points_to_is_there(page: Page) -> None:
    for topic in re.findall(r"`drift explain ([a-z -]+)`", page.source):
        assert find(topic) is not None, topic


@pytest.mark.parametrize("page", METHODS, ids=lambda p: p.topic)
def test_options_named_on_a_page_are_options_of_a_command(page: Page) -> None:
    offered = set()
    for name in cli.list_commands(None):  # type: ignore[arg-type]
        command = cli.get_command(None, name)  # type: ignore[arg-type]
        assert command is not None
        offered |= {o for c in (command, *getattr(command, "commands", {}).values()) for p in c.params for o in p.opts}
    assert set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", page.source)) - offered == set()


@pytest.mark.parametrize("page", pages(), ids=lambda p: p.topic)
def test_rows_of_coverage_come_from_the_committed_tables(page: Page) -> None:
    for request in re.findall(r"^<!-- coverage: (.+?) -->$", page.source, re.MULTILINE):
        rows = coverage_rows(request)
        assert rows.count("\n|") >= 2, request
        known = set()
        for table in (FOLDER / "coverage").glob("*.csv"):
            with table.open(encoding="utf-8", newline="") as handle:
                known |= {(r["quantity"], f"{float(r['coverage']):.3f}") for r in csv.DictReader(handle)
                          if "quantity" in r and "coverage" in r}
        for line in rows.splitlines():
            cells = [c.strip() for c in line.strip("|").split("|")]
            if len(cells) == 5 and cells[0] not in ("design", "---"):
                assert (cells[1], cells[3]) in known
            if len(cells) == 3 and cells[0] not in ("design", "---"):
                assert cells[2] in {value for _, value in known}
    assert "<!--" not in page.text


def test_a_design_that_no_table_holds_stands_for_the_nearest() -> None:
    rows = coverage_rows("reliability; quantity = ICC(C,1); design = 31 x 3, facet share 0.05").splitlines()
    assert rows[4].startswith("| 30 x 3, facet share 0")


@pytest.mark.parametrize("written", ["repeated-uses", "Repeated Uses", "repeated_uses", " repeated   uses "])
def test_a_topic_is_found_however_it_is_spelled(written: str) -> None:
    page = find(written)
    assert page is not None
    assert page.topic == "repeated-uses"


@pytest.mark.parametrize(("written", "topic"), [("limits of agreement", "limits-of-agreement"),
                                                ("limits-of-agreement", "limits-of-agreement"),
                                                ("repeated pairs", "repeated-pairs"), ("agreement", "agreement")])
def test_pages_of_agreement_are_pages_of_their_own(written: str, topic: str) -> None:
    page = find(written)
    assert page is not None
    assert page.topic == topic


@pytest.mark.parametrize("alias", sorted(ALSO))
def test_other_names_lead_to_a_page(alias: str) -> None:
    assert find(alias) is not None


@pytest.mark.parametrize(("written", "meant"), [("icx", "icc"), ("repeted uses", "repeated uses"),
                                                ("generalisability", "generalizability"), ("columsn", "columns")])
def test_the_nearest_topic_is_suggested(written: str, meant: str) -> None:
    assert nearest(written) == meant


def test_a_topic_near_nothing_suggests_nothing() -> None:
    assert nearest("zzzzzz") == ""


def test_no_page_tells_more_than_its_own_first_sentence_as_summary() -> None:
    for page in pages():
        assert page.summary
        assert "\n" not in page.summary
        assert len(page.summary) < 320, page.topic
