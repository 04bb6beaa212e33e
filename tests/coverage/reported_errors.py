"""How often a review finds one seeded error, by its kind and the digits printed: ``... reported_errors``.

Consistent studies of all families, four fifths of their numbers printed with so many significant digits, and one error
of a kind put in. ``accused``: an exact relation contradicts. ``asked``: a question at least. ``last digit``: only a
remark. ``named``: the wrong number is among those that contradict. ``corrected``: it is one that alone would mend
everything. ``coverage`` is the share of studies in which that is so.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from drift.reported.reading import DriftError, paper_from_dict
from drift.reported.review import look
from tests.coverage.family import FOLDER, Family, Held, Row
from tests.reported.errors import KINDS, seeded

TABLE = FOLDER / "reported_errors.csv"
SEED, STUDIES = 20261127, 200
DIGITS = (2, 3, 4)
DESIGNS = [f"{kind}, {d} digits" for kind in KINDS for d in DIGITS]
COLUMNS = ("accused", "asked", "last digit", "named", "corrected")


def study(design: str, rng: np.random.Generator) -> Held:
    """Put one error into one print and review it."""
    kind, digits = design.rsplit(", ", 1)
    _, wrong, named = seeded(kind, int(digits.split()[0]), rng)
    try:
        found = look(paper_from_dict(wrong)[0], with_implied=False)
    except DriftError:
        # What cannot be at all is refused at the door, with its row.
        return {("seeded error", c): (c != "last digit", 1.0) for c in COLUMNS}
    real = [c for c in found.conflicts if not c.remark]
    accused = bool(real)
    asked = bool(found.detections) or any(v.status in ("question", "only under a convention")
                                          and v.relation.kind != "A" for v in found.verdicts)
    remark = any(v.status == "last digit" for v in found.verdicts) or any(c.remark for c in found.conflicts)

    def among(symbols: set[str]) -> bool:
        return any(s.partition("__")[0] in named for s in symbols)

    by_name = among({c.symbol for s in real for c in s.claims})
    mends = among({c.symbol for s in real for c, _ in s.alone})
    return {("seeded error", "accused"): (accused, 1.0), ("seeded error", "asked"): (accused or asked, 1.0),
            ("seeded error", "last digit"): (remark and not accused and not asked, 1.0),
            ("seeded error", "named"): (by_name, 1.0), ("seeded error", "corrected"): (mends, 1.0)}


def tabulate(design: str, held: Sequence[Held]) -> list[Row]:
    """Return one row for each thing a review may say: the share of studies in which it does."""
    return [{"design": design, "quantity": "seeded error", "method": c, "nominal": 1.0,
             "coverage": f"{np.mean([h['seeded error', c][0] for h in held]):.4f}", "mean_width": "",
             "studies": len(held), "without_interval": 0} for c in COLUMNS]


FAMILY = Family("reported_errors", __doc__ or "", DESIGNS, study, TABLE, SEED, studies=STUDIES, tabulate=tabulate)
