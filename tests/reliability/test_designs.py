"""What a table must be like: replicates, empty cells, columns without a part, rows accounted, refusals."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

from drift.engine.meansquares import icc_points, two_way
from drift.errors import DriftError
from drift.reliability import ReliabilityResult, check_question
from drift.study import ReliabilityQuestion
from tests.reliability.tables import ask, drawn, long, table_of


def replicated(seed: int = 2, n: int = 15, k: int = 3, m: int = 2) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return drawn(seed, n, k)[:, :, None] + 2 * rng.normal(size=(n, k, 1)) + 1.5 * rng.normal(size=(n, k, m))


def codes(result: ReliabilityResult) -> dict[str, str]:
    return {f.code: f.severity for f in result.findings}


def refused(result: ReliabilityResult) -> bool:
    return len(result.estimates) == 10 and all(math.isnan(e.value) for e in result.estimates)


def test_replicates_are_four_components_with_intervals() -> None:
    y = replicated()
    r = ask(long(y))
    exact = two_way(y).components()
    sds = {e.of["component"]: e for e in r.estimates if e.name == "variance component, SD"}
    assert list(sds) == ["participant", "sensor", "participant x sensor", "within cell"]
    for label, part in zip(sds, ("target", "facet", "interaction", "residual"), strict=True):
        assert sds[label].value == pytest.approx(math.sqrt(exact[part]))
        assert 0 <= sds[label].low <= sds[label].value <= sds[label].high
    assert r.estimates[0].value == pytest.approx(icc_points(two_way(y))["ICC(A,1)"])
    squares = r.table("mean squares").to_frame()
    assert squares["source"].tolist()[:4] == ["participant", "sensor", "participant x sensor", "within cell"]


def test_averaging_replicates_is_declared_and_changes_the_name_and_the_value() -> None:
    """Naive twin: averaging without a word would report the higher coefficient under the plain name."""
    y = replicated()
    kept, averaged = ask(long(y)), ask(long(y), average_replicates=True)
    assert averaged.estimates[0].name == "ICC(A,1), mean of 2 replicates"
    assert averaged.estimates[0].value == pytest.approx(icc_points(two_way(y.mean(axis=2)))["ICC(A,1)"])
    assert kept.estimates[0].name == "ICC(A,1)"
    assert averaged.estimates[0].value > kept.estimates[0].value + 0.005
    assert "mean of 2 replicates" in averaged.answer
    assert averaged.estimate("SEM (agreement)").of["reading"] == "mean of 2 replicates"


def test_replicates_in_some_cells_only_are_all_used() -> None:
    y = replicated()
    y[3:9, 1, 1] = np.nan
    r = ask(long(y))
    assert r.provenance.accounts[0].used == 15 * 3 * 2 - 6
    assert codes(r)["unequal-replicates"] == "note"
    assert "REML" in r.estimates[0].method
    assert r.estimates[0].value == pytest.approx(ask(long(replicated())).estimates[0].value, abs=0.05)


def test_several_readings_without_a_replicate_column_are_said_to_be_replicates() -> None:
    r = ask(long(replicated()).drop(columns="replicate"))
    assert codes(r)["unnamed-replicates"] == "note"


@pytest.mark.parametrize("column", ["side", "operator", "gains", "step"])
def test_a_column_that_varies_inside_a_cell_must_have_a_part(column: str) -> None:
    frame = long(drawn(1))
    other = frame.assign(reading=frame["reading"] + 1)
    value = (1.0, 2.0) if column == "step" else ("left", "right")
    both = pd.concat([frame.assign(**{column: value[0]}), other.assign(**{column: value[1]})], ignore_index=True)
    with pytest.raises(DriftError, match=f"'{column}' varies between readings of the same participant") as stopped:
        ask(both)
    finding = stopped.value.findings[0]
    assert (finding.column, finding.severity) == (column, "error")
    assert "Name it as facet, replicate or in by, or fix it: where" in finding.mend
    assert len(check_question(table_of(both), ReliabilityQuestion(name="q", target="participant", facet="sensor"))) == 1
    fixed = ask(both, where={column: value[0]})
    assert fixed.provenance.accounts[0].outside_where == len(frame)
    assert fixed.estimates[0].value == pytest.approx(ask(frame).estimates[0].value)
    named = ask(both, by=(column,))
    assert [e.of[column] for e in named.estimates if e.name == "ICC(A,1)" and e.of["model"] == "two-way random"] == (
        ["1", "2"] if column == "step" else ["left", "right"])


def test_times_notes_and_measured_covariates_are_no_part_of_a_design() -> None:
    frame = long(replicated())
    rng = np.random.default_rng(1)
    frame = frame.assign(time=[f"2024-01-01T00:00:{i % 60:02d}" for i in range(len(frame))],
                         note=[f"n{i}" for i in range(len(frame))], speed=rng.normal(1.2, 0.1, len(frame)))
    assert ask(frame).estimates[0].value == pytest.approx(ask(long(replicated())).estimates[0].value)


def test_by_repeats_the_question_and_labels_every_estimate() -> None:
    a, b = drawn(1), drawn(2)
    frame = pd.concat([long(a).assign(region="heel"), long(b).assign(region="toes")], ignore_index=True)
    r = ask(frame, by=("region",))
    for label, y in (("heel", a), ("toes", b)):
        assert r.estimate("ICC(A,1)", region=label).value == pytest.approx(icc_points(two_way(y))["ICC(A,1)"])
    assert len([e for e in r.estimates if e.name.startswith("ICC")]) == 20
    assert "heel" in r.answer
    assert "toes" in r.answer
    assert set(r.table("coefficients")["region"]) == {"heel", "toes"}
    assert r.provenance.accounts[0].used == len(frame)


def test_one_question_takes_one_measure() -> None:
    frame = long(drawn(1)).assign(measure=["force", "pressure"] * 40)
    with pytest.raises(DriftError, match="one question takes one measure"):
        ask(frame)


def test_every_row_is_accounted_for_with_its_reason() -> None:
    frame = long(drawn(1)).assign(method="bench", exclude=0.0, exclude_reason=None)
    frame.loc[0, "method"] = "gait"
    frame.loc[1, ["exclude", "exclude_reason"]] = [1.0, "sock slipped"]
    frame.loc[2, "reading"] = np.nan
    frame.loc[3, "participant"] = None
    r = ask(frame, where={"method": "bench"})
    account = r.provenance.accounts[0]
    assert (account.read, account.used, account.outside_where, account.excluded, account.unmatched) == (80, 76, 1, 2, 1)
    assert {(x.row, x.kind, x.reason) for x in r.exclusions} == {
        (2, "outside where", "outside the where of this question"), (3, "excluded", "sock slipped"),
        (4, "excluded", "no reading"), (5, "unmatched", "no participant")}


def test_a_list_of_one_facet_is_that_facet() -> None:
    assert ask(long(drawn(1)), facet=("sensor",)).estimates[0].value == ask(long(drawn(1))).estimates[0].value


@pytest.mark.parametrize(("table", "code", "words"), [
    (drawn(1, 8, 1), "one-level", "only one sensor"),
    (drawn(1, 1, 3), "one-target", "only one participant"),
    (np.full((5, 3), 4.5), "constant-readings", "all 15 readings are the same"),
    (np.where(np.eye(3) > 0, 1.0, np.nan) * [[1], [2], [4]], "disconnected", "no participant links"),
    (np.array([[1, 2, np.nan], [np.nan, 3, 4.5]]), "no-residual", "nothing is left to estimate the residual"),
    (np.array([[1, 2, 3], [4, 5, 6], [2, 3, np.nan]]), "no-residual-variation", "row and column means exactly")])
def test_what_cannot_be_answered_is_refused_in_a_sentence(table: np.ndarray, code: str, words: str) -> None:
    r = ask(long(table))
    assert refused(r)
    assert words in r.answer
    assert codes(r)[code] == "warning"
    assert all(f.mend for f in r.findings if f.code == code)


def test_missing_links_are_named() -> None:
    table = np.full((6, 4), np.nan)
    table[:3, :2], table[3:, 2:] = drawn(1, 3, 2), drawn(2, 3, 2)
    r = ask(long(table))
    assert refused(r)
    for name in ("S1 and S2", "S3 and S4", "participant P01 with sensor S3"):
        assert name in r.answer


def test_a_sensor_without_a_single_reading_is_named() -> None:
    frame = long(drawn(1))
    frame.loc[frame["sensor"] == "S4", "reading"] = np.nan
    r = ask(frame)
    lost = next(f for f in r.findings if f.code == "level-without-reading")
    assert "sensor S4" in lost.message
    assert r.estimates[0].value == pytest.approx(icc_points(two_way(drawn(1)[:, :3]))["ICC(A,1)"])


def test_identical_columns_are_one_with_a_caution() -> None:
    y = np.round(drawn(1, 10, 1))
    r = ask(long(np.repeat(y, 3, axis=1)))
    assert r.estimates[0].value == 1
    assert codes(r)["no-residual-variation"] == "warning"


def test_copied_replicates_are_found() -> None:
    r = ask(long(np.repeat(drawn(1)[:, :, None], 2, axis=2)))
    assert codes(r)["identical-replicates"] == "warning"
    assert math.isfinite(r.estimates[0].low)


def test_zero_components_are_named_with_what_is_still_known() -> None:
    r = ask(long(np.random.default_rng(3).normal(size=(10, 3))))
    zero = next(f for f in r.findings if f.code == "zero-target-variance")
    assert "lies between 0 and" in zero.message


def test_saturated_readings_are_cautioned() -> None:
    frame = long(drawn(1)).assign(saturated=0.0)
    frame.loc[4, "saturated"] = 0.1
    assert "1 of 80 readings have saturated cells" in next(
        f.message for f in ask(frame).findings if f.code == "saturated-readings")


def test_no_usable_row_and_unknown_columns_are_errors() -> None:
    with pytest.raises(DriftError, match="no row is left"):
        ask(long(drawn(1)).assign(exclude=1.0))
    with pytest.raises(DriftError, match="target names a column that is not there"):
        ask(long(drawn(1)), target="walker")
    with pytest.raises(DriftError, match="two parts in one question"):
        ask(long(drawn(1)), target="sensor")


def test_an_offset_of_a_billion_changes_nothing_but_the_percent() -> None:
    y = np.round(drawn(1) * 8) / 8
    a, b = ask(long(y)), ask(long(y + 1e9))
    for one, two in zip(a.estimates, b.estimates, strict=True):
        if "percent" not in one.name and "CV" not in one.name:
            assert (two.value, two.low, two.high) == pytest.approx((one.value, one.low, one.high), rel=1e-9)


def test_a_coefficient_without_a_value_says_why() -> None:
    r = ask(long(np.array([[1.0, 2.0], [2.0, 1.0], [1.5, 1.5]])))
    gone = {e.name for e in r.estimates if math.isnan(e.value)}
    assert "ICC(C,k)" in gone
    caution = next(f for f in r.findings if f.code == "coefficient-without-value")
    assert all(name in caution.message for name in gone)
    assert caution.mend


def test_facets_of_numbers_keep_their_order_and_fixed_levels_are_not_a_sample() -> None:
    frame = long(drawn(1)).assign(use=np.tile([30.0, 2.0, 10.0, 0.0], 20))
    r = ask(frame, facet="use", where={"use": [0, 2, 10, 30]}, facets_are="fixed")
    assert r.estimates[0].of["model"] == "two-way mixed"
    assert "few-facet-levels" not in codes(r)
    assert r.estimates[0].value == pytest.approx(ask(long(drawn(1))).estimate("ICC(A,1)").value)
