"""``drift review``: whether the numbers that a paper prints can be true together."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import rich_click as click

from drift.cli.deliver import Tell, deliver, fail

if TYPE_CHECKING:
    from drift.results import Result


@click.command()
@click.argument("file", type=click.Path(dir_okay=False), required=False)
@click.option("--new", is_flag=True, help="Write a commented template to FILE, or print it.")
@click.option("--ask", is_flag=True, help="Ask for the numbers one by one, write FILE, and review it.")
@click.option("--page", metavar="OUT.html", type=click.Path(dir_okay=False), default=None,
              help="Write the verdict as one self-contained page.")
@click.option("--quiet", is_flag=True, help="Print the answer only.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of text.")
def review(file: str | None, new: bool, ask: bool, page: str | None, as_json: bool, quiet: bool) -> None:
    """Hold the printed numbers of a paper against each other: ICC, SEM, MDC, limits of agreement and more.

    FILE lists them (TOML or CSV). Says which cannot all be true, which fit under one convention only, what to ask the
    authors, and what the numbers imply that the paper leaves out.
    """
    if new:
        _write_template(file)
        return
    if file is None:
        raise click.UsageError("name the claim file to write, such as claims.toml" if ask else
                               "name the claim file, or write one to fill in with --new FILE")
    if ask:
        _write_asked(file)

    def work(tell: Tell) -> Result:
        from drift.workflow_review import review_file

        return review_file(file)

    deliver("review", work, as_json=as_json, quiet=quiet, write=_page_writer(page))


def _page_writer(page: str | None) -> Any:
    if page is None:
        return None

    def write(result: Any) -> str:
        from drift.report.review_page import write_page

        return f"Written: {write_page(result, Path(page))}"

    return write


def _write_asked(file: str) -> None:
    from drift.cli.review_ask import ask

    if Path(file).exists():
        _there_already(file)
    text = ask()
    if not text:
        click.echo("No number was typed; nothing was written.", err=True)
        raise SystemExit(0)
    _write(file, text)
    click.echo(f"Written: {file}. To change it, open it; to see this again: drift review {file}\n", err=True)


def _write_template(file: str | None) -> None:
    from drift.reported.template import template

    if file is None:
        click.echo(template(), nl=False)
        return
    _write(file, template())
    click.echo(f"Written: {file}. Fill it in, then: drift review {file}")


def _write(file: str, text: str) -> None:
    from drift.errors import Finding

    try:
        with Path(file).open("x", encoding="utf-8", newline="\n") as out:
            out.write(text)
    except FileExistsError:
        _there_already(file)
    except OSError as error:
        fail("new", (Finding(severity="error", code="cannot-write", file=file, message="the file cannot be written "
                             f"({error.strerror})", mend="Give another name."),), as_json=False)


def _there_already(file: str) -> None:
    from drift.errors import Finding

    fail("new", (Finding(severity="error", code="file-exists", file=file, message="the file is there already; "
                         "nothing was written", mend="Give another name."),), as_json=False)
