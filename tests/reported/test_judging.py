"""Verdicts: what agrees, what contradicts, what only asks, and what is a last digit."""

from __future__ import annotations

from typing import Any

import pytest
from scipy import stats

from drift.reported.review import look
from tests.reported.helpers import paper, review_of, verdict_of

F = {"method": "F", "level": "95 %"}
LIMITS: dict[str, Any] = {x: {"factor": "1.96", "divisor": "n-1"} for x in ("sd_diff", "loa_low", "loa_high")}


@pytest.mark.parametrize(("label", "printed", "status"), [
    ("1b", {"icc_c1": "0.71", "f_two": "11.03", "n": "6", "k": "4"}, "agrees"),
    ("1b", {"icc_c1": "0.17", "f_two": "11.03", "n": "6", "k": "4"}, "conflicts"),
    ("2a", {"icc_k": "0.44", "f_one": "1.79"}, "agrees"),
    ("3a", {"icc_a1": "0.29", "f_two": "11.03", "f_raters": "31.87", "n": "6", "k": "4"}, "agrees"),
    ("3c", {"icc_a1": "0.29", "icc_c1": "0.71", "f_two": "11.03", "f_raters": "31.87", "n": "6", "k": "4"}, "agrees"),
    ("4", {"f_one": "1.79", "f_two": "11.03", "f_raters": "31.87", "n": "6"}, "agrees"),
    ("5a", {"icc_1": "0.17", "icc_a1": "0.29", "icc_c1": "0.71"}, "agrees"),
    ("5a", {"icc_1": "0.37", "icc_a1": "0.29", "icc_c1": "0.71"}, "conflicts"),
    ("6b", {"icc_c1": "0.71", "icc_ck": "0.91", "k": "4"}, "agrees"),
    ("6b", {"icc_c1": "0.71", "icc_ck": "0.83", "k": "4"}, "conflicts"),
    ("7a", {"alpha": "0.91", "icc_ck": "0.91"}, "agrees"),
    ("8e", {"icc_c1": "1.02"}, "conflicts"),
    ("8b", {"icc_c1": "-0.62", "k": "3"}, "conflicts"),
    ("13e", {"df_raters": "3", "k": "4"}, "agrees"), ("13e", {"df_raters": "4", "k": "4"}, "conflicts"),
    ("14a", {"ss_total": "168.97", "ss_units": "56.21", "ss_raters": "97.46", "ss_error": "15.29"}, "agrees"),
    ("14a", {"ss_total": "168.97", "ss_units": "52.61", "ss_raters": "97.46", "ss_error": "15.29"}, "conflicts"),
    ("16a", {"sem_c": "7.6", "ms_error": "57"}, "agrees"), ("16a", {"sem_c": "7.6", "ms_error": "75"}, "conflicts"),
    ("17c", {"sem_c": "9.9", "sd_all": "8.0", "n": "40", "k": "4"}, "conflicts"),
    ("17d", {"sem": "2.5", "sd": "5.0", "icc": "0.75"}, "agrees"),
    ("17d", {"sem": "1.0", "sd": "5.0", "icc": "0.75"}, "question"),
    ("19d", {"s_R": "0.05", "s_r": "0.03", "s_L": "0.04"}, "agrees"), ("19e", {"s_R": "0.020", "s_r": "0.030"},
                                                                       "conflicts"),
    ("23b", {"icc_c1": "0.80", "sd_true": "8.0", "sem_c": "4.0"}, "agrees"),
    ("24a", {"bias": "2.0", "mean_1": "12.0", "mean_2": "10.0"}, "agrees"),
    ("24a", {"bias": "-2.0", "mean_1": "12.0", "mean_2": "10.0"}, "only under a convention"),
    ("25a", {"sd_diff": "5.29", "sd_1": "10.0", "sd_2": "12.0", "r": "0.90"}, "agrees"),
    ("25b", {"sd_diff": "25.0", "sd_1": "10.0", "sd_2": "12.0"}, "conflicts"),
    ("26c", {"t_bias": "2.00", "bias": "2.0", "sd_diff": "4.0", "n": "16"}, "agrees"),
    ("28d", {"p_slope_mean": "0.010", "sd_1": "10.0", "sd_2": "10.0", "r": "0.90", "n": "20"}, "question"),
    ("30a", {"ratio": "1.10", "ratio_low": "1.06", "ratio_high": "1.15"}, "agrees"),
    ("31a", {"sd_diff": "1.0", "diff_min": "-9.0", "diff_max": "9.0", "n": "10"}, "conflicts"),
    ("33c", {"ccc": "0.80", "r": "0.90", "sd_1": "10.0", "sd_2": "10.0", "bias": "5.0", "n": "30"}, "agrees"),
    ("34b", {"ccc": "0.95", "r": "0.90"}, "conflicts"), ("34e", {"ccc": "0.81", "r": "0.90", "c_b": "0.90"}, "agrees"),
    ("37c", {"tv": "5.0", "grr": "3.0", "pv": "4.0"}, "agrees"), ("37c", {"tv": "7.0", "grr": "3.0", "pv": "4.0"},
                                                                  "conflicts"),
    ("37f", {"con_grr": "7.8", "con_pv": "92.2"}, "agrees"),
    ("38a", {"ndc": "14", "pct_grr": "10.0"}, "agrees"), ("38a", {"ndc": "5", "pct_grr": "33.0"}, "conflicts"),
    ("38a", {"ndc": "5", "pct_grr": "29.0"}, "only under a convention"), ("38a", {"ndc": "4", "pct_grr": "30.0"},
                                                                          "agrees"),
    ("38a", {"ndc": "5", "pct_grr": "27.2"}, "agrees"),
    ("39a", {"pct_tol": "30.0", "grr": "1.0", "usl": "20.0", "lsl": "0.0"}, "agrees"),
    ("41b", {"u_expanded": "4.0", "coverage_factor": "2.0", "u_c": "2.0"}, "agrees"),
    ("42a", {"t_slope": "4.0", "slope": "2.0", "se_slope": "0.50"}, "agrees"),
    ("42d", {"r_squared": "0.50", "t_slope": "4.0", "df_slope": "16"}, "agrees"),
    ("43c", {"b10": "3.62", "weibull_scale": "10.0", "weibull_shape": "2.214"}, "agrees"),
    ("44b", {"weibull_shape": "0.80", "replace_at": "100", "cost_failure": "9.0"}, "conflicts"),
    ("44c", {"cost_planned": "5.0", "cost_failure": "3.0", "replace_at": "100"}, "conflicts"),
    ("46d", {"n_readings": "35", "n": "12", "k": "3", "lost": "1"}, "agrees")])
