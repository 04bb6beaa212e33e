"""What results about lives and first passages say of their own intervals."""

from __future__ import annotations

import numpy as np
import pytest

from drift.ingest.lives import ObservedLives
from drift.results import Estimate
from drift.retirement.life_quoted import quoted_passages
from drift.retirement.life_study import LifeSpec, lifetimes
from drift.simulated import nearest, parse, rows_of


def observed(lower: list[float], upper: list[float]) -> ObservedLives:
    return ObservedLives(unit=np.array([f"U{i}" for i in range(len(lower))], dtype=object), lower=np.array(lower),
                         upper=np.array(upper), cause=np.array([""] * len(lower), dtype=object), per="uses",
                         row=np.zeros(len(lower), dtype=np.int64))


LIVES = observed([8.0, 12.0, 15.0, 17.0, 20.0, 22.0, *[25.0] * 6], [8.0, 12.0, 15.0, 17.0, 20.0, 22.0, *[np.inf] * 6])


def test_a_result_about_lives_quotes_how_often_its_bound_was_right() -> None:
    found = lifetimes(LIVES, LifeSpec(draws=99))
    table = found.table("coverage")
    assert table["quantity"][0] == "lower bound of the life by which 10 % fail"
    assert table["nearest design"][0] == "10 units, 5 failures, right-censored"
    row = nearest("lives", "lower bound of that life", "calibrated signed root", parse("10 units, 5 failures"))
    assert row is not None
    assert table["coverage"][0] == pytest.approx(100 * row.coverage)
    assert any("the lower bound of the life by which 10 % fail was safe in" in f.message for f in found.findings)


def test_lives_looked_at_now_and_then_are_held_against_such_designs() -> None:
    lower = [5.0, 10.0, 10.0, 15.0, 15.0, 20.0, *[25.0] * 6]
    upper = [10.0, 15.0, 15.0, 20.0, 20.0, 25.0, *[np.inf] * 6]
    table = lifetimes(observed(lower, upper), LifeSpec(draws=99)).table("coverage")
    assert all("looked at 5 times" in d for d in table["nearest design"])
    assert "share failed" in list(table["quantity"])


@pytest.mark.parametrize("spec", [LifeSpec(level=0.9, draws=99)])
def test_a_level_that_was_not_simulated_is_not_quoted(spec: LifeSpec) -> None:
    assert all(t.name != "coverage" for t in lifetimes(LIVES, spec).tables)


def test_another_share_quotes_no_bound_of_a_tenth() -> None:
    table = lifetimes(LIVES, LifeSpec(share=0.2, draws=99)).table("coverage")
    assert set(table["quantity"]) == {"Weibull shape", "Weibull scale"}


def test_each_family_of_wear_has_rows_and_is_quoted_by_its_own() -> None:
    families = sorted({r.quantity.removeprefix("use at which 10 % are past, by ") for r in rows_of("first_passage")})
    assert len(families) == 5
    made = [Estimate(name="use by which 10 % are past the limit", value=20.0, low=17.0, high=24.0, level=0.95, n=12,
                     unit="uses", of={"construction": "plain", "limit": "reading", "family": f}, method="m")
            for f in families]
    quoted = quoted_passages(made)
    assert [q.asked.quantity.rsplit(", by", 1)[-1].split("limit, ")[1] for q in quoted] == families
    assert all(q.found.quantity.endswith(f) for q, f in zip(quoted, families, strict=True))


def test_failures_and_not_units_are_the_size_of_a_design_of_lives() -> None:
    assert parse("40 units, 20 failures, right-censored").n == 20
    assert "looked at" in parse("10 units, 5 failures, looked at 5 times").kinds
