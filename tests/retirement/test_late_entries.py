"""Lives of units that were not watched from new: R's numbers, the truth recovered, and the naive way that fails."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner, Result
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.cli import cli
from drift.engine.life_fit import Lives, fit_lives, ratio_interval
from drift.engine.life_rows import Family
from drift.engine.life_simulated import lasting_to, looked_at
from drift.engine.turnbull import product_limit
from drift.errors import DriftError
from drift.ingest.lives import observed
from drift.retirement.life_study import LifeSpec, lifetimes

REFERENCES = Path(__file__).parents[1] / "references"
TABLE = REFERENCES / "late_entries.csv"
# R 4.2.2, survival 3.5-3 and optim: tests/references/late_entries.R.
R = pd.read_csv(REFERENCES / "late_entries_r.csv")
Floats = np.ndarray[Any, np.dtype[np.float64]]
SPEC = LifeSpec(draws=99)


def frame() -> pd.DataFrame:
    return pd.read_csv(TABLE, keep_default_na=False)


def lives() -> Lives:
    d = frame()
    t = d.uses.to_numpy(float)
    return Lives.build(t, np.where(d.failed == 1, t, np.inf), 1.0, d.entry.to_numpy(float))


def theirs(what: str) -> Floats:
    return R[R.what == what].value.to_numpy(float)


def run(*words: object) -> Result:
    return CliRunner().invoke(cli, ["lifetimes", *map(str, words)])


def said(result: Result) -> str:
    return " ".join(result.output.split())


@pytest.mark.parametrize("family", ["weibull", "lognormal"])
def test_both_families_are_those_of_r(family: Family) -> None:
    seen = lives()
    fit = fit_lives(seen, family)
    assert float(fit.mu) == pytest.approx(theirs(f"{family} mu")[0], rel=1e-6)
    assert math.log(float(fit.sigma)) == pytest.approx(theirs(f"{family} log sigma")[0], rel=1e-6)
    assert float(fit.loglik) == pytest.approx(theirs(f"{family} log-likelihood")[0], rel=1e-8)
    se = R[R.what.isin([f"{family} mu", f"{family} log sigma"])].se.to_numpy(float)
    # R's Hessian is by differences.
    assert np.sqrt(np.diag(fit.cov)) == pytest.approx(se, rel=1e-4)
    low, high = ratio_interval(seen, fit, 0.95, p=0.1)
    assert float(low) == pytest.approx(theirs(f"{family} life 10 % low")[0], rel=1e-6)
    assert float(high) == pytest.approx(theirs(f"{family} life 10 % high")[0], rel=1e-6)


def test_the_product_limit_and_incidence_by_cause_are_those_of_r() -> None:
    d = frame()
    code = np.array([-1 if f == 0 else ["crease", "trace"].index(c) for c, f in zip(d.cause, d.failed, strict=True)])
    found = product_limit(d.uses.to_numpy(float), code, 2, entry=d.entry.to_numpy(float))
    np.testing.assert_array_equal(found.time, R[R.what == "survival"]["at"])
    np.testing.assert_array_equal(found.at_risk, theirs("at risk"))
    np.testing.assert_allclose(found.survival, theirs("survival"), rtol=1e-12)
    np.testing.assert_allclose(found.std_error, R[R.what == "survival"].se, rtol=1e-10)
    for j, cause in enumerate(("crease", "trace")):
        here = R[(R.what == cause) & R["at"].isin(found.time)]
        np.testing.assert_allclose(found.incidence[j], here.value, rtol=1e-10)


def test_the_command_gives_the_same_numbers_and_says_how() -> None:
    asked = (TABLE, "--time", "uses", "--event", "failed", "--entry", "entry", "--unit-column", "unit")
    data = json.loads(run(*asked, "--json").output)
    e = next(e for e in data["estimates"] if e["name"] == "life by which 10 % fail")
    assert e["low"] == pytest.approx(theirs("weibull life 10 % low")[0], rel=1e-6)
    assert "28 entered late, given that they had lasted so long" in e["method"]
    share = next(e for e in data["estimates"] if e["name"] == "share failed")
    assert share["method"].endswith("units at risk from their entry on")
    lives_table = next(t for t in data["tables"] if t["name"] == "lives")
    assert [c["name"] for c in lives_table["columns"]][:2] == ["unit", "watched from"]
    text = said(run(*asked))
    assert "28 of 40 units entered late, at up to 28 uses. Each counts as one that had lasted to its entry" in text


def test_truth_is_recovered_and_lives_taken_as_watched_from_new_are_too_long() -> None:
    rng = np.random.default_rng(4)
    entry = np.where(rng.random(4000) < 0.3, 0.0, rng.uniform(5, 30, 4000))
    for family in ("weibull", "lognormal"):
        life = lasting_to(family, math.log(30), 0.5, entry, rng.random(4000))
        seen = looked_at(life, entry + 15, np.zeros(4000, bool), np.array([]), entry)
        fit = fit_lives(seen, family)
        z = (np.array([float(fit.mu) - math.log(30), math.log(float(fit.sigma) / 0.5)])
             / np.sqrt(np.diag(fit.cov)))
        assert np.abs(z).max() < 4
        naive = fit_lives(Lives.build(seen.lower, seen.upper), family)
        assert float(naive.quantile(0.1)) > 1.2 * float(fit.quantile(0.1))


def test_a_life_is_drawn_beyond_its_entry_with_the_right_chance() -> None:
    u = np.linspace(0.05, 0.95, 19)
    for family in ("weibull", "lognormal"):
        entry = np.full(19, 20.0)
        life = lasting_to(family, math.log(30), 0.5, entry, u)
        fit = fit_lives(Lives.build([10.0, 30.0, 50.0], [10.0, 30.0, 50.0]), family)
        fit = type(fit)(family, np.float64(math.log(30)), np.float64(0.5), fit.loglik, fit.cov, fit.found)
        s, s0 = 1 - fit.share_failed(life), 1 - fit.share_failed(20.0)
        np.testing.assert_allclose(1 - s / s0, u, rtol=1e-9)
        assert (life > entry).all()


def test_entries_of_zero_change_nothing() -> None:
    t = np.array([3.0, 7, 9, 12, 20])
    upper = np.array([3.0, 7, np.inf, 12, np.inf])
    plain, zero = (fit_lives(Lives.build(t, upper, 1.0, e)) for e in (0.0, np.zeros(5)))
    assert float(plain.mu) == float(zero.mu)
    one, two = (lifetimes(observed(t, upper, entry=e), SPEC) for e in (None, np.zeros(5)))
    assert one.answer == two.answer


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10**6), scale=st.sampled_from([0.01, 3.0, 1000.0]))
def test_unit_and_order_change_nothing_but_the_unit(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(20) < 0.5, 0.0, rng.uniform(1, 20, 20))
    life = lasting_to("weibull", math.log(30), 0.5, entry, rng.random(20))
    seen = looked_at(life, entry + 20, np.zeros(20, bool), np.array([]), entry)
    order = rng.permutation(20)
    one = fit_lives(seen)
    two = fit_lives(Lives.build(scale * seen.lower[order], scale * seen.upper[order], 1.0,
                                scale * np.asarray(seen.entry)[order]))
    assert bool(one.found) == bool(two.found)
    if bool(one.found):
        assert float(two.quantile(0.1)) == pytest.approx(scale * float(one.quantile(0.1)), rel=1e-5)
        assert float(two.beta) == pytest.approx(float(one.beta), rel=1e-5)


def test_a_curve_that_few_were_watched_for_is_said() -> None:
    entry = [0, 0, *[10.0] * 12]
    time = [4, 5, *np.linspace(12, 30, 12)]
    r = lifetimes(observed(time, time, entry=entry), SPEC)
    found = {f.code: f.message for f in r.findings}
    assert "At 4 uses only 2 units were watched" in found["few-at-risk"]
    assert "falls to nothing there, though others entered later" in found["few-at-risk"]


def test_units_of_which_none_was_watched_from_new() -> None:
    time = np.linspace(12, 30, 12)
    r = lifetimes(observed(time, time, entry=np.full(12, 10.0)), SPEC)
    assert "No unit was watched before 10 uses" in next(f.message for f in r.findings if f.code == "none-from-new")
    none = lifetimes(observed(time, np.full(12, np.inf), entry=np.full(12, 10.0)), SPEC)
    assert "since none was watched from new nothing is known" in none.answer
    some = lifetimes(observed(time, np.full(12, np.inf), entry=[0.0] * 4 + [10.0] * 8), SPEC)
    assert "up to which every one of the 4 watched from new was followed" in some.answer


def test_a_hazard_that_falls_has_no_estimate_rather_than_a_wild_one() -> None:
    rng = np.random.default_rng(8)
    entry = rng.uniform(1, 30, 200)
    pareto = entry * (1 - rng.random(200)) ** -0.5  # hazard 2/t beyond every entry: the shape is zero
    fit = fit_lives(Lives.build(pareto, pareto, 1.0, entry))
    assert not bool(fit.found) or float(fit.beta) < 0.6


def test_the_bound_for_a_known_shape_counts_the_time_watched() -> None:
    # Exponential lives forget their past: only the time watched counts, so the bound is that of (4, 5, 6, 7).
    late = lifetimes(observed([14, 15, 6, 7], [14, 15, np.inf, np.inf], entry=[10.0, 10, 0, 0]), LifeSpec(shape=1.0))
    new = lifetimes(observed([4, 5, 6, 7], [4, 5, np.inf, np.inf]), LifeSpec(shape=1.0))
    for column in ("scale", "lower bound of scale"):
        assert float(late.table("fixed shape")[column][0]) == pytest.approx(float(new.table("fixed shape")[column][0]),
                                                                             rel=1e-6)


def test_faults_are_named_with_row_and_mend(tmp_path: Path) -> None:
    (tmp_path / "l.csv").write_text("uses,failed,entry\n10,1,12\n12,0,3\n15,1,-2\n20,1,20\n30,0,x\n40,0,\n",
                                    encoding="utf-8")
    found = run(tmp_path / "l.csv", "--time", "uses", "--event", "failed", "--entry", "entry")
    assert found.exit_code == 1
    text = said(found)
    assert "row 2, column entry: the unit was watched only from the end of its life on (10)" in text
    assert "row 4, column entry: a life cannot be below zero" in text
    assert "row 5, column entry" in text
    assert "row 6, column entry: this time is not a number" in text
    assert "--entry goes with --time" in said(run(tmp_path / "l.csv", "--from", "uses", "--to", "failed", "--entry",
                                                    "entry"))
    with pytest.raises(DriftError, match="not with lives that ended between two checks"):
        lifetimes(observed([2, 5], [4, np.inf], entry=[1.0, 0.0]), SPEC)
