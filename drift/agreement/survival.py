"""Agreement survival beside the limits: the share of differences beyond each distance, counted and by the model.

The table "agreement survival" is what the figure is drawn from. Its distances are those at which a step is, thinned
where there are many pairs.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from drift.agreement.answer import Answer
from drift.agreement.companion import Companion, Setting
from drift.agreement.pairs import Group
from drift.agreement.quoted import design_of
from drift.engine.survival_agreement import model_beyond, share_beyond
from drift.errors import MINUS
from drift.results import ResultTable
from drift.simulated.quoting import Asked

FloatArray = NDArray[np.float64]
MOST_STEPS, GRID = 160, 49


def companion(setting: Setting) -> Companion | None:
    """Return the table of shares beyond each distance."""
    q, unit = setting.question, setting.group.unit
    sizes, weights = _differences(setting.group)
    strata = setting.analysis.strata
    at, grid = _distances(sizes, setting.harmless, 3 * strata.sd + abs(strata.mean))
    # The model's curves are smooth: they are drawn from a grid, and read off between its distances.
    value, low, high = (np.interp(at, grid, v) for v in model_beyond(strata, grid, setting.level, rng=setting.rng))
    table = ResultTable.build("agreement survival", {
        "distance": at, "share of pairs beyond": 100 * share_beyond(sizes, at, weights=weights),
        "share beyond": 100 * value, "share beyond low": 100 * low, "share beyond high": 100 * high},
        units={"distance": unit, **dict.fromkeys(("share of pairs beyond", "share beyond", "share beyond low",
                                                  "share beyond high"), "%")},
        caption=f"Share of differences {q.a} {MINUS} {q.b} larger than a distance: counted, and by the normal model "
                f"with its pointwise {100 * setting.level:g} % interval")
    design = design_of(Answer(group=setting.group, structure=setting.structure, of=setting.of,
                              analysis=setting.analysis, estimates=()))
    asked = Asked(quantity="share of differences beyond a distance", named="share beyond 2 SD", design=design,
                  method="pivotal interval", of=", ".join(v for k, v in setting.of.items() if k != "question"))
    return Companion(tables=(table,), asked=(("agreement_survival", asked),))


def _differences(group: Group) -> tuple[FloatArray, FloatArray | None]:
    """Return sizes of differences of single readings, and weights where they are not all alike.

    Unlinked readings of one target are all set against each other, each target weighing the same.
    """
    if group.readings is None:
        return np.abs(group.difference), None
    a, target_a, b, target_b = group.readings
    sizes, weights = [], []
    for t in range(len(group.a)):
        every = np.abs(a[target_a == t][:, None] - b[target_b == t]).ravel()
        sizes.append(every)
        weights.append(np.full(len(every), 1.0 / len(every)))
    return np.concatenate(sizes), np.concatenate(weights)


def _distances(sizes: FloatArray, harmless: float | None, least: float) -> tuple[FloatArray, FloatArray]:
    """Return the distances of the table, and those of the model.

    Even ones with the harmless difference for the model, the steps besides for the table (evenly thinned over their
    ranks where there are many).
    """
    steps = np.unique(sizes)
    if len(steps) > MOST_STEPS:
        steps = steps[np.linspace(0, len(steps) - 1, MOST_STEPS).round().astype(int)]
    end = max(1.08 * float(steps[-1]), 1.08 * (harmless or 0.0), least)
    extra = [harmless] if harmless is not None else []
    grid = np.unique(np.concatenate([np.linspace(0.0, end, GRID), extra]))
    return np.unique(np.concatenate([grid, steps])), grid
