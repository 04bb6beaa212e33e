"""Agreement figures: pairs joined, sensors by shape, outliers by name, variants where proposed, readable in grey."""

from __future__ import annotations

import re
from functools import cache

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.colors import to_hex
from matplotlib.figure import Figure as Canvas

from drift.agreement import AgreementResult, agreement
from drift.report.drawing import SETTINGS, make
from drift.report.figures_of_agreement import agreement_drawings, agreement_figure
from drift.report.figures_of_agreement_variants import ratio_figure
from drift.report.figures_of_survival import survival_figure
from drift.study import AgreementQuestion
from tests.agreement.trial_tables import long_form, trial_table
from tests.report.grey import elements, grey, in_grey, overlapping_words, told_apart_by_hue_alone


def ask(a: np.ndarray, b: np.ndarray, *, harmless: float | str | None = 25.0, by: tuple[str, ...] = (),
        truth: str | None = None, **labels: list[str]) -> AgreementResult:
    keys = tuple(k for k in labels if k not in by) or ("participant",)
    return agreement(trial_table(long_form(a, b, **labels)), AgreementQuestion(
        name="new against old", compare="method", a="a", b="b", target="participant", harmless=harmless, by=by,
        truth=truth, pair_by=keys), seed=1)


@cache
def result_of(case: str) -> AgreementResult:
    rng = np.random.default_rng(list(case.encode()))

    def people(n: int, m: int) -> tuple[np.ndarray, np.ndarray]:
        p = np.repeat(np.arange(n), m)
        return p, (200 + 40 * rng.standard_normal(n))[p] + 5 * rng.standard_normal(n * m)

    if case == "three pairs":
        return ask(np.array([205.0, 243.0, 158.0]), np.array([201.0, 262.0, 160.0]))
    if case == "refused":
        return ask(np.array([205.0, 243.0]), np.array([201.0, 250.0]))
    if case == "thousands":
        t = 200 + 40 * rng.standard_normal(5000)
        return ask(t + 8 * rng.standard_normal(5000), t)
    if case == "spread grows":
        t = np.exp(5 + 0.7 * rng.standard_normal(200))
        return ask(t * np.exp(0.04 + 0.07 * rng.standard_normal(200)), t * np.exp(0.07 * rng.standard_normal(200)),
                   harmless=60.0)
    if case == "harmless share":
        t = np.exp(5 + 0.7 * rng.standard_normal(200))
        return ask(t * np.exp(0.03 * rng.standard_normal(200)), t * np.exp(0.03 * rng.standard_normal(200)),
                   harmless="15 %")
    if case == "bias grows":
        t = 200 + 60 * rng.standard_normal(60)
        return ask(1.15 * t + 8 * rng.standard_normal(60), t + 8 * rng.standard_normal(60), harmless=30.0)
    if case == "skewed":
        t = 200 + 40 * rng.standard_normal(200)
        return ask(t + 8 * rng.exponential(size=200), t)
    if case == "two regions":
        p, t = people(12, 2)
        return ask(t + 6 * rng.standard_normal(24), t, by=("region",), participant=[f"P{i:02d}" for i in p],
                   region=["heel", "forefoot"] * 12)
    if case == "unlinked":
        p, t = people(15, 3)
        return ask(t + 6 * rng.standard_normal(45), t, truth="constant", participant=[f"P{i:02d}" for i in p],
                   replicate=["1", "2", "3"] * 15)
    if case == "long rows":
        p, t = people(20, 20)
        d = (7 * rng.standard_normal(20))[p] + 5 * rng.standard_normal(400)
        return ask(t + d, t, participant=[f"P{i:02d}" for i in p], replicate=[str(i % 20) for i in range(400)],
                   sensor=[f"S{i % 4}" for i in range(400)])
    assert case == "joined"
    p, t = people(12, 3)
    d = (7 * rng.standard_normal(12))[p] + 3 * rng.standard_normal(36)
    d[5] += 60
    return ask(t + d, t, participant=[f"P{i:02d}" for i in p], replicate=["1", "2", "3"] * 12,
               sensor=["S1", "S2", "S3"] * 12)


