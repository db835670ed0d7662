"""The series that a carrier's charts draw, from its draft and its saving."""

from __future__ import annotations

import numpy as np

from mv.prepare import INSTALLATION, REPORTING, is_period
from mv.results import Series
from mv.savings.avoided import Avoided, row_days
from mv.savings.uncertainty import SavingsUncertainty
from mv.verify import series
from mv.verify.draft import CarrierDraft
from mv.verify.fits import Fits


def bare_series(carrier: CarrierDraft) -> Series | None:
    """Readings of a carrier that could not be verified, for its charts."""
    prepared = carrier.prepared
    if prepared.rows is None or not len(prepared.rows):
        return None
    daily, bills = series.row_series(prepared, np.full(len(prepared.rows), np.nan))
    return Series(
        daily=daily, bills=bills, profiles=carrier.profiles, heat=series.heat_lists(carrier.heat)
    )


def carrier_series(
    carrier: CarrierDraft,
    fits: Fits,
    avoided: Avoided,
    how: SavingsUncertainty,
    estimated: float | None,
    level: float,
    design: np.ndarray,
) -> Series:
    """Everything that a verified carrier's charts draw; `design`: of all its rows."""
    prepared = carrier.prepared
    rows = prepared.rows
    after = is_period(rows, INSTALLATION) | is_period(rows, REPORTING)
    modelled = design @ fits.fit.coefficients + np.where(after, level, 0.0)
    modelled *= row_days(rows)
    daily, bills = series.row_series(prepared, modelled)
    used = fits.reporting
    if "end" in used:
        starts = used["start"].astype("datetime64[D]")
        ends = used["end"].astype("datetime64[D]") - 1
    else:
        starts = ends = used.index.astype("datetime64[D]")
    row_length = row_days(used)
    adjustment = used["adjustment"] * row_length
    net_measured = avoided.measured_rows - adjustment
    share = np.cumsum(avoided.modelled_rows) / avoided.adjusted_baseline
    widths = np.hypot(how.model_part * np.sqrt(np.clip(share, 0, None)), how.drift_part * share)
    widths = widths * (how.half_width / widths[-1]) if widths[-1] > 0 else widths
    return Series(
        daily=daily,
        bills=bills,
        monthly=series.monthly(starts, net_measured, avoided.modelled_rows, row_length),
        cumulative=series.cumulative(
            ends,
            avoided.modelled_rows - net_measured,
            widths,
            estimated / 365 if estimated is not None else None,
            row_length,
        ),
        profiles=carrier.profiles,
        heat=series.heat_lists(carrier.heat),
    )
