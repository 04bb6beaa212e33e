"""The interval of ICC(A,1): the method and the level that give what is printed."""

from __future__ import annotations

import numpy as np
import pytest

from drift.engine.crossed import CrossedDesign
from drift.engine.pivotal import agreement_pivotal, build_pivots
from drift.reported.finders_interval import modified_large_sample, pivotal, satterthwaite
from tests.reported.helpers import review_of, verdict_of

# Shrout and Fleiss (1979), 6 x 4: F of units 11.03, F of raters 31.87; McGraw and Wong's F interval 0.019 to 0.761.
SF = {"n": "6", "k": "4", "f_raters": "31.866"}
AT = (0.28976, 31.866, 6, 4, 0.95)


def printed(low: float, high: float, **more: str) -> dict[str, str]:
    return {**SF, "icc_a1": f"0.290 ({low:.3f} to {high:.3f})", **more}


def test_the_interval_by_f_is_the_published_one() -> None:
    assert satterthwaite(*AT) == pytest.approx((0.019, 0.761), abs=5e-4)
    assert verdict_of("11", printed(*satterthwaite(*AT))).status == "agrees"


@pytest.mark.parametrize(("by", "said"), [(modified_large_sample, "modified large samples"),
                                          (pivotal, "generalised pivotal interval")])
def test_other_published_methods_reconcile(by: object, said: str) -> None:
    ends = by(*AT)  # type: ignore[operator]
    v = verdict_of("11", printed(*ends))
    assert v.status == "only under a convention"
    assert said in v.convention


def test_the_pivotal_interval_is_the_one_of_the_engine() -> None:
    table = np.array([[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], float)
    units, raters = (x.reshape(-1) for x in np.indices(table.shape))
    made = build_pivots(CrossedDesign.build(table.reshape(-1), units, raters))
    assert pivotal(*AT) == pytest.approx(agreement_pivotal(made, 0.95), abs=0.01)


def test_a_90_percent_interval_is_named() -> None:
    ends = satterthwaite(*AT[:4], 0.90)
    found = review_of(printed(*ends), conventions={"icc_a1": {"level": "95 %"}})
    assert [d.sentence.split(".")[0] for d in found.detections] == [
        "The interval of ICC(A,1), called 95 %, has the width of a 90 % interval"]


def test_two_trials_give_their_f_of_raters_by_their_bias() -> None:
    n, bias, sd, rho = 15, 6.0, 15.44, 0.81
    ends = satterthwaite(rho, n * bias ** 2 / sd ** 2, n, 2, 0.95)
    claims = {"icc_a1": f"0.81 ({ends[0]:.2f} to {ends[1]:.2f})", "bias": "6.00", "sd_diff": "15.44", "n": "15",
              "k": "2"}
    assert verdict_of("11", claims).status == "agrees"


def test_what_fits_no_method_is_a_question() -> None:
    v = verdict_of("11", printed(0.25, 0.33))
    assert v.status == "question"
    assert not v.accuses
