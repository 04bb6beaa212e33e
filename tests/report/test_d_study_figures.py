"""The figures of a D study: bands drawn, the finding in the caption, the same bytes every time."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.figure import Figure as Canvas

from drift.report.d_study_tables import d_study_grids
from drift.report.drawing import make
from drift.report.figures_of_d_study import d_study_figures
from drift.results import Result
from tests.reliability.tables import ask
from tests.reliability.test_generalizability import study


@pytest.fixture(scope="module")
def result() -> Result:
    return ask(study(missing=0.1), facet=("sensor", "session"), plan={"sensor": [1, 2], "session": [1, 2, 3]})


def test_error_and_coefficient_each_have_a_figure(result: Result) -> None:
    drawn = d_study_figures(result)
    assert [name.split()[2] for name, *_ in drawn] == ["error", "coefficient"]
    for _, _, draw, _ in drawn:
        axes = Canvas().add_subplot()
        caption = draw(axes)
        assert "with one session" in caption
        assert "with 3 sessions" in caption
        assert caption.endswith(".")
        assert axes.get_xlabel() == "number of sessions averaged over"
        assert axes.collections, "the interval of the first curve is a band"


def test_the_curve_is_the_table(result: Result) -> None:
    axes = Canvas().add_subplot()
    d_study_figures(result)[0][2](axes)
    plan = result.table("D study").to_frame()
    mine = plan[(plan.sensor == 1)].sort_values("session")
    curve = axes.lines[0]
    np.testing.assert_allclose(curve.get_ydata(), mine["SEM (absolute)"])
    assert axes.get_ylabel() == "SEM (absolute) [kPa]"


def test_the_same_result_gives_the_same_bytes(result: Result) -> None:
    name, title, draw, size = d_study_figures(result)[0]
    assert make(name, title, draw, size=size).svg == make(name, title, draw, size=size).svg


def test_the_short_table_holds_the_declared_error_only(result: Result) -> None:
    grid = d_study_grids(result)[0]
    assert not any("relative" in h for h in grid.heads)
    assert any(h.startswith("SEM (absolute)") for h in grid.heads)
    assert len(grid.rows) == 6


def test_a_result_of_one_facet_has_none() -> None:
    assert d_study_figures(ask(study(), where={"session": "visit 1"})) == []