CASES = ("three pairs", "refused", "thousands", "spread grows", "bias grows", "skewed", "two regions", "unlinked",
         "long rows", "joined", "harmless share")
DRAWN = [(c, n) for c, n in (
    *((c, "agreement") for c in CASES), *((c, "survival") for c in CASES if c != "refused"),
    ("spread grows", "ratio"), ("harmless share", "ratio"), ("bias grows", "regression"))]


def drawing(case: str, kind: str) -> tuple[Axes, str]:
    import matplotlib as mpl

    wanted = "agreement" if kind == "agreement" else f"agreement {kind}"
    _, _, draw, size = next(d for d in agreement_drawings(result_of(case))
                               if d[0].startswith(wanted) and (kind != "agreement" or not re.match(
                                   r"agreement (survival|ratio|regression)", d[0])))
    with mpl.rc_context(SETTINGS):
        axes = Canvas(figsize=size, layout="constrained").add_subplot()
        axes.figure.draw_without_rendering()
        return axes, draw(axes)


def words_of(axes: Axes) -> str:
    return " | ".join(t.get_text() for t in axes.texts)


@pytest.mark.parametrize(("case", "kind"), DRAWN)
def test_nothing_is_told_by_hue_alone(case: str, kind: str) -> None:
    axes, _ = drawing(case, kind)
    assert elements(axes)
    assert told_apart_by_hue_alone(axes) == []


@pytest.mark.parametrize(("case", "kind"), DRAWN)
def test_words_do_not_lie_on_each_other(case: str, kind: str) -> None:
    axes, _ = drawing(case, kind)
    assert overlapping_words(axes) == []


@pytest.mark.parametrize(("case", "kind"), DRAWN)
def test_axes_have_units_and_the_caption_is_a_sentence_with_the_finding(case: str, kind: str) -> None:
    axes, caption = drawing(case, kind)
    assert re.search(r"\[.+\]$", axes.get_xlabel())
    assert re.search(r"\[.+\]$", axes.get_ylabel())
    assert caption.startswith("New against old")
    assert caption.endswith(".")
    assert re.search(r"\d", caption)
    assert "nan" not in caption
    assert " 1 pairs" not in caption


def test_limits_and_bias_differ_in_dashes_and_their_bands_in_hatching() -> None:
    axes, _ = drawing("bias grows", "agreement")
    flat = {to_hex(line.get_color()): line.get_linestyle() for line in axes.lines
            if len(set(line.get_ydata())) == 1 and line.get_linewidth() > 1.5}
    assert sorted(flat.values()) == ["-", "--"]
    hatched = [p for p in axes.patches if p.get_hatch()]
    assert len(hatched) == 2


def test_hatching_is_seen_in_the_vector_file_too() -> None:
    _, _, draw, size = agreement_drawings(result_of("two regions"))[0]
    svg = make("a", "t", draw, size=size).svg
    pattern = svg[svg.index("<pattern"):svg.index("</pattern>")]
    face = re.search(r'<rect [^>]*fill="(#\w+)"', pattern)
    stroke = re.search(r"stroke: (#\w+)", pattern)
    assert face is not None
    assert stroke is not None
    assert grey(face[1]) - grey(stroke[1]) > 0.4


def test_bands_and_harmless_are_still_seen_in_grey() -> None:
    axes, _ = drawing("two regions", "agreement")
    light = in_grey(axes)
    low, high = axes.get_ylim()
    column = light[:, int(axes.get_window_extent().x0) + 6]
    ink = column[int(light.shape[0] - axes.get_window_extent().y1):int(light.shape[0] - axes.get_window_extent().y0)]
    levels = {round(float(v), 2) for v in ink}
    assert low < -25 < 25 < high
    assert len(levels) >= 4


