"""Drift per use: known truth is recovered, naive twins are not, and every row is accounted for."""

from __future__ import annotations

import warnings

import numpy as np
import pytest

from drift.errors import DriftError
from drift.records import Tables
from drift.sensitivity import WearResult, fit_wear
from tests.sensitivity.worlds import checks_of, events_of, joined, laboratory, sensors_of, study, with_columns


def codes(result):
    return [f.code for f in result.findings]


def finding(result, code):
    return next(f for f in result.findings if f.code == code)


def test_known_drift_is_recovered_with_its_spread():
    # 40 sensors: slope SD known to about 11 %, drift to its own standard error.
    result = fit_wear(laboratory(seed=1, n=40), study(full_scale=1e9))
    drift = result.drift()
    assert abs(drift.value + 0.004) < 4 * drift.std_error
    assert drift.std_error == pytest.approx(np.sqrt((0.0008**2 + 0.012**2 / 1250) / 40), rel=0.35)
    assert result.estimate("SD between sensors, drift per use").value == pytest.approx(0.0008, rel=0.45)
    assert result.estimate("SD between occasions").value == pytest.approx(0.010, rel=0.3)
    assert result.estimate("SD between sensors, start").value == pytest.approx(0.05, rel=0.45)
    assert result.estimate("sensitivity at use 0").value == pytest.approx(1.6, rel=0.04)
    assert result.estimate("sensitivity at use 0").unit == "count/kPa"


def test_percent_is_the_transform_of_the_slope_with_its_interval():
    result = fit_wear(laboratory(seed=2), study(full_scale=1e9))
    drift, percent = result.drift(), result.estimate("drift per use, percent")
    for end in ("value", "low", "high"):
        assert getattr(percent, end) == pytest.approx(100 * np.expm1(getattr(drift, end)), rel=1e-12)
    assert percent.unit == "% per use"
    assert percent.low < percent.value < percent.high < 0
    assert drift.method == "REML, Kenward-Roger t interval"


def test_saturation_pressure_grows_by_a_fit_of_its_own():
    result = fit_wear(laboratory(seed=3, intercept=40.0), study(full_scale=1023.0))
    growth = result.estimate("growth of saturation pressure per use, percent")
    # The intercept does not wear, so log saturation pressure grows as log sensitivity falls.
    assert growth.value == pytest.approx(-100 * np.expm1(result.drift().value), abs=0.03)
    assert growth.low > 0
    assert growth.value != pytest.approx(-result.estimate("drift per use, percent").value, rel=1e-9)


def test_the_answer_is_a_sentence_with_percent_interval_and_construction():
    both = joined(laboratory(seed=4, names="P", construction="plain"),
                  laboratory(seed=5, slope=-0.002, names="L", construction="laminated"))
    result = fit_wear(both, study(full_scale=1e9))
    assert result.answer.startswith("Sensitivity falls by ")
    assert "% per use (95 % interval " in result.answer
    assert "in plain sensors" in result.answer
    assert "in laminated sensors" in result.answer
    assert result.constructions == ("laminated", "plain") or set(result.constructions) == {"laminated", "plain"}


def test_constructions_are_fitted_apart_and_compared_by_a_joint_fit():
    plain = laboratory(seed=6, n=10, slope=-0.005, slope_sd=0.0002, names="P", construction="plain")
    laminated = laboratory(seed=7, n=10, slope=-0.002, slope_sd=0.0002, names="L", construction="laminated")
    result = fit_wear(joined(plain, laminated), study(full_scale=1e9))
    alone = fit_wear(plain, study(full_scale=1e9))
    assert result.drift("plain").value == pytest.approx(alone.drift("plain").value, rel=1e-8)
    difference = result.estimate("difference of drift per use", comparison="laminated - plain")
    assert difference.low < 0.003 < difference.high
    inner = result.estimate("difference of drift per use, equivalence interval")
    assert difference.low < inner.low < inner.high < difference.high
    assert inner.level == pytest.approx(0.90)
    assert finding(result, "comparison").message.startswith("Drift of laminated and plain sensors differ")


