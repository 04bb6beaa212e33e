"""Which companions stand beside the limits of agreement, in the order in which they are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from drift.agreement.answer import Answer
from drift.agreement.companion import Companion, Maker, Setting
from drift.agreement.pairs import Pairing
from drift.agreement.words import said_over
from drift.engine.streams import stream
from drift.study import AgreementQuestion


def makers() -> tuple[tuple[str, Maker], ...]:
    """Return name and function of every companion; their modules are imported only here."""
    from drift.agreement import along_use, comparison_lines, concordance, survival

    return (("along use", along_use.companion),
            ("comparison lines", comparison_lines.companion),
            ("concordance", concordance.companion),
            ("survival", survival.companion))


def accompany(answers: Sequence[Answer], pairing: Pairing, question: AgreementQuestion, *, level: float,
              multiplier: float, seed: int) -> tuple[list[Answer], list[tuple[Answer, Companion]]]:
    """Ask every companion about every group that has limits with a spread.

    Returns
    -------
    answers, made
        The answers with the companions' estimates and findings added, and what each companion made.
    """
    out, made = [], []
    for number, x in enumerate(answers):
        if x.analysis is None or not any(e.level == e.level for e in x.estimates):
            out.append(x)
            continue
        found = [x.beside] if x.beside is not None else []
        for name, make in makers():
            harmless = x.verdict.in_unit if x.verdict is not None else None
            companion = make(Setting(
                group=x.group, structure=x.structure, analysis=x.analysis, pairing=pairing, question=question, of=x.of,
                label="".join(f" ({k} {v})" for k, v in x.group.of), level=level, multiplier=multiplier,
                harmless=harmless, rng=stream(seed, name, number)))
            if companion is not None:
                found.append(companion)
        over = next((c.over for c in found if c.over), "")
        limited = any(e.name == "protocol limit" and e.value == e.value for c in found for e in c.estimates)
        out.append(replace(x, estimates=(*x.estimates, *(e for c in found for e in c.estimates)), over=over,
                           findings=(*(said_over(f, over, limited=limited) for f in x.findings),
                                     *(f for c in found for f in c.findings)),
                           sentences=tuple(s for c in found for s in c.sentences)))
        made += [(out[-1], c) for c in found]
    return out, made
