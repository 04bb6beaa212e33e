"""Budgets whose uncertainty is itself hardly known, and budgets beyond what was seen."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.special import stdtrit
from scipy.stats import t as students_t

from drift.budget import BudgetResult, budget
from drift.engine.coverage_factor import mixture_factor
from drift.engine.monte_carlo import Inputs, simulate
from drift.engine.uncertainty import effective_df, propagate
from drift.retirement.counts_alone import counts_alone
from drift.study import Study, study_from_dict
from tests.budget.studies import study, tables

ALONE = {"n_sensors": 1, "uses": (0.0, 15.0, 30.0), "mountings": 1}
ASKED = {"reading": 400, "use": 30, "sensor": "S1"}


def made(asked: dict[str, object], *, counts: dict[str, tuple[float, float]] | None = None, **data: object
         ) -> BudgetResult:
    return budget(tables(**data), study(asked), draws=20_000, counts=counts)  # type: ignore[arg-type]


def added(x: np.ndarray) -> np.ndarray:
    return np.asarray(x.sum(axis=0))


# The coverage factor.


@pytest.mark.parametrize("df", [1.0, 4.0, 17.5])
def test_one_variance_estimate_has_the_t_quantile(df: float) -> None:
    assert mixture_factor([[2.0]], [df], [0]) == pytest.approx(float(students_t.ppf(0.975, df)), rel=1e-9)
    pooled = mixture_factor([[2.0, 0.5], [0.5, 1.0]], [df, df], [3, 3])
    assert pooled == pytest.approx(float(students_t.ppf(0.975, df)), rel=1e-9)


@pytest.mark.parametrize(("share", "df"), [((0.5, 0.5), (1.0, np.inf)), ((0.6, 0.3, 0.1), (3.0, 20.0, np.inf)),
                                           ((0.5, 0.5), (5.0, 60.0))])
def test_the_factor_is_the_quantile_of_the_sum_of_t_distributions(share: tuple[float, ...], df: tuple[float, ...]
                                                                  ) -> None:
    n = 400_000
    rng = np.random.default_rng(3)
    y = sum(math.sqrt(s) * (rng.standard_t(v, n) if np.isfinite(v) else rng.standard_normal(n))
            for s, v in zip(share, df, strict=True))
    drawn = float(np.quantile(np.abs(y), 0.95))
    found = mixture_factor(np.diag(share), df, range(len(df)))
    assert found == pytest.approx(drawn, rel=0.02)
    # The naive twin: one t distribution with the effective degrees of freedom.
    naive = float(stdtrit(effective_df(share, df), 0.975))
    assert naive < found
    if df[0] == 1.0:
        assert naive < 0.35 * found


def test_without_few_degrees_of_freedom_it_is_the_normal_quantile_and_grows_with_the_level() -> None:
    assert mixture_factor(np.eye(2), [np.inf, 1e5], [0, 1]) == pytest.approx(1.959964, abs=1e-6)
    low, high = (mixture_factor(np.eye(2), [4, 9], [0, 1], level=p) for p in (0.90, 0.99))
    assert high > 1.5 * low


def test_the_scale_of_the_output_and_the_order_of_the_inputs_change_nothing() -> None:
    v, df = np.diag([3.0, 1.0, 2.0]), np.array([2.0, 9.0, np.inf])
    one = mixture_factor(v, df, [0, 1, 2])
    order = [2, 0, 1]
    assert mixture_factor(1e6 * v[np.ix_(order, order)], df[order], [5, 7, 9]) == pytest.approx(one, rel=1e-3)


def test_variances_few_sensors_told_are_held_where_the_effective_number_of_degrees_misses() -> None:
    """The naive twin fails: shares that are estimated make the effective number large when the error is small."""
    rng = np.random.default_rng(4)
    held = {True: 0, False: 0}
    n = 500
    for _ in range(n):
        s = abs(rng.standard_normal())  # SD of 1 on one degree of freedom
        error = rng.standard_normal() + 0.7 * rng.standard_normal()
        for mixture in held:
            found = propagate(added, np.zeros(2), np.diag([s * s, 0.49]), df=[1.0, np.inf], mixture=mixture)
            held[mixture] += abs(error) <= found.expanded
    assert held[True] / n > 0.95
    assert held[False] / n < 0.93


# What is printed of a simulation.


def test_a_simulation_with_one_degree_of_freedom_has_a_median_and_ends_but_no_mean() -> None:
    inputs = Inputs.independent(np.array([5.0]), np.array([1.0]), ("t",), np.array([1.0]))
    found = simulate(added, inputs, rng=np.random.default_rng(1), most=100_000)
    assert math.isnan(found.mean)
    assert math.isnan(found.u)
    assert found.median == pytest.approx(5, abs=0.05)
    assert found.half_width == pytest.approx(12.7, rel=0.1)
    # The naive twin: an SD that is whatever the widest draw makes it.
    naive = [float(np.random.default_rng(s).standard_t(1, 20_000).std()) for s in range(4)]
    assert max(naive) > 2 * min(naive)


def test_a_budget_on_one_sensor_prints_finite_numbers_and_the_interval_that_was_compared() -> None:
    result = made(ASKED, **ALONE)
    drawn = result.estimate("pressure, Monte Carlo")
    assert np.isfinite([drawn.value, drawn.low, drawn.high]).all()
    assert math.isnan(drawn.std_error)
    assert drawn.low < drawn.value < drawn.high < 1e5
    check = result.table("Monte Carlo check")
    at = list(check["interval"]).index("Monte Carlo, symmetric")
    assert (drawn.value, drawn.high) == (check["pressure"][at], check["high"][at])
    assert result.estimate("expanded uncertainty, Monte Carlo").value == check["half-width"][at]
    assert not any(e.name == "pressure, Monte Carlo, symmetric" for e in result.estimates)


def test_the_slope_of_an_own_line_and_the_days_owe_their_errors_to_one_variance() -> None:
    result = made(ASKED, **ALONE)
    df = dict(zip(result.table("budget")["quantity"], result.table("budget")["degrees of freedom"], strict=True))
    assert df["drift per use"] == df["day of the reading"] == 1
    # Both in one pool: as many effective degrees of freedom as that variance has, but for parts without doubt.
    share = dict(zip(result.table("budget")["quantity"], result.table("budget")["share"], strict=True))
    doubtful = (share["drift per use"] + share["day of the reading"] + share["day of the calibration"]) / 100
    apart = 1 / ((share["drift per use"] / 100) ** 2 + (doubtful - share["drift per use"] / 100) ** 2)
    found = result.estimate("effective degrees of freedom").value
    assert found == pytest.approx(1 / doubtful**2, rel=0.05)
    assert apart > 1.2 * found  # the naive twin


def test_a_stated_drift_with_degrees_of_freedom_is_drawn_from_t() -> None:
    stated = {"estimate": "-1 %", "value": "0.2 %"}
    one, other = (made({**ASKED, "drift": {**stated, **df}}, **ALONE) for df in ({}, {"df": 3}))
    kinds = [dict(zip(r.table("budget")["quantity"], r.table("budget")["distribution"], strict=True))["drift per use"]
             for r in (one, other)]
    assert kinds == ["normal", "t"]
    assert (other.estimate("expanded uncertainty, Monte Carlo").value
            > 1.1 * one.estimate("expanded uncertainty, Monte Carlo").value)


# Beyond what was seen.


def test_far_beyond_the_checks_the_first_sentence_says_so() -> None:
    far, near = (made({"reading": 300, "use": use, "sensor": "S1"}).answer for use in (90, 32))
    assert far.startswith("Extrapolated, for the checks end at use 30 and no interval covers wear that speeds up: a "
                          "reading of 300 count of sensor S1 at use 90")
    assert near.startswith("A reading of")


def test_no_pressure_below_zero_is_printed() -> None:
    result = made({"reading": 300, "use": 900})
    e, d = result.estimate("pressure"), result.estimate("pressure, Monte Carlo")
    assert e.low == 0
    assert e.value - e.std_error * result.estimate("coverage factor").value < 0  # the naive twin
    assert "cut at 0" in e.method
    assert d.low > 0
    assert "the lower end is cut at 0, since no pressure is below that" in result.answer
    assert "the interval to state is that of Monte Carlo" in result.answer


def test_a_use_beyond_the_counts_of_the_study_is_said_and_one_within_them_is_not() -> None:
    codes = {use: {f.code for f in made({"reading": 400, "use": use, "sensor": "S1"},
                                        counts={"": (25.0, 12.0)}).findings} for use in (10, 20, 30)}
    assert not codes[10] & {"beyond-retirement", "beyond-recalibration"}
    assert codes[20] & {"beyond-retirement", "beyond-recalibration"} == {"beyond-recalibration"}
    assert codes[30] >= {"beyond-retirement", "beyond-recalibration"}
    none = made({"reading": 400, "use": 30, "sensor": "S1"}, counts={"": (math.nan, math.nan)})
    assert "beyond-retirement" not in {f.code for f in none.findings}


def beyond(counts: tuple[float, float] | None, use: float = 30.0, **asked: object) -> dict[str, str]:
    result = made({"reading": 400, "use": use, "sensor": "S1", **asked}, counts=counts and {"": counts})
    return {f.code: f"{f.message}. {f.mend}" for f in result.findings if f.code.startswith("beyond-re")}


def test_a_count_of_0_is_an_answer_and_the_strictest_one() -> None:
    """The naive twin takes 0 for "no count" and is silent where the warning is due most."""
    retired = beyond((0.0, math.nan))
    assert set(retired) == {"beyond-retirement"}
    assert "count of 0: not even the first use is shown to be within the limit" in retired["beyond-retirement"]
    assert "Use another sensor" not in retired["beyond-retirement"]
    stale = beyond((math.nan, 0.0))
    assert set(stale) == {"beyond-recalibration"}
    assert "interval of 0 (not even the first use after a calibration" in stale["beyond-recalibration"]
    assert set(beyond((0.0, 0.0), use=0.0)) == set()  # fresh and just calibrated
    assert set(beyond((0.0, 0.0), since_calibration=0)) == {"beyond-retirement"}


@pytest.mark.parametrize("counts", [None, (math.nan, math.nan)])
def test_without_a_count_nothing_is_beyond_it(counts: tuple[float, float] | None) -> None:
    assert beyond(counts) == {}


def test_a_use_at_the_count_is_not_beyond_it() -> None:
    assert beyond((30.0, 30.0)) == {}
    assert set(beyond((29.0, 29.0))) == {"beyond-retirement", "beyond-recalibration"}


def test_a_construction_without_counts_is_not_held_to_those_of_another() -> None:
    two = {"thin": (0.0, 0.0), "thick": (math.nan, math.nan)}
    result = made({"reading": 400, "use": 30}, counts=two, constructions=("thin", "thick"))
    said = [f.message for f in result.findings if f.code.startswith("beyond-re")]
    assert len(said) == 2
    assert all(m.startswith("A sensor of construction thin: ") for m in said)


def limited(limit: str, tolerance: str) -> Study:
    asked = study({"reading": 400, "use": 30, "sensor": "S1"}).model_dump(exclude_none=True, exclude_unset=True)
    return study_from_dict({**asked, "limits": {"sensitivity_change": limit},
                            "recalibration": {"tolerance": tolerance}})


def test_counts_of_0_reach_the_budget_from_the_checks_of_the_study() -> None:
    strict, mild = (counts_alone(tables(), limited(*asked)) for asked in (("0.1 %", "0.1 %"), ("40 %", "10 %")))
    assert strict == {"": (0.0, 0.0)}
    assert min(mild[""]) > 0
    said = {f.code for f in made({"reading": 400, "use": 30, "sensor": "S1"}, counts=strict).findings}
    assert said >= {"beyond-retirement", "beyond-recalibration"}
