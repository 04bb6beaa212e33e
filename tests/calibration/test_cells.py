"""Gains of cells: the demo's truth recovered, dead cells and lines, shrinkage, few exposures."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr

from drift.engine.cell_gains import dead_lines, median_polish, rig_bias, shrink, two_way
from drift.engine.spread_likelihood import mixed, mixed_ends, spread_likelihood
from tests.calibration.helpers import DEMO, answer, estimate, run

TRUTH = json.loads((DEMO / "truth.json").read_text(encoding="utf-8"))["cells"]
TABLE = DEMO / "exposures.csv"


def cells(data: dict[str, object]) -> pd.DataFrame:
    table = next(t for t in data["tables"] if t["name"] == "cell gains")  # type: ignore[attr-defined, index]
    return pd.DataFrame(table["rows"], columns=[c["name"] for c in table["columns"]])  # type: ignore[index]


@pytest.fixture(scope="module")
def demo() -> dict[str, object]:
    return answer(TABLE, "--cells", "--noise-floor", 5)


def test_dead_cells_dead_line_and_the_intermittent_cell_are_found(demo: dict[str, object]) -> None:
    found = cells(demo)
    dead = {(int(r), int(c)) for r, c in found.loc[found["state"] == "dead", ["row", "col"]].to_numpy()}
    assert dead == {(TRUTH["dead_row"], c) for c in range(1, 9)} | {tuple(c) for c in TRUTH["dead_cells"]}
    faint = found.loc[found["state"] == "intermittent", ["row", "col"]].to_numpy().astype(int).tolist()
    assert faint == [TRUTH["intermittent"]]
    assert "a dead line (row 5)" in str(demo["answer"])


def test_gains_are_those_of_the_truth(demo: dict[str, object]) -> None:
    found = cells(demo)
    live = found[found["state"] == "live"]
    true = np.array([TRUTH["gains"][int(r) - 1][int(c) - 1] for r, c in zip(live["row"], live["col"], strict=True)])
    shrunk = live["shrunk gain"].to_numpy(dtype=float)
    assert shrunk.mean() == pytest.approx(1.0, abs=2e-3)
    assert float(np.sqrt(np.mean((np.log(shrunk) - np.log(true)) ** 2))) < 0.025
    # Naive: one exposure alone.
    frame = pd.read_csv(TABLE)
    one = frame[frame["exposure"] == 1].merge(live[["row", "col"]], on=["row", "col"])["reading (count)"].to_numpy()
    assert float(np.sqrt(np.mean((np.log(one / one.mean()) - np.log(true)) ** 2))) > 0.03
    assert estimate(dict(demo), "SD of the rig's bias between places, percent")["value"] == pytest.approx(
        100 * TRUTH["sd_of_rig"], abs=1.0)
    assert "rig-bias" in {f["code"] for f in demo["findings"]}  # type: ignore[attr-defined, index]


def test_one_exposure_is_said_to_be_too_few(tmp_path: Path) -> None:
    frame = pd.read_csv(TABLE)
    frame[frame["exposure"] == 2].to_csv(tmp_path / "one.csv", index=False)
    data = answer(tmp_path / "one.csv", "--cells", "--noise-floor", 5)
    assert "few-exposures" in {f["code"] for f in data["findings"]}
    assert "one exposure cannot tell" in data["answer"]


def test_gains_that_drift_apart_are_found(tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    slope, gain = rng.normal(0, 0.002, 40), rng.normal(0, 0.05, 40)
    rows = [{"sensor": "A", "use": u, "exposure": k, "row": c // 8 + 1, "col": c % 8 + 1, "reference": p,
             "reading": p * np.exp(gain[c] + s * slope[c] * u + rng.normal(0, 0.01))}
            for s in (1,) for u in (0, 20, 40) for k, p in enumerate((100, 200, 400)) for c in range(40)]
    pd.DataFrame(rows).to_csv(tmp_path / "t.csv", index=False)
    data = answer(tmp_path / "t.csv", "--cells")
    assert "gains-drift" in {f["code"] for f in data["findings"]}
    e = estimate(data, "SD of gain drift per use between cells, percent")
    assert e["value"] == pytest.approx(0.2, abs=0.06)


def test_missing_readings_are_the_least_squares_of_what_is_there() -> None:
    rng = np.random.default_rng(3)
    logs = rng.normal(size=(6, 4))
    logs[2, 1] = logs[5, 3] = np.nan
    fit = two_way(logs)
    there = np.argwhere(np.isfinite(logs))
    design = np.zeros((len(there), 10))
    design[np.arange(len(there)), there[:, 0]] = 1
    design[np.arange(len(there)), 6 + there[:, 1]] = 1
    target = logs[there[:, 0], there[:, 1]]
    rest = target - design @ np.linalg.lstsq(design, target, rcond=None)[0]
    assert np.nansum(fit.residual**2) == pytest.approx(float(rest @ rest), rel=1e-10)
    assert fit.df == len(there) - 9


def test_a_single_wild_reading_moves_the_mean_and_not_the_median() -> None:
    logs = np.tile(np.linspace(0, 2, 5), (7, 1)) + np.arange(7)[:, None] / 10
    logs[3, 2] += 3
    assert abs(median_polish(logs)[3] - 0.0) < 0.2
    assert two_way(logs).gamma[3] > 0.4


def test_shrinkage_beats_the_measured_gains_when_exposures_are_few() -> None:
    rng = np.random.default_rng(5)
    plain, pulled = [], []
    for _ in range(60):
        gamma = rng.normal(0, 0.03, 96)
        s = shrink(two_way(gamma[:, None] + rng.normal(0, 0.05, (96, 2))))
        true = np.exp(gamma) / np.exp(gamma).mean()
        plain.append(np.mean((s.gain - true) ** 2))
        pulled.append(np.mean((s.shrunk - true) ** 2))
    assert np.mean(pulled) < 0.6 * np.mean(plain)


def _moments(gamma: np.ndarray, error: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Shrink at the one spread that moments give: the naive twin."""
    tau2 = max(float(np.var(gamma, ddof=1) - error.mean()), 0.0)
    weight = tau2 / (tau2 + error)
    return weight * gamma, np.sqrt(weight * error + 2 / (len(gamma) - 1) * (1 - weight) ** 2 * gamma**2)


