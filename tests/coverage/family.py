"""A family of intervals whose coverage is simulated, how its rows are made, and the record that they can be checked by.

Every study has its own child of one seed, so that no number depends on how the work is split. Beside each table lies
a record (``tests/coverage/held/NAME.csv``): the misses of each row in blocks of studies, and the mean width of the
first block. A figure typed by hand would not be the sum of its blocks, and any block can be simulated again alone.
"""

from __future__ import annotations

import csv
import importlib
import pkgutil
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from types import ModuleType
from typing import Any, Literal

import numpy as np

FOLDER = Path(__file__).resolve().parents[2] / "drift" / "handbook" / "coverage"
RECORDS = Path(__file__).resolve().parent / "held"
LEVEL = 0.95
Held = Mapping[tuple[str, str], tuple[bool, float]]
Study = Callable[[str, np.random.Generator], Held]
# (design, [(rng, n), ...]) -> {(quantity, method): (held, width)}, arrays over all studies, those of each rng together.
Drawn = Sequence[tuple[np.random.Generator, int]]
Batch = Callable[[str, Drawn], Mapping[tuple[str, str], tuple[Any, Any]]]
BLOCKS_AT_ONCE = 40
Row = dict[str, object]
Mapper = Callable[..., Iterable[Any]]
# One character a block; blocks hold fewer studies than there are characters.
_DIGITS = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz"
RECORD_COLUMNS = ("design", "quantity", "method", "seed", "studies", "block", "first_width", "misses")


def by_design(row: Mapping[str, object]) -> str:
    """Return the design of a row of a table."""
    return str(row["design"])


