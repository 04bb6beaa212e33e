"""The verdict on a paper's printed numbers as one self-contained page."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path

from drift.errors import MINUS, DriftError, Finding
from drift.report.tables import Grid, result_grid
from drift.results import Result, ResultTable

SAID = ("conflicts", "question", "only under a convention", "last digit", "agrees")
QUIET = "uninformative"


def page_html(result: Result) -> str:
    """Return the page of a review."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(loader=PackageLoader("drift.report", "templates"), autoescape=True, trim_blocks=True,
                              lstrip_blocks=True, undefined=StrictUndefined)
    relations = result.table("relations")
    rows = [i for i in range(len(relations)) if relations["status"][i] != QUIET]
    counts = Counter(str(s) for s in relations["status"])
    conflicts, fits = result.table("conflicts"), result.table("what fits")
    settings = result.provenance.settings
    return environment.get_template("review.html").render(
        title=result.question, answer=result.answer, invented=settings.get("invented") == "yes",
        contradictions=[{"message": str(f.message), "mend": str(f.mend or "")} for f in result.findings
                        if f.code == "cannot-all-be-true"],
        sets=[{"numbers": minus(str(conflicts["numbers"][i])), "where": conflicts["where"][i],
               "relations": conflicts["relations"][i], "mend": minus(str(conflicts["what would reconcile them"][i]))}
              for i in range(len(conflicts)) if not str(conflicts["standing"][i]).startswith("remark")],
        fits=[minus(f"{w}: {s}") for w, s in zip(fits["where"], fits["sentence"], strict=True)],
        questions=[minus(str(q)) for q in result.table("questions")["question"]],
        relations=[{"status": relations["status"][i], "where": relations["where"][i],
                    "number": relations["number"][i], "relation": relations["relation"][i],
                    "says": minus(str(relations["what it says"][i])), "kind": relations["kind"][i],
                    "slack": slack(float(relations["slack"][i]))} for i in rows],
        silent=_silent(relations), counts=", ".join(f"{counts[s]} {s}" for s in (*SAID, QUIET) if counts[s]) or "none",
        unused=_unused(result.table("not compared")),
        implied=implied_grid(result.table("implied values")), claims=_claims(result.table("claims")),
        notes=[str(f) for f in result.findings if f.file], rounding=settings.get("rounding", "nearest"),
        relation_count=_number_of_relations(), inputs=dict(result.provenance.inputs),
        versions=dict(result.provenance.versions))


def _number_of_relations() -> int:
    from drift.reported.relations import all_relations

    return max(r.number for r in all_relations())


def minus(text: str) -> str:
    """Set true minus signs before numbers."""
    from drift.errors import with_minus_signs

    return with_minus_signs(text)


def slack(x: float) -> str:
    """Return half a width in percent, in words where it is exact or says little."""
    if math.isnan(x):
        return ""
    return "exact" if x < 0.005 else f"{x:.2g} %" if x < 100 else "wide"


def range_text(low: float, high: float) -> str:
    """Return a range with the decimals its width asks for."""
    if high - low <= 1e-9 * max(1.0, abs(low)):
        return f"{low:.6g}".replace("-", MINUS)
    digits = max(0, min(8, 1 - math.floor(math.log10(high - low))))
    return f"{low + 0.0:.{digits}f} to {high + 0.0:.{digits}f}".replace("-", MINUS)


def implied_grid(table: ResultTable) -> Grid:
    """Return implied values with their ranges in one cell."""
    rows = tuple((str(table["where"][i]), str(table["number"][i]),
                  range_text(float(table["from"][i]), float(table["to"][i])),
                  " ".join(x for x in (str(table["kind"][i]), str(table["convention"][i])) if x), str(table["by"][i]))
                 for i in range(len(table)))
    return Grid(caption=table.caption, heads=("where", "number", "lies within", "kind", "by"), rows=rows,
                numeric=(False, False, True, False, False))


def _claims(table: ResultTable) -> Grid:
    rows = tuple((str(table["table"][i]), str(table["group"][i]), str(table["number"][i]),
                  minus(str(table["printed"][i])), str(table["stated"][i])) for i in range(len(table)))
    keep = [j for j in range(5) if any(r[j] for r in rows)]
    heads = ("table", "group", "number", "printed", "stated")
    return Grid(caption="Printed numbers as they were copied", heads=tuple(heads[j] for j in keep),
                rows=tuple(tuple(r[j] for j in keep) for r in rows), numeric=tuple(j == 3 for j in keep))


def _unused(table: ResultTable) -> Grid:
    rows = tuple((str(table["where"][i]), minus(str(table["number"][i])), str(table["could be with"][i]))
                 for i in range(len(table)))
    return Grid(caption=table.caption, heads=("where", "number", "could be with"), rows=rows, numeric=(False,) * 3)


def _silent(table: ResultTable) -> Grid:
    picked = [i for i in range(len(table)) if table["status"][i] == QUIET]
    made = ResultTable.build("silent", {k: [table[k][i] for i in picked] for k in ("where", "number", "relation",
                                                                                  "numbers", "what it says")})
    return result_grid(made)


def write_page(result: Result, path: Path) -> Path:
    """Write the page of a review.

    Raises
    ------
    DriftError
        When it cannot be written.
    """
    try:
        path.write_text(page_html(result), encoding="utf-8", newline="\n")
    except OSError as error:
        raise DriftError(Finding(severity="error", code="cannot-write", file=str(path),
                                 message=f"the page cannot be written ({error.strerror})",
                                 mend="Choose another place.")) from error
    return path
