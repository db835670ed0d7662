"""Did the meter itself change: another multiplier, another meter, the wrong direction of flow?

A multiplier scales everything, night base included, by one factor at one instant; an exchanged
meter may add a constant.  Neither is corrected here unless the meter's row declares it: a factor
is never guessed into a saving.
"""

from __future__ import annotations

import datetime as dt

import numpy as np

from mv.findings import Finding, ReadingsError
from mv.portfolio.schema import Limits, Meter
from mv.readings import clock
from mv.readings.interval import Grid
from mv.readings.rows import Rows
from mv.wording import percent

WEEK = 7 * 86_400
WEEKS_BESIDE = 4
"""Weeks compared on each side of a step."""
REFUSED_FACTORS = (10.0, 12.0, 20.0, 40.0, 50.0, 60.0, 80.0, 100.0, 120.0, 1000.0)
"""Ratios of transformers and of units (common practice, no source); no retrofit does that."""
TOLD_FACTORS = (4.0, 5.0, 8.0)
FACTOR_TOLERANCE = 0.04
LARGE = 3.0
"""Ratio of mean loads below which no step is looked into."""
CALM = 1.6
"""Weeks are alike when the highest weekly mean is below this multiple of the lowest (common
practice, no source)."""
MIDDAY = (9, 17)
"""Local hours in which solar generation exceeds use."""
MIDDAY_SHARE = 0.75


def apply_multipliers(grid: Grid, rows: Rows, meter: Meter, zone: str) -> None:
    """Scale energies from each declared day on by the ratio of its multiplier to the first."""
    if not meter.multiplier_changes:
        return
    for day, multiplier in parse_changes(meter):
        first = int((day - dt.date(1970, 1, 1)).days) * 86_400
        start = int(clock.to_utc(np.array([first]), zone).utc[0])
        later = grid.starts >= start
        grid.values[later] *= multiplier / meter.multiplier
        meter = meter.model_copy(update={"multiplier": multiplier})
        rows.tell(
            "multiplier_applied",
            f"from {day} on the multiplier is {multiplier:g}, as declared.",
            count=int(later.sum()),
        )


def parse_changes(meter: Meter) -> list[tuple[dt.date, float]]:
    """Days and multipliers of `multiplier_changes`, in order (ReadingsError for other words)."""
    changes = []
    for part in (meter.multiplier_changes or "").split(";"):
        if not part.strip():
            continue
        day, _, factor = part.partition("=")
        try:
            number = float(factor)
            if not 0 < number < float("inf"):
                raise ValueError
            changes.append((dt.date.fromisoformat(day.strip()), number))
        except ValueError as error:
            raise ReadingsError(
                Finding(
                    "value_invalid",
                    f"{part.strip()!r} is not a day and a multiplier such as 2023-05-01=40.",
                    file=meter.source.file,
                    line=meter.source.line,
                    column="multiplier_changes",
                )
            ) from error
    return sorted(changes)


