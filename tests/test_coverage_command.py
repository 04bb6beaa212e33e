"""``python -m tests.coverage``: what it lists, that tables reproduce, and that a run can be stopped and taken up."""

from __future__ import annotations

import csv
import os
import signal
import subprocess
import sys
import time
from argparse import Namespace
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.coverage.__main__ import listing, main
from tests.coverage.checking import again, arithmetic, check, whole
from tests.coverage.family import (
    Drawn,
    Family,
    Held,
    block_size,
    families,
    misses_in,
    read_rows,
    record,
    record_of,
    tabulate,
)
from tests.coverage.runner import arguments, duration, estimate_seconds, rows_of, run, spread_over

ROOT = Path(__file__).resolve().parents[1]
KNOWN = {f.name: f for f in families()}
COMMITTED = {name: f for name, f in KNOWN.items() if f.committed()}


def normal_mean(design: str, rng: np.random.Generator) -> Held:
    """One study of a known answer: the interval of a mean with known variance, and one that is too short."""
    mean = rng.normal() / int(design.split()[0]) ** 0.5
    half = 1.959964 / int(design.split()[0]) ** 0.5
    found = {("mean", "z"): (abs(mean) <= half, 2 * half)}
    if rng.random() < 0.9:
        found["mean", "half of it"] = (abs(mean) <= half / 2, half)
    return found


@pytest.fixture
def family(tmp_path: Path) -> Family:
    return Family("means", "How often intervals of a mean hold.", ["4 values", "9 values", "16 values"], normal_mean,
                  tmp_path / "means.csv", 7, studies=100)


def told(*words: str) -> Namespace:
    parser = arguments("")
    for flag in ("--check", "--whole"):
        parser.add_argument(flag, action="store_true")
    parser.add_argument("--sample", type=int, default=3)
    return parser.parse_args(["--workers", "1", *words])


# --- the committed tables


def test_every_family_is_listed_with_its_seed_date_and_rows() -> None:
    text = listing(list(KNOWN.values()))
    assert {"agreement", "demo", "drift", "reliability", "retirement"} <= set(KNOWN)
    for name, f in COMMITTED.items():
        assert f"{name}\n" in text
        assert f"table of {len(f.committed())} rows" in text
        assert f"seed {f.seed}" in text
        assert f.sentence.endswith(tuple("abcdefghijklmnopqrstuvwxyz"))


@pytest.mark.parametrize("name", [n for n, f in COMMITTED.items() if f.recorded])
def test_committed_coverage_is_what_the_recorded_blocks_add_up_to(name: str) -> None:
    """A figure typed or altered by hand is not the sum of its blocks."""
    assert read_rows(COMMITTED[name].record), f"record the studies: python -m tests.coverage {name} --record"
    assert arithmetic(COMMITTED[name]) == []


@pytest.mark.parametrize("name", [n for n in COMMITTED if n != "demo"])
def test_a_design_of_every_table_comes_out_again(name: str) -> None:
    """Blocks of studies to the last miss; whole rows to the last digit where all studies are simulated at once.

    The demo trials, a second a study, are answered once in ``tests/test_demo_trials.py``.
    """
    f = COMMITTED[name]
    assert not f.recorded or read_rows(f.record), f"record the studies: python -m tests.coverage {name} --record"
    rows, wrong = again(f, f.quick, later=False)
    assert rows > 0
    assert wrong == []


def test_a_wrong_figure_and_a_wrong_record_are_found(family: Family) -> None:
    assert run(family, told()) == 0
    assert arithmetic(family) == []
    assert again(family, "4 values") == (2, [])
    assert whole(family, "4 values") == (2, [])
    text = family.table.read_text()
    kept = family.committed()[0]["coverage"]
    family.table.write_text(text.replace(kept, f"{float(kept) - 0.01:.4f}", 1))
    assert len(arithmetic(family)) == 1
    assert "coverage" in whole(family, "4 values")[1][0]
    family.table.write_text(text)
    assert again(replace(family, seed=8), "4 values")[1] == ["recorded with seed 7, not 8"]
    off = replace(family, study=lambda d, rng: {k: (ok, w * 1.001) for k, (ok, w) in normal_mean(d, rng).items()})
    assert "mean width" in again(off, "4 values")[1][0]
    assert check(off, told("--sample", "1")) == 1
    assert check(family, told()) == 0


def many_means(design: str, drawn: Drawn) -> dict[tuple[str, str], tuple[np.ndarray, np.ndarray]]:
    """Many studies at once; every tenth has no interval."""
    size = int(design.split()[0])
    half = 1.959964 / size**0.5
    width = np.concatenate([np.where(rng.random(n) < 0.1, np.nan, 2 * half) for rng, n in drawn])
    means = np.concatenate([rng.normal(size=n) / size**0.5 for rng, n in drawn])
    return {("mean", "z"): (np.abs(means) <= half, width)}


def test_studies_simulated_many_at_a_time_are_recorded_in_the_same_blocks(family: Family) -> None:
    batch = replace(family, study=None, batch=many_means, studies=110)
    assert run(batch, told("--workers", "2")) == 0
    one = batch.table.read_text()
    assert run(batch, told()) == 0
    assert batch.table.read_text() == one
    assert [len(r["misses"]) for r in read_rows(batch.record)] == [5, 5, 5]
    assert arithmetic(batch) == []
    for design in batch.designs:
        assert again(batch, design) == (1, [])
        assert whole(batch, design) == (1, [])
    assert int(batch.committed()[0]["without_interval"]) > 0


# --- records


