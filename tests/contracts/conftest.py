"""One result of every class, made by the public functions from the study that ``drift new`` writes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from drift.control import ChartSpec, Occasions, chart_table
from drift.ingest.lives import observed
from drift.ingest.logbook import show
from drift.results import Result
from drift.retirement.life_study import lifetimes
from drift.study import Costs, PolicySpec, RecalibrationSpec, read_study, study_from_dict
from drift.workflow import answer_budget, answer_plan, check_study, new_study, run_study
from drift.workflow_items import items_of_study, lock_of_study
from drift.workflow_review import review_file
from drift.workflow_today import today_of_study

REVIEWED = Path(__file__).parents[2] / "analyses" / "do-reported-numbers-add-up" / "with-errors.toml"


def gauges(folder: Path) -> tuple[Result, ...]:
    """A gauge study and an interlaboratory study of the same two visits, as parts of a study of their own."""
    asked = {"study": {"title": "gauges"}, "files": {"trials": "trials.csv"},
             "gauge": [{"name": "visits", "part": "participant", "operator": "session", "tolerance": 100,
                        "where": {"method": "bench"}}],
             "interlaboratory": [{"name": "over methods", "laboratory": "method", "replicate": "participant",
                                  "where": {"session": "first visit"}}]}
    return run_study(study_from_dict(asked, folder=folder)).parts


def intervals(folder: Path) -> tuple[Result, ...]:
    """The recalibration interval and the policies of the study that ``drift new`` writes."""
    study = read_study(folder).model_copy(update={"recalibration": RecalibrationSpec(tolerance=0.2),
                                                  "policy": PolicySpec(lives=1000), "costs": Costs(
                                                      sensor=90, recalibration=15, spoilt_session=400, check=10)})
    return tuple(p for p in run_study(study).parts if p.command in ("recalibrate", "policy"))


def of_today(folder: Path) -> tuple[Result, ...]:
    """The results about sensors in use: verdicts, a control chart, and what the ledger of the demo holds."""
    occasions = Occasions(standard="CS1", label=np.array([str(i) for i in range(25)], dtype=object),
                          mean=np.random.default_rng(1).normal(10, 1, 25), within_sd=np.full(25, np.nan),
                          within_df=np.zeros(25), use=np.arange(25.0), time=np.full(25, "", dtype=object))
    return (*today_of_study(folder, None).parts, chart_table((occasions,), ChartSpec(), question="rig"),
            show(read_study(Path(__file__).parents[2] / "demo_trials" / "today"), 3))


@pytest.fixture(scope="session")
def results(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Result]:
    """Results by the name of their class."""
    folder: Path = tmp_path_factory.mktemp("contracts") / "study"
    made = new_study(folder)
    whole = run_study(read_study(folder))
    budget = answer_budget(read_study(folder), {}).part("budget")
    assert budget is not None
    bench = run_study(read_study(Path(__file__).parents[2] / "demo_trials" / "calibration"))
    planned = answer_plan("limits", {"sd": 2.0, "width": 1.0}, studies=100)
    lives = lifetimes(observed([0, 4, 5, 9, 6], [4, 9, 5, np.inf, np.inf], cause=["a", "b", "a", "", ""]))
    every = (made, check_study(folder), whole, *whole.parts, *gauges(folder), *intervals(folder), budget, *bench.parts,
             *of_today(folder), lives, *planned.parts, items_of_study(folder),
             lock_of_study(folder, who="Ada"), review_file(REVIEWED))
    return {type(r).__name__: r for r in every}
