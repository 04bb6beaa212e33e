"""Comparing the reliability of constructions, methods or conditions on the same people."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from drift.errors import DriftError
from drift.reliability import ReliabilityResult
from drift.study import study_from_dict
from drift.workflow import answer_table
from tests.reliability.tables import ask


def two(seed: int = 1, n: int = 20, k: int = 4, *, residual: tuple[float, float] = (2.0, 4.0), together: float = 0.5,
        people: tuple[str, str] = ("P", "P"), sensors: tuple[str, str] = ("S", "S")) -> pd.DataFrame:
    """Readings of two constructions on the same people (unless named otherwise), residual SDs as given."""
    rng = np.random.default_rng(seed)
    target, facet = 10 * rng.normal(size=(n, 1)), rng.normal(size=k)
    z = rng.normal(size=(2, n, k))
    z[1] = together * z[0] + math.sqrt(1 - together**2) * z[1]
    rows = []
    for g, name in enumerate(("laminated", "plain")):
        y = 100 + target + facet + residual[g] * z[g]
        i, j = np.indices((n, k))
        rows.append(pd.DataFrame({"participant": [f"{people[g]}{a:02d}" for a in i.ravel()], "construction": name,
                                  "sensor": [f"{sensors[g]}{b}" for b in j.ravel()], "reading": y.ravel()}))
    return pd.concat(rows, ignore_index=True)


def codes(result: ReliabilityResult) -> set[str]:
    return {f.code for f in result.findings}


def said(result: ReliabilityResult, code: str) -> str:
    return next(f.message for f in result.findings if f.code == code)


def test_the_answer_is_one_sentence_with_both_intervals() -> None:
    result = ask(two(), compare="construction", agree="order")
    first = result.answer.split(". ")[0]
    assert first.startswith("Laminated reads more repeatably than plain: SEM (consistency) ratio laminated / plain 0.4")
    assert "the difference in ICC(C,1)" in result.answer
    ratio = result.estimate("ratio of SEM (consistency)", comparison="laminated / plain")
    assert ratio.low < 0.5 < ratio.high < 1
    assert "Pitman-Morgan" in ratio.method


def test_every_level_keeps_its_own_estimates() -> None:
    frame = two()
    result = ask(frame, compare="construction")
    for level in ("laminated", "plain"):
        alone = ask(frame[frame["construction"] == level])
        assert result.estimate("ICC(A,1)", construction=level).value == pytest.approx(alone.declared.value)
    a, b = (result.estimate("ICC(A,1)", construction=x).value for x in ("laminated", "plain"))
    assert result.estimate("difference of ICC(A,1)").value == pytest.approx(a - b)
    sem = [result.estimate("SEM (agreement)", construction=x).value for x in ("laminated", "plain")]
    assert result.estimate("ratio of SEM (agreement)").value == pytest.approx(sem[0] / sem[1])


def test_the_same_people_taken_as_independent_are_a_wider_comparison() -> None:
    """The naive twin: with other names for the people of one level, the same readings tell less."""
    shared = ask(two(), compare="construction", agree="order").estimate("difference of ICC(C,1)")
    naive = ask(two(people=("P", "Q")), compare="construction", agree="order").estimate("difference of ICC(C,1)")
    assert naive.value == pytest.approx(shared.value)
    assert naive.high - naive.low > 1.15 * (shared.high - shared.low)


@pytest.mark.parametrize(("people", "sensors", "words"), [
    (("P", "P"), ("S", "S"), "the same 20 participants were measured with laminated and plain"),
    (("P", "Q"), ("S", "T"), "no participants were measured at two levels, so their estimates are independent"),
    (("P", "P"), ("S", "T"), "errors are independent")])
def test_who_and_what_is_shared_is_found_and_said(people: tuple[str, str], sensors: tuple[str, str],
                                                  words: str) -> None:
    result = ask(two(people=people, sensors=sensors), compare="construction")
    assert words.lower() in said(result, "targets-shared").lower()


def test_people_shared_in_part_are_counted() -> None:
    frame = two()
    lost = frame["participant"].isin([f"P{i:02d}" for i in range(5)]) & (frame["construction"] == "plain")
    result = ask(frame[~lost], compare="construction")
    assert "15 of 20 with laminated and of 15 with plain" in said(result, "targets-shared")
    assert result.table("comparison of reliabilities")["targets in both"][0] == "15 of 20 and 15"


def test_what_is_not_shown_is_not_called_equal() -> None:
    result = ask(two(2, residual=(3.0, 3.0)), compare="construction", agree="order")
    assert "is shown to read more repeatably, which does not show them equal" in result.answer
    assert "cannot be told from zero" in result.answer


def test_pairs_of_three_are_all_listed_with_holm() -> None:
    frame = pd.concat([two(), two(7, residual=(2.5, 3.6)).query("construction == 'plain'")
                      .assign(construction="felt")], ignore_index=True)
    result = ask(frame, compare="construction", agree="order")
    table = result.table("comparison of reliabilities")
    assert len(table) == 6
    pairs = list(dict.fromkeys(zip(table["a"], table["b"], strict=True)))
    assert pairs == [("felt", "laminated"), ("felt", "plain"), ("laminated", "plain")]
    assert np.all(table["Holm p"] >= table["p"])
    assert "several-pairs" in codes(result)
    assert result.answer.startswith("Of 3 pairs of construction")


def test_a_level_without_an_estimate_is_refused_by_name() -> None:
    frame = two()
    keep = (frame["construction"] == "laminated") | (frame["sensor"] == "S0")
    result = ask(frame[keep], compare="construction")
    assert math.isnan(result.estimate("ratio of SEM (agreement)").value)
    assert "Construction plain cannot be compared" in said(result, "level-without-estimate")
    assert "No comparison" in result.answer


def test_one_level_has_nothing_to_be_compared_with() -> None:
    result = ask(two().query("construction == 'plain'"), compare="construction")
    assert "one-level-to-compare" in codes(result)
    assert result.answer.startswith("No comparison: construction has only one level")


def test_a_column_that_is_not_there_is_an_error_that_names_its_role() -> None:
    with pytest.raises(DriftError, match="compare names a column that is not there"):
        ask(two(), compare="cover")


def test_few_facet_levels_are_named_as_the_reason_of_the_width() -> None:
    result = ask(two(k=2, sensors=("S", "T")), compare="construction")
    assert "rest on as few as 2 sensors" in said(result, "few-levels-to-compare")
    wide, narrow = (result.estimate(f"ratio of SEM ({kind})") for kind in ("agreement", "consistency"))
    assert math.log(wide.high / wide.low) > 2 * math.log(narrow.high / narrow.low)
    assert "F test" in narrow.method


def test_missing_cells_and_replicates_are_compared_jointly() -> None:
    missing = ask(two().sample(frac=0.9, random_state=2), compare="construction", agree="order")
    ratio = missing.estimate("ratio of SEM (consistency)")
    assert ratio.low < 0.5 < ratio.high < 1
    assert "joint generalised pivotal" in ratio.method
    again = two(3).assign(replicate="1")
    rng = np.random.default_rng(5)
    again = pd.concat([again, again.assign(replicate="2", reading=again["reading"] + rng.normal(size=len(again)))])
    replicated = ask(again, compare="construction", agree="order").estimate("ratio of SEM (consistency)")
    assert replicated.low < replicated.value < replicated.high < 1


def test_one_walk_read_by_two_methods_is_paired_within_cells_too() -> None:
    """Replicates that carry the same label are the same walk: what varies from walk to walk is shared."""
    rng = np.random.default_rng(6)
    n, k, m = 15, 3, 3
    i, j, r = (x.ravel() for x in np.indices((n, k, m)))
    walk = 4 * rng.normal(size=(n, k, m)).ravel()
    target = 10 * rng.normal(size=n)[i]
    rows = [pd.DataFrame({"participant": [f"P{a}" for a in i], "sensor": [f"S{b}" for b in j],
                          "replicate": [str(c) for c in r], "method": name,
                          "reading": 100 + target + walk + sd * rng.normal(size=len(i))})
            for name, sd in (("bench", 0.5), ("gait", 2.0))]
    frame = pd.concat(rows, ignore_index=True)
    paired = ask(frame, compare="method", agree="order").estimate("ratio of SEM (consistency)")
    alone = ask(frame.drop(columns="replicate"), compare="method", agree="order").estimate("ratio of SEM (consistency)")
    assert paired.high - paired.low < 0.75 * (alone.high - alone.low)


def test_rows_in_another_order_and_other_labels_of_people_change_nothing() -> None:
    frame = two()
    one = ask(frame, compare="construction", agree="order").estimate("ratio of SEM (consistency)")
    moved = frame.sample(frac=1, random_state=8).assign(participant=lambda d: "x" + d["participant"])
    other = ask(moved, compare="construction", agree="order").estimate("ratio of SEM (consistency)")
    assert (other.value, other.low, other.high) == pytest.approx((one.value, one.low, one.high), rel=1e-9)


def test_ratios_have_no_unit_and_differences_do_not_change_with_it() -> None:
    frame = two()
    one, psi = ask(frame, compare="construction"), ask(frame.assign(reading=0.145 * frame["reading"]),
                                                       compare="construction")
    for name in ("difference of ICC(A,1)", "ratio of SEM (agreement)", "ratio of SEM (consistency)"):
        a, b = one.estimate(name), psi.estimate(name)
        assert (b.value, b.low, b.high) == pytest.approx((a.value, a.low, a.high), rel=1e-6)
        assert a.unit == ""


def test_a_seed_gives_the_same_interval_again() -> None:
    one, two_ = (ask(two(), compare="construction").estimate("difference of ICC(A,1)") for _ in range(2))
    assert (one.low, one.high) == (two_.low, two_.high)


def test_by_and_compare_go_together() -> None:
    frame = pd.concat([two().assign(region="heel"), two(9).assign(region="toe")], ignore_index=True)
    result = ask(frame, compare="construction", by=("region",))
    for region in ("heel", "toe"):
        assert math.isfinite(result.estimate("ratio of SEM (agreement)", region=region).value)
    assert "Region heel: " in result.answer


def test_the_mean_of_all_levels_is_compared_as_such() -> None:
    frame = two()
    single = ask(frame, compare="construction", use="single").estimate("ratio of SEM (agreement)")
    mean = ask(frame, compare="construction", use="mean")
    assert mean.estimate("ratio of SEM (agreement)").value == pytest.approx(single.value)
    assert math.isfinite(mean.estimate("difference of ICC(A,k)").low)


def test_the_demo_trials_give_back_the_ratios_they_were_made_with() -> None:
    """Within one visit the error of a walk is person x sensor 3, x visit 4, walk 8 and the method's own (world.py)."""
    folder = Path(__file__).parents[2] / "demo_trials"
    study = study_from_dict({
        "study": {"title": "demo"}, "files": {"trials": "trials.csv"},
        "reliability": [{"name": "q", "target": "participant", "facet": "sensor", "compare": "method", "agree": "order",
                         "where": {"gains": "equalised", "region": "forefoot", "session": "visit 2"}}]}, folder=folder)
    result = answer_table(folder / "trials.csv", "icc", study)
    common = 3.0**2 + 4.0**2 + 8.0**2
    own = {"bench": 2.0**2, "gait": 6.0**2, "stance": 5.0**2 + 1.5**2}
    for a, b in (("bench", "gait"), ("bench", "stance"), ("gait", "stance")):
        ratio = result.estimate("ratio of SEM (consistency)", comparison=f"{a} / {b}")
        assert ratio.low < math.sqrt((common + own[a]) / (common + own[b])) < ratio.high
        assert ratio.high / ratio.low < 1.35  # walks are shared by the methods, which makes it sharp


def test_fixed_levels_are_said_to_be_compared_as_a_sample() -> None:
    result = ask(two(), compare="construction", facets_are="fixed")
    assert "for a sample of them" in said(result, "compared-as-a-sample")
    assert "compared-as-a-sample" not in codes(ask(two(), compare="construction"))
