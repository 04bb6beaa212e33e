"""Fillers of what a person types once in ``[reporting]``, with what the data add to it."""

from __future__ import annotations

import numpy as np

from drift.items.evidence import MOST, Evidence, plural
from drift.items.filled import Filled, filled, needs_you
from drift.reliability.g_design import facets_of
from drift.results import join_words
from drift.study import ReliabilityQuestion

_COLUMN = {"repeat": "replicate", "visit": "session", "people": "participant", "person": "participant",
           "walker": "participant", "subject": "participant"}


def key(name: str) -> str:
    """Return a key of ``[reporting]`` as its reader writes it."""
    return f"[reporting] {name}"


def device(e: Evidence) -> Filled:
    """Name the device; range and resolution come from the data where they are not told."""
    r = e.told
    facts = _sheet(e)
    span = r.device_range or _range(e)
    if span:
        facts.append(f"range {span}")
    resolution = r.device_resolution or _resolution(e)
    if resolution:
        facts.append(f"resolution {resolution}")
    if r.firmware:
        facts.append(f"firmware {r.firmware}")
    known = f"it has {join_words(facts)}" if facts else ""
    if not r.device:
        return needs_you(key("device"), known=[known.replace("it has", "From the data: the device has")])
    more = () if r.firmware else (key("firmware"),)
    return filled(f"readings were taken with {r.device}{f'; {join_words(facts)}' if facts else ''}", needs=more,
                  source="data and study.toml" if _sheet(e) or not r.device_range else "study.toml")


def _sheet(e: Evidence) -> list[str]:
    sensors = e.tables.sensors
    if sensors is None or "rows" not in sensors or "cols" not in sensors:
        return []
    sizes = sorted({(int(a), int(b)) for a, b in zip(sensors["rows"], sensors["cols"], strict=True)
                    if np.isfinite(a + b)})
    return [f"sheets of {join_words([f'{a} x {b}' for a, b in sizes[:4]])} cells"] if sizes else []


def _range(e: Evidence) -> str:
    checks = e.tables.checks
    if checks is None or "reference" not in checks:
        return ""
    loads = checks["reference"][np.isfinite(checks["reference"])]
    return f"{loads.min():g} to {loads.max():g} {checks.units.get('reference', '')} as checked" if len(loads) else ""


def _resolution(e: Evidence) -> str:
    full = e.study.sensitivity.full_scale if e.study.sensitivity is not None else None
    return f"1 count of {full:g}" if isinstance(full, (int, float)) else ""


def population(e: Evidence) -> Filled:
    """Say who or what was measured."""
    return _text(e.told.population, "population", "those measured stand for {}")


def raters(e: Evidence) -> Filled:
    """Say to which sensors, operators or visits results extend; the questions say whether they are a sample."""
    told = []
    for q, _ in e.reliability:
        sample = q.facets_are == "sample"
        told.append(f"for {q.name} the levels of {join_words(facets_of(q))} were taken as "
                    f"{'a random sample from all there could be' if sample else 'the only ones of interest'}")
    if not e.told.raters:
        return needs_you(key("raters"), known=told)
    return filled(f"results extend to {e.told.raters}", *told, source="data and study.toml" if told else "study.toml")


def background(e: Evidence) -> Filled:
    """Say why the study was done; nobody but its authors can."""
    return _text(e.told.background, "background", "{}")


def sampling(e: Evidence) -> Filled:
    """Say how people and sensors were picked."""
    return _text(e.told.sampling, "sampling", "{}")


def conflicts(e: Evidence) -> Filled:
    """Say who has an interest in the result."""
    return _text(e.told.conflicts, "conflicts", "conflicts of interest: {}")


def _text(told: str | None, name: str, sentence: str) -> Filled:
    if not told or not told.strip():
        return needs_you(key(name))
    return filled(sentence.format(told), source="study.toml")


def sample_size(e: Evidence) -> Filled:
    """Say how the numbers were chosen, and what became of the plan."""
    r = e.told
    kept = _planned_and_actual(e)
    if not r.sample_size and not r.planned:
        return needs_you(key("sample_size"), key("planned"), known=[_there(e)])
    if not r.sample_size:
        return needs_you(key("sample_size"), known=[kept])
    return filled(f"numbers were chosen so: {r.sample_size}", kept or _there(e), source="data and study.toml",
                  needs=() if r.planned else (key("planned"),))


sample_size_pairs = sample_size


def counts(e: Evidence) -> dict[str, int]:
    """Return how many of each label the trials behind the questions hold; of the checks where there are no trials."""
    trials = e.tables.trials
    found: dict[str, int] = {}
    if trials is not None and (e.reliability or e.agreement):
        asked = np.zeros(len(trials), dtype=np.bool_)
        for _, where in e.asked():
            asked |= e.rows(where)
        for column in ("participant", "session", "sensor", "operator", "replicate"):
            if column in trials and asked.any():
                found[column] = len({str(v) for v in e.words(column)[asked] if v is not None})
    elif e.tables.checks is not None:
        for column in ("sensor", "operator"):
            if column in e.tables.checks:
                found[column] = len({str(v) for v in e.tables.checks[column] if v is not None})
    return {k: n for k, n in found.items() if n}


