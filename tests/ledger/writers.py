"""Writers that are killed: a light process that forks two at a time and ends them at a random moment.

Run as ``python tests/ledger/writers.py LEDGER KILLS SEED`` it prints the identifiers of every acknowledged entry. Each
writer puts the identifier on a pipe only after the ledger has acknowledged it.
"""

from __future__ import annotations

import os
import random
import select
import signal
import sys
import time
import traceback

from drift.ledger import Entry, Ledger


def write_on(path: str, pipe: int, name: str) -> None:
    """Write entries without end, a line on the pipe for each one acknowledged."""
    with Ledger(path, create=True) as ledger:
        number = 0
        while True:
            entry = Entry(kind="session", body={"sensor": name, "use": str(number)}, entry_id=f"{name}-{number}")
            ledger.append([entry], who=name)
            os.write(pipe, f"{entry.entry_id}\n".encode())
            number += 1
            time.sleep(0.002)  # or the other would hardly ever find the file free


def round_of_two(path: str, label: str, rng: random.Random) -> list[str]:
    """Start two writers, kill each with SIGKILL at a moment of its own, and return what was acknowledged.

    One in four is killed blindly, perhaps while it opens the file; the others soon after their first acknowledgement,
    in the middle of further writing.
    """
    children = [_started(path, f"{label}{side}") for side in "ab"]
    told = []
    for pid, pipe in rng.sample(children, 2):
        if rng.random() < 0.25:
            time.sleep(rng.uniform(0.0, 0.01))
        else:
            select.select([pipe], [], [], 5.0)
            time.sleep(rng.uniform(0.0, 0.01))
        os.kill(pid, signal.SIGKILL)
        if os.WTERMSIG(os.waitpid(pid, 0)[1]) != signal.SIGKILL:
            raise SystemExit("a writer ended by itself")
        with os.fdopen(pipe, encoding="utf-8") as text:
            told += text.read().split()
    return told


def _started(path: str, name: str) -> tuple[int, int]:
    read, write = os.pipe()
    pid = os.fork()
    if pid:
        os.close(write)
        return pid, read
    try:
        os.close(read)
        write_on(path, write, name)
    except BaseException:
        traceback.print_exc()  # what ended it belongs to the failure of the test
    finally:
        os._exit(1)


def main() -> None:
    """Kill as often as asked."""
    path, kills, rng = sys.argv[1], int(sys.argv[2]), random.Random(int(sys.argv[3]))
    for number in range(kills // 2):
        for done in round_of_two(path, f"r{number}", rng):
            print(done)


if __name__ == "__main__":
    main()
