"""Which companions stand beside the retire-after count, in the order in which they are read."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drift.companion import Companion, joined
from drift.engine.streams import stream
from drift.records import Tables
from drift.results import Result
from drift.retirement.companion import Maker, Setting
from drift.retirement.evaluate import ConstructionAnswer
from drift.retirement.groups import Exposure
from drift.retirement.limits import Limit
from drift.study import RetirementSpec, Study


def makers() -> tuple[tuple[str, Maker], ...]:
    """Return name and function of every companion; their modules are imported only here."""
    from drift.retirement import criteria, first_passage, interval_methods, lifetimes

    return (("lifetimes", lifetimes.companion),
            ("first passage", first_passage.companion),
            ("several criteria", criteria.companion),
            ("interval methods", interval_methods.companion))


def accompany(wear: Result, study: Study, tables: Tables, *, limits: tuple[Limit, ...],
              answers: Sequence[ConstructionAnswer], exposure: Exposure, pooled: bool, seed: int) -> Companion:
    """Ask every companion, and put what they found together."""
    setting = Setting(wear=wear, study=study, tables=tables, limits=limits, answers=answers, exposure=exposure,
                      spec=study.retirement or RetirementSpec(), level=wear.provenance.level, pooled=pooled,
                      rng=np.random.default_rng(seed))
    return joined(c for name, make in makers() if (c := make(replace(setting, rng=stream(seed, name)))) is not None)
