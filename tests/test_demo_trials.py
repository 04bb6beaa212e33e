"""The demo trials: made again byte for byte, true values checked by brute force, every promised flaw present."""

from __future__ import annotations

import json
from pathlib import Path
from types import ModuleType
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.stats import binom

from tests.coverage.demo import checked, generator

DEMO = Path(__file__).resolve().parents[1] / "demo_trials"


@pytest.fixture(scope="module")
def world() -> ModuleType:
    return generator("world")


@pytest.fixture(scope="module")
def make_demo() -> ModuleType:
    return generator("make_demo")


def table(name: str) -> pd.DataFrame:
    return pd.read_csv(DEMO / f"{name}.csv", dtype={"replicate": str})


@pytest.fixture(scope="module")
def truth() -> dict[str, Any]:
    return json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))


def test_the_generator_writes_every_file_again_byte_for_byte(make_demo: ModuleType, tmp_path: Path) -> None:
    make_demo.write_demo(tmp_path)
    made = sorted(p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file())
    assert len(made) >= 9
    for name in made:
        assert (tmp_path / name).read_bytes() == (DEMO / name).read_bytes(), name


def test_the_seed_is_the_one_fixed_before_the_first_run(make_demo: ModuleType, truth: dict[str, Any]) -> None:
    assert make_demo.SEED == truth["seed"] == 20260117


