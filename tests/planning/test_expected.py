"""What a plan expects is what simulated studies give, and both are what the analysis itself prints."""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest

from drift.engine.study_size import targets_for_icc_width
from drift.errors import DriftError
from drift.planning.asked import asked_of
from drift.planning.crossed import draw_table
from drift.planning.icc import IccQuestion
from drift.planning.plan import plan
from drift.planning.question import Question
from drift.planning.search import search, simulate
from drift.reliability.components import Refusal, analyse
from drift.reliability.error_sizes import sem
from drift.reliability.icc import coefficients
from drift.reliability.rows import Group

WEAR = {"wear": 0.7, "wear_sd": 0.15, "occasion_sd": 1.0, "mounting_sd": 0.8, "until": 30.0, "drop_out": 0.2}
CROSSED = {"icc": 0.8, "targets": (15,), "levels": (3,)}
PLANS: dict[str, tuple[str, dict[str, Any], int]] = {
    "ICC(C,1), width": ("icc", {**CROSSED, "form": "ICC(C,1)", "width": 0.2}, 600),
    "ICC(C,1), two readings": ("icc", {**CROSSED, "form": "ICC(C,1)", "repeats": (2,), "width": 0.2}, 80),
    "ICC(C,1), bound": ("icc", {**CROSSED, "form": "ICC(C,1)", "least": 0.6}, 600),
    "ICC(A,1), width": ("icc", {**CROSSED, "width": 0.2}, 200),
    "ICC(1), width": ("icc", {**CROSSED, "form": "ICC(1)", "width": 0.2}, 600),
    "ICC(1), bound": ("icc", {**CROSSED, "form": "ICC(1)", "least": 0.6}, 600),
    "ICC(C,1), 20 % missing": ("icc", {**CROSSED, "levels": (4,), "form": "ICC(C,1)", "width": 0.2,
                                           "missing": 0.2}, 120),
    "slope, three checks, half lost": ("slope", {**WEAR, "drop_out": 0.5, "sensors": (10,), "checks": (3,),
                                                 "mountings": (1,), "half_width": 0.1}, 60),
    "retire, three checks, some lost": ("retire", {**WEAR, "drop_out": 0.2, "limit": 20.0, "sensors": (14,),
                                                   "checks": (3,), "mountings": (2,), "lose": 4.0}, 2000),
    "SEM (agreement)": ("sem", {"targets": (15,), "levels": (5,), "within": 20.0}, 600),
    "SEM (consistency), two readings": ("sem", {"targets": (10,), "levels": (3,), "repeats": (2,), "within": 20.0,
                                                "error": "consistency"}, 600),
    "limits, width": ("limits", {"sd": 2.5, "targets": (20,), "width": 1.0}, 800),
    "limits, verdict": ("limits", {"sd": 2.5, "bias": 0.5, "targets": (50,), "harmless": 7.0}, 800),
    "limits, repeated": ("limits", {"sd": 2.0, "within_sd": 1.5, "repeats": (3,), "targets": (20,), "width": 1.0}, 600),
    "slope": ("slope", {**WEAR, "sensors": (8,), "checks": (6,), "mountings": (2,), "half_width": 0.1}, 40),
    "slope, two groups": ("slope", {**WEAR, "sensors": (8,), "checks": (6,), "mountings": (1,), "detect": 0.2,
                                    "groups": 2}, 60),
    "retire": ("retire", {**WEAR, "limit": 20.0, "sensors": (12,), "checks": (7,), "mountings": (2,),
                          "lose": 4.0}, 2000),
    "gauge": ("gauge", {"grr": 30.0, "parts": (10,), "operators": (5,), "repeats": (2,), "within": 40.0}, 200),
}


def question(name: str) -> tuple[Question, dict[str, int], int]:
    """Return a question, its one design and how many studies to simulate."""
    kind, asked, studies = PLANS[name]
    made = asked_of(kind, asked).question
    return made, {f.key: f.values[0] for f in made.factors}, studies


