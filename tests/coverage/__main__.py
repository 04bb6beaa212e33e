"""Simulate coverage again, or check that the committed tables reproduce: ``python -m tests.coverage``.

Without names it lists the families. With names it reruns them and writes their tables; with ``--check`` it reruns a
sample of each at the committed seed and says whether the numbers are the same, and writes nothing.
"""

from __future__ import annotations

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")  # one thread a process: the processes are the parallel part

import sys
from collections.abc import Sequence

from tests.coverage.checking import check, record_first
from tests.coverage.family import Family, families
from tests.coverage.runner import arguments, run


def main(argv: Sequence[str] | None = None) -> int:
    """Answer the command; return an exit code."""
    parser = arguments((__doc__ or "").split("\n")[0])
    parser.prog = "python -m tests.coverage"
    parser.add_argument("names", nargs="*", metavar="NAME", help="families to rerun, or \"all\"; none: list them")
    parser.add_argument("--check", action="store_true", help="rerun a sample and compare with the committed table")
    parser.add_argument("--sample", type=int, default=3, metavar="N", help="designs that --check reruns (default 3)")
    parser.add_argument("--whole", action="store_true", help="with --check: every study of these designs, not a block")
    parser.add_argument("--record", action="store_true", help="record the first block of studies of a table that was "
                        "made before there were records (tests/coverage/held)")
    given = parser.parse_args(argv)
    known = {f.name: f for f in families()}
    if not given.names and not given.check:
        print(listing(list(known.values())))
        return 0
    names = list(known) if not given.names or given.names == ["all"] else given.names
    unknown = [n for n in names if n not in known]
    if unknown:
        print(f"no family {', '.join(unknown)}; there are {', '.join(known)}", file=sys.stderr)
        return 2
    if given.out and len(names) > 1 and not given.check:
        print("--out takes one family", file=sys.stderr)
        return 2
    worst = 0
    for name in names:
        code = (check if given.check else record_first if given.record else run)(known[name], given)
        if code == 130:
            return code
        worst = max(worst, code)
    return worst


def listing(found: Sequence[Family]) -> str:
    """Return the families with what they cover and how their committed tables were made."""
    lines = []
    for f in found:
        rows = f.committed()
        lines.append(f"{f.name}\n  {f.sentence}.\n  {len(f.designs)} design{'s' if len(f.designs) > 1 else ''}; "
                     f"{made_text(rows)}")
    return "\n".join([*lines, "", "python -m tests.coverage NAME reruns one and writes its table; --check compares a "
                      "sample with the committed one; --help says more."])


def made_text(rows: Sequence[dict[str, str]]) -> str:
    """Say how a table was made."""
    if not rows:
        return "no table yet"
    seed = next(k for k in rows[0] if k.endswith("seed"))
    studies = sorted({int(r["studies"]) for r in rows})
    dates = sorted({r["date"] for r in rows})
    return (f"table of {len(rows)} rows, {' to '.join(f'{n:,}' for n in dict.fromkeys((studies[0], studies[-1])))} "
            f"studies a row, seed {rows[0][seed]}, {' to '.join(dict.fromkeys((dates[0], dates[-1])))}")


if __name__ == "__main__":
    raise SystemExit(main())
