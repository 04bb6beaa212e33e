"""``drift review --ask``: the numbers of a paper, asked for one line at a time, each read at once."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

import rich_click as click

HOW = """Type one printed number a line, its name, an equals sign, and the digits as printed:
  ICC(2,1) = 0.81 (0.52 to 0.93)
  mean 1 (SD) = 213.0 (21.8)
  limits of agreement = -29.9 to 30.7
A ? lists the names, "back" takes the last line away, an empty line ends the table."""
PAPER = (("title", "Title", "A paper"), ("n", "Units measured, n (empty: not said)", ""),
         ("k", "Measurements of each unit, k (empty: not said)", ""),
         ("level", "Level of its intervals, such as 95 % (empty: not said)", ""))


class EndedError(Exception):
    """Raised where the typing ends."""


def ask() -> str:
    """Ask for a paper's numbers on the terminal; return the text of a claim file, empty where none was typed."""
    paper: dict[str, Any] = {}
    claims: list[dict[str, str]] = []
    try:
        for key, question, default in PAPER:
            _setting(paper, key, question, default)
        click.echo(HOW, err=True)
        while True:
            table = _label("Table (empty: only one)")
            group = _label("Group in it, such as left foot (empty: none)") if table else ""
            _numbers(paper, claims, {k: v for k, v in (("table", table), ("group", group)) if v})
            if _line("Another table or group? [y/N]").casefold() not in ("y", "yes"):
                break
    except EndedError:
        click.echo("", err=True)
    return as_toml(paper, claims) if claims else ""


def _line(question: str) -> str:
    try:
        return str(click.prompt(question, default="", show_default=False, err=True)).strip()
    except click.Abort:
        raise EndedError from None


def _label(question: str) -> str:
    """Ask for a name; a number of the paper typed here would be lost in it."""
    while re.search(r"[=:]\s*[-+\N{MINUS SIGN}<>.]?\s*\d", typed := _line(question)):
        click.echo("   That is a printed number, and a name is asked for: type the number at the prompt 1.", err=True)
    return typed


def _setting(paper: dict[str, Any], key: str, question: str, default: str) -> None:
    while True:
        typed = _line(question) or default
        if not typed:
            return
        fault = _fault({**paper, key: typed}, [{"what": "SD", "printed": "1"}])
        if not fault:
            paper[key] = int(typed) if key in ("n", "k") else typed
            return
        click.echo(fault, err=True)


def _numbers(paper: dict[str, Any], claims: list[dict[str, str]], place: dict[str, str]) -> None:
    here = len(claims)
    while typed := _line(f"{len(claims) + 1}"):
        if typed == "?":
            click.echo(_names(), err=True)
        elif typed.casefold() == "back":
            gone = f"Taken away: {claims.pop()['what']}." if len(claims) > here else "There is no line to take away."
            click.echo(gone, err=True)
        else:
            what, printed = _parted(typed)
            missing = "" if printed else _no_sign(what)
            if missing:
                click.echo(missing, err=True)
                continue
            claim = {"what": what, "printed": printed or _line(f"   {what}, as printed"), **place}
            fault = _fault(paper, [*claims, claim])
            if fault:
                click.echo(fault, err=True)
            else:
                claims.append(claim)


def _parted(typed: str) -> tuple[str, str]:
    """Return name and number of a line, parted at its first equals sign or colon that stands in no bracket."""
    depth = 0
    for i, sign in enumerate(typed):
        depth += (sign in "([") - (sign in ")]")
        if sign in "=:" and depth <= 0:
            return typed[:i].strip(), typed[i + 1:].strip()
    return typed.strip(), ""


def _no_sign(line: str) -> str:
    """Return what to say of a line without an equals sign: nothing where it is a name alone, whose number comes."""
    from drift.reported.pairs import is_name, name_and_number

    if is_name(line):
        return ""
    parted = name_and_number(line)
    if parted:
        return f"   The equals sign is missing. Type: {parted[0]} = {parted[1]}"
    if re.search(r"[\d)\]%]$", line) and re.search(r"\s", line):
        return "   The equals sign is missing. Type the name, an equals sign, and the number: ICC(2,1) = 0.81"
    return _fault({}, [{"what": line, "printed": "1"}])


def _fault(paper: Mapping[str, Any], claims: list[dict[str, str]]) -> str:
    """Return what is wrong with the last thing typed, and how to write it; nothing where it is well."""
    from drift.errors import DriftError
    from drift.reported.reading import paper_from_dict

    try:
        _, notes = paper_from_dict({"paper": paper, "claims": claims})
    except DriftError as error:
        notes = error.findings
    told = [f"{f.message}. {f.mend or ''}".strip() for f in notes if f.severity == "error"]
    return "   " + " ".join(told).replace("drift review --new lists every name", "A ? lists every name") if told else ""


def _names() -> str:
    from drift.reported.vocabulary import listed

    return "\n".join(f"  {family}: {'; '.join(names)}" for family, names in listed().items())


def as_toml(paper: Mapping[str, Any], claims: list[dict[str, str]]) -> str:
    """Return the text of a claim file."""
    lines = ["# Printed numbers of one paper, to be held against each other: drift review THIS_FILE", "[paper]"]
    lines += [f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in paper.items()]
    for claim in claims:
        lines += ["", "[[claims]]", *(f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in claim.items())]
    return "\n".join(lines) + "\n"
