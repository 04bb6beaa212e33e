"""Which readings meet which, and where every other row goes."""

import numpy as np
import pandas as pd
import pytest

from drift.agreement import agreement
from drift.agreement.pairs import form_pairs
from drift.errors import DriftError
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "pair_by": ("participant",), **settings}
    return AgreementQuestion(**given)


def frame(n=8):
    rng = np.random.default_rng(1)
    x = rng.normal(100, 10, n)
    return long_form(x + rng.normal(size=n), x + rng.normal(size=n))


def test_differences_are_a_minus_b_whatever_the_order_of_rows():
    rows = frame()
    a = rows[rows.method == "a"].set_index("participant").reading
    b = rows[rows.method == "b"].set_index("participant").reading
    for seed in (1, 2):
        mixed = rows.sample(frac=1, random_state=seed)
        pairs = agreement(trial_table(mixed), ask()).table("pairs").to_frame().set_index("target")
        pd.testing.assert_series_equal(pairs.difference.sort_index(), (a - b).sort_index(), check_names=False)
        pd.testing.assert_series_equal(pairs["mean"].sort_index(), ((a + b) / 2).sort_index(), check_names=False)


def test_every_row_is_accounted_for():
    rows = frame()
    rows.loc[len(rows)] = {"method": "c", "reading": 1.0, "participant": "P000"}
    rows.loc[len(rows)] = {"method": "a", "reading": 1.0, "participant": "P900"}
    rows.loc[len(rows)] = {"method": "b", "reading": 1.0, "participant": None}
    rows["exclude"] = 0.0
    rows["exclude_reason"] = None
    rows.loc[0, ["exclude", "exclude_reason"]] = [1.0, "walked out of step"]
    rows.loc[1, "reading"] = np.nan
    result = agreement(trial_table(rows), ask())
    account, = result.provenance.accounts
    assert (account.read, account.used) == (19, 12)
    assert (account.outside_where, account.excluded, account.unmatched) == (1, 2, 4)
    reasons = {x.row: (x.kind, x.reason) for x in result.exclusions}
    assert reasons[2] == ("excluded", "walked out of step")
    assert reasons[3] == ("excluded", "no reading")
    assert reasons[10] == ("unmatched", "no reading by a")
    assert reasons[18] == ("outside where", "method c is not compared")
    assert reasons[19] == ("unmatched", "no reading by b")
    assert reasons[20] == ("unmatched", "no value in participant")


def test_where_leaves_rows_outside():
    rows = pd.concat([frame().assign(region="heel"), frame().assign(region="toes")], ignore_index=True)
    result = agreement(trial_table(rows), ask(where={"region": "heel"}))
    account, = result.provenance.accounts
    assert (account.used, account.outside_where) == (16, 16)


def test_a_key_with_two_readings_is_an_error_that_names_key_rows_and_cure():
    rows = frame()
    rows["replicate"] = "1"
    rows.loc[len(rows)] = {"method": "a", "reading": 3.0, "participant": "P002", "replicate": "2"}
    with pytest.raises(DriftError, match=r"pair_by picks 2 readings by a for participant P002 \(rows 4 and 18\)") as e:
        agreement(trial_table(rows), ask())
    assert "Add replicate to pair_by" in str(e.value)


def test_a_column_that_differs_within_pairs_is_an_error():
    rows = frame()
    rows["operator"] = np.where(rows.method == "a", "Ada", "Ben")
    with pytest.raises(DriftError, match="operator differs within 8 pairs"):
        agreement(trial_table(rows), ask())


def test_a_free_column_that_differs_within_pairs_is_noted():
    rows = frame()
    rows["room"] = np.where(rows.method == "a", "1", "2")
    rows["notes"] = [f"note {i}" for i in range(len(rows))]
    result = agreement(trial_table(rows), ask())
    noted = [f.message for f in result.findings if f.code == "varies-in-pair"]
    assert noted == ["The two readings of a pair differ in room (in 8 of 8 pairs)"]


