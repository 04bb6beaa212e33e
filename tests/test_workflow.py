"""The steps from a study to its answers."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from drift.agreement import agreement
from drift.errors import DriftError
from drift.ingest import read_tables
from drift.reliability import reliability
from drift.report.output import excluded_csv, machine_dict
from drift.retirement import retire
from drift.sensitivity import fit_wear
from drift.study import read_study
from drift.workflow import StudyResult, check_study, hashes_of, new_study, run_study, write_output


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("workflow") / "study"
    new_study(made)
    return made


@pytest.fixture(scope="module")
def result(folder: Path) -> StudyResult:
    return run_study(read_study(folder), seed=5)


def test_it_finds_what_the_procedures_find_on_their_own(folder: Path, result: StudyResult) -> None:
    study = read_study(folder)
    tables = read_tables(study).tables
    assert tables.trials is not None
    wear = fit_wear(tables, study, seed=5)
    own = (wear, retire(wear, study, tables, seed=5),
           reliability(tables.trials, study.reliability[0], level=0.95, seed=5),
           agreement(tables.trials, study.agreement[0], level=0.95, seed=5))
    for mine, part in zip(own, result.parts, strict=True):
        assert part.answer == mine.answer
        np.testing.assert_array_equal([e.value for e in part.estimates], [e.value for e in mine.estimates])
        np.testing.assert_array_equal([e.high for e in part.estimates], [e.high for e in mine.estimates])
        assert [t.name for t in part.tables] == [t.name for t in mine.tables]
        assert [f.message for f in part.findings] == [f.message for f in mine.findings]


def test_the_answer_is_the_decision(result: StudyResult) -> None:
    assert "retire after" in result.answer.lower()
    assert result.part("retire") is not None


def test_the_same_seed_gives_the_same_result(folder: Path, result: StudyResult) -> None:
    assert run_study(read_study(folder), seed=5).to_dict() == result.to_dict()


def test_the_same_study_gives_the_same_bytes_even_from_a_kept_result(folder: Path, result: StudyResult,
                                                                      tmp_path: Path) -> None:
    again = run_study(read_study(folder), seed=5)
    kept = StudyResult.from_dict(json.loads(json.dumps(again.to_dict())))
    first, second = write_output(result, tmp_path / "a"), write_output(kept, tmp_path / "b")
    files = sorted(p.relative_to(first) for p in first.rglob("*") if p.is_file())
    assert files == sorted(p.relative_to(second) for p in second.rglob("*") if p.is_file())
    for name in files:
        assert (first / name).read_bytes() == (second / name).read_bytes(), name


def test_rows_nobody_asked_for_are_counted_and_listed_but_not_in_the_json(result: StudyResult) -> None:
    outside = [x for x in result.exclusions if x.kind == "outside where"]
    assert len(outside) == sum(a.outside_where for a in result.provenance.accounts) > 0
    data = machine_dict(result)
    assert not [x for x in data["exclusions"] if x["kind"] == "outside where"]
    assert data["provenance"]["rows"]["outside_where"] == len(outside)
    assert excluded_csv(result.exclusions).count(b"\n") == len(result.exclusions) + 1


def test_inputs_are_known_by_their_hashes(folder: Path, result: StudyResult) -> None:
    assert set(result.provenance.inputs) == {p.name for p in folder.iterdir()}


def test_progress_only_moves_forward(folder: Path) -> None:
    told: list[tuple[str, float]] = []
    run_study(read_study(folder), progress=lambda what, share: told.append((what, share)))
    shares = [s for _, s in told]
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert {w for w, _ in told} >= {"drift per use", "retirement"}


def test_errors_of_all_questions_come_at_once(folder: Path, tmp_path: Path) -> None:
    text = (folder / "study.toml").read_text(encoding="utf-8")
    for file in folder.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "study.toml").write_text(text.replace('facet = "session"', 'facet = "sesion"').replace(
        'compare = "method"', 'compare = "metod"'), encoding="utf-8")
    with pytest.raises(DriftError, match="sesion") as caught:
        run_study(read_study(tmp_path))
    assert "metod" in str(caught.value)
    found = check_study(tmp_path)
    assert {"sesion", "metod"} <= {w for f in found.findings for w in ("sesion", "metod") if w in str(f)}


def test_no_limit_no_count(folder: Path, tmp_path: Path) -> None:
    for file in folder.iterdir():
        (tmp_path / file.name).write_bytes(file.read_bytes())
    text = (folder / "study.toml").read_text(encoding="utf-8")
    lines = [line for line in text.splitlines() if not line.startswith(("sensitivity_change", "content", "confidence",
                                                                        "[retirement]"))]
    (tmp_path / "study.toml").write_text("\n".join(lines), encoding="utf-8")
    result = run_study(read_study(tmp_path))
    assert result.part("retire") is None
    assert not [e for e in result.estimates if e.name == "retire after"]


def test_inputs_are_never_changed(folder: Path) -> None:
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    run_study(read_study(folder))
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before


def test_the_hash_is_that_of_the_study_file_that_was_read(tmp_path: Path) -> None:
    import hashlib
    import shutil

    shutil.copytree(Path(__file__).parents[1] / "demo_trials" / "today", tmp_path / "s")
    other = tmp_path / "s" / "other.toml"
    other.write_text((tmp_path / "s" / "study.toml").read_text(encoding="utf-8") + "\n# another\n", encoding="utf-8")
    study = read_study(other)
    found = hashes_of(study, read_tables(study))
    assert found["other.toml"] == hashlib.sha256(other.read_bytes()).hexdigest()
    assert "study.toml" not in found
