"""Which other forms competed, and what would the saving be under each plausible one?

The strip of savings shows how much the choice of model matters.  It plays no part in choosing:
the form was chosen on baseline data alone.
"""

from __future__ import annotations

from collections.abc import Sequence

from mv.baseline.select import CandidateFit
from mv.prepare import PreparedCarrier
from mv.results import Candidate
from mv.savings.avoided import avoided_energy
from mv.savings.drift import recency_level, recency_weights
from mv.verify.fits import Fits
from mv.verify.ledger import adjustment


def rivals(
    prepared: PreparedCarrier, fits: Fits, candidates: Sequence[CandidateFit]
) -> tuple[Candidate, ...]:
    """Every form that competed, with the saving under each plausible one."""
    events = adjustment(prepared)
    weight = recency_weights(fits.baseline)
    raw = fits.reporting.assign(energy=fits.reporting["energy"] + fits.reporting["adjustment"])
    found = []
    for candidate in candidates:
        saving, fit = None, candidate.fit
        if fit is not None and candidate.plausible:
            level = recency_level(fit, fits.baseline, prepared.carrier, weight)
            saving = avoided_energy(
                fit, fits.baseline, raw, adjustment=events, level_correction=level
            ).avoided
        found.append(
            Candidate(
                form=candidate.form,
                criterion=candidate.criterion,
                cv_rmse=fit.statistics.cv_rmse if fit is not None else None,
                parameters=fit.parameters if fit is not None else 0,
                plausible=candidate.plausible,
                why=candidate.why,
                avoided_energy=saving,
            )
        )
    return tuple(found)