def test_pairs_of_one_target_are_joined_and_sensors_have_their_shapes() -> None:
    axes, caption = drawing("joined", "agreement")
    joined = [line for line in axes.lines if line.get_linestyle() == "-" and len(line.get_xdata()) == 3]
    assert len(joined) == 12
    assert "Lines join the pairs of one participant" in caption
    assert [t.get_text() for t in axes.get_legend().get_texts()] == ["S1", "S2", "S3"]
    points = [line for line in axes.lines if line.get_label() in ("S1", "S2", "S3")]
    assert len({str(line.get_marker()) for line in points}) == 3


def test_what_stands_out_is_named_and_kept() -> None:
    result = result_of("joined")
    axes, caption = drawing("joined", "agreement")
    name = next(f.message for f in result.findings if f.code == "outlier")
    assert "participant P01" in name
    assert "P01, S3" in words_of(axes)
    assert "all of it kept" in caption
    assert sum(len(line.get_xdata()) for line in axes.lines if line.get_label() in ("S1", "S2", "S3")) == 36


def test_many_pairs_of_few_targets_stand_as_means_with_ranges() -> None:
    axes, caption = drawing("long rows", "agreement")
    means = [line for line in axes.lines if line.get_marker() == "D" and len(line.get_xdata()) == 1]
    assert len(means) == 20
    result = result_of("long rows")
    table = result.table("pairs")
    own = table["target"] == "P03"
    assert any(float(line.get_ydata()[0]) == pytest.approx(float(np.mean(table["difference"][own]))) for line in means)
    assert "A diamond is the mean of one participant" in caption


def test_thousands_of_pairs_become_cells_and_a_small_file() -> None:
    axes, caption = drawing("thousands", "agreement")
    cells = next(c.get_array() for c in axes.collections if c.get_array() is not None)
    assert len(cells) > 99
    assert int(np.sum(cells)) == 5000
    assert "the more pairs" in caption
    assert "5,000 pairs" in caption
    _, _, draw, size = agreement_drawings(result_of("thousands"))[0]
    assert len(make("a", "t", draw, size=size).svg) < 250_000


def test_unlinked_readings_are_shown_as_means_and_said_to_be() -> None:
    _, caption = drawing("unlinked", "agreement")
    assert "(15 targets)" in caption
    assert "points are means of one participant, limits are for single readings" in caption.lower()


def test_an_interval_that_runs_out_of_the_picture_is_said() -> None:
    axes, caption = drawing("three pairs", "agreement")
    low, high = axes.get_ylim()
    assert high - low < 200
    assert "wider still" in caption


def test_refused_limits_leave_points_and_a_sentence() -> None:
    axes, caption = drawing("refused", "agreement")
    assert caption == "New against old: no limits of agreement can be given from these 2 pairs."
    assert "bias" not in words_of(axes)


def test_a_variant_has_its_figure_only_where_a_check_proposes_it() -> None:
    def kinds(case: str) -> set[str]:
        return {m[1] for d in agreement_drawings(result_of(case))
                if (m := re.match(r"agreement (ratio|regression)", d[0]))}

    assert "ratio" in kinds("spread grows")
    assert kinds("bias grows") == {"regression"}
    assert kinds("joined") == set()


def test_the_ratio_axis_is_logarithmic_with_ratios_as_labels() -> None:
    axes, caption = drawing("spread grows", "ratio")
    assert axes.get_yscale() == "log"
    axes.figure.draw_without_rendering()
    labels = [t.get_text() for t in axes.get_yticklabels()]
    assert "1" in [x.rstrip("0").rstrip(".") for x in labels]
    assert 3 <= len(labels) <= 9
    rows = result_of("spread grows").table("limits, plain and proposed")
    upper = next(float(rows["value"][i]) for i in range(len(rows))
                 if rows["variant"][i] == "ratio limits" and rows["limit"][i] == "upper limit")
    dashed = [float(line.get_ydata()[0]) for line in axes.lines if line.get_linestyle() == "--"]
    assert any(v == pytest.approx(upper) for v in dashed)
    assert "times b" in caption


