"""``drift agree`` speaks of the options that were typed, not of keys of a study file."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import Result

Drift = Callable[..., Result]
KEYS = re.compile(r"(?<![-\w])(pair_by|rows_are_independent|shown_by|error_ratio)\b|truth = |[Ss]et (truth|target)|"
                  r"Check pair|\bin where\b|the study (says|declares)|an option names|excluded\.csv|"
                  r"^(a|b|by|compare|target|sensor) (is|names|of)\b|two different values of '")
LONG = "participant,walk,method,reading (kPa)\n" + "".join(
    f"p{i},{w},{m},{100 + 20 * i + 3 * w + (i * 7 + w * j) % 5}\n" for i in range(10) for w in (1, 2)
    for j, m in enumerate(("quick", "bench")))
ONE = ("--compare", "method", "--a", "quick", "--b", "bench")
BOTH = (*ONE, "--pair-by", "participant,walk")


def ask(drift: Drift, tmp_path: Path, *words: str, text: str = LONG) -> str:
    path = tmp_path / "t.csv"
    path.write_text(text, encoding="utf-8")
    found = drift("agree", path, *words, "--json")
    if not found.stdout.startswith("{"):
        return " ".join(found.output.split())
    said = [f"{f['message']} | {f['mend']} | {f['expected']}" for f in json.loads(found.stdout)["findings"]]
    assert [t for t in said if KEYS.search(t)] == []
    return " ".join(said)


@pytest.mark.parametrize(("words", "said"), [
    (BOTH, "Name it with --target if it is another"),
    ((*BOTH, "--rows-are-independent"), "because --rows-are-independent says so"),
    ((*ONE, "--pair-by", "participant"), "name it with --pair-by"),
    ((*ONE, "--pair-by", "participant", "--where", "walk=1", "--truth", "varying"), "--truth varying changes nothing"),
    ((*BOTH, "--truth", "constant"), "Say --truth varying with --pair-by participant,walk"),
    (("--compare", "method", "--a", "quik", "--b", "bench", "--pair-by", "participant"), "--a is a value of 'method'"),
    (("--compare", "method", "--a", "quick", "--b", "quick", "--pair-by", "participant"),
     "--a and --b are the same | Name two different values of method"),
    (("--compare", "methd", "--a", "quick", "--b", "bench", "--pair-by", "participant"), "--compare names a column"),
    ((*ONE, "--pair-by", "participant,wlk"), "--pair-by names a column"),
    ((*ONE, "--pair-by", "participant,method"), "--pair-by"),
    ((*BOTH, "--target", "who"), "--target names a column"),
    ((*BOTH, "--sensor", "who"), "--sensor names a column"),
    ((*BOTH, "--by", "who"), "--by names a column")], ids=str)
def test_options_are_named(drift: Drift, tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    assert said in ask(drift, tmp_path, *words)


def test_rows_that_miss_a_partner_are_listed_where_they_are(drift: Drift, tmp_path: Path) -> None:
    text = LONG.replace("p3,1,bench", "p3,1,other")
    assert "With --out FOLDER their rows are listed with the reason" in ask(drift, tmp_path, *BOTH, text=text)
    path = tmp_path / "t.csv"
    shown = drift("agree", path, *BOTH, "--out", tmp_path / "out").output
    assert "Their rows stand in excluded.csv" in " ".join(shown.split())


def test_the_unit_of_the_readings_can_be_said(drift: Drift, tmp_path: Path) -> None:
    text = LONG.replace(" (kPa)", "")
    assert "Say --unit kPa if they are in it" in ask(drift, tmp_path, *BOTH, "--harmless", "40 kPa", text=text)
    assert drift("agree", tmp_path / "t.csv", *BOTH, "--harmless", "40 kPa", "--unit", "kPa").exit_code == 0


@pytest.mark.parametrize(("words", "said", "not_said"), [
    (ONE, "--pair-by is missing", "--a-column"), (ONE[:2], "--a and --b and --pair-by are missing", "--calibrations"),
    (("--a", "quick"), "--compare and --b and --pair-by are missing", "--calibrations"),
    ((), "--a-column and --b-column (wide)", "missing")])
def test_what_is_missing_of_the_long_form_is_named(drift: Drift, tmp_path: Path, words: tuple[str, ...], said: str,
                                                   not_said: str) -> None:
    text = ask(drift, tmp_path, *words)
    assert said in text
    assert not_said not in text


def test_calibrations_of_a_table_without_sensors(drift: Drift, tmp_path: Path) -> None:
    (tmp_path / "cal.csv").write_text("sensor,calibration,slope (count/kPa),intercept (count)\ns,x,1,0\ns,y,1,1\n",
                                      encoding="utf-8")
    path = tmp_path / "t.csv"
    path.write_text("participant,reading\np,3\n", encoding="utf-8")
    text = " ".join(drift("agree", path, "--calibrations", tmp_path / "cal.csv", "--a", "x", "--b", "y").output.split())
    assert "the table has no column 'sensor'; say with --sensor which column it is" in text
    assert "an option" not in text


def test_trials_without_a_use_are_told_what_would_tell_the_calibration(drift: Drift, tmp_path: Path) -> None:
    (tmp_path / "chk.csv").write_text("sensor,use,cal_id,reading,reference\n" + "".join(
        f"s{s},{u},c{u},{p * (1 + 0.01 * s + 0.001 * u):.3f},{p}\n" for s in range(4) for u in (0, 30)
        for p in (50, 150, 300)), encoding="utf-8")
    path = tmp_path / "t.csv"
    rows = "".join(f"s{s},{k},{r}\n" for s in range(4) for k, r in enumerate((90, 200)))
    path.write_text("sensor,walk,reading (count)\n" + rows, encoding="utf-8")
    words = ("agree", path, "--checks", tmp_path / "chk.csv")
    text = " ".join(drift(*words, "--a", "first", "--b", "latest").output.split())
    assert "call it replicate if it numbers repeated readings" in text
    path.write_text("sensor,replicate,reading (count)\n" + rows, encoding="utf-8")
    text = " ".join(drift(*words, "--a", "first", "--b", "latest").output.split())
    assert "Add the column use or time to the trials, or name calibrations that were made once, such as one" in text
    assert drift(*words, "--a", "c0", "--b", "c30").exit_code == 0
