"""What a paper may have done without saying so is asked about, and never accused."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from drift.reported.reading import paper_from_dict
from drift.reported.review import look
from tests.reported.helpers import review_of, verdict_of
from tests.reported.other_habits import study


def accused(printed: dict[str, str], **more: Any) -> set[str]:
    """Return the labels of what accuses."""
    found = review_of(printed, **more)
    return ({v.relation.label for v in found.verdicts if v.status == "conflicts"}
            | {r.label for c in found.conflicts if not c.remark for r in c.relations})


@pytest.mark.parametrize("block", range(4))
def test_no_study_with_unsaid_habits_is_accused(block: int) -> None:
    seen = 0
    for i in range(25):
        made = study(np.random.default_rng([707, block, i]))
        if made is None or len(made["claims"]) < 3:
            continue
        seen += 1
        found = look(paper_from_dict(made)[0], with_implied=False)
        assert not [c for c in found.conflicts if not c.remark], (block, i)
    assert seen > 10


@pytest.mark.parametrize("printed", [
    # A negative coefficient, and a lower end below zero, printed as 0.
    {"icc_c1": "0.00", "f_two": "0.40", "n": "10", "k": "3"},
    {"icc_1": "0.000", "sem_1": "17653", "sd_all": "15798", "n": "2", "k": "3"},
    # Components of raters cut off at zero: agreement is then consistency.
    {"icc_a1": "0.748", "f_two": "9.916", "f_raters": "0.129", "n": "5", "k": "3"},
    {"icc_a1": "0.748", "icc_c1": "0.748", "f_two": "9.916", "f_raters": "0.129", "n": "5", "k": "3"},
    {"icc_a1": "0.488", "var_units": "0.00012", "ms_error": "0.000126", "ms_raters": "0.00000038", "n": "6", "k": "2"},
    # p and degrees of freedom corrected for sphericity.
    {"p_raters": "0.041", "f_raters": "4.10", "n": "12", "k": "4"},
    {"df_raters": "1.62", "k": "4"}, {"df_error": "17.8", "n": "12", "k": "4"}, {"df_raters": "1.00", "k": "4"},
    # SDs with divisor n.
    {"se_bias": "1.333", "sd_diff": "4.000", "n": "10"}, {"t_bias": "3.000", "bias": "4.000", "sd_diff": "4.000",
                                                          "n": "10"},
    {"sd_diff": "4.000", "sem_c": "2.981", "n": "10", "k": "2"},
    # A repeatability coefficient of a t factor, an ndc below 1, quantiles as tables print them.
    {"repeatability": "3.93", "s_r": "1.00"}, {"ndc": "1", "pct_grr": "95.0"},
    {"mdc_c": "36072.1", "sem_c": "15505.7", "mdc_c__level": "90 %"}, {"mdc_c": "27700.0", "sem_c": "10000.0"},
    # Whole numbers rounded to three digits.
    {"var_units": "2980", "ms_units": "6150", "ms_error": "198", "k": "2"},
    # A retirement age that nobody worked out from costs.
    {"weibull_shape": "0.80", "replace_at": "100"}])
def test_an_unsaid_habit_is_never_accused(printed: dict[str, str]) -> None:
    assert not accused({k: v for k, v in printed.items() if not k.endswith("__level")},
                       conventions={"mdc_c": {"level": printed.get("mdc_c__level", "95 %")}})


def test_an_incomplete_design_does_not_accuse_through_k() -> None:
    printed = {"icc_1": "0.50", "icc_k": "0.70", "k": "3", "n": "12"}
    assert accused(printed) == {"6a"}
    assert not accused(printed, design="incomplete")
    sums = {"ss_total": "180.0", "ss_units": "56.2", "ss_raters": "97.5", "ss_error": "15.3"}
    assert accused(sums) == {"14a"}
    assert not accused(sums, design="incomplete")


def test_percentile_limits_need_no_middle() -> None:
    printed = {"bias": "2.0", "loa_low": "-10.0", "loa_high": "18.0"}
    assert not accused(printed)  # nothing says that they are the bias and a factor times an SD
    assert verdict_of("24b", printed).status == "question"
    assert "24b" in accused({**printed, "sd_diff": "7.14"})
    assert accused(printed, conventions={"loa_low": {"method": "exact"}}) == {"24b"}
    assert not accused({**printed, "sd_diff": "7.14"}, conventions={"loa_low": {"method": "other"}})


def test_a_share_may_be_one_of_all_pairs() -> None:
    printed = {"outside_share": "1.7 %", "n": "20", "n_pairs": "60"}
    v = verdict_of("29a", printed)
    assert (v.status, v.convention) == ("only under a convention", "a share of all pairs")
    assert verdict_of("29a", {"outside_share": "1.7 %", "n": "20"}).status == "question"
    assert verdict_of("29a", {"outside_share": "7.7 %", "n": "20", "k": "2"}).status == "conflicts"
    claims = {"paper": {"n": 12, "k": 3}, "claims": [{"what": "percentage", "printed": "2.8 %"}]}
    found = [v for v in look(paper_from_dict(claims)[0]).verdicts if v.relation.label == "46c"]
    assert [v.convention for v in found] == ["a percentage of all n x k readings"]


def survival(rows: list[tuple[int, str]], n: int) -> list[str]:
    """Return the statuses of Kaplan-Meier values with their numbers at risk."""
    claims = [{"what": what, "item": str(i), "printed": text} for i, (risk, value) in enumerate(rows)
              for what, text in (("survival", value), ("number at risk", str(risk)))]
    found = look(paper_from_dict({"paper": {"n": n}, "claims": claims})[0])
    return [v.status for v in found.verdicts if v.relation.label == "43a"]


def test_survival_at_chosen_times_has_steps_in_between() -> None:
    # Of 20, one is lost to sight, then one fails at 19 and one at 17: 18/19 x 16/17 = 0.892 with 16 at risk.
    assert survival([(20, "1.000"), (16, "0.892")], 20) == ["agrees", "only under a convention"]
    assert survival([(20, "1.000"), (16, "0.937")], 20) == ["agrees", "agrees"]
    assert survival([(20, "1.000"), (19, "0.912")], 20)[1] == "conflicts"
    # With 40 gone between two printed times almost anything can be had.
    assert survival([(60, "1.000"), (20, "0.612")], 60)[1] != "conflicts"


@pytest.mark.parametrize(("sem", "status", "said"), [
    ("10.5", "agrees", ""), ("3.32", "only under a convention", "without the root"),
    ("7.42", "only under a convention", "standard error of a mean"), ("14.0", "question", "")])
def test_an_sem_of_unstated_kind_is_held_against_the_sd_of_all_readings(sem: str, status: str, said: str) -> None:
    v = verdict_of("17d", {"sem": sem, "sd_all": "33.2", "icc_a1": "0.900", "n": "20", "k": "3"})
    assert v.status == status
    assert said in v.convention


def test_an_sem_of_unstated_kind_of_two_trials() -> None:
    two = {"sd_1": "21.8", "sd_2": "26.8", "icc_a1": "0.81", "n": "15", "k": "2"}
    assert verdict_of("17d", {**two, "sem": "10.6"}).status == "agrees"  # both SDs pooled
    assert "of the second alone" in verdict_of("17d", {**two, "sem": "11.7"}).convention
    assert verdict_of("17d", {**two, "sem": "11.2", "sd_diff": "15.8"}).status == "agrees"  # over the root of 2


def test_an_f_of_unstated_kind_is_held_against_every_coefficient() -> None:
    printed = {"f": "32.65", "icc_a1": "0.90", "icc_c1": "0.91", "k": "3"}
    assert verdict_of("14x", printed).status == "agrees"
    assert verdict_of("14x", {**printed, "f": "12.65"}).status == "question"


def test_an_mdc_of_unstated_kind_is_held_against_a_stated_sem() -> None:
    assert verdict_of("18g", {"mdc": "8.32", "sem_a": "3.00"}).status == "agrees"
    assert "without the root of 2" in verdict_of("18g", {"mdc": "5.88", "sem_a": "3.00"}).convention
    assert verdict_of("18g", {"mdc": "12.5", "sem_a": "3.00"}).status == "question"


T = {"bias": {"method": "t", "level": "95 %"}}


def test_an_alpha_other_than_the_stated_one_is_asked_about() -> None:
    mdc = review_of({"mdc": "6.98", "sem": "3.00", "n": "30"}, conventions={"mdc": {"level": "95 %", "factor": "1.96"}})
    assert [d.sentence for d in mdc.detections] == ["MDC, called 95 %, has the factor of a 90 % level."]
    limits = review_of({"bias": "0.00", "sd_diff": "10.00", "loa_low": "-16.45", "loa_high": "16.45"},
                       conventions={"loa_low": {"level": "95 %"}})
    assert [d.sentence for d in limits.detections] == [
        "The limits of agreement, called 95 %, have the factor of a 90 % level."]
    n, sd, bias = 16, 4.0, 2.0
    half, p = stats.t.ppf(0.95, n - 1) * sd / 4, 2 * stats.t.sf(bias / (sd / 4), n - 1)
    claims = {"bias": f"{bias:.3f} ({bias - half:.3f} to {bias + half:.3f})", "p_bias": f"{p:.4f}", "n": str(n)}
    v = verdict_of("26k", claims, conventions=T)
    assert "90 %" in v.hint
    assert "width of a 90 % interval" in review_of(claims, conventions=T).detections[0].sentence


def test_a_one_sided_p_is_a_convention() -> None:
    p = stats.t.sf(2.0, 15)
    v = verdict_of("26e", {"t_bias": "2.000", "p_bias": f"{p:.4f}", "n": "16"})
    assert (v.status, v.convention) == ("only under a convention", "a one-sided test")


def test_limits_and_the_interval_of_the_bias_know_each_other_without_an_sd() -> None:
    n, sd = 15, 15.44
    half = stats.t.ppf(0.975, n - 1) * sd / n ** 0.5
    printed = {"bias": f"0.40 ({0.4 - half:.2f} to {0.4 + half:.2f})", "loa_low": f"{0.4 - 1.96 * sd:.1f}",
               "loa_high": f"{0.4 + 1.96 * sd:.1f}", "n": str(n)}
    assert verdict_of("26l", printed).status == "agrees"
    narrow = half * stats.t.ppf(0.95, n - 1) / stats.t.ppf(0.975, n - 1)
    wrong = {**printed, "bias": f"0.40 ({0.4 - narrow:.2f} to {0.4 + narrow:.2f})"}
    sentence = review_of(wrong, conventions=T).detections[0].sentence
    assert "bias, called 95 %, has the width of a 90 % interval" in sentence
