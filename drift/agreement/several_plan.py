"""How many further targets would settle the verdict about a set of methods."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from drift.agreement.equivalence import POWER, fewest_further, grown_df
from drift.engine.method_means import JointStrata, orthonormal, sampled_squares
from drift.engine.settling import further_reach, settled_studies

FloatArray = NDArray[np.float64]
STUDIES = 1000  # simulated for each size of a further study


def settled_share_of_set(joint: JointStrata, contrasts: Sequence[FloatArray], harmless: float, inner: float,
                         *, confidence: float) -> float:
    """Return the share of studies in which every pair is shown to lie inside, or some pair not to.

    Parameters
    ----------
    joint : JointStrata
        What is taken to be true, and the design; without mean squares of single methods.
    contrasts : sequence of array, shape (k,)
        Every pair.
    harmless : float
    inner : float
        Tail of each inner bound, so that all hold together.
    confidence : float
        Of each outer bound, which needs no adjustment as every pair must lie inside (Berger 1982).

    Notes
    -----
    Mean squares and products of all methods are drawn together (Wishart), the means with the variance they give.
    """
    basis, rng = orthonormal(joint.k), np.random.default_rng(1)
    b = np.stack(contrasts) @ basis
    squares, of_mean = [], np.zeros((joint.k - 1, joint.k - 1))
    for g, df, w in zip(joint.matrices, joint.df, joint.of_mean, strict=True):
        matrix = basis.T @ g @ basis
        drawn = sampled_squares(matrix, float(df), STUDIES, rng)
        squares.append(np.einsum("mp,npq,mq->mn", b, drawn, b))
        of_mean = of_mean + w * matrix
    values, vectors = np.linalg.eigh(of_mean)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    noise = b @ root @ rng.standard_normal((joint.k - 1, STUDIES))
    whole, beyond = np.ones(STUDIES, dtype=bool), np.zeros(STUDIES, dtype=bool)
    strata = [joint.of_contrast(c) for c in contrasts]
    reach = further_reach(max(strata, key=lambda s: s.sd), confidence)
    for m, s in enumerate(strata):
        each = np.stack([x[m] for x in squares], axis=1)
        inside, outside = settled_studies(s, s.mean + noise[m], each, harmless, inner=inner, outer=1 - confidence,
                                          reach=reach)
        whole, beyond = whole & inside, beyond | outside
    return float(np.mean(whole | beyond))


def further_for_set(joint: JointStrata, contrasts: Sequence[FloatArray], harmless: float, inner: float, *,
                    n_targets: int, confidence: float) -> int | None:
    """Count the further targets with which the set would have a verdict in four of five studies; None if too many.

    Biases and expected mean squares are taken to be as estimated and the design to grow in proportion.
    """
    def settled(n: int) -> bool:
        return settled_share_of_set(grown(joint, n / n_targets), contrasts, harmless, inner,
                                    confidence=confidence) >= POWER

    return fewest_further(settled, n_targets, parts=50)


def grown(joint: JointStrata, factor: float) -> JointStrata:
    """Return the same estimates from a design ``factor`` times as large."""
    return replace(joint, df=grown_df(joint.df, factor), of_mean=joint.of_mean / factor)
