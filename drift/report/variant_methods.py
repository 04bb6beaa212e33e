"""The sentence of the methods paragraph about the variant that stands beside plain limits."""

from __future__ import annotations

from drift.report.figures import table_of
from drift.results import Result, join_words

TABLE = "limits, plain and proposed"
HOW = {"ratio limits": "limits of log ratios, back-transformed",
       "regression limits": "limits that follow the mean (Bland and Altman 1999, section 3.2), ",
       "nonparametric limits": "nonparametric limits (2.5 % and 97.5 % quantiles)"}


def variant_sentence(part: Result) -> str:
    """Say which check failed and what was set beside the plain limits; empty where all checks held.

    Parameters
    ----------
    part : Result
        Of an agreement question.
    """
    table, checks, limits = (table_of(part, n) for n in (TABLE, "checks", "limits"))
    if table is None or checks is None or limits is None:
        return ""
    failed = list(dict.fromkeys(str(c) for c, h in zip(checks["check"], checks["holds"], strict=True)
                                if h == "no" and not str(c).startswith("trend with use")))
    shown = [v for v in dict.fromkeys(str(v) for v in table["variant"]) if v in HOW]
    if not failed or not shown:
        return ""
    free = any("straight line with the mean" in str(m) for m in limits["method"])
    sd = "with an SD that may change too" if free else "with one SD"
    words = [HOW[v] + (sd if v == "regression limits" else "") for v in shown]
    return (f" As {join_words(failed)} {'was' if len(failed) == 1 else 'were'} not as plain limits assume, "
            f"{join_words(words)} stand beside them.")
