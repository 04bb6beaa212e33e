"""What pairs share besides target and sensor, and which unlinked readings carry the keys of pairs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from drift.records import TRIAL_KEYS, TrialTable

REPLICATE, SESSION = "replicate", "session"


def _text(values: NDArray[np.generic]) -> NDArray[np.object_]:
    """Labels as text, alike for numbers and words."""
    if values.dtype.kind == "f":
        return np.array(["" if np.isnan(v) else f"{v:.15g}" for v in values], dtype=object)
    return np.array(["" if v is None else str(v) for v in values], dtype=object)


def _joined(trials: TrialTable, columns: Sequence[str], rows: NDArray[np.int64]) -> NDArray[np.object_]:
    parts = [_text(trials[c][rows]) for c in columns]
    return np.array(["\x1f".join(p) for p in zip(*parts, strict=True)] if parts else [""] * len(rows), dtype=object)


def shared_occasion(trials: TrialTable, rows: NDArray[np.int64], pair_by: Sequence[str], target: str,
                    sensor: str | None) -> tuple[str, NDArray[np.object_]] | None:
    """Return what several pairs of one target and sensor share: a session, or the keys above the replicate.

    Returns
    -------
    (words, labels) or None
        Occasions lie within target and sensor: "participant x sensor x session". None where no two pairs share one,
        or each pair has the key of a level of its own.

    Notes
    -----
    A session is taken where one is named, whatever else tells its pairs apart: means of sessions are then right
    however the pairs within resemble each other. Without one, all columns of ``pair_by`` but the replicate, or but
    the only column of a name of its own.
    """
    above = [c for c in pair_by if c not in (REPLICATE, target, sensor)]
    own = [c for c in above if c not in TRIAL_KEYS]
    if SESSION in above:
        above = [SESSION]
    elif REPLICATE not in pair_by:
        if len(own) != 1:
            return None
        above.remove(own[0])
    columns = [target, *([sensor] if sensor else []), *above]
    labels = _joined(trials, columns, rows)
    if not 1 < len(set(labels)) < len(labels):
        return None
    return " x ".join(columns), labels


def as_if_linked(trials: TrialTable, ia: NDArray[np.int64], ib: NDArray[np.int64], targets: NDArray[np.int64],
                 pair_by: Sequence[str], target: str) -> tuple[
                     tuple[str, ...], NDArray[np.float64], NDArray[np.float64], NDArray[np.int64]] | None:
    """Return readings of a and b that share every key below the target, where each method has one of each.

    ``targets`` are the codes of the readings of a. None where the keys do not link readings one to one.
    """
    columns = [c for c in pair_by if c != target]
    if REPLICATE in trials and REPLICATE not in columns:
        columns.append(REPLICATE)
    if not columns:
        return None
    keys_a, keys_b = (_joined(trials, [target, *columns], rows) for rows in (ia, ib))
    if len(set(keys_a)) < len(keys_a) or len(set(keys_b)) < len(keys_b):
        return None
    at = {k: j for j, k in enumerate(keys_b)}
    pairs = [(i, at[k]) for i, k in enumerate(keys_a) if k in at]
    if len(pairs) < 3:
        return None
    first, second = (np.array(x, dtype=np.int64) for x in zip(*pairs, strict=True))
    return (tuple(columns), trials["reading"][ia[first]].copy(), trials["reading"][ib[second]].copy(), targets[first])