def test_kenward_roger_interval_covers_where_one_pooled_line_does_not():
    from drift.sensitivity.design import prepare
    from drift.sensitivity.lines import occasion_means
    from drift.sensitivity.model import GroupRows, fit_group, t_interval

    hits = pooled = 0
    runs = 40
    for seed in range(runs):
        tables = laboratory(seed=1000 + seed, n=6, slope_sd=0.002, start_sd=0.005, mountings=1, levels=(100.0, 500.0))
        data = prepare(tables, study())
        occasions = occasion_means(data)
        rows = GroupRows(response=data.response, use=data.use, sensor=data.sensor, batch=data.batch, epoch=data.epoch,
                         occasion=occasions.of_mounting)
        fit = fit_group(rows, np.array([0.0]), level=0.95, spreads=False)
        low, high = t_interval(*fit.slope, 0.95)
        hits += low <= -0.004 <= high
        x, y = data.use - data.use.mean(), data.response
        slope = (x @ y) / (x @ x)
        error = np.sqrt(((y - y.mean() - slope * x) ** 2).sum() / (len(y) - 2) / (x @ x))
        pooled += abs(slope + 0.004) <= 2.03 * error
    # 95 % of 40 is 38; 32 or fewer has probability below 0.1 %. The pooled line treats checks as independent.
    assert hits >= 33
    assert pooled < hits


def test_replicates_do_not_count_as_occasions():
    # Without the occasion effect eight mountings a use would claim eight times the information on each use.
    from dataclasses import replace

    from drift.sensitivity.design import prepare
    from drift.sensitivity.lines import occasion_means
    from drift.sensitivity.model import GroupRows, fit_group

    tables = laboratory(seed=11, n=8, slope_sd=0.0, occasion_sd=0.03, mountings=8, levels=(100.0, 500.0))
    data = prepare(tables, study())
    occasions = occasion_means(data)
    rows = GroupRows(response=data.response, use=data.use, sensor=data.sensor, batch=data.batch, epoch=data.epoch,
                     occasion=occasions.of_mounting)
    ours = fit_group(rows, np.array([0.0]), level=0.95)
    naive = fit_group(replace(rows, occasion=np.arange(len(data.use))), np.array([0.0]), level=0.95)
    # Truth: 0.03^2 + 0.006^2/8 an occasion, six uses, eight sensors.
    truth = np.sqrt((0.03**2 + 0.006**2 / 8) / 1187.5 / 8)
    assert ours.occasion
    assert not naive.occasion
    assert ours.slope[1] == pytest.approx(truth, rel=0.3)
    mine = {c.name: c.sd for c in ours.components}
    assert mine["between occasions"] == pytest.approx(0.03, rel=0.3)
    # Degrees of freedom or standard error of the naive fit claim more than there is.
    from drift.sensitivity.model import t_interval

    def width(fit):
        low, high = t_interval(*fit.slope, 0.95)
        return high - low

    assert width(naive) < 0.85 * width(ours)


def test_without_replicates_occasion_and_residual_are_one_and_that_is_said():
    result = fit_wear(laboratory(seed=12, mountings=1), study())
    assert "no-replicates" in codes(result)
    assert "SD between occasions" not in {e.name for e in result.estimates}
    assert "SD residual, occasion included" in {e.name for e in result.estimates}


def removed_at_trigger(seed, n=30):
    """Sensors checked every five uses until a check shows a fall of 12 % from the mean start."""
    tables = laboratory(seed=seed, n=n, slope_sd=0.0015, uses=(0, 5, 10, 15, 20, 25, 30, 35, 40), mountings=1,
                        start_sd=0.03, levels=(100.0, 500.0))
    c = tables.checks
    out_at = {}
    keep = np.ones(len(c), dtype=bool)
    value = {}
    for s, u, p, y in zip(c["sensor"], c["use"], c["reference"], c["reading"], strict=True):
        value.setdefault((s, u), {})[p] = y
    for (s, u), v in sorted(value.items(), key=lambda kv: kv[0][1]):
        slope = (v[500.0] - v[100.0]) / 400
        if s not in out_at and slope < 1.6 * 0.88:
            out_at[s] = u
    for i, (s, u) in enumerate(zip(c["sensor"], c["use"], strict=True)):
        keep[i] = u <= out_at.get(s, np.inf)
    sheet = {"sensor": list(tables.sensors["sensor"]),
             "retired_at_use": [float(out_at.get(s, np.nan)) for s in tables.sensors["sensor"]],
             "retired_reason": ["worn" if s in out_at else None for s in tables.sensors["sensor"]]}
    return Tables(checks=c.take(keep), sensors=sensors_of(sheet)), len(out_at)


