"""The smallest sets that cannot all be true, and what would reconcile them."""

from __future__ import annotations

from decimal import Decimal
from itertools import combinations

import pytest

from drift.reported.conflicts import conflicts
from drift.reported.judging import verdicts
from drift.reported.places import Place
from drift.reported.propagation import consistent, net_of
from drift.reported.relations import all_relations
from tests.reported.helpers import place, review_of

ANOVA = {"ss_units": "56.21", "ms_units": "11.24", "ss_raters": "97.46", "ms_raters": "32.49", "ss_error": "15.29",
         "ms_error": "1.02", "df_units": "5", "df_raters": "3", "df_error": "15", "icc_a1": ".29", "icc_c1": ".71",
         "icc_ak": ".62", "icc_ck": ".91", "n": "6", "k": "4"}
# No relation holds more than one of these three: only together they are refuted.
CHAIN = {"icc_1": "0.500", "sd_all": "4.000", "mdc_1": "9.40", "n": "20", "k": "3"}


def symbols(found: object) -> list[set[str]]:
    return [{c.symbol for c in x.claims} for x in found]  # type: ignore[attr-defined]


def test_a_clean_table_has_none() -> None:
    assert not review_of(ANOVA).conflicts


def test_one_wrong_number_is_named_with_its_range() -> None:
    found = review_of({**ANOVA, "ms_raters": "34.29"}).conflicts
    assert any({"ms_raters", "ss_raters", "df_raters"} == s for s in symbols(found))
    claim, needed = found[0].alone[0]
    assert claim.symbol == "ms_raters"
    assert needed[0] <= 32.4867 <= needed[1]
    assert needed[1] - needed[0] < 0.01


def test_a_chain_is_found_that_no_relation_alone_shows() -> None:
    printed = {**CHAIN, "mdc_1": "8.10"}
    said = {"mdc_1": {"level": "95 %", "factor": "1.96"}}
    found = review_of(printed, conventions=said)
    assert not [v for v in found.verdicts if v.status == "conflicts"]
    assert [c for c in found.conflicts if not c.remark]
    assert {"icc_1", "sd_all", "mdc_1"} <= symbols(found.conflicts)[0]
    # 2.772 x SEM, SEM = 4 sqrt(0.5 x 59/(59 - 1)) = 2.853.
    fits = review_of({**CHAIN, "mdc_1": "7.91"}, conventions=said)
    assert not fits.conflicts


def test_every_set_is_minimal() -> None:
    said = {"mdc_1": {"level": "95 %", "factor": "1.96"}}
    for printed in ({**ANOVA, "icc_ak": ".26"}, {**ANOVA, "ms_error": "1.20"}, {**CHAIN, "mdc_1": "8.10"}):
        at = place(printed, conventions=said)
        for conflict in review_of(printed, conventions=said).conflicts:
            if len(conflict.relations) == 1 or conflict.remark:
                continue
            for claim in conflict.claims:
                gone = [c for c in at.claims if c.symbol not in {x.symbol for x in conflict.claims} - {claim.symbol}]
                assert consistent(net_of(at.without(gone), conflict.relations)), claim.symbol


def test_questions_never_enter_a_set() -> None:
    found = review_of({"sem": "1.0", "sd": "5.0", "icc": "0.75", "mdc": "2.8"})
    assert not found.conflicts
    assert any(v.status == "question" for v in found.verdicts)


def test_a_chain_within_a_unit_of_its_last_digits_is_a_remark() -> None:
    # SEM from a rounded ICC, MDC from the rounded SEM: 2.772 x 2.9 = 8.0.
    said = {"mdc_1": {"level": "95 %", "factor": "1.96"}}
    found = review_of({**CHAIN, "mdc_1": "8.0"}, conventions=said)
    assert all(c.remark for c in found.conflicts)


def test_the_order_of_claims_changes_nothing() -> None:
    printed = {**ANOVA, "icc_ak": ".26"}
    one = review_of(printed)
    two = review_of(dict(reversed(printed.items())))
    assert sorted(map(sorted, symbols(one.conflicts))) == sorted(map(sorted, symbols(two.conflicts)))


@pytest.mark.parametrize("places", [-3, 0, 4])
def test_the_unit_changes_nothing(places: int) -> None:
    def at(text: str) -> str:
        return f"{Decimal(text).scaleb(places)}"

    printed = {"mean_1": at("120.0"), "mean_2": at("110.0"), "bias": at("10.0"), "sd_1": at("12.0"),
               "sd_2": at("10.0"), "sd_diff": at("40.0"), "r": "0.90", "n": "20"}
    found = review_of(printed)
    assert {v.relation.label for v in found.verdicts if v.status == "conflicts"} == {"25a", "25b"}


def test_taking_any_number_away_never_makes_a_conflict() -> None:
    at = place(ANOVA)
    for gone in combinations([c for c in at.claims if c.symbol not in ("n", "k")], 2):
        rest: Place = at.without(gone)
        assert not conflicts(rest, all_relations(), list(verdicts(rest, all_relations())))


def test_no_number_of_a_set_can_be_left_out() -> None:
    # A chain needs the degrees of freedom only to bring in a relation that then does without them.
    t = {"slope": {"method": "t", "level": "95 %"}}
    chain = review_of({"slope": "-0.0477 (-0.0783 to -0.0171)", "t_slope": "4.95", "df_slope": "3"}, conventions=t)
    assert chain.conflicts
    assert not any(c.symbol == "df_slope" for s in chain.conflicts for c in s.claims)
    # The width of an interval says what its ends and its middle say, with one number less.
    F = {"icc_c1": {"method": "F", "level": "95 %"}}
    width = review_of({"icc_c1": "0.913 (0.834 to 0.960)", "n": "16", "k": "3"}, conventions=F)
    assert [{c.symbol for c in s.claims if c.symbol.startswith("icc")} for s in width.conflicts] == [
        {"icc_c1__low", "icc_c1__high", "icc_c1__level"}]
