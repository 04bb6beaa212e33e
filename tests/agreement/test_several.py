"""Several methods: pairs as two methods have them, gaps used, repeats counted, a verdict of the set."""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.agreement import AgreementResult, agreement
from drift.agreement.equivalence import further_targets
from drift.agreement.several_found import odd_one_out
from drift.engine.concordance import overall_concordance
from drift.engine.limits_of_agreement import lower_limit_bound, one_stratum, upper_limit_bound
from drift.errors import MINUS
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import trial_table
from tests.coverage.several_methods import Design, analysed, cells_of, named
from tests.published_examples import agrees, load

NAMES = ("bias", "lower limit", "upper limit")


def ask(**more: object) -> AgreementQuestion:
    given = {"name": "q", "compare": "method", "methods": ("a", "b", "c"), "pair_by": ("participant",),
             "target": "participant", **more}
    return AgreementQuestion(**given)  # type: ignore[arg-type]


def long(table: np.ndarray, methods: str = "abcdef", **labels: list[str]) -> pd.DataFrame:
    """Long form of a table of sets by methods; NaN cells have no row."""
    labels = labels or {"participant": [f"P{i:02d}" for i in range(len(table))]}
    rows = [{"method": m, "reading": y, **{k: v[i] for k, v in labels.items()}}
            for i, row in enumerate(table) for m, y in zip(methods, row, strict=False) if np.isfinite(y)]
    return pd.DataFrame(rows)


