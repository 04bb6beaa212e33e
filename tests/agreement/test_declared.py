"""What a study declares about its pairs is set against the rows and said in words."""

import numpy as np
import pytest

from drift.agreement import agreement
from drift.agreement.declared import moving_together
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def ask(**settings):
    given = {"name": "q", "compare": "method", "a": "a", "b": "b", "target": "participant",
             "pair_by": ("participant", "replicate"), **settings}
    return AgreementQuestion(**given)


def readings(seed, *, moving, targets=12, times=4):
    rng = np.random.default_rng(seed)
    t, r = (x.ravel() for x in np.indices((targets, times)))
    true = rng.normal(50, 5, targets)[t] + moving * rng.normal(size=len(t))
    return long_form(true + rng.normal(size=len(t)), true + rng.normal(size=len(t)),
                     participant=[f"P{i}" for i in t], replicate=[str(i) for i in r])


def codes(result):
    return [f.code for f in result.findings]


def test_linked_readings_under_a_constant_truth_are_a_caution():
    found = agreement(trial_table(readings(1, moving=3.0)), ask(truth="constant"))
    caution, = [f for f in found.findings if f.code == "truth-seems-to-vary"]
    assert caution.severity == "warning"
    assert "readings of a and b with the same replicate rise and fall together" in caution.message
    assert 'truth = "varying" with pair_by = ["participant", "replicate"]' in caution.mend
    # and the limits it cautions of are indeed wider
    linked = agreement(trial_table(readings(1, moving=3.0)), ask(truth="varying"))
    assert found.estimate("SD of differences").value > 1.5 * linked.estimate("SD of differences").value


def test_a_constant_truth_that_is_constant_raises_no_caution_more_often_than_it_may():
    said = sum("truth-seems-to-vary" in codes(agreement(trial_table(readings(s, moving=0.0)), ask(truth="constant")))
               for s in range(20))
    assert said <= 4


def test_the_test_of_the_truth_is_exact_under_a_constant_one():
    small, studies = 0, 2000
    t = np.repeat(np.arange(6), 3)
    for child in np.random.SeedSequence(4).spawn(studies):
        x = np.random.default_rng(child).normal(size=(2, 18))
        small += moving_together(x[0], x[1], t).p < 0.05
    assert abs(small / studies - 0.05) < 4 * np.sqrt(0.05 * 0.95 / studies)


def test_a_truth_declared_as_varying_that_is_not_seen_to_vary_is_a_note():
    still = agreement(trial_table(readings(2, moving=0.0)), ask(truth="varying"))
    note, = [f for f in still.findings if f.code == "truth-not-seen-to-vary"]
    assert note.severity == "note"
    assert "may be analysed as linked all the same" in note.message
    assert "truth-not-seen-to-vary" not in codes(agreement(trial_table(readings(2, moving=3.0)), ask(truth="varying")))
    assert "truth-not-seen-to-vary" not in codes(agreement(trial_table(readings(2, moving=0.0)), ask()))


@pytest.mark.parametrize("truth", ["varying", "constant"])
def test_a_truth_declared_of_targets_that_never_repeat_changes_nothing(truth):
    rows = readings(3, moving=1.0, times=1)
    found = agreement(trial_table(rows), ask(truth=truth, pair_by=("participant",)))
    said, = [f for f in found.findings if f.code == "nothing-repeats"]
    assert f'truth = "{truth}" changes nothing' in said.message
    plain = agreement(trial_table(rows), ask(pair_by=("participant",)))
    assert found.estimate("upper limit").high == pytest.approx(plain.estimate("upper limit").high, rel=1e-9)


def test_rows_as_independent_says_what_it_costs():
    rng = np.random.default_rng(5)
    t, r = (x.ravel() for x in np.indices((10, 10)))
    d = np.sqrt(0.5) * rng.normal(size=10)[t] + np.sqrt(0.5) * rng.normal(size=100)
    table = trial_table(long_form(50 + d, np.full(100, 50.0), participant=[f"P{i}" for i in t],
                                  replicate=[str(i) for i in r]))
    told, ours = agreement(table, ask(rows_are_independent=True)), agreement(table, ask())
    cost, = [f.message for f in told.findings if f.code == "rows-as-independent"]
    bias = [x.estimate("bias").high - x.estimate("bias").low for x in (ours, told)]
    assert f"with participant counted the interval of the bias is {bias[0] / bias[1]:.1f} times" in cost
    assert "10 sensors x 10 uses" in cost
    assert "where 95 % are promised" in cost