def test_drop_out_of_worn_sensors_does_not_bias_the_drift_as_it_biases_survivors():
    ours, survivors, errors = [], [], []
    for seed in range(4):
        tables, removed = removed_at_trigger(40 + seed)
        result = fit_wear(tables, study())
        assert removed > 10
        ours.append(result.drift().value + 0.004)
        errors.append(result.drift().std_error)
        o = result.occasions
        uses = np.unique(o["use"])
        means = np.array([o["response"][o["use"] == u].mean() for u in uses])
        survivors.append(np.polyfit(uses, means, 1)[0] + 0.004)
    assert abs(np.mean(ours)) < 4 * np.sqrt(np.mean(np.square(errors)) / len(ours))
    # The line through survivors' means is far too flat.
    assert np.mean(survivors) > 4 * np.sqrt(np.mean(np.square(errors)) / len(ours))
    assert np.mean(survivors) > 3 * abs(np.mean(ours))


def test_removals_are_listed_with_reason_and_the_trigger_reading_is_kept():
    tables, removed = removed_at_trigger(50)
    result = fit_wear(tables, study())
    assert len(result.table("removals")) == removed
    assert set(result.table("removals")["check at removal kept"]) == {"yes"}
    message = finding(result, "sensors-removed").message
    assert f"{removed} of 30 sensors" in message
    assert f"{removed} worn" in message


def test_a_removal_without_reason_is_a_caution():
    tables = laboratory(seed=13)
    events = events_of({"sensor": ["S01", "S02"], "use": [40.0, 45.0], "event": ["retired", "failed"],
                        "note": [None, "dead line"]})
    result = fit_wear(Tables(checks=tables.checks, sensors=tables.sensors, events=events), study())
    assert "S01" in finding(result, "removal-without-reason").message
    assert "S02" in finding(result, "removal-check-missing").message


def test_checks_after_a_recorded_failure_are_named():
    tables = laboratory(seed=13)
    events = events_of({"sensor": ["S01", "S02"], "use": [20.0, 45.0], "event": ["failed", "failed"],
                        "note": ["cracked", "dead line"]})
    result = fit_wear(Tables(checks=tables.checks, sensors=tables.sensors, events=events), study())
    message = finding(result, "checked-after-removal").message
    assert "S01 (removed at 20, checked at" in message
    assert "S02" not in message


def test_raw_readings_are_followed_across_recalibrations():
    tables = laboratory(seed=14, mountings=1)
    cal = ["c1" if u < 15 else "c2" for u in tables.checks["use"]]
    result = fit_wear(with_columns(tables, cal_id=cal), study())
    plain = fit_wear(tables, study())
    assert "recalibrated-raw" in codes(result)
    assert result.drift().value == pytest.approx(plain.drift().value, rel=1e-9)
    assert set(result.sensitivities["cal_id"]) == {"c1", "c2"}


def displayed(seed, shift):
    tables = laboratory(seed=seed, mountings=1, levels=(200.0,), intercept=0.0, sensitivity=1.0, noise=0.3,
                        uses=(0, 5, 10, 15, 20, 25, 30, 35, 40))
    c = {k: v.tolist() for k, v in tables.checks.columns.items()}
    late = [u > 20 for u in c["use"]]
    c["reading"] = [y * np.exp(shift) if late_ else y for y, late_ in zip(c["reading"], late, strict=True)]
    c["cal_id"] = ["c2" if late_ else "c1" for late_ in late]
    return Tables(checks=checks_of(c, reading="kPa"), sensors=tables.sensors)


