"""What every planning question has: factors, a goal, an expectation, a simulation of the analysis that will be used."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from drift.engine.population import kronecker

Floats = NDArray[np.float64]
Design = Mapping[str, int]
Tell = Callable[[float], None]


@dataclass(frozen=True, kw_only=True)
class Factor:
    """One number of a design.

    Parameters
    ----------
    key : str
        Key in a design, such as ``"sensors"``.
    one, many : str
        Words for one and several.
    values : tuple of int
        Numbers to look at. The first factor of a question is searched between its smallest and largest one.
    given : bool
        Whether its number follows from something else, such as checks planned at stated uses.
    """

    key: str
    one: str
    many: str
    values: tuple[int, ...]
    given: bool = False

    def count(self, n: int) -> str:
        """Return ``12 sensors``."""
        return f"{n} {self.one if n == 1 else self.many}"


@dataclass(frozen=True, kw_only=True)
class Goal:
    """What the study is to reach.

    Parameters
    ----------
    what : str
        Quantity whose mean over studies is judged, in words.
    target : float
        Largest mean that is good enough (smallest, where ``larger``); NaN asks only what a design would give.
    unit : str
    larger : bool
        Whether more is better, as with a power.
    """

    what: str
    target: float
    unit: str = ""
    larger: bool = False

    @property
    def asked(self) -> bool:
        """Whether there is a target."""
        return not math.isnan(self.target)

    def met(self, value: float, slack: float = 0.0) -> bool:
        """Tell whether ``value`` reaches the target, missing it by ``slack`` at most."""
        if math.isnan(value):
            return False
        return value >= self.target - slack if self.larger else value <= self.target + slack


@dataclass(frozen=True, kw_only=True)
class Published:
    """What a textbook formula says of the same question: a number of the first factor, or a figure of the design."""

    formula: str
    what: str
    value: float
    source: str
    remark: str = ""


@dataclass(frozen=True, kw_only=True)
class Question(ABC):
    """One planning question.

    Parameters
    ----------
    goal : Goal
    factors : tuple of Factor
        The first one is searched.
    level : float
        Confidence level of the intervals of the planned analysis.
    price : mapping of str to float
        Price of an item of :meth:`items`; nothing given counts every reading as one.
    """

    kind: ClassVar[str] = ""
    scaled_words: ClassVar[str] = "errors of measurement"
    expected_by: ClassVar[str] = "numerical integration"
    goal: Goal
    factors: tuple[Factor, ...]
    level: float = 0.95
    price: Mapping[str, float] = field(default_factory=dict)

    @property
    @abstractmethod
    def analysis(self) -> str:
        """The analysis that is simulated, in words a protocol could print."""

    @abstractmethod
    def expected(self, d: Design) -> float:
        """Mean of the goal's quantity over studies of this design, fast enough for a search."""

    @property
    def slow(self) -> bool:
        """Whether :meth:`expected` costs seconds a design, so that a search does well to sketch first."""
        return False

    def sketched(self, d: Design) -> float:
        """Return the expectation within a few per cent, in a tenth of the time where that is slow."""
        return self.expected(d)

    @abstractmethod
    def simulate(self, d: Design, rng: np.random.Generator, studies: int, tell: Tell) -> Floats:
        """Simulate studies and analyse each: the goal's quantity, NaN where the analysis refuses; shape (studies,)."""

    @abstractmethod
    def items(self, d: Design) -> dict[str, int]:
        """Return what a design uses up, by the word its price is given under."""

    @abstractmethod
    def with_errors(self, factor: float) -> Question:
        """Return the same question with errors of measurement ``factor`` times as large."""

    def published(self, d: Design) -> tuple[Published, ...]:
        """Return what published formulas say, where there is one for this question."""
        return ()

    def remarks(self, d: Design) -> tuple[tuple[str, str, str], ...]:
        """Return (code, message, mend) of what a reader of this design must know."""
        return ()

    def cost(self, d: Design) -> float:
        """Cost of a design; the number of readings where no price was given."""
        items = self.items(d)
        return float(sum(self.price[k] * n for k, n in items.items() if k in self.price) if self.price
                     else items["reading"])

    def worded(self, d: Design) -> str:
        """Return ``12 sensors x 7 checks x 2 mountings``."""
        return " x ".join(f.count(d[f.key]) for f in self.factors)


def chi_lattice(df: tuple[float, ...], points: int) -> list[Floats]:
    """Independent chi-square values on a fixed lattice, so that a mean over them is an integral without a seed.

    Parameters
    ----------
    df : tuple of float
    points : int

    Returns
    -------
    list of ndarray, shape (points,)
    """
    from scipy.special import chdtri

    return [np.asarray(chdtri(v, 1 - u)) for v, u in zip(df, lattice(len(df), points), strict=True)]


def lattice(dimensions: int, points: int) -> list[Floats]:
    """Points of the unit cube of low discrepancy, away from its faces, one array a dimension.

    Every margin is (i + 0.5)/points in the order of a Kronecker sequence: what one dimension alone is integrated for
    is then exact to its own rule, where a margin of the sequence itself can be a few percent off.
    """
    fallen = (0.5 + kronecker(points + 1, dimensions)[1:]) % 1.0
    return list((fallen.argsort(axis=0).argsort(axis=0).astype(np.float64).T + 0.5) / points)
