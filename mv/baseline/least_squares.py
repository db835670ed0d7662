"""How are the coefficients of several forms found, all at once?

Each design's columns are scaled to length one.  Where they are well apart its normal equations are
solved directly, with one step of refinement (any numerical text), otherwise it is solved by QR.
Designs of fewer columns than the widest are filled up with columns of zeros, for which the normal
equations get a one on the diagonal.
"""

from __future__ import annotations

import numpy as np

WELL_APART = 1e-5
"""Smallest eigenvalue of the scaled normal equations from which they may be solved directly."""
DEPENDENT = 1e-10
"""Diagonal of R under which a column of length one counts as spanned by those before it."""


def least_squares(
    x: np.ndarray, columns: list[int], y: np.ndarray, weights: np.ndarray
) -> tuple[np.ndarray, np.ndarray, list[str]]:
    """Fit y by each design.

    Parameters
    ----------
    x : designs, their rows last, shape (designs, p, n).
    columns : how many of the p columns each design has, the others zero.
    y : shape (n,).
    weights : of the rows, shape (n,).

    Returns
    -------
    Coefficients, shape (designs, p), (X'WX)⁻¹, shape (designs, p, p), and for each design why it
    can't be fitted, empty where it can.
    """
    weighted = x * weights
    gram = weighted @ x.transpose(0, 2, 1)
    size = np.sqrt(gram.diagonal(axis1=1, axis2=2))
    size[size == 0] = 1.0
    sizes = size[:, :, None] * size[:, None]
    gram /= sizes
    place = np.arange(x.shape[1])
    gram += (place >= np.array(columns)[:, None])[:, None] * np.eye(len(place))
    inverse, apart = _inverses(gram)
    b = np.matvec(inverse, np.matvec(weighted, y) / size)
    b += np.matvec(inverse, np.matvec(weighted, y - np.vecmat(b / size, x)) / size)
    problems = [""] * len(x)
    for i in np.flatnonzero(~apart).tolist():
        p, root = columns[i], np.sqrt(weights)
        scaled = (root * x[i, :p]).T / size[i, :p]
        problems[i] = _by_qr(scaled, root * y, b[i, :p], inverse[i, :p, :p])
    return b / size, inverse / sizes, problems


def _inverses(gram: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Inverses of normal equations, and whether they may be relied on.  The sum of an inverse's
    eigenvalues bounds the largest of them."""
    try:
        inverse = np.linalg.inv(gram)
    except np.linalg.LinAlgError:
        inverse = np.array([_inverse_or_zero(one) for one in gram])
    total = inverse.trace(axis1=1, axis2=2)
    return inverse, (total > 0) & (total < 1 / WELL_APART)


def _inverse_or_zero(gram: np.ndarray) -> np.ndarray:
    try:
        return np.linalg.inv(gram)
    except np.linalg.LinAlgError:
        return np.zeros_like(gram)


def _by_qr(x: np.ndarray, target: np.ndarray, b: np.ndarray, inverse: np.ndarray) -> str:
    """Put coefficients and (X'X)⁻¹ of scaled columns, shape (n, p), into `b` and `inverse`; say why
    it can't be done where the rank is short."""
    empty = ~x.any(axis=0)
    if empty.any():
        return f"column {int(np.argmax(empty))} of the model is zero on all rows"
    q, r = np.linalg.qr(x)
    if np.abs(np.diag(r)).min() < DEPENDENT:
        return "columns of the model depend on one another: a term can't be told apart"
    back = np.linalg.inv(r)
    b[:] = back @ (q.T @ target)
    inverse[:] = back @ back.T
    return ""