def test_a_relation_in_print(label: str, printed: dict[str, str], status: str) -> None:
    assert verdict_of(label, printed).status == status


def test_the_interval_of_a_coefficient_knows_its_level() -> None:
    # Table of the brief: n = 6, k = 4, L and U to two decimals; g(U)/g(L) is 21.5 at 95 % and 12.2 to 13.3 at 90 %.
    base = {"icc_1": "0.17 (-0.13 to 0.72)", "n": "6", "k": "4"}
    assert verdict_of("10a", base, conventions={"icc_1": F}).status == "agrees"
    g = 1.79468
    ends = [g / stats.f.ppf(0.95, 5, 18), g * stats.f.ppf(0.95, 18, 5)]
    low, high = ((x - 1) / (x + 3) for x in ends)
    narrow = {**base, "icc_1": f"0.166 ({low:.3f} to {high:.3f})"}
    v = verdict_of("10a", narrow, conventions={"icc_1": F})
    assert v.status == "conflicts"
    assert "90 %" in v.hint
    unstated = verdict_of("10a", narrow)
    assert (unstated.status, unstated.convention) == ("only under a convention", "a level of 90 %")


def test_a_normal_theory_interval_accuses_only_where_level_and_method_are_stated() -> None:
    printed = {"bias": "2.0 (1.5 to 2.5)", "sd_diff": "4.0", "n": "16"}
    assert verdict_of("26b", printed, conventions={"bias": {"method": "t", "level": "95 %"}}).status == "conflicts"
    assert verdict_of("26b", printed, conventions={"bias": {"level": "95 %"}}).status == "question"
    found = review_of(printed, conventions={"bias": {"method": "bootstrap", "level": "95 %"}})
    assert not [v for v in found.verdicts if v.relation.label == "26b"]


def test_limits_accuse_only_with_factor_and_divisor() -> None:
    printed = {"bias": "0.0", "sd_diff": "10.00", "loa_low": "-25.0", "loa_high": "25.0", "n": "30"}
    assert verdict_of("24c", printed, conventions=LIMITS).status == "conflicts"
    assert verdict_of("24c", printed).status == "question"
    two = {**printed, "loa_low": "-20.0", "loa_high": "20.0"}
    assert verdict_of("24c", two).status == "agrees"
    v = verdict_of("24c", two, conventions=LIMITS)
    assert v.status == "conflicts"
    assert "2 SD" in v.hint


def test_an_sd_with_another_divisor_is_a_convention() -> None:
    n, sd = 10, 10.0
    small = sd * ((n - 1) / n) ** 0.5
    half = 1.96 * sd
    v = verdict_of("24c", {"bias": "0.00", "sd_diff": f"{small:.3f}", "loa_low": f"{-half:.2f}",
                           "loa_high": f"{half:.2f}", "n": str(n)})
    assert v.status == "only under a convention"
    assert "divisor n" in v.convention


