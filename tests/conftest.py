"""Properties are tried on the same examples everywhere, and what is dear to make is made once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from inspect import signature
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

settings.register_profile("same everywhere", derandomize=True, database=None, deadline=None)
settings.load_profile("same everywhere")

TESTS = Path(__file__).parent
# Tests that read one thing that is dear to make. With ``--dist loadgroup`` those of a group run in one process;
# elsewise every process would make the thing for itself.
TOGETHER = {
    "demo": ("test_analyses.py", "test_demo_trials.py", "contracts/test_estimate_names.py"),
    "contracts": ("contracts/",),
    "handbook figures": ("handbook/test_figures.py",),
    **{path: (path,) for path in (
        "agreement/test_along_use.py", "agreement/test_several.py", "calibration/test_calibrate.py",
        "calibration/test_cells.py", "cli/test_budget.py", "engine/test_mixed_references.py",
        "gauge/test_published_gauge.py", "gauge/test_published_laboratories.py", "reliability/test_error_situations.py",
        "report/test_agreement_figures.py", "report/test_d_study_figures.py", "report/test_document.py",
        "retirement/test_policy.py", "sensitivity/test_shapes.py", "sensitivity/test_shapes_bad_input.py",
        "test_badly_kept.py", "test_workflow.py")},
}


def group_of(path: Path) -> str | None:
    """Return the group of a file of tests; None where its tests share nothing dear."""
    inside = path.relative_to(TESTS).as_posix()
    return next((name for name, starts in TOGETHER.items() if inside.startswith(starts)), None)


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Mark the tests of a group, before the distribution reads the marks."""
    for item in items:
        if (group := group_of(item.path)) is not None:
            item.add_marker(pytest.mark.xdist_group(group))


def _once(make: Callable[..., Any], kept: dict[Any, Any]) -> Callable[..., Any]:
    """Return ``make`` for results that are read only: asked the same of the same shipped study, it is done once."""
    def made(*given: Any, progress: Any = None, **asked: Any) -> Any:
        bound = signature(make).bind(*given, **asked)
        bound.apply_defaults()
        study = bound.arguments["study"]
        source = [(g.provenance.seed, g.provenance.level) for g in given if hasattr(g, "provenance")]
        key = (make.__name__, str(study.folder), study.model_dump_json(), repr(source),
               bound.arguments["seed"], bound.arguments.get("level"))
        if key not in kept:
            kept[key] = make(*given, **asked)
        return kept[key]

    return made


@pytest.fixture(scope="session")
def dear() -> dict[Any, Any]:
    """Drift and counts of the shipped studies, by what was asked."""
    return {}


@pytest.fixture(scope="module")
def made_once(dear: dict[Any, Any]) -> Iterator[None]:
    """Let tests that read the drift and the counts of a shipped study share them. Results are frozen."""
    import drift.retirement
    import drift.sensitivity

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(drift.sensitivity, "fit_wear", _once(drift.sensitivity.fit_wear, dear))
        patch.setattr(drift.retirement, "retire", _once(drift.retirement.retire, dear))
        yield