@pytest.mark.parametrize("name", PLANS)
def test_expected_is_the_mean_of_simulated_studies(name: str) -> None:
    """Within four Monte-Carlo errors, and three percent where the expectation neglects something that is said."""
    made, design, studies = question(name)
    found = simulate(made, design, seed=11, studies=studies, tell=lambda *_: None)
    assert found.refused == 0
    # The gauge study pools its interaction; estimated ratios of noise and df move the others a little.
    assert made.expected(design) == pytest.approx(found.mean, abs=4 * found.error + 0.03 * abs(found.mean))


@pytest.mark.parametrize(("form", "model", "repeats"), [
    ("ICC(C,1)", "two-way random", 1), ("ICC(A,1)", "two-way random", 1), ("ICC(1)", "one-way", 1),
    ("ICC(C,1)", "two-way random", 2)])
def test_a_simulated_study_gets_the_printed_interval(form: str, model: str, repeats: int) -> None:
    """One table, once through the planner and once through ``drift icc``."""
    made = asked_of("icc", {**CROSSED, "form": form, "repeats": (repeats,), "width": 0.2}).question
    assert isinstance(made, IccQuestion)
    design = {"targets": 15, "levels": 3, "repeats": repeats}
    wide = made.simulate(design, np.random.default_rng(5), 1, lambda _: None)[0]
    values, targets, levels = _same_table(made, design)
    parts = analyse(_group(values, targets, levels), level=0.95, average=False, target="t", facet="f", spreads=False)
    assert not isinstance(parts, Refusal)
    case = next(c for c in coefficients(parts, level=0.95) if (c.name, c.model) == (form, model))
    assert wide == pytest.approx(case.high - case.low, rel=2e-3)


def _same_table(made: IccQuestion, d: dict[str, int]) -> tuple[Any, Any, Any]:
    """Draw the readings that the planner draws for one study."""
    rng, v, n, k, m = np.random.default_rng(5), made.variances, d["targets"], d["levels"], d["repeats"]
    facet, interaction, residual = v.facet, v.interaction, v.residual
    if made.form == "ICC(1)":
        facet, interaction, residual = 0.0, 0.0, v.facet + v.noise
    cells = (math.sqrt(v.target) * rng.normal(size=(1, n, 1)) + math.sqrt(facet) * rng.normal(size=(1, 1, k))
             + math.sqrt(interaction) * rng.normal(size=(1, n, k)))
    y = (cells[..., None] + math.sqrt(residual) * rng.normal(size=(1, n, k, m)))[0]
    i, j, _ = np.indices(y.shape)
    return y.ravel(), i.ravel(), j.ravel()


def _group(values: Any, targets: Any, levels: Any) -> Group:
    nothing = np.full(len(values), np.nan)
    return Group(labels={}, values=values, targets=targets, facets=levels, reading_sd=nothing, reading_n=nothing,
                 target_names=tuple(map(str, range(int(targets.max()) + 1))), unit="",
                 facet_names=tuple(map(str, range(int(levels.max()) + 1))))


def test_the_planned_sem_is_that_of_the_analysis() -> None:
    """Same interval from the table and from its sums of squares."""
    from drift.planning.crossed import draw_sums
    from drift.planning.sem import SemQuestion

    made = asked_of("sem", {"targets": (12,), "levels": (4,), "within": 20.0}).question
    assert isinstance(made, SemQuestion)
    v = made.variances
    sums = draw_sums(v, 12, 4, 1, np.random.default_rng(3), 1)
    values, targets, levels = draw_table(v, 12, 4, 1, np.random.default_rng(3))
    parts = analyse(_group(values, targets, levels), level=0.95, average=False, target="t", facet="f", spreads=False)
    assert not isinstance(parts, Refusal)
    _, (low, high), _ = sem(parts, "agreement", 0.95)
    ends = made._ends(sums.pivots(0))
    assert math.sqrt(ends[0]) == pytest.approx(low)
    assert math.sqrt(ends[1]) == pytest.approx(high)