@pytest.mark.parametrize("spread", [0.005, 0.01, 0.05])
def test_gains_that_hardly_differ_keep_an_error(spread: float) -> None:
    held, naive = [], []
    for seed in range(30):
        rng = np.random.default_rng([2, seed])
        gamma = rng.normal(0, spread, 24)
        fit = two_way(gamma[:, None] + rng.normal(0, 0.03, (24, 3)))
        s = shrink(fit)
        true = np.exp(gamma) / np.exp(gamma).mean()
        held.append(np.mean((s.low <= true) & (true <= s.high)))
        centre, se = _moments(fit.gamma, s.gain_se**2)
        naive.append(np.mean(np.abs(np.log(true) - centre) <= 2.01 * se))
        assert (s.shrunk_se > 0).all()
        assert s.tau_low < s.tau < s.tau_high
    assert np.mean(held) > 0.92
    if spread <= 0.01:
        assert np.mean(naive) < np.mean(held) - 0.03


def test_the_mixture_is_that_of_its_likelihood() -> None:
    # By hand: tau on a fine grid, equal errors known exactly, normal parts.
    rng = np.random.default_rng(6)
    gamma, e = rng.normal(0, 0.02, 12), 0.0004
    gamma -= gamma.mean()
    found = spread_likelihood(gamma, np.full(12, e), np.inf)
    tau = np.linspace(0, 0.2, 20001)
    logs = -0.5 * (11 * np.log(tau**2 + e) + (gamma @ gamma) / (tau**2 + e))
    share = np.exp(logs - logs.max())
    below = np.cumsum(share) / share.sum()
    for p in (0.025, 0.5, 0.975):
        assert float(found.quantile(p)) == pytest.approx(float(np.interp(p, below, tau)), abs=2e-4)
    w = tau**2 / (tau**2 + e)
    centre, se, _ = mixed(gamma, np.full(12, e), found.parts)
    mean = share @ w / share.sum() * gamma
    assert centre == pytest.approx(mean, abs=2e-5)
    exact = np.sqrt((share @ (w * e)) / share.sum() + gamma**2 * ((share @ w**2) / share.sum() - (share @ w
                                                                                                 / share.sum()) ** 2))
    assert se == pytest.approx(exact, rel=0.01)
    low, high = mixed_ends(gamma, np.full(12, e), found.parts, np.inf, level=0.95)
    for end, p in ((low, 0.025), (high, 0.975)):
        z = (end[0] - w * gamma[0]) / np.sqrt(np.maximum(w * e, 1e-20))
        assert float(share @ ndtr(z) / share.sum()) == pytest.approx(p, abs=2e-3)
    assert (low < centre).all()
    assert (centre < high).all()


