"""``drift review`` as text: what contradicts, what to ask, what was checked, what is implied."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from drift.results import Result, ResultTable

MOST_IMPLIED = 12


def blocks(result: Result) -> list[str]:
    """Return what a person reads after the answer."""
    from drift.cli.show import paragraph, width
    from drift.cli.show_today import _wrapped
    from drift.report.review_page import minus, slack

    made = []
    sets = [f for f in result.findings if f.code == "cannot-all-be-true"]
    if sets:
        made.append("\n".join(["Cannot all be true", *(
            paragraph(f"- {f.message}{f' {f.mend}' if '(0b)' in f.message else ''}", indent="  ", further="    ")
            for f in sets)]))
    questions = result.table("questions")
    if len(questions):
        lines = [paragraph(f"{i + 1}. {minus(str(q))}", indent="  ", further="     ")
                 for i, q in enumerate(questions["question"])]
        made.append("\n".join(["Questions to the authors", *lines]))
    relations = result.table("relations")
    rows = [i for i in range(len(relations)) if relations["status"][i] not in ("agrees", "uninformative")]
    rows += [i for i in range(len(relations)) if relations["status"][i] == "agrees"]
    silent = len(relations) - len(rows)
    if rows:
        heads = ["status", "where", "relation", "what it says", "slack"]
        body = [[str(relations["status"][i]), str(relations["where"][i]),
                 f"{relations['number'][i]} {relations['relation'][i]}", minus(str(relations["what it says"][i])),
                 slack(float(relations["slack"][i]))] for i in rows]
        tail = f"; {silent} more say nothing at these digits" if silent else ""
        made.append(_wrapped(f"Relations checked ({len(rows)}{tail})", heads, body, width()))
    made += [_not_compared(result.table("not compared"), width()), _implied(result.table("implied values"), width())]
    return [b for b in made if b]


def _not_compared(table: ResultTable, width: int) -> str:
    from drift.cli.show_today import _wrapped
    from drift.report.review_page import minus

    if not len(table):
        return ""
    rows = [[str(table["where"][i]), minus(str(table["number"][i])), str(table["could be with"][i]) or "-"]
            for i in range(len(table))]
    return _wrapped(f"Held against nothing ({len(rows)})", ["where", "number", "could be with"], rows, width)


def _implied(table: ResultTable, width: int) -> str:
    from drift.cli.show_today import _wrapped
    from drift.report.review_page import range_text

    if not len(table):
        return ""
    rows = [[str(table["where"][i]), str(table["number"][i]), range_text(float(table["from"][i]),
                                                                         float(table["to"][i])),
             " ".join(x for x in (str(table["kind"][i]), str(table["convention"][i])) if x)]
            for i in range(min(len(table), MOST_IMPLIED))]
    more = len(table) - len(rows)
    tail = f" ({more} more with --json or --page)" if more > 0 else ""
    return _wrapped(f"Not printed, but implied{tail}", ["where", "number", "lies within", "by"], rows, width)