def test_displayed_pressures_are_analysed_within_calibrations():
    result = fit_wear(displayed(15, 0.10), study())
    none = fit_wear(displayed(15, 0.0), study())
    assert finding(result, "recalibrated-displayed").severity == "warning"
    # A common reset moves nothing; a line through it would hide most of the wear.
    assert result.drift().value == pytest.approx(none.drift().value, rel=1e-6)
    assert result.drift().low < -0.004 < result.drift().high
    naive = np.polyfit(displayed(15, 0.10).checks["use"], np.log(displayed(15, 0.10).checks["reading"]), 1)[0]
    assert naive > result.drift().high


def test_recalibration_events_serve_where_there_is_no_cal_id():
    tables = displayed(16, 0.1)
    c = {k: v.tolist() for k, v in tables.checks.columns.items() if k != "cal_id"}
    sensors = list(tables.sensors["sensor"])
    events = events_of({"sensor": sensors, "use": [20.0] * len(sensors), "event": ["recalibrated"] * len(sensors),
                        "note": [None] * len(sensors)})
    by_event = fit_wear(Tables(checks=checks_of(c, reading="kPa"), sensors=tables.sensors, events=events), study())
    by_column = fit_wear(tables, study())
    assert by_event.drift().value == pytest.approx(by_column.drift().value, rel=1e-9)


def test_batches_enter_by_their_number():
    assert "batches-random" in codes(fit_wear(laboratory(seed=17, n=12, batches=6), study()))
    fixed = fit_wear(laboratory(seed=17, n=9, batches=3), study())
    assert "batches-fixed" in codes(fixed)
    assert "four or more" in finding(fixed, "batches-fixed").message
    assert "no-batch-column" in codes(fit_wear(laboratory(seed=17), study()))
    assert "batches-none" in codes(fit_wear(laboratory(seed=17, batches=1), study()))


def test_a_random_batch_widens_the_interval_where_batches_differ():
    tables = laboratory(seed=18, n=16, batches=4, batch_sd=0.002, slope_sd=0.0003)
    with_batch = fit_wear(tables, study()).drift()
    without = fit_wear(Tables(checks=tables.checks), study()).drift()
    assert with_batch.high - with_batch.low > 1.5 * (without.high - without.low)


def test_fewer_than_five_sensors_get_their_own_lines_and_a_refusal():
    result = fit_wear(laboratory(seed=19, n=4), study())
    assert np.isnan(result.drift().value)
    assert finding(result, "too-few-sensors").severity == "warning"
    assert "Check 1 more sensor to let" in finding(result, "too-few-sensors").mend
    own = [e for e in result.estimates if e.name == "drift per use" and "sensor" in e.of]
    assert len(own) == 4
    assert all(e.low < e.value < e.high for e in own)
    assert "own lines of 4 sensors" in result.answer


def test_perfect_lines_fall_back_on_the_sensors_own_slopes_aloud():
    columns = {"sensor": [f"S{i}" for i in range(6) for _ in range(4)], "use": [0.0, 10.0, 20.0, 30.0] * 6,
               "reading": [float(i + 1 + (0.1 + 0.01 * i) * u) for i in range(6) for u in (0, 10, 20, 30)]}
    result = fit_wear(Tables(checks=checks_of(columns)), study(scale="linear"))
    assert "no-mixed-model" in codes(result)
    assert result.drift().value == pytest.approx(0.125)
    assert result.drift().method.startswith("mean of the sensors' own")


def test_two_checks_a_sensor_without_replicates_give_the_mean_of_slopes():
    result = fit_wear(laboratory(seed=20, uses=(0, 30), mountings=1), study())
    assert "no-mixed-model" in codes(result)
    assert result.drift().low < -0.004 < result.drift().high


def test_a_late_first_check_is_named():
    tables = laboratory(seed=21)
    keep = ~((tables.checks["sensor"] == "S03") & (tables.checks["use"] < 10))
    result = fit_wear(Tables(checks=tables.checks.take(keep)), study())
    assert "S03" in finding(result, "first-check-late").message
    lines = result.lines
    assert lines["first_use"][list(lines["sensor"]).index("S03")] == 10