def test_a_last_digit_is_a_remark_and_never_an_accusation() -> None:
    v = verdict_of("16a", {"sem_c": "7.58", "ms_error": "57.3"})
    assert v.status == "last digit"
    assert 0 < v.gap < 1
    assert not look(paper({"sem_c": "7.58", "ms_error": "57.3"})).conflicts


def test_digits_cut_off_instead_of_rounded_are_read_so_where_it_is_said() -> None:
    # sqrt(0.4444444) is 0.66667, which half-up prints 0.667 and truncation 0.666.
    claims = {"ratio": "0.666", "ratio_low": "0.4444444", "ratio_high": "1.0000000"}
    assert verdict_of("30a", claims).status == "last digit"
    assert verdict_of("30a", claims, rounding="truncation").status == "agrees"


def test_an_incomplete_design_makes_analysis_of_variance_ask() -> None:
    printed = {"icc_c1": "0.17", "f_two": "11.03", "n": "6", "k": "4"}
    assert verdict_of("1b", printed, design="incomplete").status == "question"
    assert verdict_of("1b", printed, design="mixed model").status == "question"


def test_a_printed_zero_component_may_be_cut_off() -> None:
    printed = {"var_raters": "0.0", "ms_raters": "40.0", "ms_error": "60.0", "n": "10"}
    assert verdict_of("14o", printed).status == "agrees"
    assert verdict_of("16c", {"sem_a": "7.75", "var_raters": "0.0", "ms_error": "60.0"}).status == "agrees"


def test_the_plain_formula_is_a_convention_and_no_conflict() -> None:
    printed = {"sem_c": "2.000", "sd_all": "4.000", "icc_c1": "0.7500", "ms_error": "4.50"}
    v = verdict_of("16a", printed)
    assert v.status == "only under a convention"
    assert "plain formula" in v.convention


def test_relations_of_two_trials_need_two_trials() -> None:
    printed = {"icc_c1": "0.95", "r": "0.90", "n": "12"}
    assert verdict_of("34a", {**printed, "k": "2"}).status == "conflicts"
    for k in ({}, {"k": "3"}):
        assert not [v for v in review_of({**printed, **k}).verdicts if v.relation.number == 34]


def test_what_says_nothing_is_called_so() -> None:
    assert verdict_of("45a", {"mean": "12.4", "n": "50", "step": "1.0"}).status == "uninformative"
    assert verdict_of("45a", {"mean": "12.43", "n": "10", "step": "1.0"}).status == "question"
    alone = {"mean": {"m": 1}}
    assert verdict_of("45a", {"mean": "12.43", "n": "10", "step": "1.0"}, conventions=alone).status == "conflicts"


@pytest.mark.parametrize("form", ["icc", "icc_a1", "icc_c1", "icc_1"])
def test_an_sem_of_unstated_kind_is_held_against_whichever_coefficient_is_printed(form: str) -> None:
    assert verdict_of("17d", {"sem": "2.40", "sd": "6.2", form: "0.85"}).status == "agrees"
    assert verdict_of("17d", {"sem": "2.90", "sd": "6.2", form: "0.85"}).status == "question"


def test_an_sem_of_a_mean_form_is_a_convention() -> None:
    v = verdict_of("17d", {"sem": "1.39", "sd": "6.2", "icc_c1": "0.85", "icc_ck": "0.95"})
    assert v.status == "only under a convention"
    assert "form of a mean" in v.convention


@pytest.mark.parametrize(("printed", "said"), [
    ({"mdc": "5.88", "sem": "3.00", "n": "20"}, "without the root of 2"),
    ({"mdc": "1.86", "sem": "3.00", "n": "20"}, "of a group mean")])
def test_common_other_ways_to_an_mdc_are_conventions(printed: dict[str, str], said: str) -> None:
    v = verdict_of("18a", printed, conventions={"mdc": {"level": "95 %", "factor": "1.96"}})
    assert v.status == "only under a convention"
    assert said in v.convention


def test_slack_is_the_half_width_of_what_is_needed() -> None:
    # SEM = SD sqrt(1 - ICC), ICC to two decimals: half-width 1.3 % at 0.80, 5 % at 0.95, 26 % at 0.99.
    for icc, percent in (("0.80", 1.3), ("0.95", 5.0), ("0.99", 26.0)):
        sem = 10 * (1 - float(icc)) ** 0.5
        v = verdict_of("17d", {"sem": f"{sem:.4f}", "sd": "10.00000", "icc": icc})
        assert 100 * v.slack == pytest.approx(percent, rel=0.06)
