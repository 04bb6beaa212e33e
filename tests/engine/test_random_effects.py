"""REML of crossed and nested random effects: against lme4, a dense likelihood, published fits, and at its boundary."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drift.engine.factorial import Layout, balanced_squares, separate
from drift.engine.random_effects import _blocks, _evaluate, fit_random_effects
from tests.published_examples import agrees, load

REFERENCES = Path(__file__).parents[1] / "references"
LAYOUTS = pd.read_csv(REFERENCES / "generalizability_layouts.csv")
LME4 = pd.read_csv(REFERENCES / "generalizability.csv").set_index(["layout", "quantity"]).value
# Factors of each layout, target first, and what each lies in.
FACTORS = {"crossed": (("p", "i", "o"), ((), (), ())), "single": (("p", "i", "o"), ((), (), ())),
           "nested": (("p", "i", "h"), ((), (2,), ())), "within": (("p", "o"), ((), (0,))),
           "three": (("p", "i", "o", "k"), ((), (), (), ()))}
LME4_NAMES = {"h:i": "ih", "p:i:o": "pio", "p:i:k": "pik", "p:o:k": "pok", "i:o:k": "iok"}


def codes(column: pd.Series) -> np.ndarray:
    return np.unique(column, return_inverse=True)[1]


def layout_of(frame: pd.DataFrame, factors: tuple[str, ...], parents: tuple[tuple[int, ...], ...],
              value: str = "reading") -> Layout:
    return Layout.build(frame[value].to_numpy(float), [codes(frame[f]) for f in factors], [set(p) for p in parents])


def reference(name: str) -> Layout:
    return layout_of(LAYOUTS[LAYOUTS.layout == name], *FACTORS[name])


def dense(layout: Layout, values: np.ndarray, s: np.ndarray) -> float:
    """Minus twice the restricted log-likelihood of the cell means, and of the readings about them, written out."""
    w = layout.counts
    v = np.diag(s[-1] / w)
    for e, x in zip(separate(layout), s, strict=False):
        z = np.eye(layout.sizes[layout.effects.index(e)])[layout.levels[layout.effects.index(e)]]
        v += x * z @ z.T
    one, inverse = np.ones(len(w)), np.linalg.inv(v)
    xvx = one @ inverse @ one
    resid = values - one @ inverse @ values / xvx
    return (np.linalg.slogdet(v)[1] + np.log(xvx) + resid @ inverse @ resid + layout.df_within * np.log(s[-1])
            + layout.ss_within / s[-1] + np.log(w).sum() + (layout.n_readings - 1) * np.log(2 * np.pi))


@pytest.mark.parametrize("name", sorted(FACTORS))
def test_it_equals_lme4(name: str) -> None:
    layout = reference(name)
    fit = fit_random_effects(layout)
    assert fit.converged
    theirs = LME4[name]
    # lme4 stops where its own search does: our criterion may only be lower.
    assert fit.criterion <= theirs["criterion"] + 1e-6
    assert fit.criterion == pytest.approx(theirs["criterion"], rel=1e-8)
    assert fit.mean == pytest.approx(theirs["mean"], rel=1e-6)
    assert fit.std_error == pytest.approx(theirs["std_error"], rel=1e-4)
    factors = FACTORS[name][0]
    ours = {"".join(factors[f] for f in sorted(e)): x for e, x in zip(fit.effects, fit.variances, strict=False)}
    ours["Residual"] = fit.variances[-1]
    for key, value in theirs.drop(["criterion", "mean", "std_error"]).items():
        mine = ours[LME4_NAMES.get(str(key), str(key).replace(":", ""))]
        assert mine == pytest.approx(value, rel=2e-4, abs=2e-5), key


@pytest.mark.parametrize("name", sorted(FACTORS))
def test_criterion_and_gradient_are_those_of_the_written_out_likelihood(name: str) -> None:
    layout = reference(name)
    effects = separate(layout)
    s = np.linspace(0.3, 1.4, len(effects) + 1)
    state = _evaluate(layout, _blocks(layout, effects), s)
    assert state.value == pytest.approx(dense(layout, layout.means, s), rel=1e-11)
    for j in range(len(s)):
        h = np.zeros(len(s))
        h[j] = 1e-5
        slope = (dense(layout, layout.means, s + h) - dense(layout, layout.means, s - h)) / 2e-5
        assert state.gradient[j] == pytest.approx(slope, rel=1e-5, abs=1e-4)


def test_published_fits_come_out_to_the_printed_digits() -> None:
    oxide = load("nlme-oxide-nested")
    fit = fit_random_effects(layout_of(oxide.frame(), ("lot", "wafer"), ((), (0,)), "thickness"))
    printed = oxide.expected["reml"]
    for value, text in zip(np.sqrt(fit.variances), (printed["sd_lot"], printed["sd_wafer_in_lot"],
                                                    printed["sd_residual"]), strict=True):
        assert agrees(value, text)
    assert agrees(fit.mean, printed["fixed"])
    assert agrees(-fit.criterion / 2, printed["logLik"])
    penicillin = load("lme4-penicillin-crossed")
    fit = fit_random_effects(layout_of(penicillin.frame(), ("plate", "sample"), ((), ()), "diameter"))
    printed = penicillin.expected["reml"]
    for value, text in zip(fit.variances, (printed["var_plate"], printed["var_sample"], printed["var_residual"]),
                           strict=True):
        assert agrees(value, text)
    assert agrees(fit.criterion, printed["criterion"])
    assert agrees(fit.mean, printed["intercept"])
    assert agrees(fit.std_error, printed["se"])


def test_it_is_the_closed_form_where_a_balanced_layout_has_no_negative_component() -> None:
    layout = layout_of(load("brennan-synthetic3-pxixo").frame(), ("person", "item", "occasion"), ((), (), ()), "score")
    fit = fit_random_effects(layout)
    np.testing.assert_allclose(fit.variances, balanced_squares(layout).variances(), rtol=1e-7)


def test_a_component_at_zero_is_an_end_point_where_the_criterion_rises() -> None:
    layout = reference("three")
    fit = fit_random_effects(layout)
    assert sum(fit.boundary) >= 4
    for j, (at_zero, slope) in enumerate(zip(fit.boundary, fit.gradient, strict=False)):
        if at_zero:
            assert fit.variances[j] == 0
            assert slope >= 0
        else:
            assert abs(slope * fit.variances[j]) < 1e-4


def test_an_offset_costs_no_digits() -> None:
    frame = LAYOUTS[LAYOUTS.layout == "crossed"]
    plain = fit_random_effects(layout_of(frame, *FACTORS["crossed"]))
    moved = fit_random_effects(layout_of(frame.assign(reading=frame.reading + 1e6), *FACTORS["crossed"]))
    np.testing.assert_allclose(moved.variances, plain.variances, rtol=1e-5, atol=1e-7)
    assert moved.mean == pytest.approx(plain.mean + 1e6, rel=1e-12)


@settings(max_examples=15, deadline=None, derandomize=True)
@given(st.integers(0, 10_000), st.floats(0.01, 100))
def test_rows_in_any_order_and_any_unit_give_the_same(seed: int, scale: float) -> None:
    rng = np.random.default_rng(seed)
    frame = LAYOUTS[LAYOUTS.layout == "nested"]
    fit = fit_random_effects(layout_of(frame, *FACTORS["nested"]))
    again = frame.iloc[rng.permutation(len(frame))]
    again = again.assign(reading=again.reading * scale)
    other = fit_random_effects(layout_of(again, *FACTORS["nested"]))
    np.testing.assert_allclose(other.variances, fit.variances * scale**2, rtol=1e-5)


def test_readings_without_a_residual_are_refused() -> None:
    p, i = np.meshgrid(np.arange(5), np.arange(3), indexing="ij")
    layout = Layout.build((10 * p + i).ravel(), [p.ravel(), i.ravel()], [set(), set()])
    with pytest.raises(ValueError, match="no variance for the residual"):
        fit_random_effects(layout)