def test_rows_are_accounted_for_exactly():
    tables = laboratory(seed=22, n=6)
    n = len(tables.checks)
    exclude = [0.0] * n
    exclude[3] = 1.0
    dead = [0.0] * n
    dead[10] = 0.3
    operator = ["A"] * (n - 20) + ["B"] * 20
    sheet = {"sensor": [f"S{i + 1:02d}" for i in range(6)], "role": ["worn"] * 5 + ["control"]}
    more = with_columns(tables, exclude=exclude, exclude_reason=["spilt" if e else None for e in exclude], dead=dead,
                        operator=operator)
    result = fit_wear(Tables(checks=more.checks, sensors=sensors_of(sheet)),
                      study(where={"operator": "A"}, screening={"drop": ["dead cells"]}))
    account = result.provenance.accounts[0]
    assert (account.read, account.outside_where) == (n, 20)
    assert account.used + account.excluded + account.outside_where == account.read
    assert len(result.exclusions) == account.excluded + account.outside_where
    reasons = {x.row: x.reason for x in result.exclusions}
    assert "spilt" in reasons[5]
    assert reasons[12] == "screening: dead cells (dead fraction above 0.02)"
    assert sum("role control" in r for r in reasons.values()) == n // 6 - 20


def test_saturated_readings_stay_in_and_naive_treatments_are_biased():
    full = 790.0
    tables = laboratory(seed=23, n=30, slope=-0.004, sensitivity=1.58, full_scale=full, noise=8.0, mountings=3,
                        uses=(0, 2, 4, 6, 8, 10, 20, 30, 40))
    truth = fit_wear(laboratory(seed=23, n=30, slope=-0.004, sensitivity=1.58, noise=8.0, mountings=3,
                                uses=(0, 2, 4, 6, 8, 10, 20, 30, 40)), study()).drift().value
    ours = fit_wear(tables, study(full_scale=full)).drift().value
    exact = fit_wear(tables, study()).drift().value
    below = Tables(checks=tables.checks.take(tables.checks["reading"] < full), sensors=tables.sensors)
    dropped = fit_wear(below, study(full_scale=full)).drift().value
    assert abs(ours - truth) < 0.3 * abs(exact - truth)
    assert abs(ours - truth) < abs(dropped - truth)


def test_exposure_in_hours_counts_in_hours():
    tables = laboratory(seed=24)
    hours = [2.5 * u for u in tables.checks["use"]]
    columns = {k: v.tolist() for k, v in tables.checks.columns.items() if k != "use"}
    result = fit_wear(Tables(checks=checks_of({**columns, "hours": hours})),
                      study(exposure="hours", exposure_unit="hour"))
    base = fit_wear(Tables(checks=tables.checks), study())
    assert result.drift().unit == "per hour"
    assert "per hour" in result.answer
    assert result.drift().value == pytest.approx(base.drift().value / 2.5, rel=1e-6)
    assert result.drift().high == pytest.approx(base.drift().high / 2.5, rel=1e-6)


def test_a_covariate_of_the_checks_takes_its_effect_out():
    tables = laboratory(seed=25, n=10, occasion_sd=0.001, mounting_sd=0.001)
    rng = np.random.default_rng(0)
    occasion = {}
    temperature = [occasion.setdefault((s, u), float(rng.normal(22, 2)))
                   for s, u in zip(tables.checks["sensor"], tables.checks["use"], strict=True)]
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    columns["reading"] = [y * np.exp(0.02 * (t - 22)) for y, t in zip(columns["reading"], temperature, strict=True)]
    warm = Tables(checks=checks_of({**columns, "temperature": temperature}))
    result = fit_wear(warm, study(covariates=("temperature",)))
    effect = result.estimate("temperature: effect")
    assert effect.low < 0.02 < effect.high
    assert result.drift().std_error < fit_wear(warm, study()).drift().std_error


def test_a_covariate_that_is_not_there_is_left_out_aloud():
    result = fit_wear(laboratory(seed=26), study(covariates=("humidity",)))
    assert "humidity" in finding(result, "covariate-left-out").message


