"""The words of an agreement question as options: pairing, truth, a and b, harmless difference."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from typing import Any

Change = str | Callable[[re.Match[str]], str]
_ROLES = "pair_by|by|compare|target|sensor|shown_by"


def agreement_changes(options: Mapping[str, Any]) -> list[tuple[str, Change]]:
    """Return the patterns and what they become, the longer ones first.

    Parameters
    ----------
    options : mapping
        What ``drift agree`` was called with.
    """
    return [
        (rf"^({_ROLES}) names the column", lambda m: f"{_option(m[1])} names the column"),
        (r"^(a|b) is '", r"--\1 is '"), (r"^a and b are (the same|both|not named)", r"--a and --b are \1"),
        (r"Name two different values of '(.+)'", r"Name two different values of \1"),
        (r"Set target to say otherwise", "Name it with --target if it is another"),
        (r"Set truth = \"(\w+)\" with pair_by = \[(.+)\]",
         lambda m: f"Say --truth {m[1]} --pair-by " + ",".join(re.findall(r'"([^"]+)"', m[2]))),
        (r"([Ss])et truth = \"(\w+)\"", r"\1ay --truth \2"), (r"\btruth = \"(\w+)\"", r"--truth \1"),
        (r"because the study says rows_are_independent", "because --rows-are-independent says so"),
        (r"Take rows_are_independent out", "Leave --rows-are-independent out"),
        (r"treated as independent as the study says", "treated as independent as --rows-are-independent says"),
        (r"\bas the study declares\b", "as --truth constant says"),
        (r"\bin pair_by\b", "with --pair-by"), (r"(?<![-\w])pair_by\b", "--pair-by"),
        (r"Name it in the header, as \"reading \((.+?)\)\", or write the number alone",
         r"Say --unit \1 if they are in it, or write the number alone"),
        *([] if options.get("out") else [(r"Their rows stand in excluded\.csv with the reason",
                                          "With --out FOLDER their rows are listed with the reason")]),
    ]


def _option(word: str) -> str:
    return f"--{word.replace('_', '-')}"
