"""Likelihood-ratio tests of variance components, whose null value lies on the boundary of the parameter space."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal, NamedTuple

from drift.engine.mixed_fit import MixedFit

Added = Literal["variance", "slope and covariance"]

#: Weights of chi-square distributions, (degrees of freedom, weight), under the hypothesis of no such effect.
MIXTURES: dict[str, tuple[tuple[int, float], ...]] = {
    "variance": ((0, 0.5), (1, 0.5)),
    "slope and covariance": ((1, 0.5), (2, 0.5)),
}


class LikelihoodRatio(NamedTuple):
    """Likelihood-ratio statistic with its reference distribution.

    ``p_naive`` is what the chi-square with all added parameters as degrees of freedom would say; it is too large.
    """

    statistic: float
    p_value: float
    p_naive: float
    reference: str


def boundary_test(small: MixedFit, large: MixedFit, *, added: Added) -> LikelihoodRatio:
    """Test one added variance, or an added slope variance with its covariance, against its absence.

    Parameters
    ----------
    small, large : MixedFit
        Fits of the same rows by the same method; ``large`` has the added parameters. REML fits must have the same
        fixed effects.
    added : {"variance", "slope and covariance"}
        ``variance``: one independent variance, 0.5 chi2(0) + 0.5 chi2(1). ``slope and covariance``: a second
        correlated effect of a level that has one, 0.5 chi2(1) + 0.5 chi2(2). Several components at once have no such
        simple mixture: use the parametric bootstrap.

    Returns
    -------
    LikelihoodRatio

    Raises
    ------
    ValueError
        Fits of different rows, methods or fixed effects, or an unknown ``added``.

    References
    ----------
    Self & Liang (1987), Journal of the American Statistical Association 82, 605-610, cases 5 and 6; Stram & Lee
    (1994), Biometrics 50, 1171-1177, section 3.
    """
    if added not in MIXTURES:
        raise ValueError(f"added must be one of {sorted(MIXTURES)}, not {added!r}")
    if small.method != large.method:
        raise ValueError("the fits must use the same method")
    if small.n_rows != large.n_rows or len(small.beta) != len(large.beta):
        raise ValueError("the fits must have the same rows and the same fixed effects")
    return mixture_test(max(small.criterion - large.criterion, 0.0), MIXTURES[added])


def mixture_test(statistic: float, mixture: Sequence[tuple[int, float]]) -> LikelihoodRatio:
    """Tail probability of a mixture of chi-square distributions.

    Parameters
    ----------
    statistic : float
        Likelihood-ratio statistic, not negative.
    mixture : sequence of (int, float)
        Degrees of freedom and weights; zero degrees of freedom is a mass at zero.
    """
    from scipy.special import chdtrc

    p = 0.0
    for df, weight in mixture:
        p += weight * (float(statistic <= 0.0) if df == 0 else float(chdtrc(df, statistic)))
    most = max(df for df, _ in mixture)
    words = " + ".join(f"{weight:g} chi2({df})" for df, weight in mixture)
    return LikelihoodRatio(statistic, min(p, 1.0), float(chdtrc(most, statistic)), words)
