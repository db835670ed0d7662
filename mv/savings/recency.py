"""Would the correction of the level have helped, where it can be tried: inside the baseline?

The last two months of the baseline are held back, the official form is fitted to the rest (its
change points kept), its level corrected by the latest residuals of that rest, and the two months
are foretold with and without the correction.  One trial decides nothing: the correction rests on
the study behind the prior (`drift.py`).  The outcome is told so that a reader can see it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from mv.baseline.columns import Rows
from mv.baseline.rows import used
from mv.savings.drift import RECENCY_SHARE, carrier_kind, recency_weights, row_spans
from mv.savings.model_variance import fit_rows, solve
from mv.wording import percent

HELD_BACK_DAYS = 61
"""Days foretold."""
REST_DAYS_LEAST = 240
"""Days that must be left to fit (own convention: eight months)."""


@dataclass(frozen=True)
class RecencyCheck:
    """What the correction did to the last two months of the baseline; fractions of their use."""

    plain: float
    """Error without it: measured − modelled."""
    corrected: float
    """Error with it."""
    words: str


def recency_check(fit, baseline_rows: Rows, carrier: str) -> RecencyCheck | None:
    """Try the correction on the baseline's last two months.

    None where no correction is made (other carriers) or the baseline is too short for it.
    """
    if carrier_kind(carrier) != "electricity":
        return None
    rows = used(baseline_rows)
    start, end = row_spans(rows)
    n = int(np.searchsorted(start, end.max() - HELD_BACK_DAYS))  # rows are in order of time
    x, _, weight = fit_rows(fit, rows)
    w, late = weight[:n], weight[n:]
    if w.sum() < REST_DAYS_LEAST or not len(late) or n <= int(fit.parameters):
        return None
    y = np.asarray(rows["energy"], dtype=float)
    residuals = y - x @ solve(x[:n], w, x[:n].T @ (w * y[:n]))
    recent = recency_weights(rows)[:n]
    level = RECENCY_SHARE * float(recent @ residuals[:n]) / float(recent.sum())
    use = float(late @ y[n:])
    if not use > 0:
        return None
    plain = float(late @ residuals[n:]) / use
    corrected = plain - level * float(late.sum()) / use
    words = (
        f"Tried on the last {late.sum():.0f} days of the baseline, the correction changes "
        f"the error of the model fitted to the days before from {percent(plain, 1, sign=True)} "
        f"to {percent(corrected, 1, sign=True)}."
    )
    return RecencyCheck(plain, corrected, words)
