"""What drift to expect of a new batch, and why these batches may not tell."""

from __future__ import annotations

import math

import numpy as np

from drift.engine.clocks import new_batch
from drift.results import Estimate
from drift.sensitivity.companion import Companion, Setting
from drift.sensitivity.model import MIN_RANDOM_BATCHES
from drift.simulated import Design
from drift.simulated.quoting import Asked

FAMILY = "new_batch"
BATCH, SENSOR = "drift per use, mean of a new batch", "drift per use, sensor of a new batch"
METHOD = "prediction interval from unweighted means of batches"


def companion(setting: Setting) -> Companion | None:
    """Predict the drift of a new batch where there are four or more; say that it is conditional on these with fewer."""
    lines = setting.lines
    mine = setting.group.pick & np.isfinite(lines.slope)
    batch, slopes = lines.batch[mine], lines.slope[mine]
    names = sorted(set(batch.tolist()))
    if not names or "" in names or setting.group.fit.refused:
        return None
    if len(names) < MIN_RANDOM_BATCHES:
        found = [Estimate(name=BATCH, of=setting.of, value=math.nan, unit=setting.percent_unit, n=len(names),
                          method="refused: fewer than four batches")]
        return Companion(estimates=tuple(found), findings=(setting.say(
            "note", "conditional-on-batches", f"The drift{setting.where} is conditional on these {len(names)} "
            f"batch{'es' * (len(names) > 1)}: what a new batch will do cannot be said from fewer than "
            f"{MIN_RANDOM_BATCHES}", f"Check sensors of {MIN_RANDOM_BATCHES - len(names)} more "
            f"batch{'es' * (MIN_RANDOM_BATCHES - len(names) > 1)}."),))
    p = new_batch(slopes, np.unique(batch.astype(str), return_inverse=True)[1], level=setting.level)
    made = []
    for name, (low, high), n in ((BATCH, p.batch, p.batches), (SENSOR, p.sensor, p.sensors)):
        value, low, high = (float(setting.percent(v)) for v in (p.mean, low, high))
        made.append(Estimate(name=name, of=setting.of, value=value, low=low, high=high, level=setting.level, n=n,
                             unit=setting.percent_unit, method=METHOD + (
                                 "" if name == BATCH else " and the spread within them")
                             + (", ends transformed" if setting.data.log else "")))
    words = (f"A new batch{setting.where} is expected to drift by {made[0].text()} on average, and a sensor of it by "
             f"{made[1].text()}: wider than the interval of the drift per use, which is about the mean over batches")
    asked = tuple((FAMILY, Asked(quantity=e.name, named=e.name, method=METHOD, of=setting.construction,
                                 design=Design(n=float(p.sensors), k=float(p.batches)))) for e in made)
    return Companion(estimates=tuple(made), findings=(setting.say("note", "new-batch", words),), asked=asked)
