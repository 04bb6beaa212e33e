"""Results quote the row of the simulation that is nearest to their own design, quietly, and warn where it is short."""

from __future__ import annotations

import importlib
import pkgutil
import re
from dataclasses import replace

import pytest

import drift.agreement
from drift.simulated import Design, nearest, rows_of
from drift.simulated.quoting import Asked, cautions, coverage_table, note, quote, sentence

KR = Asked(quantity="drift per use", named="drift per use", method="REML, Kenward-Roger t interval",
           design=Design(n=12, kinds=frozenset({"worn ones removed"})))


def test_the_sentence_quotes_the_table_to_the_digit() -> None:
    found = nearest("drift", "drift per use", "REML, Kenward-Roger t", KR.design)
    assert found is not None
    said = sentence(quote("drift", [KR], level=0.95))
    assert said == (f"In simulated studies like this one (12 sensors, worn ones removed) the 95 % interval of the "
                    f"drift per use held the truth in {100 * found.coverage:.1f} % of 2,000.")


def test_a_design_unlike_any_simulated_one_is_said_to_be_so() -> None:
    said = sentence(quote("drift", [replace(KR, design=Design(n=3))], level=0.95))
    assert said.startswith("No simulated study is like this one (3 sensors). In the nearest (6 sensors) the 95 % ")


def test_estimates_unlike_any_simulated_truth_are_named() -> None:
    asked = Asked(quantity="ICC(C,1)", named="ICC(C,1)", method="ANOVA, exact F interval",
                  design=Design(n=20, k=3, share=0.02, icc=0.1))
    assert sentence(quote("reliability", [asked], level=0.95)).startswith(
        "No simulated study is like this one (20 x 3, facet share 0.02, ICC 0.10). In the nearest (20 x 3, facet share")


def test_levels_that_were_not_simulated_are_not_quoted() -> None:
    assert quote("drift", [KR], level=0.9) == []
    assert sentence([]) == ""
    assert note([], question="q") == []


def test_an_interval_that_falls_short_gives_one_caution_with_figures() -> None:
    short = replace(KR, method="REML, normal quantile (shortcut)", design=Design(n=6))
    found = cautions(quote("drift", [KR, short], level=0.95), question="wear", mend="Check more sensors.")
    assert [f.severity for f in found] == ["warning"]
    assert re.search(r"interval of the drift per use can be too short: in studies like this one \(6 sensors\) the "
                     r"truth was held in 88\.\d % of 2,000$", found[0].message)
    assert cautions(quote("drift", [KR], level=0.95), question="wear", mend="") == []


def test_groups_with_the_same_nearest_row_are_one_row() -> None:
    asked = [replace(KR, of="plain"), replace(KR, of="laminated"), replace(KR, of="foam", design=Design(n=24))]
    table = coverage_table(quote("drift", asked, level=0.95))
    assert list(table["of"]) == ["plain and laminated", "foam"]
    same = coverage_table(quote("drift", asked[:2], level=0.95))
    assert list(same["of"]) == [""]


@pytest.mark.parametrize("removed", [True, False])
def test_a_count_is_safe_rather_than_holding_a_truth(removed: bool) -> None:
    kinds = frozenset({"worn ones removed"} if removed else ())
    count = Asked(quantity="retire after count", named="retire after", method="smaller of line bound and companion",
                  design=Design(n=12, kinds=kinds), interval=False)
    said = sentence(quote("retirement", [count], level=0.95))
    assert "the retire after count was safe in" in said
    assert ("worn ones removed" in said) == removed


def test_every_family_that_agreement_quotes_has_a_committed_table() -> None:
    """Without its table a family is quoted in silence: no row, no note and no error."""
    named = {"agreement_survival"}  # named where it is quoted
    for found in pkgutil.iter_modules(drift.agreement.__path__):
        module = importlib.import_module(f"drift.agreement.{found.name}")
        named |= {module.FAMILY} if hasattr(module, "FAMILY") else set()
    assert {"agreement", "several_methods", "agreement_variants", "concordance"} <= named
    assert [f for f in sorted(named) if not rows_of(f)] == []
