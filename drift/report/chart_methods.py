"""The methods paragraph of control charts of check standards."""

from __future__ import annotations

from drift.report.gauge_tables import rows_of
from drift.results import Estimate, Result, format_interval, join_words


def chart_paragraph(part: Result) -> str:
    """Return how the charts were made, with the numbers in it, and what they showed."""
    tables = {t.name: t for t in part.tables}
    if "calibration line chart" in tables:
        return _of_line(part, len(set(tables["calibration line chart"]["occasion"])))
    if "control chart" not in tables:
        return f"No control chart could be drawn. {part.answer}"
    rows = rows_of(tables["control chart"])
    told = [_standard(part, name, [r for r in rows if r["standard"] == name])
            for name in dict.fromkeys(r["standard"] for r in rows)]
    settings = part.provenance.settings
    known = "multiplier" in settings or "width" in settings or "sum_limit" in settings
    rate = max((e.value for e in part.estimates if e.name == "false alarms, any chart"), default=float("nan"))
    together = ("" if known else " The limits of all charts belong together: a good rig is past any of them on 1 % of "
                "occasions" + (f" (up to {rate:.1f} % with limits from these baselines, by simulation)" if rate > 1.05
                               else "") + ".")
    weight, slack = settings.get("weight", "0.2"), settings.get("slack", "0.5")
    return (f"The rig was watched by control charts of {'check standards' if len(told) > 1 else 'a check standard'}: "
            f"occasion means against limits, the scatter within occasions, an EWMA (weight {weight}; Lucas and "
            f"Saccucci 1990) and a CUSUM (slack {slack} SDs; Page 1954).{together} {' '.join(told)}")


def _standard(part: Result, name: object, rows: list[dict[str, object]]) -> str:
    """Say of one standard where its limits come from and what passed them."""
    mine = {e.name: e for e in part.estimates if e.of.get("standard", "") == (name or "")}
    who = str(name) if name else "The standard"
    base = sum(r["part"] == "baseline" for r in rows)
    settings = part.provenance.settings
    if "centre" in settings and "sd" in settings:
        source = "the limits came from a known centre and SD"
    elif "baseline" in settings:
        source = f"the limits came from the {mine['centre'].n} occasions declared good"
    else:
        source = (f"the limits came from the first {base}, of which those after the fifth had been judged by those "
                  "before them")
    past = [str(r["occasion"]) for r in rows if r["signals"]]
    return (f"{who} was read on {len(rows)} occasions; {source}: centre {_shown(mine['centre'])}, SD between occasions "
            f"{_shown(mine['SD between occasions'])}, limits of an occasion {mine['lower control limit'].text()} and "
            f"{mine['upper control limit'].text()}. "
            + (f"Past a limit {'was' if len(past) == 1 else 'were'} {join_words(past[:12])}"
               f"{f' and {len(past) - 12} more' if len(past) > 12 else ''}." if past else
               "No occasion was past a limit."))


def _shown(e: Estimate) -> str:
    unit = f" {e.unit}" if e.unit else ""
    if e.low != e.low:
        return f"{format_interval(e.value)}{unit}"
    value, ends = format_interval(e.value, e.low, e.high).split(" (", 1)
    return f"{value}{unit} ({100 * e.level:g} % interval {ends}"


def _of_line(part: Result, n: int) -> str:
    limit = next(e for e in part.estimates if e.name == "limit of calibrated values")
    return (f"The calibration line was watched on {n} occasions by calibrated less true values of the standards "
            f"(Croarkin and Varner 1982), {limit.method}: their limit was {limit.text()}. {part.answer}")