@dataclass(frozen=True)
class Family:
    """One table of simulated coverage.

    Parameters
    ----------
    name : str
        Of the table, and on the command line.
    about : str
        What is simulated; the first sentence is listed.
    designs : sequence of str
        One or more rows each, in the order of the table.
    study : callable, optional
        ``(design, rng) -> {(quantity, method): (held, width)}``, many quantities at once; a study without an interval
        leaves it out. None where ``batch`` or ``rows`` does everything.
    table : Path
    seed : int
    studies : int
        A row, unless asked otherwise.
    batch : callable, optional
        ``(design, [(rng, n), ...]) -> {(quantity, method): (held, width)}`` with arrays over all studies, for studies
        that are simulated many at a time; each pair draws one block of the record. NaN is the width of an interval
        that is not there.
    rows : callable, optional
        ``(design, studies=, seed=, mapper=) -> rows`` where the rows are not made from studies by :func:`tabulate`,
        such as studies that are simulated many at a time.
    tabulate : callable, optional
        ``(design, held) -> rows`` where the table has columns of its own.
    design_of : callable
        The design that a row of the table belongs to.
    stamp : callable, optional
        ``(seed) -> columns`` that say how a row was made; by default seed, date and versions.
    parallel : {"studies", "designs"}
        What is spread over the cores.
    cheap : str
        The design that the tests simulate again; the first one if empty.
    """

    name: str
    about: str
    designs: Sequence[str]
    study: Study | None
    table: Path
    seed: int
    studies: int = 2000
    batch: Batch | None = None
    rows: Callable[..., list[Row]] | None = None
    tabulate: Callable[[str, Sequence[Held]], list[Row]] | None = None
    design_of: Callable[[Mapping[str, object]], str] = by_design
    stamp: Callable[[int], Row] | None = None
    parallel: Literal["studies", "designs"] = "studies"
    cheap: str = ""

    @property
    def record(self) -> Path:
        """Where the misses of its table lie."""
        return record_of(self.table)

    @property
    def quick(self) -> str:
        """The design to simulate again in a test."""
        return self.cheap or self.designs[0]

    @property
    def sentence(self) -> str:
        """What it is about, in one line."""
        return re.split(r": ``|(?<=\w)\.(?:\s|$)", " ".join(self.about.split()), maxsplit=1)[0].rstrip(".")

    def make(self, design: str, *, studies: int, mapper: Mapper = map) -> tuple[list[Row], list[Row]]:
        """Simulate one design; return rows of the table (without their stamp) and of the record."""
        if self.rows is not None:
            return self.rows(design, studies=studies, seed=self.seed, mapper=mapper), []
        held = self.held(design, studies=studies, mapper=mapper)
        table = self.tabulate(design, held) if self.tabulate is not None else tabulate(design, held)
        return table, record(design, held, seed=self.seed)

    @property
    def recorded(self) -> bool:
        """Whether its studies can be recorded, block by block."""
        return self.study is not None or self.batch is not None

    def held(self, design: str, *, studies: int, mapper: Mapper = map, first: int = 0, block: int = 0) -> list[Held]:
        """Run the studies of one design, from the ``first`` on, which starts a block."""
        if self.batch is None:
            assert self.study is not None
            return held_of(self.study, design, studies=studies, seed=self.seed, mapper=mapper, first=first)
        size = block or block_size(studies)
        starts = range(first, studies, size)
        children = np.random.SeedSequence(self.seed).spawn(-(-studies // size))[first // size:]
        each = [(child, min(size, studies - start)) for child, start in zip(children, starts, strict=True)]
        work = [each[i:i + BLOCKS_AT_ONCE] for i in range(0, len(each), BLOCKS_AT_ONCE)]
        return [h for made in mapper(partial(_batch, self.batch, design), work) for h in made]

    def committed(self) -> list[dict[str, str]]:
        """Return the rows of the committed table; none where there is no table yet."""
        return read_rows(self.table)


def record_of(table: Path) -> Path:
    """Return the record that belongs to a table: in its folder here, or beside a table written elsewhere."""
    return RECORDS / table.name if table.parent == FOLDER else table.with_suffix(".held.csv")


def read_rows(path: Path) -> list[dict[str, str]]:
    """Return the rows of a CSV file as text; none where there is no file."""
    if not path.is_file():
        return []
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def one(study: Study, design: str, child: np.random.SeedSequence) -> Held:
    """Run one study from its own seed."""
    return study(design, np.random.default_rng(child))


def held_of(study: Study, design: str, *, studies: int, seed: int, mapper: Mapper = map,
            first: int = 0) -> list[Held]:
    """Run the studies of one design, from the ``first`` on."""
    children = np.random.SeedSequence(seed).spawn(studies)[first:]
    return list(mapper(partial(one, study, design), children))


def _batch(batch: Batch, design: str, work: Sequence[tuple[np.random.SeedSequence, int]]) -> list[Held]:
    """Run several blocks of studies at once, and take them apart into studies."""
    made = batch(design, [(np.random.default_rng(child), n) for child, n in work])
    return [{key: (bool(ok[i]), float(width[i])) for key, (ok, width) in made.items() if not np.isnan(width[i])}
            for i in range(sum(n for _, n in work))]


def keys_of(held: Sequence[Held]) -> list[tuple[str, str]]:
    """Return quantities with their methods, in the order in which they first occur."""
    return list(dict.fromkeys(key for h in held for key in h))


def tabulate(design: str, held: Sequence[Held]) -> list[Row]:
    """Return one row a quantity and method: coverage, mean width, studies without an interval."""
    made = []
    for quantity, method in keys_of(held):
        found = [h[quantity, method] for h in held if (quantity, method) in h]
        widths = [w for _, w in found if np.isfinite(w)]
        made.append({"design": design, "quantity": quantity, "method": method, "nominal": LEVEL,
                     "coverage": f"{np.mean([ok for ok, _ in found]):.4f}",
                     "mean_width": f"{np.mean(widths):.4g}" if widths else "", "studies": len(held),
                     "without_interval": len(held) - len(found)})
    return made


def block_size(studies: int) -> int:
    """Return the studies in a block of a record."""
    return 25 if studies <= 4000 else 50


def record(design: str, held: Sequence[Held], *, seed: int, block: int = 0) -> list[Row]:
    """Return the misses of each quantity and method in blocks of studies, a character a block.

    What has no quantity is carried for columns of a family's own table and is not recorded.
    """
    size = block or block_size(len(held))
    made = []
    for key in (k for k in keys_of(held) if k[0]):
        missed = [key in h and not h[key][0] for h in held]
        widths = [h[key][1] for h in held[:size] if key in h and np.isfinite(h[key][1])]
        misses = "".join(_DIGITS[sum(missed[i:i + size])] for i in range(0, len(held), size))
        made.append({"design": design, "quantity": key[0], "method": key[1], "seed": seed, "studies": len(held),
                     "block": size, "first_width": f"{np.mean(widths):.6g}" if widths else "", "misses": misses})
    return made


def misses_in(text: str) -> list[int]:
    """Return the misses of each block of a record."""
    return [_DIGITS.index(c) for c in text]


def families() -> Iterator[Family]:
    """Return every family: each module of this folder that has a FAMILY, or DESIGNS, study, TABLE and SEED.

    STUDIES and CHEAP, where there are any, are its studies a row and the design that tests simulate again.
    """
    import tests.coverage as here

    for found in sorted(pkgutil.iter_modules(here.__path__), key=lambda m: m.name):
        if not found.name.startswith("_"):
            family = of_module(importlib.import_module(f"tests.coverage.{found.name}"))
            if family is not None:
                yield family


def of_module(module: ModuleType) -> Family | None:
    """Return the family of a module; None where it has none."""
    declared = getattr(module, "FAMILY", None)
    if isinstance(declared, Family):
        return declared
    if all(hasattr(module, name) for name in ("DESIGNS", "study", "TABLE", "SEED")):
        return Family(module.TABLE.stem, module.__doc__ or "", list(module.DESIGNS), module.study, module.TABLE,
                      module.SEED, studies=getattr(module, "STUDIES", 2000), cheap=getattr(module, "CHEAP", ""))
    return None