def test_break_in_and_curvature_are_seen():
    tables = laboratory(seed=27, n=12, occasion_sd=0.003, mounting_sd=0.003)
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    pairs = list(zip(columns["reading"], columns["use"], strict=True))
    columns["reading"] = [y * (1.06 if u == 0 else 1.0) for y, u in pairs]
    result = fit_wear(Tables(checks=checks_of(columns)), study())
    seen = [f for f in result.findings if f.code == "check-break-in"]
    assert seen[0].severity == "warning"
    assert "above" in seen[0].message
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    columns["reading"] = [y * np.exp(-0.00008 * u * u) for y, u in pairs]
    bent = fit_wear(Tables(checks=checks_of(columns)), study())
    assert "accelerates" in next(f for f in bent.findings if f.code == "check-straight-line").message


def test_shape_checks_stay_quiet_on_straight_wear():
    alarms = 0
    for seed in range(12):
        result = fit_wear(laboratory(seed=300 + seed, mountings=1, levels=(100.0, 500.0)), study())
        alarms += sum(f.severity == "warning" and f.code.startswith("check-") for f in result.findings)
    # Six looks at 1 % in 12 studies: 0.7 expected, more than four has probability below 0.1 %.
    assert alarms <= 4


def test_anderson_darling_agrees_with_statsmodels():
    from statsmodels.stats.diagnostic import normal_ad

    from drift.sensitivity.assumptions import anderson_darling_normal

    rng = np.random.default_rng(28)
    for values in (rng.normal(size=30), rng.exponential(size=40), rng.uniform(size=25)):
        a2, p = anderson_darling_normal(values)
        raw, theirs = normal_ad(values)
        n = len(values)
        assert a2 == pytest.approx(raw * (1 + 0.75 / n + 2.25 / n**2), rel=1e-9)
        assert p == pytest.approx(theirs, rel=1e-6)


def test_influence_is_the_fit_without_the_sensor():
    tables = laboratory(seed=29, n=7)
    result = fit_wear(tables, study())
    table = result.table("influence")
    assert len(table) == 7
    without = fit_wear(Tables(checks=tables.checks.take(tables.checks["sensor"] != "S04")), study())
    mine = table["drift per use"][list(table["left out"]).index("S04")]
    assert mine == pytest.approx(without.drift().value, rel=1e-7)


def test_mixed_fit_agrees_with_statsmodels_on_unbalanced_data():
    import pandas as pd
    import statsmodels.formula.api as smf

    tables = laboratory(seed=30, n=9, mountings=1, start_sd=0.04, slope_sd=0.001)
    rng = np.random.default_rng(1)
    keep = {(s, u): rng.random() > 0.25 for s in set(tables.checks["sensor"]) for u in (0, 5, 10, 20, 30, 40)}
    mask = np.array([keep[(s, u)] for s, u in zip(tables.checks["sensor"], tables.checks["use"], strict=True)])
    result = fit_wear(Tables(checks=tables.checks.take(mask)), study())
    o = result.occasions
    frame = pd.DataFrame({"z": o["response"], "x": o["use"] / 20, "s": o["sensor"].astype(str)})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its optimiser says much on the way
        fit = smf.mixedlm("z ~ x", frame, groups=frame["s"], re_formula="~x").fit(reml=True, method=["lbfgs", "powell"])
    # statsmodels stops when its own gradient is small: about six digits of the coefficients here.
    assert result.drift().value == pytest.approx(fit.params["x"] / 20, rel=1e-4)
    assert result.estimate("SD between sensors, drift per use").value == pytest.approx(
        np.sqrt(fit.cov_re.iloc[1, 1]) / 20, rel=2e-2)
    assert result.estimate("SD residual, occasion included").value == pytest.approx(np.sqrt(fit.scale), rel=2e-3)


def test_the_result_survives_a_round_trip_and_holds_no_surprise():
    result = fit_wear(laboratory(seed=31, n=12, batches=6), study(full_scale=1023.0))
    back = WearResult.from_dict(result.to_dict())
    assert back.to_dict() == result.to_dict()
    assert result.command == "wear"
    lacking = [e.name for e in result.estimates if not e.method]
    assert not lacking
    for name in ("sensitivities", "occasions", "sensor lines", "population line", "variance components", "screening",
                 "aliases", "residuals"):
        assert result.table(name).name == name


