"""A command on one table tells how to mend it with options, never with keys of a file that is not there."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from click.testing import Result

Drift = Callable[..., Result]
# What only a study file has. "of a study file" is how a thing without an option is told.
KEYS = re.compile(r"\[(columns|units|study|files|sensitivity|screening|limits|\[\w+\])|study\.toml|where = |"
                  r"under \[|covariates under|\bby = \[|\bin by\b|average_replicates = |duplicates = |full_scale in|"
                  r"facets_are|ordered = |window = |\b(agree|use) = \"")
CHECKS = "sensor,use,replicate,reading,reference\n" + "".join(
    f"{s},{u},1,{1000 - 3 * u - 7 * i},{200 + u % 2}\n" for i, s in enumerate("abcdef") for u in (0, 10, 20, 30))
TRIALS = "participant,session,reading\n" + "".join(f"p{i},{s},{10 * i + j * 2 + (i * j) % 3 + 1}\n" for i in range(9)
                                                   for j, s in enumerate("xyz"))


def file(tmp_path: Path, text: str, name: str = "t.csv") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def said(result: Result) -> list[dict[str, Any]]:
    assert result.exception is None or isinstance(result.exception, SystemExit)
    found: list[dict[str, Any]] = json.loads(result.stdout)["findings"]
    return found


BAD_TRIALS = {
    "no value": TRIALS.replace("reading", "score"),
    "no target": TRIALS.replace("participant", "who"),
    "no facet": TRIALS.replace("session", "day"),
    "repeated row": TRIALS + "p1,x,11\n",
    "another reading": TRIALS + "p1,x,99\n",
    "another reading, told apart": TRIALS.replace("\n", ",1\n").replace("reading,1", "reading,try") + "p1,x,99,2\n",
    "two methods": TRIALS.replace("\n", ",m\n").replace("reading,m", "reading,method") + "p1,x,99,n\n",
    "two measures": TRIALS.replace("\n", ",force\n").replace("reading,force", "reading,measure") + "p1,x,99,peak\n",
    "a word": TRIALS.replace("p1,x,11", "p1,x,much"),
    "an empty cell": TRIALS.replace("p1,x,11", "p1,x,"),
    "a unit in a cell": TRIALS.replace("p1,x,11", "p1,x,11 kPa"),
    "an odd unit in the header": TRIALS.replace("reading", "reading (kPaa)"),
    "a percent sign": TRIALS.replace("p1,x,11", "p1,x,11 %"),
    "unclear decimals": TRIALS.replace(",", ";").replace(";11", ";1,100"),
    "mixed decimals": TRIALS.replace(",", ";").replace(";11", ";1,5").replace(";20", ";2.5"),
    "saturated": TRIALS.replace("\n", ",0\n").replace("reading,0", "reading,saturated").replace("x,11,0", "x,11,0.2"),
    "one facet level": "participant,session,reading\na,x,1\nb,x,2\nc,x,4\n",
    "replicates twice": "participant,session,replicate,reading\na,x,1,1\na,x,1,3\nb,x,1,3\nb,y,1,3\na,y,1,2\n",
    "identical replicates": "participant,session,replicate,reading\n" + "".join(
        f"p{i},{s},{r},{i + j + i * j % 3}\n" for i in range(5) for j, s in enumerate("xyz") for r in (1, 2)
        if (i, j) != (0, 0)),
    "no row": "participant,session,reading\n",
    "nothing": "",
}


@pytest.mark.parametrize("name", sorted(BAD_TRIALS))
@pytest.mark.parametrize("more", [(), ("--wide",), ("--where", "session=q"), ("--unit", "kPaa"), ("--by", "session"),
                                  ("--by", "nobody")], ids=" ".join)
def test_icc_says_options(drift: Drift, tmp_path: Path, name: str, more: tuple[str, ...]) -> None:
    found = said(drift("icc", file(tmp_path, BAD_TRIALS[name]), *more, "--json"))
    text = [f"{f['message']} | {f['mend']} | {f['expected']} | {f['column']}" for f in found]
    assert [t for t in text if KEYS.search(t)] == []
    assert all(f["file"] != "study.toml" for f in found)


@pytest.mark.parametrize("name", sorted(BAD_TRIALS))
def test_agree_says_options(drift: Drift, tmp_path: Path, name: str) -> None:
    found = said(drift("agree", file(tmp_path, BAD_TRIALS[name]), "--compare", "session", "--a", "x", "--b", "y",
                       "--pair-by", "participant", "--json"))
    assert [f for f in found if KEYS.search(f"{f['message']} | {f['mend']} | {f['expected']} | {f['column']}")] == []


BAD_CHECKS = {
    "fine": CHECKS,
    "no reading": CHECKS.replace("reading", "output"),
    "no sensor": CHECKS.replace("sensor", "unit"),
    "no use": CHECKS.replace("use", "n"),
    "repeated row": CHECKS + "a,0,1,1000,200\n",
    "another reading": CHECKS + "a,0,1,900,200\n",
    "no replicate column": re.sub(r",(1|replicate),", ",", CHECKS) + "a,0,900,200\n",
    "a unit in a cell": CHECKS.replace("1000,200", "1000,200 kPa"),
    "above full scale": CHECKS.replace("1000,200", "5000,200"),
    "uses run backwards": CHECKS.replace("a,30", "a,-3"),
    "a word": CHECKS.replace("1000,200", "high,200"),
}


@pytest.mark.parametrize("name", sorted(BAD_CHECKS))
@pytest.mark.parametrize("command", ["wear", "retire"])
@pytest.mark.parametrize("more", [(), ("--full-scale", "1023"), ("--batch", "lot"), ("--construction", "kind"),
                                  ("--unit", "coutn"), ("--duplicates", "drop")], ids=" ".join)
def test_wear_and_retire_say_options(drift: Drift, tmp_path: Path, name: str, command: str,
                                     more: tuple[str, ...]) -> None:
    limit = ("--limit", "10 %", "--reference", "reference") if command == "retire" else ()
    found = said(drift(command, file(tmp_path, BAD_CHECKS[name]), *limit, *more, "--json"))
    assert [f for f in found if KEYS.search(f"{f['message']} | {f['mend']} | {f['expected']} | {f['column']}")] == []


@pytest.mark.parametrize(("name", "option"), [
    ("no value", "--value"), ("no target", "--target"), ("no facet", "--facet"), ("repeated row", "--duplicates"),
    ("another reading", "--replicate"), ("two methods", "--where \"method=m\""), ("two measures", "--by measure"),
    ("a unit in a cell", "--unit"), ("saturated", "--where \"saturated=0\"")])
def test_the_option_that_mends_it_is_named(drift: Drift, tmp_path: Path, name: str, option: str) -> None:
    result = drift("icc", file(tmp_path, BAD_TRIALS[name]))
    assert option in " ".join((result.stdout + result.stderr).split())


@pytest.mark.parametrize(("name", "words"), [
    ("no value", ("--value", "score")), ("no target", ("--target", "who")), ("no facet", ("--facet", "day")),
    ("repeated row", ("--duplicates", "drop")), ("another reading, told apart", ("--replicate", "try")),
    ("two methods", ("--where", "method=m")), ("saturated", ("--where", "saturated=0"))])
def test_doing_what_the_mend_says_mends_it(drift: Drift, tmp_path: Path, name: str, words: tuple[str, ...]) -> None:
    result = drift("icc", file(tmp_path, BAD_TRIALS[name]), *words)
    assert result.exit_code == 0, result.stderr
    assert "ICC(A,1)" in result.stdout


def test_dropped_duplicates_are_counted(drift: Drift, tmp_path: Path) -> None:
    data = json.loads(drift("icc", file(tmp_path, BAD_TRIALS["repeated row"]), "--duplicates", "drop", "--json").stdout)
    assert data["provenance"]["rows"]["excluded"] == 1


def test_a_study_still_says_keys(drift: Drift, tmp_path: Path) -> None:
    file(tmp_path, BAD_TRIALS["repeated row"])
    (tmp_path / "study.toml").write_text('[study]\ntitle = "t"\n[files]\ntrials = "t.csv"\n[[reliability]]\n'
                                         'name = "q"\ntarget = "participant"\nfacet = "session"\n', encoding="utf-8")
    mends = " ".join(f["mend"] for f in said(drift("check", tmp_path, "--json")))
    assert 'duplicates = "drop"' in mends
    assert "--duplicates" not in mends
