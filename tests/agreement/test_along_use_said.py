"""What is said of agreement along use, and where: reasons, verdicts, the marker of the figure, printed digits."""

import math

import numpy as np
import pytest

from drift.results import format_interval
from tests.agreement.test_along_use import answered, said, worn
from tests.agreement.trial_tables import long_form


@pytest.mark.parametrize("case", ["fresh not read", "fresh not shown"])
def test_why_there_is_no_protocol_limit_is_said_wherever_it_is_missing(case):
    from drift.report.agreement_along_methods import along_use_sentence
    from drift.report.protocol_limits import beside_counts
    from drift.retirement import RetirementResult

    rows = worn(np.random.default_rng(1), slope=0.0, **({"first": 70, "last": 100} if case == "fresh not read" else
                                                       {"start": -24.0}))
    result = answered(rows)
    right, wrong = "fresh sensors were not read", "not even fresh sensors are shown to agree"
    if case == "fresh not shown":
        right, wrong = wrong, right
    note = beside_counts((RetirementResult(question="r", answer="-"), result))[0].findings[0].message
    told = (note, along_use_sentence(result), str(said(result, "no-protocol-limit")))
    assert all(right in text for text in told)
    assert not any(wrong in text for text in told)
    assert "; none: " not in along_use_sentence(result)


def test_the_marker_stands_on_the_limit_that_leaves_where_it_leaves():
    from drift.report.figures_of_agreement_along import _lower_leaves

    # the upper limit is out at the start; towards the end the lower one is further out than the upper ever was
    rows = worn(np.random.default_rng(2), start=30.0, slope=-1.2, k=8, uses=13, noise=1.0)
    result = answered(rows)
    at = result.estimate("use at which a limit leaves the harmless difference").value
    table = result.table("along use")
    assert -table["lower limit"].min() > table["upper limit"].max()
    assert not _lower_leaves(result, {}, at, 25.0)
    assert _lower_leaves(result, {}, 60.0, 25.0)


def test_a_slope_on_the_level_may_be_errors_of_two_sizes_where_no_target_repeats():
    rng = np.random.default_rng(5)
    s, u = np.repeat(np.arange(6), 20), np.tile(np.arange(0, 60, 3), 6)
    true = rng.normal(200, 30, len(u))
    rows = long_form(true + rng.normal(0, 20, len(u)), true + rng.normal(0, 3, len(u)),
                     participant=[f"p{i}" for i in range(len(u))], sensor=[f"S{i}" for i in s], use=u,
                     pair=[str(i) for i in range(len(u))])
    terms = answered(rows).table("interactions")
    i = list(terms["term"]).index("method x level")
    assert terms["p"][i] < 0.05
    assert str(terms["words"][i]).endswith("or the errors of the two methods differ in size")


def test_a_verdict_over_uses_along_which_agreement_changes_says_so():
    changes = answered(worn(np.random.default_rng(1)), harmless=22.0)
    assert "Verdict over the mix of uses seen: " in changes.answer
    assert "up to" in changes.answer.split("Verdict over the mix of uses seen: ")[1]
    caution = said(changes, "verdict")
    assert caution.message.startswith("Verdict over the mix of uses seen: ")
    assert "beyond the protocol limit" in caution.mend
    same = answered(worn(np.random.default_rng(21), slope=0.0, slope_sd=0.0))
    assert "Verdict: " in same.answer


def test_sensors_seen_over_different_stretches_are_a_kind_of_their_own():
    rows = worn(np.random.default_rng(1), k=8, uses=16, targets=200)
    use, late = rows.use.astype(float), rows.sensor.str[1:].astype(int) % 2 == 1
    result = answered(rows[(late & (use > 30)) | (~late & (use < 25))])
    quoted = result.table("coverage")
    mine = [str(d) for d, q in zip(quoted["nearest design"], quoted["quantity"], strict=True)
            if "use" in str(q) and "CCC" not in str(q)]
    assert mine
    assert all("seen in part" in d for d in mine)
    early = answered(rows[~late | (use < 40)]).table("coverage")
    assert any("lost early" in str(d) for d in early["nearest design"])
    assert not any("seen in part" in str(d) for d in early["nearest design"])


def test_an_interval_with_an_open_end_shows_as_many_digits_as_its_other_end_knows():
    assert format_interval(61.34, 48.64, math.nan) == "61 (49 or more)"
    assert format_interval(0.9712, 0.9312, math.inf) == "0.971 (0.931 or more)"
    assert format_interval(61.34) == "61.34"


def test_the_figure_stands_across_the_page_and_its_words_keep_clear_of_the_count():
    from functools import partial

    from matplotlib.figure import Figure as Canvas

    from drift.report.drawing import make
    from drift.report.figures_of_agreement_along import ROOM, along_figure, along_size

    result = answered(worn(np.random.default_rng(1)), harmless=17.0)
    assert make("x", "along", partial(along_figure, result, of={}), size=along_size(result, {})).wide
    count = result.estimate("protocol limit").value
    canvas = Canvas(figsize=along_size(result, {}))
    along_figure(result, canvas.add_subplot(), of={})
    large = max(canvas.axes, key=lambda panel: panel.get_position().width)
    left, right = large.get_xlim()
    at = (count - left) / (right - left)
    assert 0 < at < ROOM
    words = next(t for t in large.texts if t.get_text().startswith("harmless"))
    assert words.xy[0] > at