def test_it_is_said_to_be_invented(truth: dict[str, Any]) -> None:
    assert truth["invented"] is True
    assert "invented = true" in (DEMO / "study.toml").read_text(encoding="utf-8")
    assert "do not exist" in (DEMO / "README.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("construction", ["plain", "laminated"])
def test_true_retire_after_counts_hold_in_a_million_drawn_sensors(
        construction: str, world: ModuleType, truth: dict[str, Any]) -> None:
    p = world.CONSTRUCTIONS[construction]
    rng = np.random.default_rng(5)
    n = 1_000_000
    start = (np.log(p["fresh_sensitivity"]) + p["batch_sd_start"] * rng.standard_normal(n)
             + p["sensor_sd_start"] * rng.standard_normal(n))
    drift = (p["drift_per_use"] + p["batch_sd_drift"] * rng.standard_normal(n)
             + p["sensor_sd_drift"] * rng.standard_normal(n))
    counts = truth["wear"][construction]["retire after"]

    def shares(uses: int) -> dict[str, float]:
        small_fall = np.exp(drift * uses) >= 1 - world.LIMITS["sensitivity_change"]
        low_pressure = (world.FULL_SCALE - world.OFFSET) / np.exp(start + drift * uses) <= 1400.0
        return {"sensitivity_change": float(small_fall.mean()), "saturation_pressure": float(low_pressure.mean()),
                "all limits": float((small_fall & low_pressure).mean())}

    for limit, count in counts.items():
        error = 4 * np.sqrt(0.09 / n)
        assert shares(count)[limit] >= 0.90 - error
        assert shares(count + 1)[limit] < 0.90 + error
    stated = truth["wear"][construction]["share within at retire after"]
    error = 4 * np.sqrt(stated * (1 - stated) / n)
    assert shares(counts["all limits"])["all limits"] == pytest.approx(stated, abs=error)


def test_true_counts_can_be_estimated_within_the_planned_uses(truth: dict[str, Any]) -> None:
    plain, laminated = (truth["wear"][c]["retire after"]["all limits"] for c in ("plain", "laminated"))
    assert 25 <= plain <= 50
    assert plain < laminated < 1.25 * 60


def test_true_reliability_is_the_covariance_of_two_drawn_readings(make_demo: ModuleType, truth: dict[str, Any]) -> None:
    first, second = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        use_of = {(w, v): 3 * w + v for w in range(20) for v in range(3)}
        readings = make_demo.region_readings(make_demo.world.REGIONS["heel"], use_of, rng)
        first.append(readings[:, 0, 0, 0, 0, 0] - 260)
        second.append(readings[:, 1, 0, 1, 0, 0] - 260)
    a, b = np.concatenate(first), np.concatenate(second)
    icc = float(np.mean(a * b) / np.sqrt(np.mean(a**2) * np.mean(b**2)))
    stated = truth["reliability"]["same person, another day"]["heel"]["equalised"]["ICC(A,1)"]
    # 60 x 20 people who share session and sensor effects within a seed: Monte-Carlo error of about 0.007.
    assert icc == pytest.approx(stated, abs=0.028)


def test_true_limits_hold_19_differences_in_20(make_demo: ModuleType, truth: dict[str, Any]) -> None:
    for method, name in ((1, "stance against bench"), (2, "gait against bench")):
        limits = truth["agreement"][name]["forefoot"]["over uses 0 to 59"]
        differences = []
        for seed in range(40):
            use_of = {(w, v): 3 * w + v for w in range(20) for v in range(3)}
            info = make_demo.world.REGIONS["forefoot"]
            r = make_demo.region_readings(info, use_of, np.random.default_rng(seed))
            differences.append((r[..., method, 0] - r[..., 0, 0]).ravel())
        d = np.concatenate(differences)
        assert float(d.mean()) == pytest.approx(limits["bias"], abs=0.9)
        # The spread of uses is flatter than a normal curve, so a little more than 95 % lie inside for gait.
        assert 0.94 < float(np.mean((d > limits["lower limit"]) & (d < limits["upper limit"]))) < 0.97


def test_checks_are_as_planned() -> None:
    checks, sensors = table("checks"), table("sensors")
    assert len(sensors) == 24
    assert sensors.groupby("construction")["batch"].nunique().to_dict() == {"plain": 6, "laminated": 6}
    assert (sensors.groupby("batch").size() == 2).all()
    assert set(checks["use"]) == {0, 1, 2, *range(5, 61, 5)}
    assert checks["reading"].dtype == np.int64
    assert checks["reading"].between(0, 1023).all()
    assert checks.groupby(["sensor", "use", "replicate"]).size().eq(5).all()
    assert checks.groupby("sensor")["use"].min().eq(0).all()
    assert not checks.duplicated(["sensor", "use", "replicate", "level"]).any()


def test_every_promised_flaw_of_the_checks_is_there() -> None:
    checks, sensors, events = table("checks"), table("sensors"), table("events")
    removed = sensors[sensors["retired_reason"] == "worn past a limit"]
    last = checks.groupby("sensor")["use"].max()
    assert len(removed) >= 5
    # The reading that triggered removal is kept: it is the last one.
    assert (last.loc[removed["sensor"]].to_numpy() == removed["retired_at_use"].to_numpy()).all()
    dead = checks[checks["dead"] > 0.02]
    assert set(dead["sensor"]) == {"L07"}
    assert "failed" in set(events.loc[events["sensor"] == "L07", "event"])
    recalibrated = events[events["event"] == "recalibrated"]
    own = checks[checks["sensor"] == recalibrated["sensor"].iloc[0]]
    assert (own["cal_id"].eq(2) == own["use"].gt(recalibrated["use"].iloc[0])).all()
    assert checks["saturated"].gt(0).sum() > 100
    assert checks["reading"].max() == 1023
    assert checks["exclude"].sum() == 5
    due = {s: sum(u <= last[s] for u in set(checks["use"])) for s in last.index}
    assert checks.groupby("sensor")["use"].nunique().sum() < sum(due.values())  # missing checks
    assert checks["operator"].nunique() == 4


def test_trials_are_as_planned() -> None:
    trials, sensors = table("trials"), table("sensors")
    assert trials["participant"].nunique() == 20
    assert trials["session"].nunique() == 3
    worn = sensors.set_index("sensor").loc[sorted(trials["sensor"].unique())]
    assert worn["construction"].value_counts().to_dict() == {"plain": 2, "laminated": 2}
    assert worn["retired_at_use"].isna().all()
    assert set(trials["method"]) == {"bench", "stance", "gait"}
    assert set(trials["gains"]) == {"equalised", "as made"}
    assert set(trials["region"]) == {"heel", "midfoot", "forefoot", "whole foot"}
    assert trials["use"].min() == 0
    assert trials["use"].max() == 59
    assert trials.groupby(["participant", "session"])["use"].nunique().eq(1).all()
    assert 20 * 3 * 4 * 2 * 3 * 2 * 4 * 0.9 < len(trials) < 20 * 3 * 4 * 2 * 3 * 2 * 4  # some cells missing


def test_check_and_trial_times_agree_with_the_use_count() -> None:
    checks, trials = table("checks"), table("trials")
    columns = ["sensor", "use", "time"]
    both = pd.concat([checks[columns].assign(kind=0), trials[columns].assign(kind=1)])
    for _, own in both.sort_values("time", kind="stable").groupby("sensor"):
        state = own["use"].to_numpy() + own["kind"].to_numpy() / 2
        assert (np.diff(state) >= 0).all()


def test_intervals_of_the_demo_study_hold_the_truth_as_often_as_they_claim(truth: dict[str, Any],
                                                                            made_once: None) -> None:
    held = checked(DEMO, truth)
    assert len(held) > 40
    assert all(h.available for h in held), [h for h in held if not h.available]
    misses = [h for h in held if not h.holds]
    # The number of misses that a binomial with the nominal 5 % exceeds once in a thousand times.
    assert len(misses) <= binom.ppf(0.999, len(held), 0.05), misses
    counts = [h for h in held if h.quantity == "retire after"]
    assert len(counts) == 6
    assert all(h.holds for h in counts if h.of.endswith("all limits")), counts


def test_coverage_table_of_the_demo_keeps_its_promise(truth: dict[str, Any]) -> None:
    rows = pd.read_csv(DEMO.parent / "drift" / "handbook" / "coverage" / "demo.csv", keep_default_na=False)
    assert set(rows["first_seed"]) == {20260118}
    assert (rows["date"].str.len() == 10).all()
    assert rows["versions"].str.contains("numpy").all()
    counts = rows[rows["quantity"] == "retire after"]
    assert len(counts) == 6
    for row in counts.itertuples():
        construction, limit = row.of.split(", ")
        assert row.truth == truth["wear"][construction]["retire after"][limit]
        # A recommendation may exceed the true count in at most 1 - C of the studies.
        assert row.studies - row.held - (row.studies - row.answered) <= (1 - 0.95) * row.studies
    for row in rows[rows["quantity"] != "retire after"].itertuples():
        # No interval covers less than 0.95 by more than a binomial allows once in a thousand tables.
        assert row.held >= binom.ppf(0.001 / len(rows), row.answered, 0.95), row
