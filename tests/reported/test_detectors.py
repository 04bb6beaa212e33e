"""What a set of mismatches has in common: level, independence, divisor, exchanged numbers, slips of digits."""

from __future__ import annotations

from decimal import Decimal

import pytest
from scipy import stats

from drift.reported.detectors import slips
from drift.reported.reading import paper_from_dict
from drift.reported.review import look, review
from tests.reported.helpers import paper, review_of

T = {"method": "t", "level": "95 %"}


def kinds(printed: dict[str, str], **more: object) -> dict[str, str]:
    return {d.kind: d.sentence for d in review_of(printed, **more).detections}  # type: ignore[arg-type]


def test_a_90_percent_interval_called_95_is_seen() -> None:
    half = stats.t.ppf(0.95, 15) * 4.0 / 4
    found = kinds({"bias": f"2.00 ({2 - half:.2f} to {2 + half:.2f})", "sd_diff": "4.00", "n": "16"},
                  conventions={"bias": T})
    assert "has the width of a 90 % interval" in found["level"]
    assert "called 95 %" in found["level"]


def test_pairs_treated_as_independent_are_seen() -> None:
    n, pairs, sd = 12, 96, 5.0
    half = stats.t.ppf(0.975, pairs - 1) * sd / pairs ** 0.5
    printed = {"bias": f"2.00 ({2 - half:.2f} to {2 + half:.2f})", "sd_diff": "5.00", "n": str(n),
               "n_pairs": str(pairs)}
    assert "96 independent pairs" in kinds(printed)["independence"]
    by_unit = stats.t.ppf(0.975, n - 1) * sd / n ** 0.5
    fine = {**printed, "bias": f"2.00 ({2 - by_unit:.2f} to {2 + by_unit:.2f})"}
    assert "independence" not in kinds(fine)


def test_an_interval_of_a_limit_narrower_than_that_of_the_bias_accuses() -> None:
    printed = {"bias": "2.0 (0.0 to 4.0)", "loa_high": "9.0 (8.5 to 9.5)", "n": "20"}
    found = review_of(printed, conventions={"bias": T, "loa_high": {"level": "95 %"}})
    assert "32b" in {v.relation.label for v in found.verdicts if v.status == "conflicts"}


def test_another_divisor_is_seen() -> None:
    sd, n = 10.0, 10
    printed = {"sd_diff": f"{sd * (0.9) ** 0.5:.3f}", "loa_low": f"{-1.96 * sd:.3f}", "loa_high": f"{1.96 * sd:.3f}",
               "n": str(n)}
    assert "divisor n" in kinds(printed)["divisor"]


def test_an_alpha_that_is_the_single_coefficient_is_seen() -> None:
    found = kinds({"alpha": "0.71", "icc_c1": "0.71", "icc_ck": "0.91", "k": "4"})
    assert "as ICC(C,1) is" in found["alpha"]


@pytest.mark.parametrize(("printed", "names"), [
    ({"sd": "0.50", "se": "2.00", "n": "16"}, {"SD", "SE of the mean"}),
    ({"icc_1": "0.17", "icc_a1": "0.71", "icc_c1": "0.29", "icc_ak": "0.62", "icc_ck": "0.91", "k": "4"},
     {"ICC(A,1)", "ICC(C,1)"})])
def test_two_numbers_in_each_others_place_are_seen(printed: dict[str, str], names: set[str]) -> None:
    sentence = kinds(printed)["exchanged"]
    assert all(n in sentence for n in names)


def test_two_exchanged_digits_are_suggested() -> None:
    found = kinds({"ms_raters": "34.29", "ss_raters": "97.46", "df_raters": "3", "f_raters": "31.87",
                   "ms_error": "1.02"})
    assert found["digits"] == "MS raters would fit as 32.49, two digits exchanged."


def test_slips_hold_signs_points_and_single_digits() -> None:
    made = {value for _, value in slips(paper({"bias": "-1.25"}).claims[0])}
    assert made >= {Decimal("1.25"), Decimal("-12.5"), Decimal("-0.125"), Decimal("-2.15"), Decimal("-1.27")}


def test_a_copied_row_is_asked_about() -> None:
    row = [{"what": "ICC(C,1)", "printed": "0.853"}, {"what": "SEM", "printed": "12.41"}, {"what": "mean",
                                                                                           "printed": "231.7"}]
    claims = [{**c, "group": g} for g in ("left", "right") for c in row]
    found = [v for v in look(paper_from_dict({"claims": claims})[0]).verdicts if v.relation.label == "47a"]
    assert [v.status for v in found] == ["question"]
    claims[-1]["printed"] = "238.1"
    assert not [v for v in look(paper_from_dict({"claims": claims})[0]).verdicts if v.relation.label == "47a"]


def test_a_word_is_held_against_the_interval_too() -> None:
    printed = {"icc_a1": "0.91 (0.74 to 0.97)"}
    found = [v for v in review_of(printed,
                                  conventions={"icc_a1": {"word": "excellent"}}).verdicts if v.relation.number == 15]
    assert found[0].status == "question"
    assert "from moderate to excellent" in found[0].hint


def test_nothing_is_ever_called_fraud() -> None:
    result = review(paper({"ms_raters": "34.29", "ss_raters": "97.46", "df_raters": "3"}))
    text = result.summary().casefold() + " ".join(str(q) for q in result.table("questions")["question"]).casefold()
    assert not [w for w in ("fraud", "fabricat", "manipulat", "misconduct", "fake", "dishonest") if w in text]
