"""Which columns the questions of a study name."""

from __future__ import annotations

from drift.study.models import Study


def named_columns(study: Study, table: str) -> dict[str, tuple[str, ...]]:
    """Return the columns that the questions name in a table, each with the questions that name it.

    Parameters
    ----------
    study : Study
    table : {"checks", "trials"}

    Returns
    -------
    dict of str to tuple of str
        Column name to the names of the questions (``"sensitivity"`` for that section).
    """
    found: dict[str, list[str]] = {}

    def note(question: str, *names: str | None) -> None:
        for name in names:
            if name:
                found.setdefault(name, []).append(question)

    if table == "checks" and study.sensitivity is not None:
        spec = study.sensitivity
        note("sensitivity", spec.exposure, *spec.covariates, *spec.where, spec.load,
             *(name for name in spec.also if name != "days"))
    if table == "checks":
        for c in study.calibration:
            note(c.name, *c.where, c.cycle)
    if table == "exposures" and study.cells is not None:
        note(study.cells.name, *study.cells.where)
    if table == "trials":
        for r in study.reliability:
            facets = (r.facet,) if isinstance(r.facet, str) else r.facet
            # The default is used where there is such a column; any other name is asked for.
            replicate = r.replicate if r.replicate != "replicate" else None
            note(r.name, r.target, *facets, *r.by, r.compare, *r.where, replicate)
        for g in study.gauge:
            note(g.name, g.part, g.operator, g.reference, *g.by, *g.where,
                 g.replicate if g.replicate != "replicate" else None)
        for i in study.interlaboratory:
            note(i.name, i.laboratory, i.material, *i.where, i.replicate if i.replicate != "replicate" else None)
        for q in study.agreement:
            if q.recalculate is not None:
                # What is compared are calibrations, which no column of the trials names.
                note(q.name, q.sensor or "sensor", q.recalculate.shown_by, *q.by, *q.where)
                continue
            note(q.name, q.compare, q.target, q.sensor, *q.pair_by, *q.by, *q.where)
    return {k: tuple(v) for k, v in found.items()}
