"""What is expected of designs: each worked out once, and finely only where the answer hangs on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from drift.planning.question import Design, Question

Key = tuple[int, ...]


@dataclass
class Expectations:
    """Expected values of the designs of one question.

    Parameters
    ----------
    question : Question
    beside : Expectations, optional
        Those of a question about the same designs; its ratio of fine to coarse serves where this one has none.

    Notes
    -----
    Where the question is ``slow`` a value is sketched, and the sketch multiplied by the ratio of fine to coarse of the
    nearest design that was worked out finely (for chances the difference is added): what a coarser calculation gets
    wrong changes little from a size to the next.
    """

    question: Question
    beside: Expectations | None = None
    _fine: dict[Key, float] = field(default_factory=dict)
    _coarse: dict[Key, float] = field(default_factory=dict)

    def fine(self, d: Design) -> float:
        """Return the expected value of the planned analysis itself."""
        key = self._key(d)
        if key not in self._fine:
            self._fine[key] = self.question.expected(d)
        return self._fine[key]

    def near(self, d: Design) -> float:
        """Return the expected value, sketched where the fine one costs seconds and is not there yet."""
        key = self._key(d)
        if not self.question.slow or key in self._fine:
            return self.fine(d)
        value = self._sketch(d, key)
        source = self if self._fine else self.beside
        if source is None or not source._fine or not math.isfinite(value):
            return value
        nearest = min(source._fine, key=lambda k: sum(abs(math.log(a / b)) for a, b in zip(k, key, strict=True)))
        fine, coarse = source._fine[nearest], source._sketch(dict(zip(d, nearest, strict=True)), nearest)
        if not math.isfinite(fine) or not math.isfinite(coarse) or coarse <= 0:
            return value
        return min(max(value + fine - coarse, 0.0), 1.0) if self.question.goal.larger else value * fine / coarse

    def _sketch(self, d: Design, key: Key) -> float:
        if key not in self._coarse:
            self._coarse[key] = self.question.sketched(d)
        return self._coarse[key]

    def _key(self, d: Design) -> Key:
        return tuple(d[f.key] for f in self.question.factors)
