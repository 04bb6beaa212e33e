"""Tables that are no good, one a row: each gives a right answer or one clear sentence, by function and by command."""

from __future__ import annotations

import json
import math
import re
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.cli import cli
from drift.errors import DriftError
from tests.reliability.tables import ask, drawn, long

NAN = math.nan


@dataclass(frozen=True)
class Case:
    """A table, what becomes of it (the code of a finding, or a value), and words of the sentence."""

    frame: Callable[[], pd.DataFrame]
    codes: tuple[str, ...] = ()
    words: str = ""
    refused: bool = False
    error: bool = False
    value: Callable[[], float] | None = None


def _cells(*rows: list[float]) -> Callable[[], pd.DataFrame]:
    return lambda: long(np.array(rows, dtype=float))


def _two_blocks() -> pd.DataFrame:
    y = np.full((6, 4), NAN)
    y[:3, :2], y[3:, 2:] = drawn(1, 3, 2), drawn(2, 3, 2)
    return long(y)


def _lonely() -> pd.DataFrame:
    return long(np.vstack([np.column_stack([drawn(1, 6, 3), np.full(6, NAN)]), [NAN, NAN, NAN, 50.0]]))


def _some_replicates() -> pd.DataFrame:
    once = long(drawn(1)).assign(replicate="1")
    return pd.concat([once, once.iloc[:5].assign(replicate="2", reading=lambda f: f["reading"] + 1)])


def _missing_column() -> pd.DataFrame:
    return long(drawn(1)).assign(reading=lambda f: f["reading"].where(f["sensor"] != "S4"))


def _own_labels() -> pd.DataFrame:
    return pd.DataFrame({"participant": [f"P{i // 2}" for i in range(12)], "sensor": [f"S{i}" for i in range(12)],
                         "reading": np.random.default_rng(0).normal(50, 5, 12)})


def _with(value: float) -> Callable[[], pd.DataFrame]:
    return lambda: long(drawn(1)).assign(reading=lambda f: f["reading"].where(f.index != 5, value))


def _mcgraw_wong(y: np.ndarray) -> float:
    n, k = y.shape
    rows, cols = y.mean(axis=1) - y.mean(), y.mean(axis=0) - y.mean()
    msr, msc = k * rows @ rows / (n - 1), n * cols @ cols / (k - 1)
    mse = ((y - y.mean() - rows[:, None] - cols) ** 2).sum() / (n - 1) / (k - 1)
    return float((msr - mse) / (msr + (k - 1) * mse + k * (msc - mse) / n))


def smls(base: int, replicates: int = 21) -> pd.DataFrame:
    """NIST StRD SmLs by its published rule: nine treatments, values written out in full as text."""
    levels, rows = [4, 3, 5, 3, 5, 3, 5, 3, 5], []
    for t, c in enumerate(levels):
        for r in range(replicates):
            tenths = 10 * base + c + (0 if r == 0 else -1 if r % 2 else 1)
            rows.append((f"P{t + 1}", "1", f"r{r}", f"{tenths // 10}.{tenths % 10}"))
    return pd.DataFrame(rows, columns=["participant", "session", "sensor", "reading"])


# Targets that are the same on average, and readings that trade places: a coefficient below zero.
OPPOSED = np.array([[1, 9], [8, 2], [2, 9], [9, 1], [1, 8], [8, 1], [3, 9], [9, 3]], dtype=float)

