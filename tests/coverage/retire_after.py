"""How often retire-after counts keep their promise in studies as they are: ``python -m tests.coverage retire_after``.

Each study goes the way of ``drift retire``: own lines, who may carry the bound, refusal, bound and companion, cap and
rounding. A study is unsafe if more than 1 - P of all sensors are truly beyond the limit at the stated count; the
nominal share is 1 - C = 0.05. ``uncut`` columns are for the crossing before rounding and cap, which is stricter.
"""

from __future__ import annotations

import math
import zlib
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from drift.engine.crossing import SensorLines, fit_lines
from drift.retirement.bound import MINIMUM_BATCHES, Counts, early_change, retire_arrays
from drift.retirement.eligibility import MINIMUM_SENSORS, short_or_late
from drift.retirement.groups import EXTRAPOLATION
from tests.coverage.family import FOLDER, Drawn, Family, Held, Row
from tests.coverage.retire_after_worlds import Design, designs, draw, oracle, share_beyond
from tests.coverage.retirement_worlds import LIMIT

Floats = NDArray[np.float64]

TABLE = FOLDER / "retire_after.csv"
SEED, STUDIES = 20260201, 4000
CONTENT, CONFIDENCE = 0.90, 0.95
RULE = {False: "smaller of line bound and companion", True: "smaller of two-level bound and two-level companion"}
PRINTED, UNCUT, LINE, KNOWN = "printed", "uncut", "line bound alone, uncut", "true lines known, uncut"


@cache
def named() -> dict[str, Design]:
    """Return the designs by their words."""
    return {d.text: d for d in designs()}


def counts_of(lines: SensorLines, d: Design, removed: NDArray[np.bool_],
              fresh: Floats) -> tuple[Counts, NDArray[np.bool_]]:
    """Answer every study as the package does; and whether it is refused.

    Parameters
    ----------
    lines : SensorLines
        Shape (n_studies, n_sensors).
    d : Design
        The design, for the limit and the batches.
    removed : ndarray of bool, shape (n_studies, n_sensors)
        Removed for wear.
    fresh : ndarray, shape (n_studies, n_sensors)
        First check of each sensor, at use 0, for a limit relative to it.
    """
    short, late = short_or_late(lines, relative=d.relative)
    use = ~(short | late)
    refused = (use.sum(-1) < MINIMUM_SENSORS) | (short & removed).any(-1)
    found = np.full((3, len(use)), math.nan)
    capped = np.zeros(len(use), dtype=bool)
    two_level = d.told == "known" and len(d.sizes) >= MINIMUM_BATCHES
    batch = np.repeat(np.arange(len(d.sizes)), d.sizes)
    # Without batches only the number of sensors matters, with them which sensors they are.
    key = use if two_level else use.sum(-1)[:, None]
    for pattern in np.unique(key[~refused], axis=0):
        mine = np.flatnonzero(~refused & (key == pattern).all(-1))
        pick = np.argsort(~use[mine], axis=-1, kind="stable")[:, :int(use[mine[0]].sum())]
        a, b, last = (np.take_along_axis(v[mine], pick, -1) for v in (lines.intercept, lines.slope, lines.last))
        # The batches of the sensors that are left may be too few for a new one.
        code = batch[pick[0]]
        two = two_level and len(np.unique(code)) >= MINIMUM_BATCHES
        if d.relative:
            jump = a - np.take_along_axis(fresh[mine], pick, -1)
            a = np.broadcast_to(early_change(jump)[..., None], a.shape)
        c = retire_arrays(a, b, LIMIT, content=CONTENT, confidence=CONFIDENCE,
                          batch=code if two else None, cap=EXTRAPOLATION * np.median(last, axis=-1))
        found[:, mine], capped[mine] = (c.line, c.companion, c.count), c.capped
    return Counts(found[0], found[1], found[2], capped), refused


def printed_key(d: Design) -> tuple[str, str]:
    """Quantity and method under which the printed count of a design stands in table and record."""
    two = d.told == "known" and len(d.sizes) >= MINIMUM_BATCHES
    return "retire after" if not d.broken else f"retire after, {d.broken}", RULE[two]


def batch(design: str, drawn: Drawn) -> Mapping[tuple[str, str], tuple[Any, Any]]:
    """Simulate many studies of one design."""
    d = named()[design]
    own = zlib.crc32(design.encode())  # or all designs would share their draws, and their luck
    parts = [_studies(d, np.random.default_rng([int(rng.integers(2**32)), own]), n) for rng, n in drawn]
    return {key: (np.concatenate([p[key][0] for p in parts]), np.concatenate([p[key][1] for p in parts]))
            for key in parts[0]}


def _studies(d: Design, rng: np.random.Generator, n: int) -> dict[tuple[str, str], tuple[Floats, Floats]]:
    world = draw(d, rng, n)
    lines = fit_lines(world.use, world.value)
    c, refused = counts_of(lines, d, world.gone, world.value[..., 0])
    two = d.told == "known" and len(d.sizes) >= MINIMUM_BATCHES
    known = retire_arrays(np.zeros_like(world.start) if d.relative else world.start, world.slope, LIMIT,
                          content=CONTENT, confidence=CONFIDENCE,
                          batch=np.repeat(np.arange(len(d.sizes)), d.sizes) if two else None)
    answers = {PRINTED: c.count, UNCUT: np.fmin(c.line, c.companion), LINE: c.line,
               KNOWN: np.fmin(known.line, known.companion)}
    made = {}
    for name, count in answers.items():
        key = printed_key(d) if name == PRINTED else ("", name)
        at = np.where(np.isfinite(count), np.maximum(count, 0.0), 1e3)
        safe = share_beyond(d, world, at) <= 1 - CONTENT
        made[key] = (safe, np.where(refused & (name != KNOWN), math.nan, at))
    return made


def tabulate(design: str, held: Sequence[Held]) -> list[Row]:
    """Return the one row of a design."""
    d = named()[design]
    keys = {PRINTED: printed_key(d), **{name: ("", name) for name in (UNCUT, LINE, KNOWN)}}
    count = {name: np.array([h[key][1] for h in held if key in h]) for name, key in keys.items()}
    unsafe = {name: float(np.mean([not h[key][0] for h in held if key in h])) for name, key in keys.items()}
    straight = d.shape not in ("break-in", "accelerating")
    middle = {name: float(np.median(v)) for name, v in count.items()}
    quantity, method = keys[PRINTED]
    return [{"design": design, "quantity": quantity, "method": method, "nominal": CONFIDENCE,
             "coverage": f"{1 - unsafe[PRINTED]:.4f}",
             "mean_width": f"{count[PRINTED].mean():.4g}", "studies": len(held),
             "without_interval": len(held) - len(count[PRINTED]), "unsafe": f"{unsafe[PRINTED]:.4f}",
             "unsafe_uncut": f"{unsafe[UNCUT]:.4f}", "unsafe_line_alone": f"{unsafe[LINE]:.4f}",
             "median_count": f"{middle[PRINTED]:g}", "median_uncut": f"{middle[UNCUT]:.2f}",
             "median_line_alone": f"{middle[LINE]:.2f}", "oracle": f"{oracle(d, CONTENT):.2f}",
             "median_true_lines": f"{middle[KNOWN]:.2f}" if straight else "",
             "efficiency": f"{middle[UNCUT] / middle[KNOWN]:.3f}" if straight else ""}]


FAMILY = Family("retire_after", __doc__ or "", list(named()), None, TABLE, SEED, studies=STUDIES, batch=batch,
                tabulate=tabulate, cheap=next(iter(named())))