@pytest.mark.parametrize(("settings", "message"), [
    ({"compare": "metod"}, "Did you mean 'method'"),
    ({"a": "A"}, "a is 'A', but the column holds a and b"),
    ({"b": "a"}, "a and b are both 'a'"),
    ({"pair_by": ("participant", "method")}, "pair_by holds the compared column"),
    ({"pair_by": ("participants",)}, "Did you mean 'participant'"),
    ({"harmless": -1.0}, "harmless is \N{MINUS SIGN}1"),
])
def test_a_question_that_does_not_fit_the_table_is_refused_in_words(settings, message):
    with pytest.raises(DriftError, match=message):
        agreement(trial_table(frame()), ask(**settings))


def test_pairs_that_never_meet_are_an_error_that_names_the_key():
    rows = frame()
    rows["day"] = np.where(rows.method == "a", "1", "2")
    with pytest.raises(DriftError, match="no reading by a meets one by b"):
        agreement(trial_table(rows), ask(pair_by=("participant", "day")))


def test_two_measures_are_never_mixed():
    rows = pd.concat([frame().assign(measure="force"), frame().assign(measure="pressure")], ignore_index=True)
    with pytest.raises(DriftError, match="the rows hold 2 measures"):
        agreement(trial_table(rows), ask())
    result = agreement(trial_table(rows), ask(by=("measure",)))
    assert {e.of["measure"] for e in result.estimates} == {"force", "pressure"}


def test_by_answers_each_group_as_if_alone():
    heel, toes = frame().assign(region="heel"), frame(12).assign(region="toes")
    both = agreement(trial_table(pd.concat([heel, toes], ignore_index=True)), ask(by=("region",), harmless=10.0))
    for name, part in (("heel", heel), ("toes", toes)):
        alone = agreement(trial_table(part), ask(harmless=10.0))
        for which in ("bias", "lower limit", "upper limit", "SD of differences"):
            assert both.estimate(which, region=name).value == alone.estimate(which).value
    assert set(both.table("limits")["region"]) == {"heel", "toes"}
    assert "heel" in both.answer
    assert len(both.verdicts) == 2


def test_units_follow_the_measure():
    rows = pd.concat([frame().assign(measure="force"), frame().assign(measure="pressure")], ignore_index=True)
    table = trial_table(rows)
    table = type(table)(dict(table.columns), table.row, table.file,
                        units={"reading[force]": "N", "reading[pressure]": "kPa"})
    result = agreement(table, ask(by=("measure",)))
    assert result.estimate("bias", measure="force").unit == "N"
    assert result.estimate("bias", measure="pressure").unit == "kPa"


def test_saturated_readings_are_cautioned_not_dropped():
    rows = frame()
    rows["saturated"] = 0.0
    rows.loc[3, "saturated"] = 0.2
    result = agreement(trial_table(rows), ask())
    assert result.provenance.accounts[0].used == 16
    assert any(f.code == "saturated-readings" and f.severity == "warning" for f in result.findings)


def test_rows_that_screening_drops_are_excluded_with_its_reason():
    from drift.screening import Screening

    table = trial_table(frame())
    dropped = np.zeros(16, dtype=bool)
    dropped[5] = True
    reasons = np.full(16, "", dtype=object)
    reasons[5] = "dead line: 1"
    made = object.__new__(Screening)
    object.__setattr__(made, "dropped", dropped)
    object.__setattr__(made, "reasons", reasons)
    result = agreement(table, ask(), screening=made)
    assert [(x.row, x.kind) for x in result.exclusions] == [(7, "excluded"), (15, "unmatched")]
    assert result.exclusions[0].reason == "dead line: 1"


def test_the_input_is_left_as_it_was():
    table = trial_table(frame())
    before = {k: v.copy() for k, v in table.columns.items()}
    form_pairs(table, ask())
    agreement(table, ask())
    for name, values in before.items():
        np.testing.assert_array_equal(table[name], values)
