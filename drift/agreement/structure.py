"""What repeats in the pairs, and the strata that follow: repeated targets are never independent pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.agreement.pairs import Group
from drift.engine.limits_of_agreement import Strata, one_stratum, unpaired_strata
from drift.engine.paired_components import PairedComponents, fit_occasions, fit_paired, residual_share
from drift.errors import Finding
from drift.results import join_words

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


FEWEST_LEFT = 3  # degrees of freedom between occasions beyond the factors, for a part of their own
NO_RESIDUAL = 1e-9  # share of the sum of squares below which what is left within levels is rounding


@dataclass(frozen=True, eq=False)
class Occasion:
    """Occasions within target and sensor: their columns in words, and the code of each pair's, shape (n_pairs,)."""

    name: str
    code: IntArray

    @property
    def n(self) -> int:
        """Number of occasions."""
        return int(self.code.max()) + 1


@dataclass(frozen=True, eq=False)
class Structure:
    """How the differences of one group depend on each other.

    Parameters
    ----------
    kind : {"simple", "repeated", "unpaired"}
    factors : tuple of str
        Column names of the random factors, empty unless repeated.
    codes : tuple of int arrays, each shape (n_pairs,)
    words : str
        The structure in words, for the report.
    n_targets : int
        Number of independent units: pairs, targets, or the scarcer of targets and sensors.
    occasion : Occasion, optional
        What several pairs share within target and sensor: a part of the spread of its own, nested in the factors.
    """

    kind: str
    factors: tuple[str, ...]
    codes: tuple[IntArray, ...]
    words: str
    n_targets: int
    occasion: Occasion | None = None

    @property
    def n_units(self) -> int:
        """Independent units to report: targets (or sensors where only those repeat), else pairs or targets."""
        return len(np.unique(self.codes[0])) if self.codes else self.n_targets

    @property
    def counted(self) -> str:
        """How many levels of what repeats, in words; empty unless repeated."""
        parts = [f"{len(np.unique(c))} levels of {name}" for name, c in zip(self.factors, self.codes, strict=True)]
        return join_words([*parts, *([f"{self.occasion.n} occasions"] if self.occasion is not None else [])])


def _code(values: NDArray[np.object_]) -> IntArray:
    return np.unique(values.astype(str), return_inverse=True)[1].reshape(-1).astype(np.int64)


def _same_partition(x: IntArray, y: IntArray) -> bool:
    pairs = len(np.unique(x * (int(y.max()) + 1) + y))
    return pairs == len(np.unique(x)) == len(np.unique(y))


def find_structure(group: Group, *, target: str, sensor: str | None, independent: bool, constant: bool,
                   declared: bool, question: str) -> tuple[Structure, tuple[Finding, ...]]:
    """Find which of target and sensor repeat, and say so.

    Parameters
    ----------
    group : Group
    target, sensor : str
        Column names; sensor None where there is none or only one.
    independent : bool
        The study says in so many words that rows are independent.
    constant : bool
        The true value does not change between readings of a target.
    declared : bool
        Whether the study stated the truth itself.

    Returns
    -------
    Structure, findings
    """
    said: list[Finding] = []

    def say(severity: str, code: str, message: str, mend: str = "") -> None:
        said.append(Finding(severity=severity, code=code, message=message, mend=mend,  # type: ignore[arg-type]
                            question=question))

    n, t = len(group.a), _code(group.target)
    n_t = len(np.unique(t))
    if constant:
        assert group.readings is not None
        n_a, n_b = len(group.readings[0]), len(group.readings[2])
        words = (f"{n_a} and {n_b} unlinked readings on {n_t} targets ({target}), the true value taken as constant "
                 "within a target, as the study declares")
        return Structure("unpaired", (), (), words, n_t), tuple(said)
    levels = [(target, t)]
    if sensor is not None and group.sensor is not None and sensor != target:
        s = _code(group.sensor)
        if _same_partition(s, t) and len(np.unique(s)) < n:
            say("note", "sensor-is-target", f"Every {target} met one {sensor} of its own, so their parts cannot be "
                "told apart and are one part of the spread")
        else:
            levels.append((sensor, s))
    counted = " and ".join(f"{len(np.unique(c))} levels of {name}" for name, c in levels)
    repeating = [(name, c) for name, c in levels if 1 < len(np.unique(c)) < n]
    if not repeating:
        if len(np.unique(t)) == 1 and n > 1:
            say("warning", "one-target", f"All {n} pairs are on one {target}; the limits hold for that one only",
                "Measure more targets.")
        return Structure("simple", (), (), _single_words(n, n_t, target), n), tuple(said)
    if independent:
        from drift.agreement.declared import cost_of_independence

        depends = Structure("repeated", tuple(x for x, _ in repeating), tuple(c for _, c in repeating), "", n_t)
        cost = cost_of_independence(group, depends)
        say("warning", "rows-as-independent", f"{n} pairs on {counted} are treated as independent because the study "
            "says rows_are_independent; if pairs on one target resemble each other the intervals are too short"
            f"{': ' if cost else ''}{cost}", "Take rows_are_independent out to let targets and sensors count.")
        return Structure("simple", (), (), f"{n} pairs on {counted}, treated as independent as the study says", n), \
            tuple(said)
    truth = "" if declared else "; the true value may vary between the pairs of a target (default for linked pairs)"
    shared, alone = _occasions(group, [c for _, c in repeating], n)
    if shared is not None:
        counted += f", {shared.n} occasions ({shared.name}) a part of their own within them"
    if alone:
        say("warning", "occasions-not-estimated", alone,
            "Measure several occasions of each target, or average the pairs of an occasion before comparing.")
    words = f"{n} linked pairs on {counted}{truth}"
    for name, c in repeating:
        k = len(np.unique(c))
        if k < 5:
            say("warning", "few-levels", f"Only {k} levels of {name}: what differs between them is poorly known and "
                "the intervals are wide because of that; more pairs on the same ones will not help",
                f"Add more levels of {name}.")
    scarce = min(len(np.unique(c)) for _, c in repeating)
    return Structure("repeated", tuple(name for name, _ in repeating), tuple(c for _, c in repeating), words,
                     scarce, shared), tuple(said)