CASES = {
    "one sensor only": Case(lambda: long(drawn(1, 8, 1)), ("one-level",), "only one sensor (S1)", refused=True),
    "one target only": Case(lambda: long(drawn(1, 1, 3)), ("one-target",), "only one participant", refused=True),
    "constant readings": Case(lambda: long(np.full((5, 3), 4.5)), ("constant-readings",), "all 15 readings are the "
                              "same", refused=True),
    "all missing in one column": Case(_missing_column, ("level-without-reading",), "sensor S4 has no usable reading",
                                      value=lambda: _mcgraw_wong(drawn(1)[:, :3])),
    "identical columns": Case(lambda: long(np.repeat(np.round(drawn(1, 10, 1)), 3, axis=1)), ("no-residual-variation",),
                              "no measurement error was seen", value=lambda: 1.0),
    "no shared sensor": Case(_two_blocks, ("disconnected",), "One reading would join the two parts: participant P01 "
                             "with sensor S3", refused=True),
    "a target measured by no shared sensor": Case(_lonely, ("disconnected",), "S1, S2 and S3 with sensor S4",
                                                  refused=True),
    "labels of each target's own": Case(_own_labels, ("disconnected",), "give it the same label", refused=True),
    "replicates in some cells only": Case(_some_replicates, ("unequal-replicates",), "cells hold 1 to 2 readings"),
    "1e9 offset": Case(lambda: long(np.round(drawn(1) * 8) / 8 + 1e9), value=lambda: _mcgraw_wong(
        np.round(drawn(1) * 8) / 8)),
    "infinite value": Case(_with(math.inf), error=True),
    "minus infinity": Case(_with(-math.inf), error=True),
    "two targets": Case(lambda: long(drawn(1, 2, 4)), ("few-targets",), "only 2 participants",
                        value=lambda: _mcgraw_wong(drawn(1, 2, 4))),
    "two by two": Case(lambda: long(drawn(1, 2, 2)), ("few-targets",), value=lambda: _mcgraw_wong(drawn(1, 2, 2))),
    "more sensors than targets": Case(lambda: long(drawn(1, 3, 12)), ("few-targets",),
                                      value=lambda: _mcgraw_wong(drawn(1, 3, 12))),
    "one huge outlier": Case(_with(1e6), value=lambda: _mcgraw_wong(np.where(np.arange(80).reshape(20, 4) == 5, 1e6,
                                                                            drawn(1)))),
    "an outlier beyond numbers": Case(_with(1e300), ("beyond-numbers",), "squares of such numbers", refused=True),
    "readings next to nothing": Case(lambda: long(drawn(1) * 1e-200), ("beyond-numbers",), "another unit",
                                     refused=True),
    "identical targets": Case(lambda: long(np.tile([[1.0, 2.0, 3.5]], (8, 1))), ("zero-target-variance",
                                                                                "no-residual-variation"),
                              "cannot be told apart", value=lambda: 0.0),
    "negative coefficient": Case(lambda: long(OPPOSED), ("zero-target-variance",), "is read as none",
                                 value=lambda: _mcgraw_wong(OPPOSED)),
    "nothing left with a missing cell": Case(_cells([1, 2, 3], [4, 5, 6], [2, 3, NAN]), ("no-residual-variation",),
                                             "row and column means exactly", refused=True),
    "too few cells": Case(_cells([1, 2, NAN], [NAN, 3, 4.5]), ("no-residual",), "nothing is left", refused=True),
    "negative readings": Case(lambda: long(drawn(1) - 200), ("no-percent",), "is not positive",
                              value=lambda: _mcgraw_wong(drawn(1))),
    "readings of zero": Case(lambda: long(np.where(drawn(1) > 60, 0.0, drawn(1))), ("no-variation-coefficient",)),
}


@pytest.mark.parametrize("name", CASES)
def test_a_bad_table_gives_a_right_answer_or_one_clear_sentence(name: str) -> None:
    case = CASES[name]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        if case.error:
            with pytest.raises(DriftError, match="an infinite value is no reading") as stopped:
                ask(case.frame())
            assert stopped.value.findings[0].code == "infinite-reading"
            return
        r = ask(case.frame())
    said = " ".join([r.answer, *(f.message for f in r.findings)]).casefold()
    assert set(case.codes) <= {f.code for f in r.findings}
    assert case.words.casefold() in said
    first = r.estimates[0]
    assert math.isnan(first.value) == case.refused
    if case.value is not None:
        assert first.value == pytest.approx(case.value(), rel=1e-6, abs=1e-12)
    _no_number_without_a_reason(r.to_dict())


def _no_number_without_a_reason(result: dict[str, object]) -> None:
    """A value that cannot be had has a warning that says so and how to mend it; so has a missing interval."""
    estimates, findings = result["estimates"], result["findings"]
    assert isinstance(estimates, list)
    assert isinstance(findings, list)
    gone = [e for e in estimates if e["value"] is None]
    warned = [f for f in findings if f["severity"] == "warning" and f["mend"]]
    assert not gone or warned
    reasons = {f["code"] for f in findings}
    bare = [e for e in estimates if e["value"] is not None and e["low"] is None]
    assert not bare or reasons & {"no-residual-variation", "identical-replicates", "coefficient-without-value",
                                  "two-by-two"} or {e["name"] for e in bare} <= {"ICC(A,k)", "ICC(C,k)", "ICC(k)"}
    open_above = [e for e in estimates if e["low"] is not None and e["high"] is None]
    assert not open_above or "percent-without-bound" in reasons


@pytest.mark.parametrize("name", CASES)
def test_the_command_says_the_same(name: str, tmp_path: Path) -> None:
    """Through a file and ``drift icc``: an answer (exit 0), or a refusal in words; never a traceback or a bare NaN."""
    case = CASES[name]
    path = tmp_path / "trials.csv"
    case.frame().to_csv(path, index=False)
    words = ["icc", str(path), "--facet", "sensor", "--unit", "kPa"]
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        plain, out = CliRunner().invoke(cli, words), CliRunner().invoke(cli, [*words, "--json"])
    for result in (plain, out):
        assert result.exception is None or isinstance(result.exception, SystemExit)
        assert "Traceback" not in result.output
    assert not re.search(r"\bnan\b|Warning:", plain.output)
    if case.error:
        assert plain.exit_code == 1
        assert "row 7, column reading: this number is not finite" in plain.output
        return
    if name == "all missing in one column":  # a long table may not hold a row without its reading; a wide one may
        assert plain.exit_code == 1
        assert "'reading' is empty" in plain.output
        case.frame().pivot(index="participant", columns="sensor", values="reading").to_csv(path)
        words = ["icc", str(path), "--columns", "S1,S2,S3,S4", "--unit", "kPa"]
        plain, out = CliRunner().invoke(cli, words), CliRunner().invoke(cli, [*words, "--json"])
    found = json.loads(out.output)
    assert plain.exit_code in (0, 2)
    assert set(case.codes) <= {f["code"] for f in found["findings"]}
    first = found["estimates"][0]
    assert (first["value"] is None) == case.refused
    if case.value is not None:
        assert first["value"] == pytest.approx(case.value(), rel=1e-6, abs=1e-12)


