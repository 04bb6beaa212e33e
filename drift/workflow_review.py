"""The step behind ``drift review``: from a claim file to a verdict. Nothing heavy is loaded for it."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.reported.review import ReviewResult

__all__ = ["review_file"]


def review_file(path: str | Path) -> ReviewResult:
    """Review the printed numbers of a claim file.

    Parameters
    ----------
    path : str or Path
        TOML or CSV; ``drift review --new`` writes one to fill in.

    Returns
    -------
    ReviewResult

    Raises
    ------
    DriftError
        With everything in the file that cannot be read.
    """
    from drift.reported.reading import read_claims
    from drift.reported.review import review

    path = Path(path)
    paper, findings = read_claims(path)
    return review(paper, findings=findings, inputs={path.name: hashlib.sha256(path.read_bytes()).hexdigest()})