def readings(n: int = 12, sd: tuple[float, ...] = (1.0, 1.0, 1.0), mean: tuple[float, ...] = (0.0, 0.0, 0.0),
             seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return 50 + 9 * rng.standard_normal((n, 1)) + np.array(mean) + np.array(sd) * rng.standard_normal((n, len(sd)))


def codes(result: AgreementResult) -> set[str]:
    return {f.code for f in result.findings}


@cache
def pressure(repeats: bool, truth: str = "varying") -> AgreementResult:
    rows = load("bland-altman-1999-sbp").frame().rename(columns={"subject": "participant", "sbp": "reading"})
    if not repeats:
        rows = rows[rows.replicate == 1]
    return agreement(trial_table(rows, unit="mmHg"), AgreementQuestion(
        name="observers and machine", compare="method", methods=("J", "R", "S"), target="participant",
        pair_by=("participant", "replicate"), truth=truth, harmless=15.0), seed=1)  # type: ignore[arg-type]


def test_blood_pressure_by_first_readings_has_the_published_limits_of_its_pair() -> None:
    # Bland & Altman (1999), section 2: J less S of the first readings
    expected = load("bland-altman-1999-sbp").expected["single_J_minus_S"]
    of = {"pair": f"J {MINUS} S"}
    found = pressure(repeats=False)
    assert agrees(found.estimate("bias", **of).value, expected["bias"])
    for name, printed in zip(NAMES[1:], expected["loa"], strict=True):
        assert agrees(found.estimate(name, **of).value, printed)


def test_unlinked_repeats_have_the_published_within_sds_and_limits() -> None:
    expected = load("bland-altman-1999-sbp").expected
    found = pressure(repeats=True, truth="constant")
    for method, printed in expected["within_subject_sd"].items():
        assert agrees(found.estimate("error SD within (residual)", method=method).value, printed)
    of = {"pair": f"J {MINUS} S"}
    for name, printed in zip(NAMES[1:], expected["replicated_J_minus_S"]["loa"], strict=True):
        assert agrees(found.estimate(name, **of).value, printed)
    assert "readings-look-linked" in codes(found)  # J and R heard the same pulse


def test_the_machine_is_the_odd_one_out_and_the_observers_interchangeable() -> None:
    found = pressure(repeats=True)
    assert found.verdicts == ("not interchangeable",)
    assert "the odd one out is S" in found.answer.replace("The odd", "the odd")
    table = found.table("pairwise limits")
    words = dict(zip(table["pair"], table["verdict"], strict=True))
    assert words == {f"J {MINUS} R": "interchangeable", f"J {MINUS} S": "not interchangeable",
                     f"R {MINUS} S": "not interchangeable"}
    sd = {m: found.estimate("error SD", method=m).value for m in "JRS"}
    assert sd["S"] > 8 * max(sd["J"], sd["R"])


def test_repeated_targets_are_never_independent_rows() -> None:
    # naive twin: 255 sets as if each were a person of its own
    counted, pooled = pressure(repeats=True), AgreementQuestion(
        name="q", compare="method", methods=("J", "R", "S"), target="participant", rows_are_independent=True,
        pair_by=("participant", "replicate"), truth="varying")
    rows = load("bland-altman-1999-sbp").frame().rename(columns={"subject": "participant", "sbp": "reading"})
    naive = agreement(trial_table(rows), pooled, seed=1)
    of = {"method": "S"}
    ours, theirs = (r.estimate("bias from the mean", **of) for r in (counted, naive))
    assert ours.high - ours.low > 1.5 * (theirs.high - theirs.low)
    assert ours.n == 85


def test_every_pair_is_the_two_method_analysis_with_a_wider_interval() -> None:
    table = readings(15, (0.5, 1.0, 2.0), (0.0, 1.0, 0.0))
    table[3, 1] = table[7, 2] = np.nan
    found = agreement(trial_table(long(table)), ask(), seed=1)
    for a, b in (("a", "b"), ("a", "c"), ("b", "c")):
        two = agreement(trial_table(long(table)), ask(methods=(), a=a, b=b), seed=1)
        for name in NAMES:
            ours, theirs = found.estimate(name, pair=f"{a} {MINUS} {b}"), two.estimate(name)
            assert ours.value == pytest.approx(theirs.value, rel=1e-12)
            assert ours.low < theirs.low
            assert ours.high > theirs.high
        row = list(found.table("pairwise limits alone")["pair"]).index(f"{a} {MINUS} {b}")
        assert found.table("pairwise limits alone")["upper limit, high"][row] == pytest.approx(
            two.estimate("upper limit").high, rel=1e-9)


def test_a_method_against_the_others_is_its_difference_from_their_mean() -> None:
    table = readings(15, (0.5, 1.0, 2.0))
    found = agreement(trial_table(long(table)), ask(), seed=1)
    plain = one_stratum(table[:, 0] - table[:, 1:].mean(axis=1))
    assert found.estimate("bias from the mean", method="a").value == pytest.approx(plain.mean)
    assert found.estimate("upper limit with the mean", method="a").value == pytest.approx(plain.mean + 1.96 * plain.sd)
    whole = found.estimate("limit of agreement with the mean", methods="as they are")
    d = table - table.mean(axis=1, keepdims=True)
    assert whole.value == pytest.approx(1.96 * np.sqrt(np.mean(d**2)))


def test_overall_concordance_of_complete_sets_is_the_plain_one() -> None:
    table = readings(20, (1.0, 2.0, 1.0))
    found = agreement(trial_table(long(table)), ask(), seed=1).estimate("overall CCC")
    assert found.value == pytest.approx(overall_concordance(table).value)
    assert found.low < found.value < found.high


def test_a_gap_costs_its_own_cell_only() -> None:
    table = readings(12)
    table[:3, 2] = np.nan
    found = agreement(trial_table(long(table)), ask(), seed=1)
    assert found.provenance.accounts[0].used == 33
    assert found.estimate("bias", pair=f"a {MINUS} b").n == 12
    assert found.estimate("bias", pair=f"a {MINUS} c").n == 9
    assert found.estimate("error SD", method="a").n == 12
    said, = [f for f in found.findings if f.code == "missing-cells"]
    assert "3 of 36 cells" in said.message
    assert "c in 3" in said.message
    assert "Bonferroni" in found.estimate("bias", pair=f"a {MINUS} b").method


def test_sensors_and_repeats_have_parts_of_their_own() -> None:
    rng = np.random.default_rng(5)
    n, s = 10, 6
    t, w = np.repeat(np.arange(n), s), np.tile(np.arange(s), n)
    table = 50 + 9 * rng.standard_normal(n)[t][:, None] + (rng.standard_normal((n, 3)) * 2)[t] \
        + (rng.standard_normal((s, 3)))[w] + rng.standard_normal((n * s, 3))
    rows = long(table, participant=[f"P{i}" for i in t], sensor=[f"S{i}" for i in w])
    found = agreement(trial_table(rows), ask(pair_by=("participant", "sensor")), seed=1)
    parts = {e.name for e in found.estimates if e.name.startswith("error SD")}
    assert parts == {"error SD", "error SD between levels of participant", "error SD between levels of sensor",
                     "error SD within (residual)"}
    assert "10 levels of participant and 6 levels of sensor" in " ".join(f.message for f in found.findings)
    for m in "abc":
        whole = found.estimate("error SD", method=m).value
        each = [found.estimate(p, method=m).value for p in parts - {"error SD"}]
        assert whole**2 == pytest.approx(sum(e**2 for e in each), rel=0.15)


def test_all_takes_every_value_that_where_leaves() -> None:
    table = readings(10, (1.0,) * 4, (0.0,) * 4)
    rows = long(table)
    found = agreement(trial_table(rows.rename(columns={"method": "sensor"})), AgreementQuestion(
        name="sensors", compare="sensor", methods="all", pair_by=("participant",), target="participant"), seed=1)
    assert len(found.table("pairwise limits")) == 6
    some = agreement(trial_table(rows), ask(methods="all", where={"method": ["a", "b", "d"]}), seed=1)
    assert list(some.table("pairwise limits")["pair"]) == [f"a {MINUS} b", f"a {MINUS} d", f"b {MINUS} d"]
    assert some.provenance.accounts[0].outside_where == 10


def test_verdicts_follow_the_bounds_and_say_how_many_more_targets() -> None:
    table = readings(40)
    wide, narrow = (agreement(trial_table(long(table)), ask(harmless=h), seed=1) for h in (8.0, 1.0))
    assert wide.verdicts == ("interchangeable",)
    assert set(wide.table("pairwise limits")["verdict"]) == {"interchangeable"}
    assert narrow.verdicts == ("not interchangeable",)
    largest = max(abs(e.value) for e in wide.estimates if e.name in ("lower limit", "upper limit"))
    close = agreement(trial_table(long(table)), ask(harmless=largest * 1.08), seed=1)
    assert close.verdicts == ("not shown",)
    assert "further targets would settle it" in close.answer
    assert close.table("verdict")["further targets"][0] > 0


@pytest.mark.parametrize("k", [3, 5])
def test_further_targets_settle_the_set_in_four_of_five_studies(k: int) -> None:
    """The largest number of any pair by itself settled all pairs at once in 62 % with three methods, 33 % with five."""
    z = readings(12, (1.0,) * k, (0.0,) * k)
    z = z - z.mean(0)
    z = z @ np.linalg.inv(np.linalg.cholesky(np.cov(z.T))).T
    methods = tuple("abcdef"[:k])
    asked = ask(harmless=4.0, methods=methods)
    close = agreement(trial_table(long(50 + z)), asked, seed=1)
    assert close.verdicts == ("not shown",)
    n = 12 + int(close.table("verdict")["further targets"][0])
    alone = further_targets(one_stratum(z[:, 0] - z[:, 1]), 4.0, n_targets=12)
    assert alone is not None
    assert n > 12 + 1.3 * alone
    design, settled = Design(n=n, sd=(1.0,) * k, mean=(0.0,) * k), 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        cells = cells_of(design, rng)
        pairs = [one_stratum(cells.table[:, i] - cells.table[:, j]) for i in range(k) for j in range(i)]
        settled += all(lower_limit_bound(s, 0.05) > -4 and upper_limit_bound(s, 0.95) < 4 for s in pairs)
    assert 0.66 <= settled / 60 <= 0.94  # 0.8 within 2.7 Monte-Carlo errors; an inner bound hardly ever settles it


def test_the_number_is_not_promised_where_it_is_not_computed() -> None:
    table = readings(40)
    largest = max(abs(e.value) for e in agreement(trial_table(long(table)), ask()).estimates
                  if e.name in ("lower limit", "upper limit"))
    table[0, 1] = np.nan
    gap = agreement(trial_table(long(table)), ask(harmless=largest * 1.08), seed=1)
    assert gap.verdicts == ("not shown",)
    assert "how many is not computed" in gap.answer
    assert np.isnan(gap.table("verdict")["further targets"][0])


def test_a_share_is_judged_on_logs_and_needs_positive_readings() -> None:
    table = readings(30)
    found = agreement(trial_table(long(table)), ask(harmless="20 %"), seed=1)
    assert found.verdicts == ("interchangeable",)
    assert "20 % of the mean of the two" in found.answer
    below = agreement(trial_table(long(table - 50)), ask(harmless="20 %"), seed=1)
    assert below.verdicts == ()
    assert "no-verdict" in codes(below)


def test_groups_are_answered_one_by_one() -> None:
    rows = pd.concat([long(readings(10, seed=s)).assign(region=r) for s, r in enumerate(("heel", "toe"))])
    found = agreement(trial_table(rows.reset_index(drop=True)), ask(by=("region",), harmless=8.0), seed=1)
    assert len(found.verdicts) == 2
    assert set(found.table("pairwise limits")["region"]) == {"heel", "toe"}
    assert "Of 2 groups" in found.answer


@given(st.integers(0, 2**32 - 1), st.permutations(range(3)))
@settings(max_examples=5, deadline=None)
def test_order_of_rows_and_of_methods_changes_no_value(seed: int, order: list[int]) -> None:
    table = readings(9, (0.5, 1.0, 2.0), (0.0, 1.0, 0.0), seed=seed)
    rows = long(table)
    one = agreement(trial_table(rows), ask(), seed=1)
    again = agreement(trial_table(rows.sample(frac=1, random_state=seed % 1000).reset_index(drop=True)),
                      ask(methods=tuple("abc"[i] for i in order)), seed=1)
    for m in "abc":
        for name in ("bias from the mean", "error SD"):
            assert again.estimate(name, method=m).value == pytest.approx(one.estimate(name, method=m).value, rel=1e-4,
                                                                         abs=1e-4)
    limit = [r.estimate("limit of agreement with the mean", methods="as they are") for r in (one, again)]
    assert limit[0].high == pytest.approx(limit[1].high, rel=1e-9)


def test_a_question_survives_json_and_its_numbers_the_seed() -> None:
    table = trial_table(long(readings()))
    one, other = (agreement(table, ask(harmless=3.0), seed=s) for s in (1, 1))
    data = json.loads(json.dumps(one.to_dict(), allow_nan=False))
    assert AgreementResult.from_dict(data).to_dict() == other.to_dict()


def test_no_odd_one_out_where_two_are_equally_far() -> None:
    design = named()["20 targets x 4 methods, two methods equally far"]
    rng = np.random.default_rng(6)
    claimed = [odd_one_out(analysed(design, cells_of(design, rng), rng)).shown for _ in range(100)]
    assert np.mean(claimed) <= 0.05 + 4 * np.sqrt(0.05 * 0.95 / 100)
    far = readings(20, (1.0,) * 4, (0.0, 0.0, 0.0, 6.0))
    assert "odd one out is d" in agreement(trial_table(long(far)), ask(methods=tuple("abcd")), seed=1).answer
