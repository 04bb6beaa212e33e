"""Effects of crossed and nested layouts, their mean squares balanced and not, and Henderson's method 1."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from drift.engine.adjusted_squares import adjusted_squares
from drift.engine.factorial import (
    Layout,
    analogous_anova,
    balanced_squares,
    closed,
    effects_of,
    separate,
)
from tests.engine.test_random_effects import codes, layout_of
from tests.published_examples import agrees, load

PARENTS = {"p x i x o": ((), (), ()), "p x (i:o)": ((), (2,), ()), "(i:o):p": ((), (2,), (0,)),
           "i:(p x o)": ((), (0, 2), ())}


def drawn(parents: tuple[tuple[int, ...], ...], *, m: int = 2, missing: float = 0.0, seed: int = 4) -> Layout:
    rng = np.random.default_rng(seed)
    grid = [g.ravel() for g in np.meshgrid(np.arange(6), np.arange(3), np.arange(4), np.arange(m), indexing="ij")]
    keep = rng.random(len(grid[0])) >= missing
    return Layout.build(rng.normal(size=keep.sum()), [g[keep] for g in grid[:3]], [set(p) for p in parents])


@pytest.mark.parametrize(("parents", "words"), [
    (((), (), ()), "0 1 2 01 02 12 012"), (((), (2,), ()), "0 2 02 12 012"), (((), (2,), (0,)), "0 02 012"),
    (((), (0,)), "0 01"), (((), (0, 2), ()), "0 2 02 012")])
def test_effects_are_the_sets_that_hold_their_parents(parents: tuple[tuple[int, ...], ...], words: str) -> None:
    found = effects_of(closed([set(p) for p in parents]))
    assert " ".join("".join(str(f) for f in sorted(e)) for e in found) == words


def test_factors_that_lie_in_each_other_are_refused() -> None:
    with pytest.raises(ValueError, match="lie in each other"):
        closed([set(), {2}, {1}])


@pytest.mark.parametrize("m", [1, 2])
@pytest.mark.parametrize("name", sorted(PARENTS))
def test_sums_of_squares_and_degrees_of_freedom_add_up(name: str, m: int) -> None:
    layout = drawn(PARENTS[name], m=m)
    assert layout.balanced
    s = balanced_squares(layout)
    total = float(layout.counts @ layout.means**2) + layout.ss_within
    assert s.ss.sum() == pytest.approx(total, rel=1e-12)
    assert s.df.sum() == layout.n_readings - 1


@pytest.mark.parametrize("m", [1, 2])
@pytest.mark.parametrize("name", sorted(PARENTS))
def test_adjusted_squares_of_a_balanced_layout_are_the_ordinary_ones(name: str, m: int,
                                                                      monkeypatch: pytest.MonkeyPatch) -> None:
    layout = drawn(PARENTS[name], m=m)
    ordinary = balanced_squares(layout)
    monkeypatch.setattr(Layout, "balanced", False)
    s = adjusted_squares(layout)
    np.testing.assert_allclose(s.ss, ordinary.ss, rtol=1e-10)
    np.testing.assert_array_equal(s.df, ordinary.df)
    np.testing.assert_allclose(s.coefficients, ordinary.coefficients, rtol=1e-10, atol=1e-10)


@pytest.mark.parametrize("name", sorted(PARENTS))
def test_adjusted_squares_are_differences_of_least_squares_fits(name: str) -> None:
    layout = drawn(PARENTS[name], missing=0.3)
    s, rows = adjusted_squares(layout), separate(layout)
    w = np.sqrt(layout.counts)
    incidence = [w[:, None] * np.eye(n)[c] for n, c in zip(layout.sizes, layout.levels, strict=True)]

    def left(inside: list[int]) -> np.ndarray:
        x = np.column_stack([w, *(incidence[j] for j in inside)])
        return np.eye(len(w)) - x @ np.linalg.pinv(x)

    for j, effect in enumerate(rows):
        others = [i for i, e in enumerate(rows) if not e >= effect]
        between = left(others) - left([*others, j])
        df = round(float(np.trace(between)))
        assert s.df[j] == df
        y = w * layout.means
        assert s.ss[j] == pytest.approx(float(y @ between @ y), rel=1e-8)
        for t in range(len(rows)):
            expected = np.trace(between @ incidence[t] @ incidence[t].T) / df
            assert s.coefficients[j, t] == pytest.approx(expected, abs=1e-7)


def test_expected_mean_squares_hold_on_average() -> None:
    layout = drawn(PARENTS["p x (i:o)"], missing=0.25)
    rows, rng = separate(layout), np.random.default_rng(5)
    true = np.array([1.0, 0.5, 0.4, 0.3, 0.2, 0.6])
    total = np.zeros(len(true))
    for _ in range(400):
        y = np.sqrt(true[-1] / layout.counts) * rng.normal(size=len(layout.counts))
        for e, v in zip(rows, true, strict=False):
            j = layout.effects.index(e)
            y = y + np.sqrt(v) * rng.normal(size=layout.sizes[j])[layout.levels[j]]
        total += adjusted_squares(layout.with_means(y, true[-1] * rng.chisquare(layout.df_within))).variances()
    np.testing.assert_allclose(total / 400, true, atol=0.15)


def test_brennan_person_by_item() -> None:
    example = load("brennan-pxi-huynh")
    layout = layout_of(example.frame(), ("person", "item"), ((), ()), "score")
    s, e = balanced_squares(layout), example.expected
    for value, printed in zip((*s.ss, *s.variances()), (e["ss_p"], e["ss_i"], e["ss_pi"], e["var_p"], e["var_i"],
                                                         e["var_pi"]), strict=True):
        assert agrees(value, printed)


def test_brennan_person_by_item_by_occasion_and_the_same_scores_nested() -> None:
    example = load("brennan-synthetic3-pxixo")
    frame, e = example.frame(), example.expected["p_x_i_x_o"]
    layout = layout_of(frame, ("person", "item", "occasion"), ((), (), ()), "score")
    s = balanced_squares(layout)
    for end, values in (("ss", s.ss), ("var", s.variances())):
        for name, value in zip(("p", "i", "o", "pi", "po", "io", "pio"), values, strict=True):
            assert agrees(value, e[f"{end}_{name}"]), name
    nested = Layout.build(frame.score.to_numpy(float), [codes(frame.person), codes(frame.item + 10 * frame.occasion)],
                          [set(), {0}])
    s, e = balanced_squares(nested), example.expected["i_in_p_8"]
    assert agrees(s.variances()[0], e["var_p"])
    assert agrees(s.variances()[1], e["var_ip"])
    assert agrees(s.ms[0], e["ms_p"])


def test_brennan_unbalanced_by_henderson() -> None:
    example = load("brennan-unbalanced-pxih")
    layout = layout_of(example.frame(), ("person", "category", "item"), ((), (), (1,)), "score")
    found, e = analogous_anova(layout), example.expected
    # Readings are held less their mean, so that each uncorrected sum lacks N mean^2.
    about_zero = found.t + layout.n_readings * layout.shift**2
    for name, value in zip(("mean", "p", "h", "ph", "ih", "pih"), about_zero, strict=True):
        assert agrees(value, e[f"T_{name}"]), name
    for name, value in zip(("p", "h", "ph", "ih", "pih"), found.variances, strict=True):
        # The source rounded on the way for the p x h component (its note): one unit of the last digit.
        assert agrees(value, e[f"var_{name}"], units=1 if name == "ph" else 0), name


def test_henderson_is_the_ordinary_analysis_where_the_layout_is_balanced() -> None:
    for parents in PARENTS.values():
        layout = drawn(parents)
        np.testing.assert_allclose(analogous_anova(layout).variances, balanced_squares(layout).variances(), rtol=1e-8,
                                   atol=1e-10)


def test_a_facet_numbered_anew_in_each_parent_is_the_same_as_one_with_labels_of_its_own() -> None:
    layout = drawn(PARENTS["p x (i:o)"])
    frame = pd.DataFrame({"p": np.repeat(np.arange(6), 12), "i": np.tile(np.repeat(np.arange(3), 4), 6),
                          "o": np.tile(np.arange(4), 18)})
    own = Layout.build(layout.means, [frame.p, frame.i + 10 * frame.o, frame.o], [set(), {2}, set()])
    shared = Layout.build(layout.means, [frame.p, frame.i, frame.o], [set(), {2}, set()])
    np.testing.assert_allclose(balanced_squares(own).ss, balanced_squares(shared).ss, rtol=1e-12)
