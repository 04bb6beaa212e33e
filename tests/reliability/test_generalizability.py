"""Questions with several facets: published studies, naive twins, refusals in words, and what must not matter."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.errors import DriftError
from drift.reliability import ReliabilityResult, check_question
from drift.study import ReliabilityQuestion
from tests.published_examples import agrees, load
from tests.reliability.tables import ask, long, table_of

SYNTHETIC = load("brennan-synthetic3-pxixo")
SCORES = SYNTHETIC.frame().rename(columns={"score": "reading"})


def study(seed: int = 3, *, n: int = 12, sensors: int = 4, sessions: int = 3, m: int = 2, missing: float = 0.0,
          session_sd: float = 14.0) -> pd.DataFrame:
    """Readings of people with sensors of two constructions on several days."""
    rng = np.random.default_rng(seed)
    person, sensor, day = 40 * rng.normal(size=n), 8 * rng.normal(size=sensors), 4 * rng.normal(size=sessions)
    both = session_sd * rng.normal(size=(n, sessions))
    rows = [(f"P{i + 1}", f"S{s + 1}", "AB"[s * 2 // sensors], f"visit {d + 1}", str(r + 1),
             300 + person[i] + sensor[s] + day[d] + both[i, d] + 6 * rng.normal())
            for i in range(n) for s in range(sensors) for d in range(sessions) for r in range(m)]
    frame = pd.DataFrame(rows, columns=["participant", "sensor", "construction", "session", "replicate", "reading"])
    return frame[rng.random(len(frame)) >= missing].reset_index(drop=True)


def value(r: ReliabilityResult, name: str, **of: str) -> float:
    return next(e.value for e in r.estimates if e.name == name and all(e.of.get(k) == v for k, v in of.items()))


def variance(r: ReliabilityResult, component: str) -> float:
    return value(r, "variance component, SD", component=component) ** 2


def codes(r: ReliabilityResult) -> dict[str, str]:
    return {f.code: f.severity for f in r.findings}


def synthetic(**words: object) -> ReliabilityResult:
    return ask(SCORES, target="person", facet=("item", "occasion"), unit="", **words)


def test_brennan_person_by_item_by_occasion() -> None:
    r, e = synthetic(), SYNTHETIC.expected["p_x_i_x_o"]
    for component, printed in (("person", "var_p"), ("item", "var_i"), ("occasion", "var_o"),
                               ("person x item", "var_pi"), ("person x occasion", "var_po"),
                               ("item x occasion", "var_io"),
                               ("person x item x occasion, residual", "var_pio")):
        assert agrees(variance(r, component), e[printed]), component
    mean = {"reading": "mean of 4 items x 2 occasions"}
    assert agrees(value(r, "G coefficient", **mean), e["G_4_2"])
    assert agrees(value(r, "Phi coefficient", **mean), e["Phi_4_2"])
    squares = r.table("mean squares").to_frame().set_index("source")["sum of squares"]
    for source, name in zip(squares.index, ("p", "i", "o", "pi", "po", "io", "pio"), strict=True):
        assert agrees(squares[source], e[f"ss_{name}"]), source


def test_brennan_decisions_for_other_numbers() -> None:
    r = synthetic(plan={"item": [1, 4, 8], "occasion": [1, 2]})
    plan = r.table("D study").to_frame().set_index(["item", "occasion"])
    for items, occasions in ((4, 2), (4, 1), (8, 1), (8, 2), (1, 1)):
        g, phi = SYNTHETIC.recomputed[f"G_Phi_ni{items}_no{occasions}"]
        assert plan.loc[(items, occasions), "G"] == pytest.approx(g, rel=1e-8)
        assert plan.loc[(items, occasions), "Phi"] == pytest.approx(phi, rel=1e-8)


def test_the_same_scores_as_items_within_persons_give_the_larger_coefficient_of_the_confounded_design() -> None:
    frame = SCORES.assign(item=SCORES.item + 10 * SCORES.occasion).drop(columns="occasion")
    r = ask(frame, target="person", facet="item", nested={"item": "person"}, use="mean", agree="order", unit="")
    e = SYNTHETIC.expected["i_in_p_8"]
    assert agrees(variance(r, "person"), e["var_p"])
    assert agrees(variance(r, "item : person, residual"), e["var_ip"])
    assert agrees(r.estimates[0].value, e["G"])
    # The naive twin: with the occasions forgotten the coefficient is too high.
    assert r.estimates[0].value > value(synthetic(), "G coefficient", reading="mean of 4 items x 2 occasions") + 0.05


def test_brennan_person_by_item_with_its_decisions() -> None:
    example = load("brennan-pxi-huynh")
    frame = example.frame().rename(columns={"score": "reading"})
    r = ask(frame, target="person", facet="item", plan={"item": [1, 5, 10, 12, 15, 20]}, use="mean", unit="")
    for component, printed in (("person", "var_p"), ("item", "var_i"), ("person x item, residual", "var_pi")):
        assert agrees(variance(r, component), example.expected[printed])
    assert agrees(value(r, "G coefficient", reading="mean of 12 items"), example.expected["G_12"])
    assert agrees(value(r, "Phi coefficient", reading="mean of 12 items"), example.expected["Phi_12"])
    plan = r.table("D study").to_frame().set_index("item")
    for n, name in ((5, "n5"), (10, "n10"), (15, "n15"), (20, "n20")):
        # The source computed these from rounded components (its note): within 0.001.
        assert plan.loc[n, "G"] == pytest.approx(float(example.expected["D_study_G"][name]), abs=0.001)
        assert plan.loc[n, "Phi"] == pytest.approx(float(example.expected["D_study_Phi"][name]), abs=0.001)
    one = ask(frame, target="person", facet="item", use="mean", agree="order", unit="")
    assert one.estimates[0].name == "ICC(C,k)"
    assert one.estimates[0].value == pytest.approx(value(r, "G coefficient", reading="mean of 12 items"), rel=1e-12)


def test_brennan_unbalanced_items_in_categories_by_both_estimators() -> None:
    example = load("brennan-unbalanced-pxih")
    frame = example.frame().rename(columns={"score": "reading"})
    r = ask(frame, target="person", facet=("item", "category"), nested={"item": "category"}, unit="")
    table = r.table("estimators").to_frame().set_index("component")
    names = {"p": "person", "h": "category", "ih": "item : category", "ph": "person x category",
             "pih": "person x (item : category), residual"}
    for short, component in names.items():
        henderson = table.loc[component, "analogous ANOVA (Henderson 1)"]
        # .9913 was rounded on the way (the example's note); every other printed digit holds.
        assert agrees(henderson, example.expected[f"var_{short}"], units=1 if short == "ph" else 0)
        assert henderson == pytest.approx(example.recomputed["henderson1"][short], abs=2e-10)
        # lme4's own search stops about 1e-4 from the optimum.
        assert table.loc[component, "REML"] == pytest.approx(example.recomputed["reml"][short], rel=3e-4)
        assert variance(r, component) == pytest.approx(table.loc[component, "REML"])
    assert "REML" in r.estimates[0].method


@pytest.mark.parametrize(("name", "target", "facet", "reading", "numbers"), [
    ("nlme-oxide-nested", "lot", "wafer", "thickness", {"lot": "sd_lot", "wafer : lot": "sd_wafer_in_lot",
                                                        "residual (readings of one cell)": "sd_residual"}),
    ("lme4-penicillin-crossed", "plate", "sample", "diameter", {"plate": "sd_plate", "sample": "sd_sample",
                                                                "plate x sample, residual": "sd_residual"})])
def test_published_components(name: str, target: str, facet: str, reading: str, numbers: dict[str, str]) -> None:
    example = load(name)
    frame = example.frame().rename(columns={reading: "reading", "site": "replicate", "source": "maker"})
    if name == "nlme-oxide-nested":
        frame = frame.drop(columns="maker")
    nested = {facet: target} if "nested" in name else {}
    r = ask(frame, target=target, facet=facet, nested=nested, plan={facet: [1, 2]}, unit="")
    for component, printed in numbers.items():
        assert agrees(value(r, "variance component, SD", component=component), example.expected["reml"][printed])


def test_clsi_runs_within_days() -> None:
    example = load("clsi-ep05-glucose-20x2x2")
    frame = example.frame().rename(columns={"result": "reading"})
    r = ask(frame, target="day", facet="run", nested={"run": "day"}, unit="mg/dL")
    assert agrees(variance(r, "day"), example.expected["day"]["vc"])
    assert agrees(variance(r, "run : day"), example.expected["day_run"]["vc"])
    assert agrees(variance(r, "residual (readings of one cell)"), example.expected["error"]["vc"])


def test_nesting_is_seen_and_said_and_the_same_as_declared() -> None:
    frame = study()
    seen = ask(frame, facet=("sensor", "construction", "session"))
    told = ask(frame, facet=("sensor", "construction", "session"), nested={"sensor": "construction"})
    assert codes(seen)["nesting-found"] == "note"
    assert "nesting-found" not in codes(told)
    assert [e.value for e in seen.estimates] == [e.value for e in told.estimates]
    assert any("participant x (sensor : construction) x session" in f.message for f in seen.findings)


def test_sensors_numbered_anew_in_each_construction_are_other_sensors() -> None:
    frame = study()
    again = frame.assign(sensor=frame.sensor.map({"S1": "1", "S2": "2", "S3": "1", "S4": "2"}))
    told = ask(again, facet=("sensor", "construction", "session"), nested={"sensor": "construction"})
    own = ask(frame, facet=("sensor", "construction", "session"), nested={"sensor": "construction"})
    np.testing.assert_allclose([e.value for e in told.estimates], [e.value for e in own.estimates], rtol=1e-10)
    # The naive twin takes sensor 1 of both constructions for one sensor.
    crossed = ask(again, facet=("sensor", "construction", "session"))
    assert "sensor" in {e.of.get("component") for e in crossed.estimates}
    assert crossed.estimates[0].value != pytest.approx(own.estimates[0].value, rel=1e-3)


def test_a_negative_component_is_named_counts_as_zero_and_keeps_its_interval() -> None:
    frame = study(seed=9, session_sd=0.0)
    r = ask(frame, facet=("sensor", "session"))
    zero = [e for e in r.estimates if e.name == "variance component, SD" and e.value == 0]
    assert zero
    assert all(e.low == 0 < e.high for e in zero)
    message = next(f.message for f in r.findings if f.code == "zero-variance")
    assert all(e.of["component"] in message for e in zero)
    # The naive twin leaves the negative component in the sum of the errors.
    squares = r.table("mean squares").to_frame().set_index("source")
    assert len(squares) == 8
    shares = r.table("variance shares").to_frame().set_index("component")
    error = shares.variance.drop("participant").sum()
    assert value(r, "SEM (absolute)", reading="one reading") == pytest.approx(math.sqrt(error))


def test_a_fixed_facet_leaves_the_error() -> None:
    frame = study()
    facets = ("sensor", "construction", "session")
    free = ask(frame, facet=facets)
    held = ask(frame, facet=facets, fixed=["construction"])
    v = {n: variance(free, n) for n in ("participant", "construction", "participant x construction")}
    one = {"reading": "one reading"}
    assert value(held, "SEM (absolute)", **one) ** 2 == pytest.approx(
        value(free, "SEM (absolute)", **one) ** 2 - v["construction"] - v["participant x construction"])
    universe = v["participant"] + v["participant x construction"]
    error = value(held, "SEM (absolute)", **one) ** 2
    assert value(held, "Phi coefficient", **one) == pytest.approx(universe / (universe + error))
    assert "construction" not in [c.name for c in held.table("D study").columns] or set(
        held.table("D study")["construction"]) == {1.0}


def test_the_answer_says_what_buys_most() -> None:
    answer = ask(study(), facet=("sensor", "session")).answer
    assert "A second session narrows the SEM from" in answer
    assert "a second sensor only to" in answer or "a second sensor leaves it at" in answer
    assert "participant x session" in answer


def test_the_d_study_is_arithmetic_on_the_components() -> None:
    r = ask(study(missing=0.1), facet=("sensor", "session"), plan={"sensor": [2], "session": [3], "replicate": [2]})
    v = {e.of["component"]: e.value**2 for e in r.estimates if e.name == "variance component, SD"}
    relative = (v["participant x sensor"] / 2 + v["participant x session"] / 3
                + v["participant x sensor x session"] / 6 + v["residual (readings of one cell)"] / 12)
    absolute = relative + v["sensor"] / 2 + v["session"] / 3 + v["sensor x session"] / 6
    row = r.table("D study").to_frame().iloc[0]
    assert row.readings == 12
    assert row["SEM (relative)"] == pytest.approx(math.sqrt(relative))
    assert row["SEM (absolute)"] == pytest.approx(math.sqrt(absolute))
    assert row["Phi"] == pytest.approx(v["participant"] / (v["participant"] + absolute))
    assert row["MDC (absolute)"] == pytest.approx(1.959964 * math.sqrt(2 * absolute), rel=1e-6)
    assert row["Phi low"] <= row["Phi"] <= row["Phi high"]


@pytest.mark.parametrize(("change", "code", "words"), [
    (lambda f: f[f.sensor == "S1"], "one-level", "only one sensor"),
    (lambda f: f[f.participant == "P1"], "one-target", "only one participant"),
    (lambda f: f.assign(reading=4.5), "constant-readings", "readings are the same"),
    (lambda f: f.assign(session="visit " + f.sensor), "change-together", "change together"),
    (lambda f: f[(f.participant.isin(["P1", "P2", "P3", "P4", "P5", "P6"]) & f.sensor.isin(["S1", "S2"]))
                 | (f.participant.isin(["P7", "P8", "P9"]) & f.sensor.isin(["S3", "S4"]))],
     "disconnected", "no participant links sensors S1 and S2 from sensors S3 and S4"),
    (lambda f: f[f.session == "visit " + f.participant.map(lambda p: str(int(p[1:]) % 3 + 1))], "target-in-facet",
     "measured with one session only"),
    (lambda f: f.assign(reading=[sum(map(ord, x)) ** 2 % 97 for x in f.participant + f.sensor + f.session]),
     "identical-replicates", "replicates of every cell are identical")])
def test_what_cannot_be_answered_is_refused_in_a_sentence(change: object, code: str, words: str) -> None:
    r = ask(change(study()).reset_index(drop=True), facet=("sensor", "session"))  # type: ignore[operator]
    assert codes(r)[code] == "warning"
    assert words in r.answer
    assert math.isnan(r.estimates[0].value)
    assert r.table("D study").to_frame().empty
    assert all(f.mend for f in r.findings if f.code == code)


@pytest.mark.parametrize(("words", "code", "message"), [
    ({"nested": {"sensor": "rig"}}, "nested-name", "no part in the question"),
    ({"nested": {"rig": "sensor"}}, "nested-name", "no facet of the question"),
    ({"nested": {"sensor": "session", "session": "sensor"}}, "nested-name", "lie in each other"),
    ({"nested": {"participant": "session"}}, "nested-name", "is the target"),
    ({"fixed": ["rig"]}, "nested-name", "fixed names a column"), ({"plan": {"rig": [1]}}, "nested-name", "plan names"),
    ({"plan": {"sensor": [0]}}, "nested-name", "one or more")])
def test_names_that_are_no_part_of_the_question_are_errors(words: dict[str, object], code: str, message: str) -> None:
    with pytest.raises(DriftError, match=message):
        ask(study(), facet=("sensor", "session"), **words)
    question = ReliabilityQuestion(name="q", target="participant", facet=("sensor", "session"), **words)
    assert [f.code for f in check_question(table_of(study()), question)] == [code]


def test_all_fixed_without_replicates_has_no_error_left() -> None:
    frame = study(m=1)
    assert "no-random-facet" in codes(ask(frame, facet=("sensor", "session"), facets_are="fixed"))
    r = ask(study(m=2), facet=("sensor", "session"), facets_are="fixed")
    assert value(r, "SEM (absolute)", reading="one reading") == pytest.approx(
        value(r, "variance component, SD", component="residual (readings of one cell)"))


def test_a_latin_square_says_what_is_confounded() -> None:
    frame = study(n=12, sensors=3, sessions=3, m=1)
    turn = (frame.participant.str[1:].astype(int) + frame.session.str[-1].astype(int)) % 3 + 1
    square = frame[frame.sensor == "S" + turn.astype(str)].drop(columns="construction").reset_index(drop=True)
    r = ask(square, facet=("sensor", "session"))
    assert math.isfinite(r.estimates[0].value)
    said = next(f.message for f in r.findings if f.code == "confounded")
    assert "participant x sensor cannot be told from the residual" in said


def test_a_facet_is_asked_by_groups() -> None:
    r = ask(study(), facet=("sensor", "session"), by=("construction",))
    assert r.answer.startswith("Phi coefficient of the same participant over sensor and session, by construction: A ")
    assert {e.of["construction"] for e in r.estimates} == {"A", "B"}
    assert set(r.table("D study")["construction"]) == {"A", "B"}


def test_averaging_replicates_is_said_and_moves_the_residual() -> None:
    r = ask(study(), facet=("sensor", "session"), average_replicates=True)
    assert "replicates-averaged" in codes(r)
    assert "participant x sensor x session, residual" in {e.of.get("component") for e in r.estimates}


def test_without_replicates_a_plan_for_them_is_left_out_with_a_word() -> None:
    r = ask(study(m=1), facet=("sensor", "session"), plan={"replicate": [1, 2]})
    assert codes(r)["plan-of-replicates"] == "warning"


def test_one_facet_of_many_is_the_two_way_analysis() -> None:
    rng = np.random.default_rng(2)
    table = 60 + 8 * rng.normal(size=(15, 1)) + 2 * rng.normal(size=(1, 4)) + 3 * rng.normal(size=(15, 4))
    g, icc = ask(long(table), plan={"sensor": [1]}), ask(long(table))
    assert value(g, "Phi coefficient", reading="one reading") == pytest.approx(icc.estimates[0].value, rel=1e-10)
    assert value(g, "SEM (absolute)", reading="one reading") == pytest.approx(value(icc, "SEM (agreement)"), rel=1e-10)


@settings(max_examples=8, deadline=None, derandomize=True)
@given(st.integers(0, 1000), st.floats(0.1, 50))
def test_order_of_rows_names_and_units_change_nothing(seed: int, scale: float) -> None:
    frame = study(missing=0.12)
    rng = np.random.default_rng(seed)
    moved = frame.iloc[rng.permutation(len(frame))].reset_index(drop=True)
    moved = moved.assign(reading=moved.reading * scale, sensor="sheet " + moved.sensor)
    a, b = (ask(f, facet=("sensor", "session")) for f in (frame, moved))
    for x, y in zip(a.estimates, b.estimates, strict=True):
        factor = scale if x.unit == "kPa" else 1.0
        np.testing.assert_allclose([y.value, y.low, y.high], [factor * z for z in (x.value, x.low, x.high)], rtol=2e-4,
                                   atol=1e-4 * factor)


def test_a_known_truth_is_recovered() -> None:
    r = ask(study(seed=1, n=150, sensors=6, sessions=6, missing=0.05), facet=("sensor", "session"))
    assert value(r, "variance component, SD", component="participant") == pytest.approx(40, rel=0.2)
    assert value(r, "variance component, SD", component="participant x session") == pytest.approx(14, rel=0.1)
    assert value(r, "variance component, SD", component="residual (readings of one cell)") == pytest.approx(6, rel=0.05)


def test_a_large_offset_changes_nothing() -> None:
    frame = study()
    a, b = ask(frame, facet=("sensor", "session")), ask(frame.assign(reading=frame.reading + 1e9),
                                                        facet=("sensor", "session"))
    assert value(b, "SEM (absolute)", reading="one reading") == pytest.approx(
        value(a, "SEM (absolute)", reading="one reading"), rel=1e-6)


def test_a_plan_that_is_cut_says_so() -> None:
    r = synthetic(plan={"item": list(range(1, 61)), "occasion": list(range(1, 41))})
    assert codes(r)["plan-too-long"] == "warning"
    assert "400" in next(f.message for f in r.findings if f.code == "plan-too-long")


def test_a_plan_of_one_facet_is_cut_aloud_too() -> None:
    r = synthetic(plan={"item": list(range(1, 1001))})  # times one to five occasions
    assert "plan asks for 5000 designs; the last 3000" in next(
        f.message for f in r.findings if f.code == "plan-too-long")
