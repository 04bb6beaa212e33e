"""The output folder: complete before it counts, whole at every moment, and never over other people's files."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from drift.errors import DriftError
from drift.platform_files import exchange
from drift.report import output
from drift.results import Provenance, Result, ResultTable
from tests.report.example_results import wear_result

FORK = hasattr(os, "fork")


def result(mark: float, n_tables: int = 12) -> Result:
    """A result whose every file tells which run wrote it, with enough files for fifty moments."""
    tables = tuple(ResultTable.build(f"table {i}", {"mark": [mark]}) for i in range(n_tables))
    return Result(question="q", answer=f"run {mark:g}", tables=tables, provenance=Provenance(seed=1))


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def is_whole(folder: Path) -> bool:
    """Tell whether a folder holds exactly what its manifest lists, with the hashes it lists."""
    held = contents(folder)
    listed = json.loads(held.pop("manifest.json"))["files"]
    return {k: hashlib.sha256(v).hexdigest() for k, v in held.items()} == listed


def end_at(step: int) -> Callable[[str], None]:
    """Return a watcher that ends the process, without any clean-up, before its ``step``-th move on disk."""
    seen = iter(range(10**6))

    def watch(what: str) -> None:
        if next(seen) == step:
            os._exit(9)

    return watch


def run_and_die(out: Path, step: int, swap: Callable[[Path, Path], bool]) -> int:
    """Write in a forked child that ends at ``step``; return its exit code."""
    child = os.fork()
    if child == 0:
        try:
            output.write_folder(result(2.0, 46), out, watch=end_at(step), swap=swap)
        finally:
            os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def never(first: Path, second: Path) -> bool:
    """A system that cannot exchange folders."""
    return False


def test_a_folder_is_what_its_manifest_lists(tmp_path: Path) -> None:
    out = output.write_folder(result(1.0), tmp_path / "out")
    assert is_whole(out)
    assert {"results.json", "excluded.csv", "tables/table-0.csv", "tables/estimates.csv"} <= set(contents(out))
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_the_same_result_gives_the_same_bytes(tmp_path: Path) -> None:
    first = contents(output.write_folder(wear_result(), tmp_path / "a"))
    second = contents(output.write_folder(wear_result(), tmp_path / "b"))
    assert first == second


@pytest.mark.parametrize("swap", [exchange, never], ids=["exchange", "two renames"])
def test_a_second_run_replaces_the_first(tmp_path: Path, swap: Callable[[Path, Path], bool]) -> None:
    output.write_folder(result(1.0), tmp_path / "out", swap=swap)
    output.write_folder(result(2.0, 3), tmp_path / "out", swap=swap)
    assert is_whole(tmp_path / "out")
    assert json.loads((tmp_path / "out" / "results.json").read_text())["answer"] == "run 2"
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("swap", [exchange, never], ids=["exchange", "two renames"])
def test_ended_at_fifty_moments_the_earlier_output_is_whole(tmp_path: Path,
                                                            swap: Callable[[Path, Path], bool]) -> None:
    if not FORK:
        return
    out = tmp_path / "out"
    moments = 0
    output.write_folder(result(1.0), out, swap=swap)
    for step in range(60):
        code = run_and_die(out, step, swap)
        if code == 0:
            break
        moments += 1
        where = out if out.exists() else tmp_path / "out.previous"
        assert is_whole(where)
        output.recover(out)  # what the next start does first
        assert is_whole(out)
        assert json.loads((out / "results.json").read_text())["answer"] in ("run 1", "run 2")
        assert [p.name for p in tmp_path.iterdir() if not p.name.endswith(".previous")] == ["out"]
    assert moments >= 50
    output.write_folder(result(3.0), out, swap=swap)
    assert [p.name for p in tmp_path.iterdir()] == ["out"]


def test_killed_for_real_the_earlier_output_is_whole(tmp_path: Path) -> None:
    out = tmp_path / "out"
    output.write_folder(result(1.0), out)
    before = contents(out)
    program = ("import sys, pathlib; sys.path[:0] = sys.argv[2:]\n"
               "from drift.report import output; from tests.report.test_output_folder import result\n"
               "print('ready', flush=True)\n"
               "while True: output.write_folder(result(1.0), pathlib.Path(sys.argv[1]))\n")
    for pause in (0.0, 0.011, 0.023):
        child = subprocess.Popen([sys.executable, "-c", program, str(out), *sys.path], stdout=subprocess.PIPE,
                                 cwd=Path(__file__).parents[2])
        assert child.stdout is not None
        with child.stdout:
            child.stdout.readline()
            time.sleep(pause)
            child.send_signal(signal.SIGTERM if sys.platform == "win32" else signal.SIGKILL)
            child.wait()
        output.recover(out)
        assert is_whole(out)
        assert contents(out) == before


def test_a_folder_with_other_files_is_refused_and_untouched(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "thesis.txt").write_text("years of work")
    with pytest.raises(DriftError, match="did not write"):
        output.write_folder(result(1.0), out)
    assert contents(out) == {"thesis.txt": b"years of work"}


def test_a_file_added_to_our_folder_is_not_deleted(tmp_path: Path) -> None:
    out = output.write_folder(result(1.0), tmp_path / "out")
    (out / "tables" / "notes.txt").write_text("mine")
    with pytest.raises(DriftError, match=r"notes\.txt"):
        output.write_folder(result(2.0), out)
    assert (out / "tables" / "notes.txt").read_text() == "mine"


def test_a_file_added_while_we_write_is_not_deleted(tmp_path: Path) -> None:
    out = output.write_folder(result(1.0), tmp_path / "out")

    def add(what: str) -> None:
        if what == "write manifest.json":
            (out / "late.txt").write_text("mine")

    with pytest.raises(DriftError, match=r"late\.txt"):
        output.write_folder(result(2.0), out, watch=add)
    assert (out / "late.txt").read_text() == "mine"


def test_an_empty_folder_is_taken(tmp_path: Path) -> None:
    (tmp_path / "out").mkdir()
    assert is_whole(output.write_folder(result(1.0), tmp_path / "out"))


def test_a_file_in_the_way_is_refused(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("x")
    with pytest.raises(DriftError, match="a file of that name exists"):
        output.write_folder(result(1.0), tmp_path / "out")


def test_somebody_elses_previous_folder_is_left_alone(tmp_path: Path) -> None:
    theirs = tmp_path / "out.previous"
    theirs.mkdir()
    (theirs / "a.txt").write_text("x")
    output.write_folder(result(1.0), tmp_path / "out")
    assert (theirs / "a.txt").read_text() == "x"


def test_an_interrupt_leaves_no_partial_folder(tmp_path: Path) -> None:
    def stop(what: str) -> None:
        if what == "write results.json":
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt, match=r"^$"):
        output.write_folder(result(1.0), tmp_path / "out", watch=stop)
    assert list(tmp_path.iterdir()) == []


def test_names_fit_every_file_system() -> None:
    tables = (ResultTable.build("a: b/c?", {"x": [1.0]}), ResultTable.build("A b c", {"x": [1.0]}),
              ResultTable.build("estimates", {"x": [1.0]}))
    assert [n for n, _ in output.file_names(tables)] == ["a-b-c", "a-b-c-2", "estimates-2"]


def test_csv_keeps_every_digit_and_the_units() -> None:
    table = ResultTable.build("t", {"x": [0.1 + 0.2, float("nan"), 3.0], "who": ["a", None, "b, c"]},
                              units={"x": "kPa"})
    assert output.table_csv(table).decode() == 'x [kPa],who\n0.30000000000000004,a\n,\n3,"b, c"\n'
