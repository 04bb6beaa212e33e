"""What the paper leaves out: n, k, F, SEM, MDC, intervals, with the range that its digits leave."""

from __future__ import annotations

import pytest

from drift.reported.implied import Implied
from tests.published_examples import load
from tests.reported.helpers import review_of


def implied(printed: dict[str, str], **more: object) -> dict[str, Implied]:
    return {i.symbol: i for i in review_of(printed, **more).implied}  # type: ignore[arg-type]


def test_mean_squares_give_everything_that_follows() -> None:
    squares = load("shrout-fleiss-1979-icc").recomputed
    found = implied({"ms_units": "11.2417", "ms_error": "1.01944", "ms_raters": "32.4861", "n": "6", "k": "4"})
    for symbol, name in (("icc_1", "ICC(1,1)"), ("icc_a1", "ICC(A,1)"), ("icc_c1", "ICC(C,1)"), ("icc_ak", "ICC(A,k)")):
        one = found[symbol]
        assert one.exact
        assert one.low <= squares["icc"][name] <= one.high
        assert one.high - one.low < 0.01
    assert found["sem_c"].low <= 1.01944 ** 0.5 <= found["sem_c"].high
    assert found["f_two"].low <= squares["F_two_way"] <= found["f_two"].high


def test_the_missing_interval_of_a_coefficient() -> None:
    low, high = load("shrout-fleiss-1979-icc").recomputed["ci95"]["ICC(C,1)"]
    found = implied({"icc_c1": "0.71484", "n": "6", "k": "4"})
    assert found["icc_c1__low"].low <= low <= found["icc_c1__low"].high
    assert found["icc_c1__high"].low <= high <= found["icc_c1__high"].high
    assert "95 %" in found["icc_c1__low"].convention


def test_n_from_the_width_of_an_interval() -> None:
    found = implied({"bias": "-2.1 (-22.0 to 17.8)", "sd_diff": "38.8"}, level="95 %")
    assert found["n"].low <= 17 <= found["n"].high
    assert found["n"].high - found["n"].low <= 2


def test_k_from_a_single_and_a_mean_form() -> None:
    found = implied({"icc_c1": "0.715", "icc_ck": "0.909"})
    assert (found["k"].low, found["k"].high) == (4, 4)


def test_mdc_and_sd_of_differences() -> None:
    found = implied({"sem_c": "7.56", "k": "2", "n": "8"})
    assert found["mdc_c"].low <= 20.95 <= found["mdc_c"].high
    assert found["sd_diff"].low <= 7.56 * 2 ** 0.5 <= found["sd_diff"].high


def test_what_is_printed_is_not_implied_and_conventions_are_not_guessed() -> None:
    found = implied({"sem": "2.0", "icc": "0.75"})
    assert "sem" not in found
    assert "sd" not in found  # which SD is not said


@pytest.mark.parametrize("digits", [2, 3, 4])
def test_more_digits_imply_more(digits: int) -> None:
    one = implied({"icc_c1": f"{0.71484:.{digits}f}", "k": "4", "n": "6"})["f_two"]
    assert one.high - one.low < 60 * 10.0 ** -digits
