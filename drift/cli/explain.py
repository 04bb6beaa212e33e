"""``drift explain``: the handbook in the terminal, for a machine, or as one local page."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from drift.handbook_pages import Page as HandbookPage

WIDEST = 100
# Bold and underline alone: what is read must not depend on the colours of a terminal.
LOOK = {"markdown.h2": "bold", "markdown.code": "bold", "markdown.table.header": "bold", "markdown.table.border": "dim",
        "markdown.item.bullet": "none"}


@click.command()
@click.argument("topic", nargs=-1)
@click.option("--page", type=click.Path(dir_okay=False), default=None,
              help="Write all pages as one self-contained local page, OUT.html.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
@click.option("--quiet", is_flag=True, help="Print the first sentence only.")
def explain(topic: tuple[str, ...], page: str | None, as_json: bool, quiet: bool) -> None:
    """Explain a method: when to use it, what it assumes, how to read and report it, what goes wrong.

    Without TOPIC the pages are listed.
    """
    from drift.handbook_pages import find, nearest, pages

    words = " ".join(topic)
    if page is not None:
        _write(Path(page))
        if not words:
            return
    if not words:
        _list(pages(), as_json=as_json)
        return
    found = find(words)
    if found is None:
        near = nearest(words)
        hint = f"did you mean {near!r}? " if near else ""
        raise click.UsageError(f"there is no page on {words!r}; {hint}Pages: "
                               + ", ".join(p.spoken for p in pages()))
    if as_json:
        _print_json(found.spoken, found.summary, [found])
    elif quiet:
        click.echo(found.summary)
    else:
        _show(found.text)


def _show(text: str) -> None:
    """Print Markdown: set for reading on a terminal, as it stands into a pipe."""
    if not sys.stdout.isatty():
        click.echo(text.strip())
        return
    from rich.console import Console
    from rich.theme import Theme

    head, _, body = text.strip().partition("\n")
    console = Console(highlight=False, theme=Theme(LOOK))
    wide = min(console.width, WIDEST)
    console.print(head.lstrip("# "), "", sep="\n", style="bold", width=wide)
    console.print(_markdown(body), width=wide)


def _markdown(text: str) -> Any:
    """Return Markdown for a terminal of either background: no colours behind code."""
    from rich.console import Console, ConsoleOptions, RenderResult
    from rich.markdown import CodeBlock, Markdown
    from rich.padding import Padding
    from rich.text import Text

    class Plain(CodeBlock):
        def __rich_console__(self, console: Console, options: ConsoleOptions) -> RenderResult:
            yield Padding(Text(str(self.text).rstrip()), (0, 0, 0, 4))

    class Page(Markdown):
        elements = {**Markdown.elements, "fence": Plain, "code_block": Plain}  # noqa: RUF012

    return Page(text, hyperlinks=False)


def _list(found: tuple[HandbookPage, ...], *, as_json: bool) -> None:
    if as_json:
        _print_json("", "Pages: " + ", ".join(p.spoken for p in found) + ".", list(found))
        return
    wide = max(len(p.spoken) for p in found)
    click.echo("Pages of the handbook; \"drift explain TOPIC\" shows one.\n")
    for p in found:
        click.echo(f"  {p.spoken.ljust(wide)}  {p.title}")


def _print_json(question: str, answer: str, found: list[HandbookPage]) -> None:
    """Print the object that every command prints; a page is a table of its sections."""
    from drift.cli.deliver import print_json
    from drift.results import Provenance, Result, ResultTable, run_versions

    tables = []
    for p in found:
        parts = p.sections()
        tables.append(ResultTable.build(p.spoken, {"section": [h for h, _ in parts], "text": [b for _, b in parts]},
                                        caption=p.title))
    result = Result(question=question, answer=answer, tables=tuple(tables),
                    provenance=Provenance(versions=run_versions()))
    print_json({**result.to_dict(), "command": "explain"})


def _write(path: Path) -> None:
    from drift.report.handbook import whole_page

    try:
        path.write_text(whole_page(), encoding="utf-8")
    except OSError as error:
        raise click.UsageError(f"{path} cannot be written ({error.strerror})") from None
    click.echo(f"Written: {path}")
