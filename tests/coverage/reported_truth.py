"""How often a review accuses numbers that are true: random consistent studies, rounded: ``... reported_truth``.

Raw readings are drawn, everything a paper could print of them is worked out by the house's own engine, a random part of
it is printed with random digits under one rule of rounding, and the print is reviewed. ``coverage`` is the share of
studies without an accusation (exact relations), without any remark on an exact relation, and without any question. The
last row is of small studies printed with habits that their claims do not state (:mod:`tests.reported.other_habits`).
"""

from __future__ import annotations

from typing import Any

import numpy as np

from drift.reported.reading import paper_from_dict
from drift.reported.review import look
from tests.coverage.family import FOLDER, Held
from tests.reported.other_habits import study as other_habits
from tests.reported.studies import FAMILIES, RULES, claims_of

TABLE = FOLDER / "reported_truth.csv"
SEED, STUDIES = 20261126, 560
HABITS = "habits left unsaid"
DESIGNS = [*(f"{family}, {rule}" for family in FAMILIES for rule in RULES), HABITS]
EXACT = ("E", "B", "I")


def study(design: str, rng: np.random.Generator) -> Held:
    """Print one consistent study and review it."""
    # Every design has studies of its own: else three rules of rounding would print the same readings.
    rng = np.random.default_rng([int(rng.integers(2**62)), DESIGNS.index(design)])
    made: dict[str, Any] | None = None
    if design == HABITS:
        while made is None or len(made["claims"]) < 3:
            made = other_habits(rng)
    else:
        family, rule = design.rsplit(", ", 1)
        truth = None
        while truth is None:
            truth = FAMILIES[family](rng)
        made = claims_of(truth, rng, rule=rule, keep=float(rng.uniform(0.4, 1.0)))
    paper, _ = paper_from_dict(made)
    found = look(paper, with_implied=False)
    accused = any(v.status == "conflicts" for v in found.verdicts) or any(not c.remark for c in found.conflicts)
    remarked = any(v.status not in ("agrees", "uninformative") and v.relation.kind in EXACT for v in found.verdicts)
    asked = any(v.status not in ("agrees", "uninformative") for v in found.verdicts)
    return {("printed numbers", "no accusation"): (not accused, 1.0),
            ("printed numbers", "no mismatch of an exact relation"): (not remarked and not accused, 1.0),
            ("printed numbers", "no mismatch at all"): (not asked and not accused, 1.0)}