def _there(e: Evidence) -> str:
    held = counts(e)
    words = [plural("repeat" if k == "replicate" else k, n) for k, n in held.items()]
    return f"the data hold {join_words(words)}" if words else ""


def _planned_and_actual(e: Evidence) -> str:
    if not e.told.planned:
        return ""
    held, said = counts(e), []
    for name, planned in e.told.planned.items():
        single = name.removesuffix("s")
        column = _COLUMN.get(single, _COLUMN.get(name, single))
        actual = held.get(column, held.get(name))
        said.append(f"{planned} {name} ({'not in the data by that name' if actual is None else f'{actual} entered'})")
    return f"planned were {join_words(said)}"


def characteristics(e: Evidence) -> Filled:
    """Describe units and sensors: ranges from the data, words from the study."""
    said = [*_reading_ranges(e), *_sensor_words(e)]
    if not said and not e.told.characteristics:
        return needs_you(key("characteristics"))
    return filled(e.told.characteristics or "", *said, source="data and study.toml" if e.told.characteristics else
                  "data", needs=() if e.told.characteristics else (key("characteristics"),))


def _reading_ranges(e: Evidence) -> list[str]:
    """Return the range of target means of each question."""
    said = []
    for q, _ in e.reliability:
        words = target_means(e, q)
        said.append(f"{q.name}: {words}" if words else "")
    return [s for s in said if s]


def target_means(e: Evidence, q: ReliabilityQuestion) -> str:
    """Return the range of target means of a question, group by group, in words; empty where there are none."""
    trials, rows = e.tables.trials, e.rows(q.where)
    if trials is None or q.target not in trials or not rows.any():
        return ""
    told, most = [], 0
    for name, mine in e.groups(rows, q.by)[:MOST]:
        names = np.array([str(v) for v in e.words(q.target)[mine]], dtype=object)
        _, at = np.unique(names.astype(str), return_inverse=True)
        means = np.bincount(at, weights=trials["reading"][mine]) / np.bincount(at)
        most = max(most, len(means))
        told.append(f"{means.min():.4g} to {means.max():.4g} {e.unit(mine)}".rstrip() + (f" in {name}" if name else ""))
    return f"means of {plural(q.target, most)} from {join_words(told)}"


def _sensor_words(e: Evidence) -> list[str]:
    said = []
    sensors, checks = e.tables.sensors, e.tables.checks
    if sensors is not None and "construction" in sensors:
        names = [str(c) for c in sensors["construction"] if c is not None]
        by = {c: names.count(c) for c in dict.fromkeys(names)}
        batches = len({str(b) for b in sensors["batch"] if b is not None}) if "batch" in sensors else 0
        of_batches = f", of {batches} {'batch' if batches == 1 else 'batches'}" if batches else ""
        said.append(f"sensors: {join_words([f'{n} {c}' for c, n in by.items()])}{of_batches}")
    if checks is not None:
        uses = checks["use"][np.isfinite(checks["use"])] if "use" in checks else np.empty(0)
        load = _range(e)
        if len(uses):
            at = f", at loads of {load.removesuffix(' as checked')}" if load else ""
            said.append(f"checked between {uses.min():g} and {uses.max():g} uses{at}")
    return said


def research_question(e: Evidence) -> Filled:
    """Name the pieces of the question; what is varied and kept comes from the questions."""
    r = e.told
    missing = [key(n) for n in ("device", "quantity", "population") if not getattr(r, n)]
    varied = [f"{join_words(facets_of(q))} (reliability and measurement error, {q.name}; kept: {kept(q.where)})"
              for q, _ in e.reliability]
    varied += [f"{q.compare} (agreement, {q.name}; kept: {kept(q.where)})" for q, _ in e.agreement]
    asked = f"varied were {join_words(varied)}" if varied else ""
    if missing:
        return needs_you(*missing, known=[asked])
    version = f" (firmware {r.firmware})" if r.firmware else ""
    return filled(f"{r.quantity}, measured with {r.device}{version}, in {r.population}", asked,
                  source="data and study.toml")


def kept(where: dict[str, object]) -> str:
    """Return what a question holds constant."""
    told = [f"{k} {join_words([str(x) for x in v]) if isinstance(v, (list, tuple)) else v}" for k, v in where.items()]
    return ", ".join(told) or "nothing by choice of rows"


def availability(e: Evidence) -> Filled:
    """Say where results can be seen; the program writes them all."""
    hashes = [f"{name} {digest[:12]}" for name, digest in e.provenance.inputs.items()][:6]
    inputs = f"; inputs by the first digits of their SHA-256: {', '.join(hashes)}" if hashes else ""
    told = e.told.availability
    return filled(told or "", "every estimate with its interval and method, every table, the list of "
                  "rows left out and the row accounts are written beside the report (results.json, tables, "
                  f"excluded.csv, manifest.json){inputs}", source="data and study.toml" if told else "data")
