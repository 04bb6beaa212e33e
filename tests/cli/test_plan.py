"""``drift plan`` as its user runs it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from drift.cli import cli

LIMITS = ("plan", "limits", "--sd", "2.5", "--bias", "0.5", "--harmless", "7", "--studies", "300")


def run(*words: str) -> tuple[int, str]:
    """Return exit code and everything printed."""
    result = CliRunner().invoke(cli, list(words))
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.output


def test_a_plan_says_size_check_and_what_one_more_buys() -> None:
    code, text = run(*LIMITS)
    assert code == 0
    for words in ("Plan ", "simulated studies", "What one more buys", "other than planned", "What the plan rests on",
                  "Lu et al. (2016)"):
        assert words in text


def test_the_same_seed_gives_the_same_plan() -> None:
    first, again = (json.loads(run(*LIMITS, "--json")[1]) for _ in range(2))
    assert first == again
    other = json.loads(run(*LIMITS, "--seed", "5", "--json")[1])
    value = {d["name"]: d["value"] for d in other["estimates"]}
    assert value["planned participants"] == {d["name"]: d["value"] for d in first["estimates"]}["planned participants"]


def test_out_and_schedule_are_written(tmp_path: Path) -> None:
    code, text = run(*LIMITS, "--targets", "20", "--people", "2", "--out", str(tmp_path / "plan"), "--schedule",
                     str(tmp_path / "study"))
    assert code == 0, text
    # Twenty participants are too few for the goal, so there is nothing to schedule.
    assert not (tmp_path / "study").exists()
    assert "no schedule was written" in text
    code, text = run("plan", "limits", "--sd", "2.5", "--targets", "20", "--people", "2", "--studies", "100",
                     "--schedule", str(tmp_path / "study"))
    assert code == 0, text
    assert len((tmp_path / "study" / "trials.csv").read_text().splitlines()) == 41
    assert (tmp_path / "plan" / "report.html").is_file()
    code, text = run(*LIMITS, "--schedule", str(tmp_path / "study"))
    assert code == 1
    assert "folder-not-empty" in text or "holds" in text


@pytest.mark.parametrize(("words", "said"), [
    (("plan", "limits", "--harmless", "7"), "--sd"),
    (("plan", "icc", "--icc", "0.8", "--facet-share", "0.3", "--width", "0.2"), "nothing for error"),
    (("plan", "icc", "--icc", "0.6", "--least", "0.7"), "no study can show it"),
    (("plan", "retire", "--lose", "3"), "--limit"),
    (("plan", "slope", "--wear-sd", "0.1", "--occasion-sd", "1", "--mounting-sd", "1", "--at", "0,5", "--detect", "1"),
     "too few"),
    (("plan", "limits", "--sd", "2", "--width", "1", "--harmless", "7"), "several goals"),
    (("plan", "limits", "--sd", "2", "--width", "1", "--cost", "sensor=3"), "does not use up"),
    (("plan", "sem", "--levels", "3"), "neither a goal"),
    (("plan", "limits", "--sd", "2", "--width", "1", "--repeats", "3"), "--within-sd"),
])
def test_what_is_missing_or_impossible_is_one_clear_error(words: tuple[str, ...], said: str) -> None:
    code, text = run(*words)
    assert code == 1
    assert said in text.replace("\n", " ")


ICC = ("plan", "icc", "--icc", "0.85", "--form", "ICC(C,1)", "--targets", "10", "--levels", "3", "--studies", "100")


@pytest.mark.parametrize(("words", "said"), [
    ((*ICC, "--facet", "participant"), "--target and --facet are both 'participant'"),
    ((*ICC, "--target", "Sensors"), "--target and --facet are both 'Sensors'"),
    ((*ICC, "--target", "reading"), "--target 'reading' is the name of another column"),
    ((*ICC, "--facet", "order"), "--facet 'order' is the name of another column"),
    ((*ICC, "--facet", "day"), "another word: session"),
    ((*ICC, "--facet", "a,b"), "--facet 'a,b' is not one word"),
    ((*ICC, "--target", "operator", "--people", "2"), "--target is 'operator'"),
    ((*ICC, "--facet", "operator", "--people", "2"), "--facet is 'operator'"),
    (("plan", "sem", "--targets", "10", "--levels", "3", "--facet", "replicate"), "--facet 'replicate'"),
    (("plan", "limits", "--sd", "4", "--targets", "12", "--target", "method"), "--target 'method'"),
    (("plan", "limits", "--sd", "4", "--targets", "12", "--target", "operator", "--people", "2"), "'operator'"),
    (("plan", "gauge", "--grr", "30", "--parts", "10", "--operators", "3", "--people", "2"), "--people does not"),
])
def test_names_that_are_other_columns_are_one_clear_error(words: tuple[str, ...], said: str, tmp_path: Path) -> None:
    code, text = run(*words, "--schedule", str(tmp_path / "study"))
    assert code == 1
    assert "1 error" in text
    assert said in " ".join(text.split())
    assert not (tmp_path / "study").exists()


@pytest.mark.parametrize("name", ["participant", "participants", "Participant", "target", "targets"])
def test_a_price_is_given_under_the_word_that_is_printed(name: str) -> None:
    code, text = run(*ICC, "--cost", f"{name}=100", "--cost", "sensor=7", "--cost", "reading=0.5", "--json")
    assert code == 0, text
    cost = {d["name"]: d["value"] for d in json.loads(text)["estimates"]}["cost"]
    assert cost == 10 * 100 + 3 * 7 + 30 * 0.5


def test_words_of_ones_own_are_prices_too() -> None:
    code, text = run(*ICC, "--target", "Load", "--facet", "target", "--cost", "load=5", "--cost", "target=100",
                     "--json")
    assert code == 0, text
    assert {d["name"]: d["value"] for d in json.loads(text)["estimates"]}["cost"] == 10 * 5 + 3 * 100


@pytest.mark.parametrize(("words", "said", "exit_code"), [
    ((*ICC, "--cost", "visit=3"), "Use one of participant, sensor, reading", 1),
    ((*ICC, "--cost", "participant=3", "--cost", "target=4"), "a second price", 1),
    ((*ICC, "--cost", "target=3", "--cost", "target=4"), "has two prices", 2),
])
def test_prices_of_nothing_and_two_prices_are_refused(words: tuple[str, ...], said: str, exit_code: int) -> None:
    code, text = run(*words)
    assert code == exit_code
    assert said in " ".join(text.split())


@pytest.mark.parametrize(("kind", "items"), [("icc", ("target", "level", "reading", "participant=100")),
                                             ("limits", ("target", "pair", "reading")), ("gauge", ("part", "operator")),
                                             ("retire", ("sensor", "check", "reading"))])
def test_help_names_what_has_a_price(kind: str, items: tuple[str, ...]) -> None:
    text = run("plan", kind, "--help")[1]
    told = text[text.index("--cost"):][:700]
    assert all(item in told for item in items)


def test_operators_are_levels_where_nobody_takes_turns(tmp_path: Path) -> None:
    code, text = run(*ICC, "--facet", "operator", "--schedule", str(tmp_path / "study"))
    assert code == 0, text
    header = (tmp_path / "study" / "trials.csv").read_text(encoding="utf-8").splitlines()[0]
    assert header.count("operator") == 1


@pytest.mark.parametrize("words", [("--targets", "x"), ("--targets", "9-3"), ("--cost", "sensor"), ("--power", "1.2"),
                                   ("--sd", "-1"), ("--targets", "0")])
def test_values_that_are_no_numbers_are_wrong_usage(words: tuple[str, ...]) -> None:
    assert run("plan", "limits", "--sd", "2", "--width", "1", *words)[0] == 2


def test_a_pilot_gives_values_and_their_unfavourable_ends() -> None:
    pilot = Path(__file__).parents[2] / "demo_trials"
    code, text = run("plan", "icc", "--pilot", str(pilot), "--question", "same person, another day", "--form",
                     "ICC(C,1)", "--levels", "3", "--width", "0.2", "--studies", "100", "--json")
    assert code == 0
    data = json.loads(text)
    values = {d["name"]: d["value"] for d in data["estimates"]}
    assert values["planned participants, unfavourable"] > values["planned participants"]
    code, text = run("plan", "icc", "--pilot", str(pilot), "--width", "0.2")
    assert code == 1
    assert "same person, another day" in text


def test_a_plan_calls_things_as_its_pilot_does(tmp_path: Path) -> None:
    pilot = Path(__file__).parents[2] / "demo_trials"
    code, text = run("plan", "icc", "--pilot", str(pilot), "--question", "same person, another day", "--targets", "10",
                     "--levels", "3", "--studies", "100", "--schedule", str(tmp_path / "next"))
    assert code == 0
    assert "10 participants x 3 sessions x 1 reading" in text.replace("\n", " ")
    assert (tmp_path / "next" / "trials.csv").read_text(encoding="utf-8").startswith(
        "order,time,participant,session,")
    assert 'facet = "session"' in (tmp_path / "next" / "study.toml").read_text(encoding="utf-8")


def test_what_no_pilot_tells_is_asked_for_before_the_pilot_is_analysed(monkeypatch: pytest.MonkeyPatch) -> None:
    import drift.workflow

    def analysed(*_: object) -> None:
        raise AssertionError("the pilot was analysed")

    monkeypatch.setattr(drift.workflow, "_pilot_parts", analysed)
    pilot = str(Path(__file__).parents[2] / "demo_trials")
    code, text = run("plan", "retire", "--pilot", pilot, "--question", "plain", "--lose", "6")
    assert code == 1
    assert "--limit" in text
    assert "--until" in text
    assert "(found '')" not in text
    code, text = run("plan", "icc", "--pilot", pilot, "--question", "same person, another day", "--least", "0.9",
                     "--width", "0.2")
    assert code == 1
    assert "several goals" in text
