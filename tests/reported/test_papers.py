"""Published examples as papers: their printed results pass, their known misprints are found."""

from __future__ import annotations

from pathlib import Path

import pytest

from drift.reported.reading import read_claims
from drift.reported.review import look
from tests.published_examples import load

FOLDER = Path(__file__).parent / "papers"
FILES = sorted(p.stem for p in FOLDER.glob("*.toml"))
# Relations that fail, with their standing; all others of all papers agree.
KNOWN = {
    # One handbook table prints 0.0197; sum of squares and 5 degrees of freedom give 0.019645, which rounds to 0.0196.
    "nist-gauge-study-resistivity": {"s3 from its sum of squares and degrees of freedom": "last digit"},
    # Two copies of a page quote 0.09238; the page's own formula gives 0.09283: transposed digits.
    "nist-check-standard-137-as-quoted": {"control limit of an SD": "conflicts"},
    # Printed 0.52 lb (read off a plot); readings at 1.0 lb differ by 0.55.
    "wheeler-ganji-scale": {"hysteresis is at least the difference at 1.0 lb": "conflicts"},
}
# How many relations must have been checked, lest nothing at all be held against anything.
LEAST = {"shrout-fleiss-1979-icc": 20, "bland-altman-1986-pefr": 7, "bland-altman-1986-pefr-limits": 8,
         "bland-altman-1999-sbp": 15, "aiag-msa-grr-anova": 12, "astm-e691-glucose": 15, "wine-judges-icc": 15,
         "weir-2005-icc-sem-a": 5, "weir-2005-icc-sem-b": 5, "lin-ccc-tdi-pefr": 4,
         "bland-altman-1996-within-subject-sd": 4, "nist-strd-sirstv": 4}


def test_there_are_two_dozen_papers() -> None:
    assert len(FILES) >= 24
    assert set(KNOWN) | set(LEAST) <= set(FILES)


@pytest.mark.parametrize("name", FILES)
def test_printed_results_pass_and_misprints_are_found(name: str) -> None:
    paper, findings = read_claims(FOLDER / f"{name}.toml")
    assert not findings
    found = look(paper, with_implied=False)
    wrong = {v.relation.name: v.status for v in found.verdicts if v.status not in ("agrees", "uninformative")}
    assert wrong == KNOWN.get(name, {})
    accused = [c for c in found.conflicts if not c.remark]
    assert bool(accused) == ("conflicts" in wrong.values())
    assert sum(v.status == "agrees" for v in found.verdicts) >= LEAST.get(name, 0)


@pytest.mark.parametrize(("name", "path", "symbol"), [
    ("shrout-fleiss-1979-icc", ("anova", "ms_between_targets"), "ms_units"),
    ("bland-altman-1986-pefr", ("sd_diff",), "sd_diff"), ("aiag-msa-grr-anova", ("anova", "GRR"), "grr"),
    ("wine-judges-icc", ("F_ICC3",), "f_two"), ("bland-altman-1999-sbp", ("single_J_minus_S", "sd"), "sd_diff"),
    ("astm-e691-glucose", ("A", "s_r"), "s_r"), ("bland-altman-1996-within-subject-sd", ("ss_total",), "ss_total")])
def test_claim_files_hold_what_the_examples_print(name: str, path: tuple[str, ...], symbol: str) -> None:
    at = load("aiag-msa-grr-10x3x3" if name.startswith("aiag") else name).expected
    for step in path:
        at = at[step]
    paper, _ = read_claims(FOLDER / f"{name}.toml")
    assert at in {c.printed.text for c in paper.claims if c.symbol == symbol}


def test_the_misprinted_limit_would_fit_with_its_digits_put_back() -> None:
    paper, _ = read_claims(FOLDER / "nist-check-standard-137-as-quoted.toml")
    v = next(v for v in look(paper).verdicts if v.status == "conflicts")
    assert v.needed[0] < 0.09283 < v.needed[1]
    assert v.gap > 40


def test_limits_made_of_two_rounded_parts_are_no_accusation() -> None:
    # Bland and Altman (1986) print limits from rounded SD and standard errors: unrounded -79.65 and 75.41.
    paper, _ = read_claims(FOLDER / "bland-altman-1986-pefr-limits.toml")
    assert not look(paper).conflicts


def test_an_anova_grr_one_unit_off_is_at_most_a_remark() -> None:
    paper, _ = read_claims(FOLDER / "aiag-msa-grr-anova.toml")
    found = look(paper)
    assert {v.status for v in found.verdicts if v.relation.label in ("37b", "37c")} <= {"agrees", "last digit"}