def test_text_in_the_value_column_is_named_by_row(tmp_path: Path) -> None:
    path = tmp_path / "trials.csv"
    frame = long(drawn(1)).astype({"reading": object})
    frame.loc[6, "reading"] = "slipped"
    frame.loc[9, "reading"] = "12 or 13"
    frame.to_csv(path, index=False)
    result = CliRunner().invoke(cli, ["icc", str(path), "--facet", "sensor"])
    assert result.exit_code == 1
    for word in ("slipped", "12 or 13", "row 8", "row 11"):
        assert word in " ".join(result.output.split())
    assert "Traceback" not in result.output


@pytest.mark.parametrize(("base", "digits"), [(1, 12), (10**6, 10), (10**9, 12), (10**12, 12)])
def test_smls_offsets_cost_no_digits_that_the_readings_hold(base: int, digits: int, tmp_path: Path) -> None:
    """NIST StRD SmLs01, 04 and 07 by their rule, and an offset of a billion, through a file and the command.

    The certified sums of squares, 1.68 and 1.8, are those of the decimal values. Doubles near 1e12 are 0.00012 apart,
    so the readings as stored have other sums of squares: those, in exact rational arithmetic, are kept to 12 digits.
    """
    frame, path = smls(base), tmp_path / "trials.csv"
    frame.to_csv(path, index=False)
    result = CliRunner().invoke(cli, ["icc", str(path), "--facet", "sensor", "--unit", "kPa", "--json"])
    table = next(t for t in json.loads(result.output)["tables"] if t["name"] == "mean squares")
    source, squares = ([c["name"] for c in table["columns"]].index(name) for name in ("source", "sum of squares"))
    found = {row[source]: row[squares] for row in table["rows"]}
    by_target: dict[str, list[Fraction]] = {}
    for who, text in zip(frame["participant"], frame["reading"], strict=True):
        by_target.setdefault(who, []).append(Fraction(float(text)) if base != 10**6 else Fraction(text))
    means = {who: sum(v) / len(v) for who, v in by_target.items()}
    grand = sum(means.values()) / len(means)
    within = sum((x - means[who]) ** 2 for who, v in by_target.items() for x in v)
    between = sum(len(by_target[who]) * (m - grand) ** 2 for who, m in means.items())
    assert found["within participants"] == pytest.approx(float(within), rel=10.0 ** -digits)
    assert found["participant"] == pytest.approx(float(between), rel=10.0 ** -digits)
    assert float(within) == pytest.approx(1.8, rel=1e-3)


ODD = st.sampled_from([0.0, 1.0, 1.0, 2.0, 5.5, -3.0, 1e9, 1e9 + 1, 1e-9, NAN])


@settings(max_examples=60, deadline=None)
@given(n=st.integers(1, 5), k=st.integers(1, 4), m=st.integers(1, 2), data=st.data())
def test_small_messy_tables_never_break(n: int, k: int, m: int, data: st.DataObject) -> None:
    """Ties, offsets, zeros and holes at random: an answer or a refusal, finite or with its reason."""
    values = data.draw(st.lists(ODD, min_size=n * k * m, max_size=n * k * m))
    frame = long(np.array(values).reshape(n, k, m))
    words = data.draw(st.fixed_dictionaries({"facets_are": st.sampled_from(["sample", "fixed"]),
                                             "agree": st.sampled_from(["value", "order"]),
                                             "use": st.sampled_from(["single", "mean"]),
                                             "average_replicates": st.booleans()}))
    if frame.empty:
        return
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        r = ask(frame, **words)
    text = json.dumps(r.to_dict())
    assert "NaN" not in text
    assert "nan" not in r.answer
    for e in r.estimates:
        if math.isfinite(e.value) and math.isfinite(e.low) and math.isfinite(e.high):
            assert e.low <= e.high
            if e.name.startswith(("SEM", "MDC", "repeat", "variance", "within-target CV")):
                assert e.low - 1e-9 * abs(e.low) <= e.value <= e.high + 1e-9 * abs(e.high) or "component" in e.of
    if any(math.isnan(e.value) for e in r.estimates):
        assert any(f.severity == "warning" and f.mend for f in r.findings)
