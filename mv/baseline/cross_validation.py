"""How well does a baseline predict days that it has not seen?

Whole blocks of time are held out in turn (calendar months for days, single bills for bills), the
rest is fitted, and the held-out block is predicted.  Neighbouring days repeat one another, so
that single days held out would say too little (Roberts et al., Ecography 40, 2017, 913–929).
With E the errors of all blocks (measured − predicted), each row by a model that never saw it:

    hold-out CV(RMSE) = √(Σ w E² / n) / ȳ        hold-out NMBE = Σ w E / (n ȳ)

w of mean one; the divisor is n, because no parameter was fitted to the rows predicted.  Change
points stay where the whole baseline puts them, which flatters the error by a hundredth or two of
itself (a test searches them anew); the coefficients of each left-out block follow
from one fit: E_B = (I − H_BB)⁻¹ e_B, H = X(X'X)⁻¹X' (any regression text, deletion of rows).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from mv.baseline.fit import Fit, Sample
from mv.baseline.rows import moments_of

BLOCKS_LEAST = 4
"""Blocks under which nothing is held out (common practice, no source)."""
CONDITION_MOST = 1e12
"""Condition of the rest's normal equations above which its terms can't be told apart."""


@dataclass(frozen=True)
class HoldOut:
    """Errors on rows that the model had not seen; fractions of mean use."""

    cv_rmse: float | None
    """None where the mean is not above zero."""
    nmbe: float | None
    """Positive where the model predicts low."""
    blocks: int
    errors: np.ndarray
    """Measured − predicted per row, energy per day, shape (n,)."""


def blocks_of(sample: Sample) -> np.ndarray:
    """Number of the block of each row, in order of time: its bill, or its calendar month; shape
    (n,)."""
    if "end" in sample.rows.columns:
        return np.arange(len(sample))
    months = moments_of(sample.rows).astype("datetime64[M]")
    return np.concatenate([[0], np.cumsum(months[1:] != months[:-1])])


def hold_out(fit: Fit, sample: Sample, blocks: np.ndarray | None = None) -> HoldOut | None:
    """Predict each block by the same form fitted to the others.

    Parameters
    ----------
    fit : the form and its change points, fitted to `sample`.
    sample : the rows.
    blocks : block of each row, 0 to k − 1 in this order; `blocks_of` when None.

    Returns None with fewer than four blocks, and where the rest of some block can't tell all
    terms apart.
    """
    blocks = blocks_of(sample) if blocks is None else np.asarray(blocks)
    k = int(blocks.max()) + 1 if len(blocks) else 0
    if k < BLOCKS_LEAST:
        return None
    w = sample.unit_weights
    x, e = fit.x.T, fit.residuals
    x = x / np.sqrt(np.vecdot(x, x))[:, None]
    # Normal equations of the rest = those of all less those of the block.
    products = (w * x)[:, None] * np.concatenate([x, e[None]])
    first = np.searchsorted(blocks, np.arange(k))
    sums = np.add.reduceat(products, first, axis=2).transpose(2, 0, 1)
    gram, score = sums[:, :, :-1], sums[:, :, -1]
    inverse = _inverses(gram.sum(axis=0) - gram)
    if inverse is None:
        return None
    # b_rest − b_all = −(X'X rest)⁻¹ X_B'e_B
    change = np.matvec(inverse, score)
    errors = e + (x * change.T.take(blocks, axis=1)).sum(axis=0)
    n, mean = len(e), fit.statistics.mean
    if mean <= 0:
        return HoldOut(None, None, k, errors)
    return HoldOut(
        cv_rmse=math.sqrt(float(w @ (errors * errors)) / n) / mean,
        nmbe=float(w @ errors) / (n * mean),
        blocks=k,
        errors=errors,
    )


def _inverses(gram: np.ndarray) -> np.ndarray | None:
    """Inverses of normal equations, shape (k, p, p); None where the terms of one can't be told
    apart."""
    try:
        inverse = np.linalg.inv(gram)
    except np.linalg.LinAlgError:
        return None
    # The sums of the eigenvalues and of the inverse's bound the condition.
    most = gram.trace(axis1=1, axis2=2) * inverse.trace(axis1=1, axis2=2)
    if not ((most > 0) & (most < CONDITION_MOST)).all():
        spread = np.linalg.eigvalsh(gram)
        if (spread[:, 0] * CONDITION_MOST <= spread[:, -1]).any():
            return None
    return inverse
