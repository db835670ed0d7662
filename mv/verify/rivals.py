"""Which other forms competed, and what would the saving be under each plausible one?

The strip of savings shows how much the choice of model matters.  It plays no part in choosing:
the form was chosen on baseline data alone.
"""

from __future__ import annotations

from collections.abc import Sequence

from mv.baseline.select import CandidateFit
from mv.prepare import PreparedCarrier
from mv.results import Candidate
from mv.savings.avoided import avoided_under
from mv.savings.drift import recency_level, recency_weights
from mv.verify.fits import Fits
from mv.verify.ledger import adjustment


def rivals(
    prepared: PreparedCarrier, fits: Fits, candidates: Sequence[CandidateFit]
) -> tuple[Candidate, ...]:
    """Every form that competed, with the saving under each plausible one."""
    weight = recency_weights(fits.baseline)
    raw = fits.reporting.assign(energy=fits.reporting["energy"] + fits.reporting["adjustment"])
    plausible = [c.fit for c in candidates if c.fit is not None and c.plausible]
    levels = [recency_level(fit, fits.baseline, prepared.carrier, weight) for fit in plausible]
    savings = avoided_under(
        plausible,
        fits.baseline,
        raw,
        adjustment=adjustment(prepared),
        level_corrections=levels,
    )
    saving = {id(fit): saved for fit, saved in zip(plausible, savings, strict=True)}
    return tuple(
        Candidate(
            form=candidate.form,
            criterion=candidate.criterion,
            cv_rmse=candidate.fit.statistics.cv_rmse if candidate.fit is not None else None,
            parameters=candidate.fit.parameters if candidate.fit is not None else 0,
            plausible=candidate.plausible,
            why=candidate.why,
            avoided_energy=saving.get(id(candidate.fit)),
        )
        for candidate in candidates
    )
