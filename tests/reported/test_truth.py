"""True studies are never accused; the committed tables say how often errors are found.

The full tables: ``python -m tests.coverage reported_truth`` and ``... reported_errors``.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.coverage.family import read_rows
from tests.coverage.reported_errors import TABLE as ERRORS
from tests.coverage.reported_truth import DESIGNS, study
from tests.coverage.reported_truth import TABLE as TRUTH
from tests.reported.errors import KINDS, seeded


@pytest.mark.parametrize("design", DESIGNS)
def test_no_true_study_is_accused(design: str) -> None:
    # Half of the rich families, which take longest, and more of the others: about 200 studies in all.
    n = 6 if design.startswith(("reliability", "two methods")) else 15
    for i in range(n):
        held = study(design, np.random.default_rng([606, i, DESIGNS.index(design)]))
        assert held["printed numbers", "no accusation"][0], (design, i)


def test_ten_thousand_true_studies_were_reviewed_without_one_accusation() -> None:
    rows = [r for r in read_rows(TRUTH) if r["method"] == "no accusation"]
    assert {r["design"] for r in rows} == set(DESIGNS)
    assert sum(int(r["studies"]) for r in rows) >= 10_000
    assert {float(r["coverage"]) for r in rows} == {1.0}
    assert all(r["seed"] and r["date"] for r in rows)


def test_errors_are_found_more_often_the_more_digits_are_printed() -> None:
    rows = {r["design"]: float(r["coverage"]) for r in read_rows(ERRORS) if r["method"] == "accused"}
    for kind in KINDS:
        assert rows[f"{kind}, 4 digits"] >= rows[f"{kind}, 2 digits"] - 0.15, kind
    mean = {d: float(np.mean([rows[f"{k}, {d} digits"] for k in KINDS])) for d in (2, 3, 4)}
    assert mean[2] < mean[3] <= mean[4] + 0.02
    assert mean[4] > 0.8


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_seeded_error_changes_what_it_says(kind: str) -> None:
    right, wrong, named = seeded(kind, 4, np.random.default_rng(5))
    assert named
    if kind == "n one too large":
        assert wrong["paper"]["n"] == right["paper"]["n"] + 1
        return
    changed = {a["what"] for a, b in zip(right["claims"], wrong["claims"], strict=True) if a != b}
    assert changed == set(named)