def test_the_band_holds_the_line_and_widens_away_from_the_middle():
    line = fit_wear(laboratory(seed=32, start_sd=0.01), study()).table("population line")
    width = line["high"] - line["low"]
    assert (line["low"] < line["fit"]).all()
    assert (line["fit"] < line["high"]).all()
    assert width[-1] > width.min()


def test_same_seed_same_numbers():
    tables = laboratory(seed=33)
    assert fit_wear(tables, study(), seed=7).to_dict() == fit_wear(tables, study(), seed=7).to_dict()


def test_nothing_to_analyse_is_an_error_that_says_what_to_do():
    with pytest.raises(DriftError, match="no bench checks"):
        fit_wear(Tables(), study())
    with pytest.raises(DriftError, match="no column 'hours'"):
        fit_wear(laboratory(seed=34), study(exposure="hours"))
    with pytest.raises(DriftError, match="None of the"):
        fit_wear(laboratory(seed=34), study(full_scale=1.0))
    with pytest.raises(DriftError, match="names no rule"):
        fit_wear(laboratory(seed=34), study(screening={"drop": ["dead lines"]}))
    with pytest.raises(DriftError, match="neither a number nor a column"):
        fit_wear(laboratory(seed=34), study(full_scale="ceiling"))


def test_full_scale_may_be_a_column_of_the_sensors():
    tables = laboratory(seed=35, n=6)
    names = [f"S{i + 1:02d}" for i in range(6)]
    by_column = Tables(checks=tables.checks, sensors=sensors_of({"sensor": names, "top": [1023.0] * 6}))
    a = fit_wear(by_column, study(full_scale="top")).sensitivities["saturation_pressure"]
    b = fit_wear(tables, study(full_scale=1023.0)).sensitivities["saturation_pressure"]
    np.testing.assert_allclose(a, b)


def test_nonpositive_sensitivities_leave_the_log_scale_by_name():
    tables = laboratory(seed=36, n=6, mountings=1)
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    dead = [s == "S02" and u == 40 for s, u in zip(columns["sensor"], columns["use"], strict=True)]
    columns["reading"] = [0.0 if d else y for y, d in zip(columns["reading"], dead, strict=True)]
    result = fit_wear(Tables(checks=checks_of(columns)), study())
    assert {x.reason for x in result.exclusions} == {
        "sensitivity not above zero: no logarithm (a dead sensor, or a case for scale = linear)"}
    assert len(result.exclusions) == 5


def off_operator(tables, rule, gain=1.03):
    operator = [rule(s, u) for s, u in zip(tables.checks["sensor"], tables.checks["use"], strict=True)]
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    columns["reading"] = [y * (gain if o == "Dov" else 1.0) for y, o in zip(columns["reading"], operator, strict=True)]
    return Tables(checks=checks_of({**columns, "operator": operator}))