def test_the_mean_ratio_is_that_of_logs() -> None:
    result = result_of("spread grows")
    pairs = result.table("pairs")
    a, b = pairs["mean"] + pairs["difference"] / 2, pairs["mean"] - pairs["difference"] / 2
    axes = Canvas(figsize=(5, 4)).add_subplot()
    ratio_figure(result, axes)
    assert any(float(line.get_ydata()[0]) == pytest.approx(float(np.exp(np.mean(np.log(a / b)))))
               for line in axes.lines if line.get_linestyle() == "-")


def test_a_harmless_share_opens_with_the_reading_and_is_a_band_of_ratios() -> None:
    axes, caption = drawing("harmless share", "agreement")
    wedge = next(c for c in axes.collections if type(c).__name__ == "FillBetweenPolyCollection")
    x, y = wedge.get_paths()[0].vertices.T
    assert np.max(np.abs(y) / np.abs(x)) == pytest.approx(0.15)
    assert "differences up to 15 % of their mean, declared harmless" in caption
    axes, _ = drawing("harmless share", "ratio")
    edges = [float(line.get_ydata()[0]) for line in axes.lines]
    for ratio in (1.075 / 0.925, 0.925 / 1.075):
        assert any(e == pytest.approx(ratio) for e in edges)


def test_nonparametric_limits_stand_in_the_figure_where_proposed() -> None:
    axes, caption = drawing("skewed", "agreement")
    assert "Squares are the nonparametric limits" in caption
    values = sorted(line.get_ydata()[0] for line in axes.lines if line.get_marker() == "s")
    d = result_of("skewed").table("pairs")["difference"]
    assert values == pytest.approx(list(np.quantile(d, [0.025, 0.975], method="weibull")))


def test_one_group_shows_its_own_pairs() -> None:
    result = result_of("two regions")
    names = [d[0] for d in agreement_drawings(result)]
    assert len(names) == len(set(names))
    assert {f"agreement {kind}{region} new against old" for kind in ("", "survival ") for region in (
        "heel", "forefoot")} <= set(names)
    axes = Canvas(figsize=(5, 4)).add_subplot()
    caption = agreement_figure(result, axes, of={"region": "heel"})
    assert "region heel" in caption
    assert max(len(line.get_xdata()) for line in axes.lines) == 12


def test_survival_marks_harmless_share_and_index_with_their_bounds() -> None:
    result = result_of("bias grows")
    axes, caption = drawing("bias grows", "survival")
    share, index = result.estimate("share of differences inside"), result.estimate("total deviation index")
    text = words_of(axes)
    assert "harmless: within 30 kPa" in text
    assert f"{100 * share.value:.0f} % inside, at least {100 * share.low:.0f} %" in text
    assert any(line.get_marker() == "D" and line.get_xdata()[0] == pytest.approx(index.value) for line in axes.lines)
    assert f"(at most {index.high:.1f})" in caption


def test_survival_without_a_harmless_difference_says_what_most_pairs_hold() -> None:
    result = ask(np.linspace(100, 300, 40) + np.arange(40) % 7, np.linspace(100, 300, 40), harmless=None)
    axes = Canvas(figsize=(5, 4)).add_subplot()
    caption = survival_figure(result, axes)
    assert "19 of 20 pairs differ by no more than 6 kPa" in caption


def test_a_figure_is_the_same_bytes_every_time() -> None:
    _, _, draw, size = agreement_drawings(result_of("joined"))[0]
    first, second = (make("a", "t", draw, size=size) for _ in range(2))
    assert first.svg == second.svg
    assert first.png == second.png