def judge_factor(grid: Grid, rows: Rows, meter: Meter) -> None:
    """Refuse a step of the whole load by a transformer's ratio; tell one by 4, 5 or 8.

    Weekly 10 %, 50 % and 90 % quantiles must all step by the same factor.  Raises ReadingsError
    `multiplier_changed`.
    """
    if meter.multiplier_changes is not None:
        return
    found = factor_step(grid.values, grid.step)
    if found is None:
        return
    week, ratio = found
    when = np.datetime64(int(grid.starts[week * WEEK // grid.step]), "D")
    factor = max(ratio, 1 / ratio)
    finding = Finding(
        "multiplier_changed" if factor > TOLD_FACTORS[-1] * 1.1 else "level_step",
        f"around {when} the whole load, night and day alike, becomes {ratio:.3g} times what it "
        "was. If the multiplier or the unit changed, enter multiplier_changes for this meter "
        "(or the same multiplier again if the load is real).",
        file=rows.file,
    )
    if finding.rule == "multiplier_changed":
        raise ReadingsError(finding)
    rows.findings.append(finding)


def factor_step(values: np.ndarray, step: int) -> tuple[int, float] | None:
    """Week and ratio of the clearest step of the whole load by one of the known factors.

    Four weeks are compared with four; the week between is left out, since the step may fall into
    it, and within each four the weeks must be alike, as they are not where a season ramps up.
    """
    per_week = WEEK // step
    weeks = len(values) // per_week
    if weeks < 2 * WEEKS_BESIDE + 1:
        return None
    table = values[: weeks * per_week].reshape(weeks, per_week)
    known = np.isfinite(table)
    if known.all():
        means = table.sum(axis=1) / per_week
    else:
        counts = known.sum(axis=1)
        sums = np.where(known, table, 0.0).sum(axis=1)
        means = np.where(2 * counts >= per_week, sums / np.maximum(counts, 1), 0.0)
    if means.max() <= LARGE * means.min():
        return None
    windows = np.lib.stride_tricks.sliding_window_view(means, WEEKS_BESIDE)
    low, high = windows.min(axis=1), windows.max(axis=1)
    calm = (low > 0) & (high < CALM * low)
    apart = WEEKS_BESIDE + 1
    before, after = windows.mean(axis=1)[:-apart], windows.mean(axis=1)[apart:]
    large = np.maximum(after, before) > LARGE * np.minimum(after, before)
    best = None
    for first in np.flatnonzero(large & calm[:-apart] & calm[apart:]):
        left, right = first + WEEKS_BESIDE, first + apart
        ratios = _quantile_ratios(table[first:left].ravel(), table[right:][:WEEKS_BESIDE].ravel())
        if ratios is None or ratios.max() / ratios.min() > 1 + 2 * FACTOR_TOLERANCE:
            continue
        ratio = float(np.median(ratios))
        size = max(ratio, 1 / ratio)
        near = min((*REFUSED_FACTORS, *TOLD_FACTORS), key=lambda f: abs(np.log(size / f)))
        miss = abs(np.log(size / near))
        if miss < FACTOR_TOLERANCE and (best is None or miss < best[0]):
            best = (miss, int(right), ratio)
    return None if best is None else best[1:]


def judge_offset(grid: Grid, rows: Rows) -> None:
    """Tell when, after a gap of a day or more, all quantiles of the load are moved by one
    constant: an exchanged meter, or equipment that never rests."""
    missing = np.isnan(grid.values)
    if not missing.any():
        return
    edges = np.flatnonzero(np.diff(np.r_[False, missing, False].astype(np.int8)))
    beside = WEEKS_BESIDE * WEEK // grid.step
    for a, b in zip(edges[::2], edges[1::2], strict=True):
        if (b - a) * grid.step < 86_400:
            continue
        left, right = grid.values[max(a - beside, 0) : a], grid.values[b : b + beside]
        left, right = left[np.isfinite(left)], right[np.isfinite(right)]
        if min(len(left), len(right)) < beside // 2:
            continue
        moved = np.quantile(right, (0.1, 0.5, 0.9)) - np.quantile(left, (0.1, 0.5, 0.9))
        middle = float(np.median(left))
        if middle > 0 and abs(moved[1]) > 0.2 * middle and np.ptp(moved) < 0.1 * abs(moved[1]):
            rows.tell(
                "level_offset",
                f"after the gap that ends {np.datetime64(int(grid.starts[b - 1]), 'D')} the "
                f"whole load is {moved[1]:+.4g} per interval from what it was, by night and day "
                "alike. Was the meter exchanged, or did something start that never stops?",
                count=1,
            )


def judge_flow(grid: Grid, rows: Rows, meter: Meter, zone: str, limits: Limits) -> None:
    """Refuse a net meter without generation beside it; turn export that is written negative.

    Raises ReadingsError `net_metered`.
    """
    with np.errstate(invalid="ignore"):
        below = grid.values < 0
    count = int(np.count_nonzero(below))
    if not count:
        return
    known = int(np.isfinite(grid.values).sum())
    if meter.flow in ("export", "generation") and count > 0.5 * int((grid.values != 0).sum()):
        grid.values *= -1
        for rule in rows.lost:
            rows.lost[rule] *= -1
        rows.tell(
            "sign_turned", f"{meter.flow} is written below zero; its sign was turned.", count=count
        )
        return
    if meter.flow != "use":
        return
    local = clock.offsets_of(zone, int(grid.starts[0]), int(grid.starts[-1])).local(grid.starts)
    hour = local[below] % 86_400 // 3600
    midday = float(((hour >= MIDDAY[0]) & (hour < MIDDAY[1])).mean())
    if grid.step <= 3600 and midday >= MIDDAY_SHARE and count >= 10:
        where = f"{percent(midday)} of them between {MIDDAY[0]}:00 and {MIDDAY[1]}:00"
    elif count > limits.negative_share * known:
        where = f"more than {percent(limits.negative_share)}"
    else:
        return
    raise ReadingsError(
        Finding(
            "net_metered",
            f"{count} of {known} values are below zero ({where}): the meter shows what is left "
            "after the site's own generation, so use is not known. Enter the generation as a "
            "meter of its own with flow = generation.",
            file=rows.file,
            count=count,
        )
    )


def _quantile_ratios(before: np.ndarray, after: np.ndarray) -> np.ndarray | None:
    before, after = before[np.isfinite(before)], after[np.isfinite(after)]
    if min(len(before), len(after)) < 28:
        return None
    left = np.quantile(before, (0.1, 0.5, 0.9))
    right = np.quantile(after, (0.1, 0.5, 0.9))
    if (left <= 0).any() or (right <= 0).any():
        return None
    return right / left
