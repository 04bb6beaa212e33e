"""One or two pairs that alone make a check fail are named before another variant is proposed."""

from __future__ import annotations

import numpy as np
import pytest

from drift.agreement import agreement
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table


def asked(a, b, **more):
    question = AgreementQuestion(name="q", compare="method", a="a", b="b", pair_by=("participant",), **more)
    return agreement(trial_table(long_form(a, b)), question, seed=1)


def table(n: int = 24) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(3)
    truth = rng.normal(250, 40, n)
    return truth + rng.normal(5, 7, n), truth + rng.normal(0, 7, n)


def test_a_slip_of_typing_is_named_and_no_variant_hangs_on_it() -> None:
    a, b = table()
    a[2] *= 10
    found = asked(a, b, harmless=35)
    said, = [f for f in found.findings if f.code == "one-pair-decides"]
    assert said.severity == "warning"
    assert "P002" in said.message
    assert "One pair decides this: participant P002" in found.answer
    rest = np.delete(a - b, 2)
    assert f"the bias would be {rest.mean():.0f} kPa" in found.answer
    assert "fit better" not in found.answer
    # the pair is kept
    assert found.estimate("bias").value == pytest.approx(np.mean(a - b))
    assert found.estimate("bias").n == 24


def test_two_slips_are_named_together() -> None:
    a, b = table()
    a[2], a[9] = a[2] + 900, a[9] + 950
    said, = [f for f in asked(a, b).findings if f.code == "one-pair-decides"]
    assert "P002" in said.message
    assert "P009" in said.message


def test_a_spread_that_truly_grows_still_has_its_variant() -> None:
    rng = np.random.default_rng(5)
    truth = rng.uniform(50, 500, 60)
    found = asked(truth * np.exp(rng.normal(0, 0.1, 60)), truth * np.exp(rng.normal(0, 0.1, 60)))
    assert not [f for f in found.findings if f.code == "one-pair-decides"]
    assert "fit better" in found.answer


def test_where_the_checks_hold_nothing_is_said() -> None:
    assert not [f for f in asked(*table()).findings if f.code == "one-pair-decides"]


def test_the_share_in_the_sentence_is_that_of_the_multiplier_in_force() -> None:
    question = AgreementQuestion(name="q", compare="method", a="a", b="b", pair_by=("participant",))
    found = agreement(trial_table(long_form(*table())), question, multiplier=2.0)
    assert "95.4 % of differences" in found.answer
    assert found.provenance.settings["multiplier"] == 2.0
