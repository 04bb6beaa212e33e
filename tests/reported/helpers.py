"""Small papers in one line."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from drift.reported.claims import Paper
from drift.reported.judging import Verdict
from drift.reported.places import Place, places
from drift.reported.reading import paper_from_dict
from drift.reported.review import Review, look


def paper(printed: Mapping[str, str], *, conventions: Mapping[str, Mapping[str, Any]] | None = None,
          **settings: Any) -> Paper:
    """Return a paper of one group; ``n`` and ``k`` may stand among the numbers."""
    said = conventions or {}
    claims = [{"what": what, "printed": text, **said.get(what, {})} for what, text in printed.items()
              if what not in ("n", "k")]
    design = {x: int(float(printed[x])) for x in ("n", "k") if x in printed}
    return paper_from_dict({"paper": {**design, **settings}, "claims": claims})[0]


def place(printed: Mapping[str, str], **more: Any) -> Place:
    """Return the one place of a small paper."""
    return places(paper(printed, **more))[0]


def review_of(printed: Mapping[str, str], **more: Any) -> Review:
    """Return the review of a small paper."""
    return look(paper(printed, **more))


def verdict_of(label: str, printed: Mapping[str, str], **more: Any) -> Verdict:
    """Return the verdict of one relation."""
    found = [v for v in review_of(printed, **more).verdicts if v.relation.label == label]
    assert found, f"relation {label} was not judged"
    return found[0]