def test_gains_do_not_depend_on_the_order_of_cells_or_the_unit_of_the_reading() -> None:
    rng = np.random.default_rng(7)
    logs = rng.normal(0, 0.03, 12)[:, None] + rng.normal(0, 0.03, (12, 3))
    logs[3, 1] = np.nan
    order = rng.permutation(12)
    base, other = shrink(two_way(logs)), shrink(two_way(logs[order] + math.log(7)))
    for name in ("shrunk", "low", "high", "shrunk_se"):
        assert getattr(other, name) == pytest.approx(getattr(base, name)[order], rel=1e-6), name
    one = shrink(two_way(logs), ends_of=np.array([2]))
    assert (one.low[2], np.isfinite(one.low).sum()) == (pytest.approx(base.low[2]), 1)


def test_scattered_dead_cells_are_no_dead_line() -> None:
    row, col = (g.ravel().astype(float) for g in np.meshgrid(range(1, 21), range(1, 21), indexing="ij"))
    rng = np.random.default_rng(1)
    scattered = rng.random(400) < 0.03
    assert all(x.adjusted > 0.01 for x in dead_lines(row, col, scattered))
    line = scattered | (row == 7)
    assert [f"{x.of} {x.number}" for x in dead_lines(row, col, line) if x.adjusted < 0.01] == ["row 7"]


def test_a_turned_sheet_without_bias_shows_none() -> None:
    rng = np.random.default_rng(2)
    p = [rig_bias(rng.normal(0, 0.05, (60, 1)) + rng.normal(0, 0.03, (60, 6)), np.repeat([0, 1], 3)).p
         for _ in range(100)]
    assert 0.0 <= np.mean(np.array(p) < 0.05) < 0.14


@pytest.mark.parametrize(("text", "told"), [
    ("sensor,row,col,reading\nA,1,1,5\n", "to tell exposures apart"),
    ("sensor,row,col,reading,exposure\nA,1,1,5,1\nA,1,1,6,1\n", "has a reading of this exposure in row 2 already"),
    ("sensor,row,col,reading,exposure\nA,1,1,0,1\nA,1,2,0,1\n", "no cell ever reads above the noise floor")])
def test_bad_tables_are_refused_with_a_mend(tmp_path: Path, text: str, told: str) -> None:
    (tmp_path / "t.csv").write_text(text)
    out = run(tmp_path / "t.csv", "--cells")
    assert out.exit_code == 1
    assert told in " ".join(out.stderr.split())


def test_the_gains_quote_how_often_their_intervals_held(demo: dict[str, object]) -> None:
    table = next(t for t in demo["tables"] if t["name"] == "coverage")  # type: ignore[attr-defined, index]
    found = pd.DataFrame(table["rows"], columns=[c["name"] for c in table["columns"]])
    assert set(found["quantity"]) == {"gain of a cell", "gain of the cell that reads highest",
                                      "SD of gains between cells"}
    committed = pd.read_csv(Path(__file__).parents[2] / "drift" / "handbook" / "coverage" / "calibration.csv")
    for _, r in found.iterrows():
        own = committed[(committed["design"] == r["nearest design"]) & (committed["quantity"] == r["quantity"])]
        assert float(r["coverage"]) in [pytest.approx(100 * c) for c in own["coverage"]]
    findings: list[dict[str, str]] = demo["findings"]  # type: ignore[assignment]
    said = [f["message"] for f in findings if f["code"] == "simulated-coverage"]
    assert len(said) == 1
    assert "the gain of a cell held the truth in" in said[0]
