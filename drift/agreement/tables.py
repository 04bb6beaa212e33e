"""Result tables of an agreement question: pairs, limits, checks, verdict, variance components."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from drift.agreement.answer import Answer
from drift.agreement.pairs import Pairing
from drift.errors import MINUS
from drift.results import ResultTable
from drift.study import AgreementQuestion


def _by_columns(answers: Sequence[Answer], sizes: Sequence[int], question: AgreementQuestion) -> dict[str, list[str]]:
    return {c: [str(x.of[c]) for x, n in zip(answers, sizes, strict=True) for _ in range(n)] for c in question.by}


def result_tables(answers: Sequence[Answer], pairing: Pairing, question: AgreementQuestion) -> tuple[ResultTable, ...]:
    """Return all tables of the question; units in their heads are those of the first group."""
    unit = answers[0].group.unit
    tables = [_pairs_table(answers, pairing, question, unit)]
    rows = [(x, r) for x in answers for r in x.rows]
    tables.append(ResultTable.build("limits", {
        "variant": [r.variant for _, r in rows], "limit": [r.limit for _, r in rows],
        "at": np.array([r.at for _, r in rows]), "value": np.array([r.value for _, r in rows]),
        "low": np.array([r.low for _, r in rows]), "high": np.array([r.high for _, r in rows]),
        "unit": [r.unit for _, r in rows], "method": [r.method for _, r in rows],
        **_by_columns(answers, [len(x.rows) for x in answers], question)}, units={"at": unit},
        caption=f"Limits of agreement of {question.a} {MINUS} {question.b}: plain, and the variants beside them"))
    checks = [c for x in answers for c in x.checks]
    tables.append(ResultTable.build("checks", {
        "check": [c.name for c in checks], "statistic": [c.statistic for c in checks],
        "value": np.array([c.value for c in checks]), "low": np.array([c.low for c in checks]),
        "high": np.array([c.high for c in checks]), "p": np.array([c.p for c in checks]),
        "holds": [c.holds for c in checks], "words": [c.words for c in checks],
        **_by_columns(answers, [len(x.checks) for x in answers], question)},
        caption="Checks of what limits of agreement assume"))
    judged = [x for x in answers if x.verdict is not None]
    if judged:
        tables.append(_verdict_table(judged, question))
    parts = [e for x in answers for e in x.estimates if e.name.startswith("SD ") and e.name != "SD of differences"]
    if parts:
        tables.append(ResultTable.build("variance components", {
            "component": [e.name.removeprefix("SD ") for e in parts], "sd": np.array([e.value for e in parts]),
            "low": np.array([e.low for e in parts]), "high": np.array([e.high for e in parts]),
            "method": [e.method for e in parts], **{c: [e.of[c] for e in parts] for c in question.by}},
            units=dict.fromkeys(("sd", "low", "high"), unit), caption="Where differences come from"))
    return tuple(tables)


def _pairs_table(answers: Sequence[Answer], pairing: Pairing, question: AgreementQuestion, unit: str) -> ResultTable:
    groups = [x.group for x in answers]

    def joined(parts: list[np.ndarray]) -> np.ndarray:
        return np.concatenate(parts)

    columns = {
        "target": joined([g.target for g in groups]),
        "sensor": joined([g.sensor if g.sensor is not None else np.full(len(g.a), "", dtype=object) for g in groups]),
        "use": joined([g.use if g.use is not None else np.full(len(g.a), np.nan) for g in groups]),
        "mean": joined([g.mean for g in groups]), "difference": joined([g.difference for g in groups]),
        "pair": joined([g.key for g in groups]),
        **_by_columns(answers, [len(g.a) for g in groups], question)}
    what = "means of each target" if pairing.constant else "pairs"
    return ResultTable.build("pairs", columns, units={"mean": unit, "difference": unit, "use": "use"},
                             caption=f"Differences {question.a} {MINUS} {question.b} against means, {what}")


def _verdict_table(judged: Sequence[Answer], question: AgreementQuestion) -> ResultTable:
    v = [x.verdict for x in judged if x.verdict is not None]
    columns = {
        "verdict": [x.words for x in v], "harmless": np.array([x.harmless for x in v]),
        "harmless in words": [x.given.words for x in v],
        "lower outer": np.array([x.outer[0] for x in v]), "upper outer": np.array([x.outer[1] for x in v]),
        "lower inner": np.array([x.inner[0] for x in v]), "upper inner": np.array([x.inner[1] for x in v]),
        "bias equivalence p": np.array([x.tost_p for x in v]),
        "bias low": np.array([x.bias[0] for x in v]), "bias high": np.array([x.bias[1] for x in v]),
        "total deviation index": np.array([x.tdi for x in v]), "its bound": np.array([x.tdi_bound for x in v]),
        "share inside": np.array([x.share for x in v]), "its lower bound": np.array([x.share_bound for x in v]),
        "further targets": np.array([math.nan if x.further is None else float(x.further) for x in v]),
        **_by_columns(judged, [1] * len(judged), question)}
    in_unit = ("harmless", "lower outer", "upper outer", "lower inner", "upper inner", "bias low", "bias high",
               "total deviation index", "its bound")
    units = dict.fromkeys(in_unit, v[0].unit)
    return ResultTable.build("verdict", columns, units=units, caption=(
        "Is the agreement good enough? One-sided 95 % bounds of the limits decide; the other figures stand beside"))