def turns(sensor, use):
    return ("Ada", "Bo", "Dov")[(int(sensor[1:]) + int(use) // 5) % 3]


def test_an_operator_who_reads_high_is_named_and_can_be_taken_out():
    tables = off_operator(laboratory(seed=71, n=10), turns)
    result = fit_wear(tables, study())
    found = finding(result, "operators-differ")
    assert "Dov lies +" in found.message
    assert "covariates" in found.mend
    named = fit_wear(tables, study(covariates=("operator",)))
    assert "operators-differ" not in codes(named)
    assert named.estimate("operator = Ada: effect").value == pytest.approx(-np.log(1.03) / 3, abs=0.008)
    assert "operators-differ" not in codes(fit_wear(off_operator(laboratory(seed=71, n=10), turns, gain=1.0), study()))


def test_an_aliased_operator_is_not_judged():
    tables = off_operator(laboratory(seed=72), lambda s, u: "Dov" if u > 0 else "Ada")
    tables = Tables(checks=tables.checks.take(np.isin(tables.checks["use"], [0.0, 40.0])))
    assert "operators-differ" not in codes(fit_wear(tables, study()))


def test_neighbouring_checks_that_err_alike_are_seen():
    rng = np.random.default_rng(73)
    columns = {"sensor": [], "use": [], "reading": []}
    for i in range(8):
        walk = np.cumsum(rng.normal(0, 0.02, 15))
        for u in range(15):
            columns["sensor"].append(f"S{i}")
            columns["use"].append(float(u))
            columns["reading"].append(float(np.exp(-0.01 * u + walk[u])))
    result = fit_wear(Tables(checks=checks_of(columns)), study())
    message = finding(result, "check-independence-of-successive-checks")
    assert message.severity == "warning"
    assert "err alike" in message.message


def test_successive_independent_checks_have_no_excess_correlation():
    from drift.sensitivity.assumptions import succession
    from drift.sensitivity.design import prepare
    from drift.sensitivity.lines import occasion_means, sensor_lines

    data = prepare(laboratory(seed=74, n=300, mountings=1, levels=(100.0, 500.0)), study())
    occasions = occasion_means(data)
    lines = sensor_lines(occasions)
    mean, t, _ = succession(occasions, lines, np.ones(len(lines), dtype=bool))
    # The raw lag-one correlation of six residuals of a line is about -0.3; the excess is none.
    assert abs(t) < 4
    assert abs(mean) < 0.06


def test_finding_texts_have_no_library_types_or_double_stops():
    both = joined(laboratory(seed=75, names="P", construction="plain"),
                  laboratory(seed=76, names="L", construction="laminated"))
    for f in fit_wear(both, study(full_scale=1023.0)).findings:
        assert "np." not in f.message
        assert ".." not in f.message
        assert not f.message.endswith(".")
        assert not f.mend or f.mend.endswith(".")


def test_bent_calibration_lines_are_a_caution():
    tables = laboratory(seed=77, noise=1.0)
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    columns["reading"] = [y + 0.04 * 640 * (1 - ((p - 300) / 200) ** 2)
                          for y, p in zip(columns["reading"], columns["reference"], strict=True)]
    bent = finding(fit_wear(Tables(checks=checks_of(columns)), study()), "check-straight-calibration-lines")
    assert bent.severity == "warning"
    assert "flatten" in bent.message
    quiet = fit_wear(tables, study())
    assert "check-straight-calibration-lines" not in codes(quiet)
    assert "straight calibration lines" in finding(quiet, "assumptions-looked-at").message


def test_the_level_of_the_interval_is_said_once_and_a_change_of_direction_is_said():
    three = joined(laboratory(seed=4, n=3, names="A", construction="a"),
                   laboratory(seed=5, n=6, names="B", construction="b"),
                   laboratory(seed=6, n=6, slope=0.004, names="C", construction="c"))
    answer = fit_wear(three, study()).answer
    assert answer.startswith("No drift of such sensors in general can be stated in a sensors: the own lines of 3")
    assert answer.count("95 % interval") == 1
    assert "sensitivity falls by" in answer
    assert "sensitivity rises by" in answer


def test_a_drift_whose_interval_holds_zero_is_not_claimed():
    """Naive: "sensitivity falls by 0.01 %" whatever the interval."""
    result = fit_wear(laboratory(seed=81, slope=0.0, slope_sd=0.0002), study())
    low, high = result.drift().low, result.drift().high
    assert low <= 0 <= high
    assert result.answer.startswith("Sensitivity is not shown to change: it ")


def test_a_sensor_that_stopped_responding_is_named():
    tables = laboratory(seed=82)
    columns = {k: v.tolist() for k, v in tables.checks.columns.items()}
    dead = [s == "S03" and u >= 20 for s, u in zip(columns["sensor"], columns["use"], strict=True)]
    columns["reading"] = [0.0 if d else y for y, d in zip(columns["reading"], dead, strict=True)]
    found = finding(fit_wear(Tables(checks=checks_of(columns)), study()), "no-logarithm")
    assert found.severity == "warning"
    assert f"{sum(dead)} rows of sensor S03" in found.message