def test_the_smallest_design_is_found_and_confirmed() -> None:
    """One target fewer misses the goal, and the simulation of another seed meets it within two of its errors."""
    made = asked_of("limits", {"sd": 2.5, "bias": 0.5, "harmless": 7.0, "power": 0.8}).question
    found = search(made, seed=1, studies=500, tell=lambda *_: None)
    assert found.chosen is not None
    n = found.chosen.design["targets"]
    assert made.expected({"targets": n, "repeats": 1}) >= 0.8 > made.expected({"targets": n - 1, "repeats": 1})
    again = simulate(made, found.chosen.design, seed=2, studies=2000, tell=lambda *_: None)
    assert again.mean >= 0.8 - 2 * again.error


def test_prices_decide_between_designs() -> None:
    """Where sensors are dear and checks cheap, more checks are planned, and the other way round."""
    asked = {**WEAR, "drop_out": 0.0, "wear_sd": 0.02, "half_width": 0.05, "checks": (3, 9), "mountings": (1,)}
    dear = search(asked_of("slope", {**asked, "cost": {"sensor": 1000.0, "check": 1.0}}).question, seed=1, studies=10,
                  tell=lambda *_: None)
    cheap = search(asked_of("slope", {**asked, "cost": {"sensor": 1.0, "check": 100.0}}).question, seed=1, studies=10,
                   tell=lambda *_: None)
    assert dear.nearest.design["checks"] == 9
    assert cheap.nearest.design["checks"] == 3


def test_a_goal_out_of_reach_is_said() -> None:
    """No number of targets narrows what two sensors leave open."""
    made = asked_of("sem", {"facet_share": 0.5, "levels": (2,), "targets": (5, 60), "within": 20.0}).question
    found = search(made, seed=1, studies=100, tell=lambda *_: None)
    assert found.chosen is None
    assert found.nearest.design["targets"] == 60


def test_more_sensors_lose_fewer_uses() -> None:
    """Five, ten and twenty sensors: the count comes nearer to the true one."""
    losses = [asked_of("retire", {**WEAR, "drop_out": 0.0, "limit": 20.0, "checks": (7,), "mountings": (2,),
                                  "sensors": (n,), "lose": 1.0}).question.expected(
              {"sensors": n, "checks": 7, "mountings": 2}) for n in (6, 12, 24, 48)]
    assert losses == sorted(losses, reverse=True)
    assert losses[-1] > 0


def test_a_power_far_beyond_doubt_is_one() -> None:
    """Where the noncentral t has no value any more the smallest study is enough, not refused."""
    made = asked_of("slope", {**WEAR, "detect": 1.0, "sensors": (4, 60), "checks": (5,), "mountings": (1,)}).question
    assert made.expected({"sensors": 60, "checks": 5, "mountings": 1}) == 1.0
    assert made.expected({"sensors": 4, "checks": 5, "mountings": 1}) > 0.99


def test_no_is_said_of_simulated_studies_only() -> None:
    """What is expected may miss the goal where the simulation reaches it: then the answer is a plan."""
    from drift.planning.limits import LimitsQuestion

    class Gloomy(LimitsQuestion):
        def expected(self, d: dict[str, int]) -> float:  # type: ignore[override]
            return super().expected(d) - 0.2

    plain = asked_of("limits", {"sd": 2.5, "bias": 0.5, "harmless": 7.0, "power": 0.8, "targets": (5, 70)}).question
    gloomy = Gloomy(**{f.name: getattr(plain, f.name) for f in fields(plain)})
    found = search(gloomy, seed=1, studies=800, tell=lambda *_: None)
    assert found.chosen is not None
    assert found.simulated.mean >= 0.8


def test_another_combination_is_tried_where_the_cheapest_fails() -> None:
    """The design that is returned is one that was simulated itself."""
    from drift.planning.slope import SlopeQuestion

    class Failing(SlopeQuestion):
        def simulate(self, d, rng, studies, tell):  # type: ignore[no-untyped-def]
            return np.full(studies, 0.0 if d["checks"] == 4 else 1.0)

    plain = asked_of("slope", {**WEAR, "detect": 0.5, "sensors": (4, 8), "checks": (4, 7), "mountings": (1,)}).question
    failing = Failing(**{f.name: getattr(plain, f.name) for f in fields(plain)})
    found = search(failing, seed=1, studies=50, tell=lambda *_: None)
    assert found.chosen is not None
    assert found.chosen.design["checks"] == 7


