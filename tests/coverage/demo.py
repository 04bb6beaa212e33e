"""How often the analyses of the demo trials hold the truth, over many seeds: ``python -m tests.coverage.demo``.

Every study is simulated, written to files, read by the public door and answered as ``drift run`` answers it. An
interval holds if the truth lies in it; a retire-after count holds if it does not exceed the true count.
"""

from __future__ import annotations

import importlib
import math
import sys
import tempfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

from tests.coverage.family import FOLDER, Family, Mapper
from tests.coverage.runner import arguments, run, stamp_of

ROOT = Path(__file__).resolve().parents[2]
DEMO = ROOT / "demo_trials"
TABLE = FOLDER / "demo.csv"
FIRST_SEED, STUDIES = 20260118, 200
WEAR = ("drift per use", "drift per use, percent", "growth of saturation pressure per use, percent",
        "sensitivity at use 0")
RELIABILITY = ("ICC(A,1)", "ICC(C,1)", "SEM (agreement)", "SEM (consistency)")
AGREEMENT = ("bias", "lower limit", "upper limit")


@dataclass(frozen=True)
class Held:
    """One truth and what a study said about it."""

    quantity: str
    of: str
    truth: float
    value: float
    low: float
    high: float

    @property
    def available(self) -> bool:
        """Whether the study answered at all."""
        return math.isfinite(self.value)

    @property
    def holds(self) -> bool:
        """Whether the truth lies between the ends."""
        return self.low <= self.truth <= self.high


def generator(name: str = "make_demo") -> ModuleType:
    """Import a module of the demo folder, which is a folder of scripts and no package."""
    sys.path.insert(0, str(DEMO))
    try:
        return importlib.import_module(name)
    finally:
        sys.path.remove(str(DEMO))


def checked(folder: Path, truth: dict[str, Any], *, seed: int = 1) -> list[Held]:
    """Answer the study in ``folder`` and set each answer beside its truth."""
    import drift

    study = drift.read_study(folder)
    reading = drift.read_tables(study)
    return [*_wear_and_counts(study, reading.tables, truth, seed), *_reliability(study, reading.tables, truth, seed),
            *_agreement(study, reading.tables, truth, seed)]


def _wear_and_counts(study: Any, tables: Any, truth: dict[str, Any], seed: int) -> Iterator[Held]:
    import drift

    wear = drift.fit_wear(tables, study, seed=seed)
    for construction, true in truth["wear"].items():
        for name in WEAR:
            try:
                e = wear.estimate(name, construction=construction)
            except KeyError:
                continue
            yield Held(name, construction, true[name], e.value, e.low, e.high)
    for e in drift.retire(wear, study, tables, seed=seed).estimates:
        limit = e.of.get("limit", "all limits")
        if e.name == "retire after" and limit in truth["wear"][e.of["construction"]]["retire after"]:
            true_count = truth["wear"][e.of["construction"]]["retire after"][limit]
            # A recommendation holds where it does not exceed the truth: the truth lies at or above it.
            yield Held("retire after", f"{e.of['construction']}, {limit}", true_count, e.value, e.value, math.inf)


def _reliability(study: Any, tables: Any, truth: dict[str, Any], seed: int) -> Iterator[Held]:
    from drift.reliability import reliability

    for question in study.reliability:
        for e in reliability(tables.trials, question, level=0.95, seed=seed).estimates:
            # The truth is that of one reading; an error of means stands beside it under the same name.
            if (e.name in RELIABILITY and e.of.get("model", "two-way random") == "two-way random"
                    and "reading" not in e.of):
                gains = e.of.get("gains", "equalised")
                true = truth["reliability"][question.name][e.of["region"]][gains]
                yield Held(e.name, f"{question.name}, {e.of['region']}, {gains}", true[e.name], e.value, e.low, e.high)


def _agreement(study: Any, tables: Any, truth: dict[str, Any], seed: int) -> Iterator[Held]:
    from drift.agreement import agreement

    for question in study.agreement:
        result = agreement(tables.trials, question, level=0.95, seed=seed)
        true = truth["agreement"][question.name][question.where["region"]]["over uses 0 to 59"]
        for name in AGREEMENT:
            e = result.estimate(name)
            yield Held(name, question.name, true[name], e.value, e.low, e.high)


def one_study(seed: int) -> list[Held]:
    """Simulate and answer one study."""
    demo = generator()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for table, rows in demo.simulate(seed).items():
            demo.write_csv(folder / f"{table}.csv", rows)
        (folder / "study.toml").write_bytes((DEMO / "study.toml").read_bytes())
        return checked(folder, generator("world").truth(seed))


def tabulate(studies: Sequence[list[Held]]) -> list[dict[str, Any]]:
    """Return one row a quantity: truth, studies, answers, share that held, mean width, mean value."""
    groups: dict[tuple[str, str], list[Held]] = {}
    for study in studies:
        for held in study:
            groups.setdefault((held.quantity, held.of), []).append(held)
    rows = []
    for (quantity, of), all_held in groups.items():
        answered = [h for h in all_held if h.available]
        n = max(len(answered), 1)
        width = sum(h.high - h.low for h in answered) / n
        rows.append({
            "quantity": quantity, "of": of, "truth": f"{all_held[0].truth:.6g}", "nominal": 0.95,
            "studies": len(studies), "answered": len(answered), "held": sum(h.holds for h in answered),
            "coverage": f"{sum(h.holds for h in answered) / n:.3f}",
            "mean_value": f"{sum(h.value for h in answered) / n:.5g}",
            "mean_width": f"{width:.4g}" if math.isfinite(width) else ""})
    return rows


DESIGN = "the demo trials"


def rows_of(design: str, *, studies: int, seed: int, mapper: Mapper = map) -> list[dict[str, Any]]:
    """Return the table: study i has the seed ``seed + i`` of the generator."""
    return tabulate(list(mapper(one_study, range(seed, seed + studies))))


def design_of(row: Mapping[str, object]) -> str:
    """Return the only design there is."""
    return DESIGN


def stamp(seed: int) -> dict[str, object]:
    """Return the columns that say how a row was made."""
    return stamp_of(first_seed=seed)


FAMILY = Family("demo", __doc__ or "", [DESIGN], None, TABLE, FIRST_SEED, studies=STUDIES, rows=rows_of,
                design_of=design_of, stamp=stamp)

if __name__ == "__main__":
    raise SystemExit(run(FAMILY, arguments(FAMILY.sentence).parse_args()))
