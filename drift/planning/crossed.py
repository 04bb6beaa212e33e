"""Simulated targets x levels x repeats: sums of squares on a lattice, and whole tables of readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from drift.engine.agreement_interval import Ratios, ratio_key, ratios_of
from drift.engine.agreement_interval import Sums as Reduced
from drift.engine.pivotal import Pivots, inner_draws
from drift.planning.question import Design, Floats, Question, chi_lattice

POINTS = 257  # lattice points of an expectation: its error is a tenth of that of as many random studies
NO_DRAWS = np.empty(0)


@dataclass(frozen=True, kw_only=True)
class Variances:
    """Variances of single readings: targets, levels of the facet, their interaction, and repeats within a cell."""

    target: float
    facet: float
    interaction: float
    residual: float

    @property
    def noise(self) -> float:
        """Variance that neither targets nor levels explain."""
        return self.interaction + self.residual

    @classmethod
    def of_icc(cls, icc: float, facet_share: float, repeat_share: float, form: str = "ICC(A,1)") -> Variances:
        """Return the variances behind a coefficient.

        Parameters
        ----------
        icc : float
            Value of the coefficient ``form`` of one reading.
        facet_share : float
            Share of the facet in the variance of one reading.
        repeat_share : float
            Share of repeats in the noise.
        form : {"ICC(A,1)", "ICC(C,1)", "ICC(1)"}
            What levels add counts as error in ICC(A,1) and in ICC(1); ICC(C,1) leaves it out of the total.
        """
        total = 1 - facet_share if form == "ICC(C,1)" else 1.0
        target = icc * total
        noise = 1 - target - facet_share
        return cls(target=target, facet=facet_share, interaction=(1 - repeat_share) * noise,
                   residual=repeat_share * noise)

    def scaled(self, error: float) -> Variances:
        """Return the same targets read with errors whose SDs are ``error`` times as large."""
        return replace(self.with_facet(error), interaction=error**2 * self.interaction,
                       residual=error**2 * self.residual)

    def with_facet(self, factor: float) -> Variances:
        """Return the same with levels that differ ``factor`` times as much."""
        return replace(self, facet=factor**2 * self.facet)


@dataclass(frozen=True, kw_only=True)
class CrossedQuestion(Question):
    """A question about targets x levels x repeats.

    Parameters
    ----------
    variances : Variances
        Planning values.
    words : tuple of str
        Target and facet.
    """

    variances: Variances
    words: tuple[str, str] = ("target", "level")

    def items(self, d: Design) -> dict[str, int]:
        """Targets, levels of the facet, and readings."""
        return {"target": d["targets"], "level": d["levels"], "reading": d["targets"] * d["levels"] * d["repeats"]}


@dataclass(frozen=True, kw_only=True, eq=False)
class Sums:
    """Sums of squares of cell means (targets, levels, rest) and within cells, shape (n,); degrees of freedom."""

    target: Floats
    facet: Floats
    rest: Floats
    within: Floats
    df: tuple[int, int, int, int]
    shape: tuple[int, int, int]
    kept: float = 1.0

    @property
    def weights(self) -> tuple[float, float]:
        """Readings behind a target and behind a level, where the share ``kept`` of all cells is there."""
        return self.kept * self.shape[1], self.kept * self.shape[0]

    def reduced(self, rows: NDArray[np.bool_] | slice = slice(None)) -> Reduced:
        """Return the studies ``rows`` as the interval of ICC(A,1) takes them."""
        of_target, of_level = self.weights
        rest = self.rest[rows]
        return Reduced(target=(self.target[rows] / rest)[:, None], target_weights=np.array([of_target]),
                       facet=(self.facet[rows] / rest)[:, None], facet_weights=np.array([of_level]))

    def ratios(self, i: int) -> Ratios:
        """Return the layout of study ``i``, with its own ratio of noises in the steps that calibrations are kept in."""
        return ratio_key(ratios_of(self.pivots(i)))

    def pivots(self, i: int, *, draws: bool = False) -> Pivots:
        """Return study ``i`` as the intervals of variances take it, with pivotal draws if asked."""
        n, k, m = self.shape
        if draws:
            inner = (float(self.rest[i]), self.df[2], float(self.within[i]), self.df[3], 1 / m)
            return replace(self.pivots(i), draws=inner_draws(*inner))
        return Pivots(target_squares=self.target[i:i + 1], target_weights=np.array([float(k)]), df_target=self.df[0],
                      facet_squares=self.facet[i:i + 1], facet_weights=np.array([float(n)]), df_facet=self.df[1],
                      ss_inner=float(self.rest[i]), df_inner=self.df[2], ss_within=float(self.within[i]),
                      df_within=self.df[3], inverse_m=1 / m, draws=(NO_DRAWS,) * 3)


def lattice_sums(v: Variances, n: int, k: int, m: int, points: int = POINTS, *, missing: float = 0.0) -> Sums:
    """Return sums of squares on a lattice of chi-squares; cells missing thin out rows and columns alike.

    Raises
    ------
    ValueError
        When so many cells are missing that nothing is left to estimate the noise from.
    """
    cells = round(n * k * (1 - missing))
    df = (n - 1, k - 1, cells - n - k + 1, cells * (m - 1))
    if min(df[:3]) < 1:
        raise ValueError("no degree of freedom is left for the noise")
    kept = cells / (n * k)
    chi = chi_lattice(tuple(map(float, df[:3])) + ((float(df[3]),) if m > 1 else ()), points)
    inner = v.interaction + v.residual / m
    within = v.residual * chi[3] if m > 1 else np.zeros(points)
    return Sums(target=(inner + kept * k * v.target) * chi[0], facet=(inner + kept * n * v.facet) * chi[1],
                rest=inner * chi[2], within=within, df=df, shape=(n, k, m), kept=kept)


def readings(v: Variances, n: int, k: int, m: int, rng: np.random.Generator, studies: int) -> Floats:
    """Simulate the readings of complete tables, shape (studies, n, k, m)."""
    cells = (math.sqrt(v.target) * rng.normal(size=(studies, n, 1))
             + math.sqrt(v.facet) * rng.normal(size=(studies, 1, k))
             + math.sqrt(v.interaction) * rng.normal(size=(studies, n, k)))
    return np.asarray(cells[..., None] + math.sqrt(v.residual) * rng.normal(size=(studies, n, k, m)))


def draw_sums(v: Variances, n: int, k: int, m: int, rng: np.random.Generator, studies: int) -> Sums:
    """Simulate whole tables of readings and reduce each to its sums of squares."""
    y = readings(v, n, k, m, rng, studies)
    means = y.mean(-1)
    within = ((y - means[..., None]) ** 2).sum((1, 2, 3))
    means = means - means.mean((1, 2), keepdims=True)
    rows, columns = means.mean(2, keepdims=True), means.mean(1, keepdims=True)
    return Sums(target=k * (rows**2).sum((1, 2)), facet=n * (columns**2).sum((1, 2)),
                rest=((means - rows - columns) ** 2).sum((1, 2)), within=within,
                df=(n - 1, k - 1, (n - 1) * (k - 1), n * k * (m - 1)), shape=(n, k, m))


def draw_table(v: Variances, n: int, k: int, m: int, rng: np.random.Generator, *,
               missing: float = 0.0) -> tuple[Floats, NDArray[np.intp], NDArray[np.intp]]:
    """Simulate one table of readings with a fixed number of cells missing at random.

    Returns
    -------
    values : ndarray, shape (n_rows,)
    targets, levels : ndarray of int, shape (n_rows,)
        Codes without gaps.
    """
    y = readings(v, n, k, m, rng, 1)[0]
    here = np.arange(n * k) >= round(missing * n * k)
    rows, columns = np.nonzero((rng.permutation(here) if missing else here).reshape(n, k))
    targets, levels = (np.unique(np.repeat(code, m), return_inverse=True)[1] for code in (rows, columns))
    return y[rows, columns].ravel(), targets, levels