@pytest.mark.parametrize("share", [None, 0.0, 0.1])
@pytest.mark.parametrize(("form", "model"), [("ICC(A,1)", "two-way random"), ("ICC(C,1)", "two-way random"),
                                             ("ICC(1)", "one-way")])
def test_the_stated_coefficient_is_that_of_the_planned_form(form: str, model: str, share: float | None) -> None:
    """A table of 4,000 simulated targets by 8 levels has the stated 0.85 in the planned form, levels alike or not."""
    made = asked_of("icc", {"icc": 0.85, "form": form, "facet_share": share, "levels": (8,), "width": 0.2}).question
    assert isinstance(made, IccQuestion)
    assert made.icc == pytest.approx(0.85)
    # Eight levels tell their own variance badly: what they differ by is set to its planned value.
    v = made.variances
    y = draw_table(replace(v, facet=0.0), 4000, 8, 1, np.random.default_rng(1))[0].reshape(4000, 8)
    offsets = np.linspace(-1.0, 1.0, 8)
    y = y + offsets * math.sqrt(v.facet) / offsets.std(ddof=1)
    parts = analyse(_group(y.ravel(), np.repeat(np.arange(4000), 8), np.tile(np.arange(8), 4000)), level=0.95,
                    average=False, target="t", facet="f", spreads=False)
    assert not isinstance(parts, Refusal)
    found = next(c for c in coefficients(parts, level=0.95) if (c.name, c.model) == (form, model))
    assert found.value == pytest.approx(0.85, abs=0.012)


def test_levels_that_differ_do_not_flatter_a_consistency() -> None:
    """25 participants whatever the facet's share (16 were planned for 0.85 / 0.95), and Bonett's formula at 0.85."""
    for share in (None, 0.0, 0.2):
        made = asked_of("icc", {"icc": 0.85, "form": "ICC(C,1)", "facet_share": share, "levels": (3,),
                                "width": 0.2}).question
        design = search(made, seed=1, studies=300, tell=lambda *_: None).nearest.design
        assert design["targets"] == 25
        assert made.published(design)[0].value == math.ceil(targets_for_icc_width(0.85, 3, 0.2))
    with pytest.raises(DriftError, match=r"the planned ICC\(C,1\) is 0\.85"):
        asked_of("icc", {"icc": 0.85, "form": "ICC(C,1)", "least": 0.86, "levels": (4,)})


def test_only_an_agreement_takes_a_share_of_the_facet_for_granted() -> None:
    for form in ("ICC(C,1)", "ICC(1)"):
        made = asked_of("icc", {"icc": 0.97, "form": form, "width": 0.1})
        assert "facet_share" not in {v.name for v in made.values}
    with pytest.raises(DriftError, match="nothing for error"):
        asked_of("icc", {"icc": 0.97, "width": 0.1})


@pytest.mark.parametrize(("sensors", "shown"), [((-1.0, 0.2), "nothing that shows"), ((-1.0, -0.2), "a gain"),
                                                ((-1.0, -0.0005), "nothing that shows")])
@pytest.mark.parametrize("studies", [400, 4000])
def test_a_change_for_the_worse_or_within_the_error_is_no_gain(sensors: tuple[float, float], shown: str,
                                                               studies: int) -> None:
    """The expectation is made up: one more sensor changes it as told; studies differ by an SD of 0.1."""
    from drift.planning.slope import SlopeQuestion

    class Told(SlopeQuestion):
        def expected(self, d):  # type: ignore[no-untyped-def]
            return 1.0 + (sensors[1] if d["sensors"] > 8 else 0.0)

        def simulate(self, d, rng, studies, tell):  # type: ignore[no-untyped-def]
            return 1.0 + 0.1 * rng.normal(size=studies)

    plain = asked_of("slope", {**WEAR, "half_width": 1.2, "sensors": (8,), "checks": (4,), "mountings": (1,)}).question
    made = Told(**{f.name: getattr(plain, f.name) for f in fields(plain)})
    table = plan(made, (), seed=1, studies=studies).table("one more")
    row = list(table["one more"]).index("sensor")
    assert table["buys"][row] == shown
    assert math.isnan(table["change"][row]) == (shown != "a gain")