def _occasions(group: Group, codes: Sequence[IntArray], n: int) -> tuple[Occasion | None, str]:
    """Return occasions that pairs share below the factors, or why they cannot be told apart; neither if there are none.

    An occasion that is all there is of a target, or of a sensor, is that factor already.
    """
    if group.occasion is None:
        return None, ""
    name, code = group.occasion[0], _code(group.occasion[1])
    if any(_same_partition(code, c) for c in codes):
        return None, ""
    n_occasions, levels = len(np.unique(code)), [len(np.unique(c)) for c in codes]
    if n_occasions - sum(levels) + len(levels) - 1 < FEWEST_LEFT:
        return None, (f"{n} pairs stand on {n_occasions} occasions ({name}), too few to tell what pairs of one share "
                      "from the rest; if they resemble each other the intervals are too short")
    return Occasion(name, code), ""


def _single_words(n: int, n_targets: int, target: str) -> str:
    if n_targets < n:
        return f"{n} pairs on one {target}"
    pairs = "one pair" if n == 1 else f"{n} pairs"
    return f"{pairs}, each taken as a target of its own" if target == "pair" else f"{pairs}, one per {target}"


@dataclass(frozen=True, eq=False)
class Analysis:
    """Strata of a set of differences under a structure, with its fit where there is one."""

    strata: Strata
    fit: PairedComponents | None
    components: tuple[tuple[str, float, Strata], ...]


def analyse(structure: Structure, group: Group, *, scale: str = "difference") -> Analysis:
    """Return strata of the differences on a scale: "difference", "log" or "percent".

    Raises
    ------
    ValueError
        If the design leaves no degrees of freedom for a stratum.
    """
    if structure.kind == "unpaired":
        assert group.readings is not None
        a, ta, b, tb = group.readings
        if scale == "log":
            a, b = np.log(a), np.log(b)
        parts = unpaired_strata(a, ta, b, tb)
        return Analysis(parts.strata, None, ())
    d = scaled_difference(group, scale)
    if structure.kind == "simple":
        return Analysis(one_stratum(d), None, ())
    if residual_share(d, structure.codes) < NO_RESIDUAL:
        if len(structure.codes) > 1:
            raise ValueError(f"nothing is left beyond levels of {' and '.join(structure.factors)}, as if the "
                             "differences were computed, not measured")
        code = structure.codes[0]  # repeats without any spread: each target counts once
        return Analysis(one_stratum(np.bincount(code, weights=d) / np.bincount(code)), None, ())
    names = [f"between levels of {f}" for f in structure.factors] + ["within (residual)"]
    fit = (fit_paired(d, structure.codes) if structure.occasion is None
           else fit_occasions(d, structure.codes, structure.occasion.code))
    if structure.occasion is not None:
        names.insert(-1, f"between occasions ({structure.occasion.name})")
    assert fit.strata is not None
    if np.min(fit.strata.df) < 1:
        raise ValueError(f"{len(d)} pairs are too few to tell apart {' and '.join(structure.factors)} and the rest")
    base = fit.strata
    components = tuple((name, float(v), Strata(base.mean, base.mean_squares, base.df, c, base.of_mean))
                       for name, v, c in zip(names, fit.variances, fit.of_component, strict=True))
    return Analysis(base, fit, components)


def by_factors(structure: Structure, group: Group, analysis: Analysis) -> Strata:
    """Return strata of the differences by the factors alone, for what is put together from those of each factor."""
    if structure.occasion is None:
        return analysis.strata
    return analyse(replace(structure, occasion=None), group).strata


def scaled_difference(group: Group, scale: str) -> FloatArray:
    """Differences on the scale of a variant."""
    if scale == "log":
        return np.log(group.a) - np.log(group.b)
    if scale == "percent":
        return 100.0 * group.difference / np.abs(group.mean)  # below zero too a - b keeps its sign
    return group.difference
