"""How often the drift of a new batch, or a sensor of it, lies where predicted: ``python -m tests.coverage new_batch``.

Sensors of several batches, slopes with variance between batches and between sensors, own lines over seven checks. The
true mean slope of the next batch, and the true slope of one sensor of it, are compared with the prediction intervals;
beside them stands the interval of the mean over batches, which is not about the next one.
"""

from __future__ import annotations

import math

import numpy as np

from drift.engine.clocks import new_batch
from tests.coverage.family import FOLDER, LEVEL, Family, Held

TABLE, SEED = FOLDER / "new_batch.csv", 20260602
SLOPE, SENSOR_SD, ERROR_SD = -0.007, 0.0015, 0.0005
SPREADS = {"": 0.001, ", batches alike": 0.0, ", batches far apart": 0.003}
SIZES = ((12, 4), (12, 6), (24, 4), (24, 6), (30, 10))
DESIGNS = [f"{n} sensors of {k} batches{words}" for n, k in SIZES for words in SPREADS] + [
    "16 sensors of 5 batches, 1 to 8 each"]
BATCH, SENSOR = "drift per use, mean of a new batch", "drift per use, sensor of a new batch"
METHOD, NAIVE = "prediction interval from unweighted means of batches", "interval of the mean over batches (shortcut)"


def study(name: str, rng: np.random.Generator) -> Held:
    """Simulate one study and its next batch."""
    from scipy.special import stdtrit

    n, k = int(name.split()[0]), int(name.split()[3])
    spread = next((v for w, v in SPREADS.items() if w and name.endswith(w)), 0.001)
    batch = np.repeat(np.arange(5), (1, 2, 2, 3, 8)) if "each" in name else np.arange(n) % k
    of_batch = spread * rng.standard_normal(k + 1)
    slopes = SLOPE + of_batch[batch] + rng.normal(0, math.hypot(SENSOR_SD, ERROR_SD), n)
    coming = SLOPE + of_batch[k]
    p = new_batch(slopes, batch, level=LEVEL)
    means = np.array([slopes[batch == b].mean() for b in range(k)])
    half = float(stdtrit(k - 1, 0.975)) * float(means.std(ddof=1)) / math.sqrt(k)
    one = coming + SENSOR_SD * rng.standard_normal()
    return {(BATCH, METHOD): (p.batch[0] <= coming <= p.batch[1], p.batch[1] - p.batch[0]),
            (BATCH, NAIVE): (abs(means.mean() - coming) <= half, 2 * half),
            (SENSOR, METHOD): (p.sensor[0] <= one <= p.sensor[1], p.sensor[1] - p.sensor[0]),
            (SENSOR, NAIVE): (abs(means.mean() - one) <= half, 2 * half)}


FAMILY = Family("new_batch", __doc__ or "", DESIGNS, study, TABLE, SEED, cheap="12 sensors of 4 batches")