def test_a_record_holds_the_misses_of_every_block() -> None:
    held: list[Held] = [{("q", "m"): (i % 3 != 0, 1.0 + i)} for i in range(60)]
    row = record("d", held, seed=1)[0]
    assert misses_in(str(row["misses"])) == [9, 8, 3]
    assert row["first_width"] == f"{np.mean(range(1, 26)):.6g}"
    assert block_size(10_000) == 50
    assert tabulate("d", held)[0]["coverage"] == f"{40 / 60:.4f}"


def test_a_study_without_an_interval_is_no_miss() -> None:
    held: list[Held] = [{("q", "m"): (True, 1.0)}, {}, {("q", "m"): (False, np.inf)}]
    assert tabulate("d", held)[0] | {} == {"design": "d", "quantity": "q", "method": "m", "nominal": 0.95,
                                           "coverage": "0.5000", "mean_width": "1", "studies": 3, "without_interval": 1}
    assert misses_in(str(record("d", held, seed=1)[0]["misses"])) == [1]


# --- running


def test_numbers_do_not_depend_on_the_number_of_workers(family: Family, tmp_path: Path) -> None:
    one, two = tmp_path / "one.csv", tmp_path / "two.csv"
    assert run(family, told("--out", str(one))) == 0
    assert run(family, told("--out", str(two), "--workers", "2")) == 0
    assert one.read_text() == two.read_text()
    assert record_of(one).read_text() == record_of(two).read_text()
    assert rows_of(normal_mean, "9 values", studies=100, seed=7) == family.make("9 values", studies=100)[0]


def test_a_run_cut_short_goes_on_where_it_stopped(family: Family) -> None:
    assert run(family, told()) == 0
    want = family.table.read_text()
    recorded = record_of(family.table).read_text()
    family.table.unlink()
    calls: list[str] = []

    def cut(design: str, rng: np.random.Generator) -> Held:
        calls.append(design)
        if design == "9 values" and calls.count(design) > 20:
            raise KeyboardInterrupt
        return normal_mean(design, rng)

    assert run(replace(family, study=cut), told()) == 130
    part = family.table.with_name("means.csv.part")
    assert {r["design"] for r in read_rows(part)} == {"4 values"}
    assert not family.table.exists()  # never half a table
    calls.clear()

    def rest(design: str, rng: np.random.Generator) -> Held:
        calls.append(design)
        return normal_mean(design, rng)

    assert run(replace(family, study=rest), told("--resume")) == 0
    assert "4 values" not in calls
    assert family.table.read_text() == want
    assert record_of(family.table).read_text() == recorded
    assert not part.exists()


def test_rows_of_another_number_of_studies_are_not_taken_up(family: Family, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(family, told()) == 0
    family.table.rename(family.table.with_name("means.csv.part"))
    assert run(family, told("--resume", "--studies", "50")) == 2
    assert "another seed or number of studies" in capsys.readouterr().err


def test_only_replaces_the_rows_of_the_chosen_designs(family: Family) -> None:
    assert run(family, told()) == 0
    before = family.committed()
    assert run(family, told("--only", "9 *", "--studies", "60")) == 0
    after = family.committed()
    assert [r["design"] for r in after] == [r["design"] for r in before]
    assert [r for r in after if r["design"] != "9 values"] == [r for r in before if r["design"] != "9 values"]
    assert {r["studies"] for r in after if r["design"] == "9 values"} == {"60"}
    assert run(family, told("--only", "no such")) == 2


def test_the_time_estimate_counts_what_a_design_costs_once_and_what_a_study_costs(family: Family) -> None:
    def slow(design: str, rng: np.random.Generator) -> Held:
        time.sleep(0.004)
        return normal_mean(design, rng)

    seconds, tried = estimate_seconds(replace(family, study=slow), family.designs, studies=500, workers=2)
    assert tried == 3
    assert 3 * 500 * 0.004 / 2 <= seconds < 3 * 500 * 0.004 * 5
    assert [duration(s) for s in (0.2, 40, 720, 9000, 90000)] == ["1 second", "40 seconds", "12 minutes", "2.5 hours",
                                                                 "25 hours"]
    assert spread_over("abcdefgh", 3) == ["a", "e", "h"] or len(spread_over("abcdefgh", 3)) == 3


def test_unknown_names_are_answered_with_those_there_are(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["no-such"]) == 2
    assert "agreement" in capsys.readouterr().err


@pytest.fixture
def started(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    out = tmp_path / "drift.csv"
    process = subprocess.Popen([sys.executable, "-m", "tests.coverage", "drift", "--only", "6 sensors", "--studies",
                                "400", "--workers", "2", "--out", str(out)], cwd=ROOT, text=True,
                               stderr=subprocess.PIPE, env={**os.environ, "OMP_NUM_THREADS": "1"})
    yield process
    process.kill()
    process.wait()


def test_ctrl_c_ends_a_run_without_a_traceback(started: subprocess.Popen[str]) -> None:
    assert started.stderr is not None
    said = started.stderr.readline()
    assert "will take about" in said
    time.sleep(0.5)
    started.send_signal(signal.SIGINT)
    _, rest = started.communicate(timeout=30)
    assert started.returncode == 130
    assert "Traceback" not in rest
    assert "nothing is kept" in rest


def test_tables_can_be_read_as_csv_with_one_header() -> None:
    for f in COMMITTED.values():
        with f.table.open(encoding="utf-8", newline="") as file:
            lengths = {len(row) for row in csv.reader(file)}
        assert len(lengths) == 1
