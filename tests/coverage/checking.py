"""Whether the committed numbers come out again: blocks of studies against the record, or whole rows of the table."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Mapping, Sequence

from tests.coverage.family import Family, Mapper, block_size, misses_in, read_rows, record
from tests.coverage.runner import chosen, spread_over, workers_of, write_rows

STAMPS = ("date", "versions", "numpy", "scipy", "python")


def check(family: Family, given: argparse.Namespace) -> int:
    """Rerun a sample of a family, say what reproduces and return an exit code."""
    if not family.committed():
        print(f"{family.name}: no table yet")
        return 0
    designs = chosen(family, given.only)
    if not designs:
        print(f"{family.name}: no design holds or matches {given.only!r}", file=sys.stderr)
        return 2
    designs = spread_over(designs, given.sample)
    wrong, rows = [], 0
    with workers_of(given.workers) as pool:
        for design in designs:
            mapper: Mapper = (lambda f, items: pool.imap(f, items, chunksize=5)) if pool is not None else map
            found, said = whole(family, design, mapper=mapper) if given.whole else again(family, design, mapper=mapper)
            rows += found
            wrong += [f"  {design}: {w}" for w in said]
    lost = arithmetic(family)
    verdict = "reproduce exactly" if not wrong and not lost else "DO NOT REPRODUCE"
    print("\n".join([f"{family.name}: {rows} rows of {len(designs)} of {len(family.designs)} designs {verdict}",
                     *wrong, *(f"  {x}" for x in lost)]))
    return 1 if wrong or lost else 0


def again(family: Family, design: str, *, mapper: Mapper = map, later: bool = True) -> tuple[int, list[str]]:
    """Simulate the first and one ``later`` block of a design again, or whole rows without a record.

    Returns
    -------
    rows, differences
        How many rows were compared, and in words what differs.
    """
    recorded = [r for r in read_rows(family.record) if r["design"] == design]
    if not recorded or not family.recorded:
        return whole(family, design, mapper=mapper)
    seed, studies, block = (int(recorded[0][c]) for c in ("seed", "studies", "block"))
    if seed != family.seed:
        return len(recorded), [f"recorded with seed {seed}, not {family.seed}"]
    blocks = len(recorded[0]["misses"])
    said: list[str] = []
    # A block that the name of the design picks, so that no block is safer from being checked than another.
    for number in sorted({0, sum(design.encode()) % blocks if later else 0}):
        part = family.held(design, studies=min((number + 1) * block, studies), mapper=mapper, first=number * block,
                           block=block)
        made = {(r["quantity"], r["method"]): r for r in record(design, part, seed=seed, block=block)}
        known = {(r["quantity"], r["method"]) for r in recorded}
        said += [f"{q}, {m}: is not in the record" for q, m in made.keys() - known]
        for row in recorded:
            key = row["quantity"], row["method"]
            said += _differs(row, made.get(key), number)
    return len(recorded), said


def _differs(row: Mapping[str, str], made: Mapping[str, object] | None, number: int) -> list[str]:
    name = f"{row['quantity']}, {row['method']}"
    if made is None:
        return [] if number else [f"{name}: is not made any more"]
    said = []
    now, then = misses_in(str(made["misses"]))[0], misses_in(row["misses"])[number]
    if now != then:
        said.append(f"{name}: {now} misses in block {number + 1}, recorded {then}")
    if number == 0 and row["first_width"]:
        width = float(str(made["first_width"] or "nan"))
        if not math.isclose(width, float(row["first_width"]), rel_tol=2e-5):
            said.append(f"{name}: mean width {width:.6g} in block 1, recorded {row['first_width']}")
    return said


def whole(family: Family, design: str, *, mapper: Mapper = map) -> tuple[int, list[str]]:
    """Simulate every study of a design again and compare its rows with the committed ones, to the last digit."""
    stored = [r for r in family.committed() if family.design_of(r) == design]
    if not stored:
        return 0, ["is not in the table"]
    made, _ = family.make(design, studies=int(stored[0]["studies"]), mapper=mapper)
    said = []
    if len(made) != len(stored):
        said.append(f"{len(made)} rows, in the table {len(stored)}")
    for row, old in zip(made, stored, strict=False):
        said += [f"{_name(old)}: {c} {row[c]}, in the table {old[c]}" for c in row
                 if c not in STAMPS and str(row[c]) != old[c]]
    return len(stored), said


def _name(row: Mapping[str, str]) -> str:
    return ", ".join(row[c] for c in ("quantity", "method", "rule", "of") if row.get(c))


def arithmetic(family: Family, recorded: Sequence[Mapping[str, object]] | None = None) -> list[str]:
    """Say which figures of a committed table are not what their recorded blocks add up to.

    A record of the first blocks only (of a table made before there were records) must be consistent with its row.
    """
    rows = {}
    for r in family.committed():
        if "quantity" in r and family.recorded:
            rows[family.design_of(r), r["quantity"], r["method"]] = r
    said = []
    for one in read_rows(family.record) if recorded is None else recorded:
        row = rows.get((str(one["design"]), str(one["quantity"]), str(one["method"])))
        if row is None:
            said.append(f"{one['design']}, {one['quantity']}, {one['method']}: recorded, but not in the table")
            continue
        found = int(row["studies"]) - int(row.get("without_interval") or row.get("failures") or 0)
        missed, coverage = sum(misses_in(str(one["misses"]))), float(row["coverage"])
        done = min(len(str(one["misses"])) * int(str(one["block"])), int(str(one["studies"])))
        if done >= int(row["studies"]):
            wrong = f"{1 - missed / found:.4f}" != row["coverage"] and abs(1 - missed / found - coverage) > 5.1e-5
        else:
            error = math.sqrt(max(coverage * (1 - coverage), 1 / done) / done)
            wrong = abs(1 - missed / done - coverage) > 4.5 * error
        if wrong:
            said.append(f"{one['design']}, {one['quantity']}, {one['method']}: the table has {row['coverage']}, its "
                        f"blocks give {1 - missed / min(done, found):.4f}")
    return said


def record_first(family: Family, given: argparse.Namespace) -> int:
    """Record the first block of every design of a table that was made before there were records."""
    if not family.recorded:
        print(f"{family.name}: has no studies of its own to record; --check makes whole rows again")
        return 0
    made: list[dict[str, object]] = []
    with workers_of(given.workers) as pool:
        mapper: Mapper = (lambda f, items: pool.imap(f, items, chunksize=5)) if pool is not None else map
        for design in dict.fromkeys(family.design_of(r) for r in family.committed()):
            size = block_size(family.studies)
            held = family.held(design, studies=size, mapper=mapper, block=size)
            made += record(design, held, seed=family.seed, block=size)
    lost = arithmetic(family, made)
    if not lost and made:
        write_rows(made, family.record)
    print("\n".join([f"{family.name}: {len(made)} rows, first block of each" + (" NOT recorded:" if lost else ""),
                     *(f"  {x}" for x in lost)]))
    return 1 if lost else 0
