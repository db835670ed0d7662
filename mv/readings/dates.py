"""What time does a cell hold: ISO 8601, 31.12.2023 24:00, 12/31/23 11:45 PM, epoch seconds?

ISO forms are cast in one go.  Any other form is split by one regular expression over the whole
column; whether the day or the month comes first is decided from the whole column, and a column
that could be both is refused with the two readings shown.
"""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

from mv.findings import Finding, ReadingsError

DAY = 86_400
YEARS = (1900, 2200)
"""Years that a reading can be of; anything else is not a date."""
_FIRST = int(dt.datetime(YEARS[0], 1, 1, tzinfo=dt.UTC).timestamp())
_LAST = int(dt.datetime(YEARS[1], 1, 1, tzinfo=dt.UTC).timestamp())
EPOCH_SECONDS = (100_000_000, 4_000_000_000)
"""Whole numbers in this range are epoch seconds (1973 to 2096); a thousandfold, milliseconds."""

_ISO_CELL = re.compile(r"\d{4}-\d\d-\d\d(?:[T ]\d\d:\d\d.*)?$")
_HALVES = r"^(?P<date>.+?)(?:[T,\s]+(?P<clock>\d{1,2}[:.h]\d{2}\b.*))?$"
_DATE = (
    r"^[^\W\d]*[\s,.]*"  # a weekday's name
    r"(?P<a>\d{1,4})[-/.\s]+(?P<b>\d{1,2}|[^\W\d]{3,9})\.?[-/.,\s]+(?P<c>\d{1,4})\.?\s*$"
)
_CLOCK = (
    r"^(?P<hour>\d{1,2})[:.h](?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:[.,]\d+)?)?"
    r"\s*(?P<half>[AaPp])?\.?(?:[Mm]\.?)?\s*(?P<zone>Z|UTC|GMT|[+-]\d{2}:?\d{2})?\s*$"
)
_MONTH_FIRST_NAME = r"^([^\W\d]{3,9})\.?[\s/-]+(\d{1,2}),?[\s/-]+(\d{4})"  # January 31, 2023
_COMPACT = (
    r"^(?P<y>\d{4})(?P<m>\d{2})(?P<d>\d{2})"
    r"(?:[T\s]?(?P<hour>\d{2}):?(?P<minute>\d{2})?:?(?P<second>\d{2})?)?(?P<zone>Z)?$"
)
_CERTAINLY_COMPACT = (
    r"^(?:19|20)\d{2}(?:0[1-9]|1[0-2])(?:0[1-9]|[12]\d|3[01])"
    r"(?:(?:[01]\d|2[0-4])(?:[0-5]\d(?:[0-5]\d)?)?)?$"
)
_MONTHS = {
    name: number
    for number, names in enumerate(
        (
            "jan january januar janvier enero gennaio janeiro",
            "feb february februar fev fév février febrero febbraio fevereiro",
            "mar march mär märz mrz mars marzo março",
            "apr april avr avril abr abril aprile",
            "may mai mayo maggio maio mag",
            "jun june juni juin junio giugno junho giu",
            "jul july juli juil juillet julio luglio julho lug",
            "aug august août aout ago agosto",
            "sep sept september septembre septiembre settembre setembro set",
            "oct october okt oktober octobre octubre ottobre outubro out ott",
            "nov november novembre noviembre novembro",
            "dec december dez dezember déc décembre dic diciembre dicembre dezembro",
        ),
        start=1,
    )
    for name in names.split()
}
_EXCEL_ORIGIN = -25_569 * 86_400  # day 0 of spreadsheet serials, seconds from 1970


@dataclass(frozen=True, slots=True)
class Times:
    """Times of a column.

    `seconds` (n,) int64 since 1970 on the clock of the file (or UTC where `zoned`); `readable`
    (n,) bool; `zoned` whether the cells carry their offset; `form` how they were written;
    `midnights` number of 24:00 that were read as 00:00 of the next day.
    """

    seconds: np.ndarray
    readable: np.ndarray
    zoned: bool
    form: str
    midnights: int = 0
    day_only: bool = False


def to_times(
    column: pa.Array, *, file: str, name: str, day_first: bool | None, lines: np.ndarray
) -> Times:
    """Read a column of times.

    Raises ReadingsError `dates_ambiguous` when day and month can't be told apart and
    `day_first` is None.
    """
    if pa.types.is_timestamp(column.type) or pa.types.is_date(column.type):
        return _typed(column)
    if pa.types.is_integer(column.type) or pa.types.is_floating(column.type):
        return _epoch(column)
    fast = _iso(column)
    if fast is not None:
        return fast
    text = pc.fill_null(pc.utf8_trim_whitespace(column), "")
    filled = text.filter(pc.not_equal(text, ""))
    if not len(filled):
        return Times(np.zeros(len(text), np.int64), np.zeros(len(text), bool), False, "empty")
    if pc.all(pc.match_substring_regex(filled, _CERTAINLY_COMPACT)).as_py():
        return _compact(text)
    if pc.all(pc.match_substring_regex(filled, r"^\d{9,10}(\.\d+)?$|^\d{12,13}$")).as_py():
        return _epoch(pc.cast(pc.if_else(pc.equal(text, ""), None, text), pa.float64()))
    if pc.all(pc.match_substring_regex(filled, r"^\d{5}(\.\d+)?$")).as_py():
        return _spreadsheet(pc.cast(pc.if_else(pc.equal(text, ""), None, text), pa.float64()))
    compact = pc.match_substring_regex(filled, _COMPACT)
    if pc.mean(pc.cast(compact, pa.int8())).as_py() > 0.5:
        return _compact(text)
    return _written(text, file, name, day_first, lines)


def seconds_of_day(column: pa.Array) -> tuple[np.ndarray, np.ndarray]:
    """Seconds from midnight of a column of clock times (24:00 is 86 400), and which are read."""
    if pa.types.is_time(column.type):
        values = pc.cast(pc.cast(column, pa.time64("us")), pa.int64())
        values = values.to_numpy(zero_copy_only=False)
        good = np.isfinite(values)
        return np.where(good, values, 0).astype(np.int64) // 1_000_000, good
    text = pc.fill_null(pc.utf8_trim_whitespace(pc.cast(column, pa.string())), "")
    pattern = (
        r"^(?P<hour>\d{1,2})[:.h]?(?P<minute>\d{2})(?:[:.](?P<second>\d{2})(?:\.\d+)?)?"
        r"\s*(?P<half>[AaPp])?\.?(?:[Mm]\.?)?$"
    )
    parts = pc.extract_regex(text, pattern)
    good = ~_nulls(parts)
    hour = _half_day(_ints(parts, "hour"), _texts(parts, "half"))
    minute, second = _ints(parts, "minute"), _ints(parts, "second")
    good &= (hour <= 24) & (minute < 60) & (second < 60)
    return hour * 3600 + minute * 60 + second, good


def month_of(text: str, year: str = "") -> dt.date | None:
    """First day of a month written `2023-01`, `Jan 2023`, `01/2023`, or `January` with a year."""
    words = [w for w in re.split(r"[\s/.,-]+", f"{text} {year}".strip().lower()) if w]
    numbers = [int(w) for w in words if w.isascii() and w.isdigit() and len(w) <= 6]
    months = [_MONTHS[w] for w in words if w in _MONTHS]
    if len(numbers) == 1 and numbers[0] > 190_000:
        numbers = [numbers[0] // 100, numbers[0] % 100]
    years = [n for n in numbers if YEARS[0] <= n < YEARS[1]]
    months += [n for n in numbers if 1 <= n <= 12]
    if len(years) != 1 or len(months) != 1 or len(words) > 3:
        return None
    return dt.date(years[0], months[0], 1)


def _typed(column: pa.Array) -> Times:
    zoned = pa.types.is_timestamp(column.type) and column.type.tz is not None
    target = pa.timestamp("us", column.type.tz if zoned else None)
    micro = pc.cast(pc.cast(column, target, safe=False), pa.int64())
    readable = ~micro.is_null().to_numpy(zero_copy_only=False)
    micro = pc.fill_null(micro, 0).to_numpy(zero_copy_only=False)
    seconds = micro // 1_000_000
    day_only = pa.types.is_date(column.type)
    return Times(seconds, readable & _plausible(seconds), zoned, "typed", day_only=day_only)


_READ: list[tuple[pa.Array, Times]] = []
"""The last column of this form and what it read: the files of a portfolio often share their
times to the letter."""


def _iso(column: pa.Array) -> Times | None:
    if not len(column):
        return None
    for known, times in _READ:
        if column.equals(known):
            return times
    first = column[0].as_py() or ""
    if not _ISO_CELL.match(first):
        return None
    zoned = first[-1:] == "Z" or (first[-6:-5] in ("+", "-") and ":" in first[-6:])
    for unit in ("s", "us"):
        try:
            stamps = pc.cast(column, pa.timestamp(unit, "UTC" if zoned else None))
        except pa.ArrowInvalid:
            continue
        if stamps.null_count:
            return None
        seconds = stamps.view(pa.int64()).to_numpy(zero_copy_only=False)
        if unit == "us":
            seconds = seconds // 1_000_000
        times = Times(seconds, _plausible(seconds), zoned, "ISO 8601", day_only=len(first) == 10)
        for array in (times.seconds, times.readable):
            array.flags.writeable = False  # every file with these cells gets the same ones
        _READ[:] = [(column, times)]
        return times
    return None


def _epoch(column: pa.Array) -> Times:
    values = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)
    good = np.isfinite(values)
    values = np.where(good, values, 0)
    typical = np.median(values[good]) if good.any() else 0.0
    if 20_000 < typical < 100_000:
        return _spreadsheet(column)
    if typical > EPOCH_SECONDS[1]:
        values = values / 1000
    good &= (values >= EPOCH_SECONDS[0]) & (values <= EPOCH_SECONDS[1])
    return Times(np.where(good, values, 0).astype(np.int64), good, True, "epoch seconds")


def _spreadsheet(column: pa.Array) -> Times:
    values = pc.cast(column, pa.float64()).to_numpy(zero_copy_only=False)
    good = np.isfinite(values) & (values > 0) & (values < 110_000)
    seconds = np.rint(np.where(good, values, 0) * 86_400).astype(np.int64) + _EXCEL_ORIGIN
    day_only = bool(np.all(values[good] == np.floor(values[good])))
    return Times(seconds, good, False, "spreadsheet serial", day_only=day_only)


def _compact(text: pa.Array) -> Times:
    parts = pc.extract_regex(text, _COMPACT)
    good = ~_nulls(parts)
    zoned = bool(np.mean(_texts(parts, "zone")[good] == "Z") > 0.5)
    clock = _clock(parts)
    days, valid = _calendar_days(_ints(parts, "y"), _ints(parts, "m"), _ints(parts, "d"))
    good &= valid & (clock <= DAY)
    return Times(
        np.where(good, days * DAY + clock, 0),
        good,
        zoned,
        "compact",
        int((good & (clock == DAY)).sum()),
        day_only=bool(np.all(_texts(parts, "hour") == "")),
    )


def _written(
    text: pa.Array, file: str, name: str, day_first: bool | None, lines: np.ndarray
) -> Times:
    """Any other form.  Days and clocks repeat over and over, so each is read once."""
    halves = pc.extract_regex(text, _HALVES)
    days = pc.dictionary_encode(pc.fill_null(pc.struct_field(halves, "date"), ""))
    clocks = pc.dictionary_encode(pc.fill_null(pc.struct_field(halves, "clock"), ""))
    day_at = days.indices.to_numpy(zero_copy_only=False)
    clock_at = clocks.indices.to_numpy(zero_copy_only=False)

    parts = pc.extract_regex(clocks.dictionary, _CLOCK)
    blank = pc.equal(clocks.dictionary, "").to_numpy(zero_copy_only=False)
    clock_good = ~_nulls(parts) | blank
    clock = _clock(parts)
    zone = _texts(parts, "zone")
    zoned = bool((zone[clock_at] != "").mean() > 0.5)
    midnight = clock == DAY
    if zoned:
        clock = clock - _zone_seconds(zone)

    read = _days(days.dictionary, day_first)
    if read is None:
        first = int(np.flatnonzero(~_nulls(pc.extract_regex(days.dictionary, _DATE))[day_at])[0])
        raise _ambiguous(text[first].as_py(), file, name, int(lines[first]))
    day, day_good, form = read
    good = day_good[day_at] & clock_good[clock_at] & (np.abs(clock) <= 2 * DAY)[clock_at]
    seconds = day[day_at] * DAY + clock[clock_at]
    return Times(
        np.where(good, seconds, 0),
        good,
        zoned,
        form,
        int((good & midnight[clock_at]).sum()),
        day_only=bool(blank.all()),
    )


def _days(text: pa.Array, day_first: bool | None) -> tuple[np.ndarray, np.ndarray, str] | None:
    """Days since 1970 of distinct dates, which could be read, and the form; None where the day
    and the month can't be told apart."""
    text = pc.replace_substring_regex(text, _MONTH_FIRST_NAME, r"\2-\1-\3")
    parts = pc.extract_regex(text, _DATE)
    good = ~_nulls(parts)
    middle = _texts(parts, "b")
    named = np.array([m.isalpha() for m in middle.tolist()], dtype=bool)
    a, b, c = (_ints(parts, field) for field in "abc")
    b = np.where(named, [_MONTHS.get(m.lower(), 0) for m in middle.tolist()], b)
    year_first = np.array([len(x) > 2 for x in _texts(parts, "a").tolist()], dtype=bool)
    if good.any() and not year_first[good].any():
        plain = good & ~named
        first = _day_first(a[plain], b[plain]) if plain.any() else True
        by_day = first if first is not None else day_first
        if by_day is None:
            return None
        form = "day first" if by_day else "month first"
        year = c
        month = b if by_day else np.where(named, b, a)
        day = a if by_day else np.where(named, a, b)
    else:
        form, year, month, day = "year first", a, b, c
        good &= year_first
    year = np.where(year < 100, year + 2000, year)
    days, valid = _calendar_days(year, month, day)
    return days, good & valid, form


def _day_first(a: np.ndarray, b: np.ndarray) -> bool | None:
    """True: day first; False: month first; None: the column allows both."""
    if (a > 12).any() and not (b > 12).any():
        return True
    if (b > 12).any() and not (a > 12).any():
        return False
    if (a > 12).any() and (b > 12).any():
        return bool((a > 12).sum() >= (b > 12).sum())
    return None


def _ambiguous(cell: str, file: str, name: str, line: int) -> ReadingsError:
    a, b, c = (int(n) for n in re.findall(r"\d+", cell)[:3])
    readings = []
    for day, month in ((a, b), (b, a)):
        try:
            date = dt.date(c + 2000 if c < 100 else c, month, day)
            readings.append(f"{date.day} {date:%B %Y}")
        except ValueError:
            readings.append("no date")
    return ReadingsError(
        Finding(
            "dates_ambiguous",
            f"{cell!r} is {readings[0]} if the day comes first and {readings[1]} if the month "
            "does, and no date of the file decides it. Enter day_first = true or false for the "
            "meter in meters.csv, or write dates as 2023-01-31.",
            file=file,
            line=line,
            column=name,
        )
    )


def _calendar_days(
    year: np.ndarray, month: np.ndarray, day: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Days since 1970 (0 where there is no such date), and which dates there are."""
    good = (year >= YEARS[0]) & (year < YEARS[1]) & (month >= 1) & (month <= 12)
    good &= (day >= 1) & (day <= 31)
    months = np.where(good, (year - 1970) * 12 + (month - 1), 0)
    days = months.astype("datetime64[M]").astype("datetime64[D]") + np.where(good, day - 1, 0)
    good &= days.astype("datetime64[M]").astype(np.int64) == months
    return np.where(good, days.astype(np.int64), 0), good


def _clock(parts: pa.Array) -> np.ndarray:
    """Seconds from midnight of the fields hour, minute, second and half; out of range: far off."""
    half = _texts(parts, "half") if "half" in _fields(parts) else None
    hour = _ints(parts, "hour")
    if half is not None:
        hour = _half_day(hour, half)
    minute, second = _ints(parts, "minute"), _ints(parts, "second")
    clock = hour * 3600 + minute * 60 + second
    bad = (minute > 59) | (second > 59) | (clock > 86_400)
    return np.where(bad, 10 * 86_400, clock)


def _half_day(hour: np.ndarray, half: np.ndarray) -> np.ndarray:
    """24-hour clock from a 12-hour clock where `half` says a or p."""
    lower = np.char.lower(half.astype(str))
    hour = np.where((lower == "a") & (hour == 12), 0, hour)
    return np.where((lower == "p") & (hour < 12), hour + 12, hour)


def _zone_seconds(zone: np.ndarray) -> np.ndarray:
    from mv.portfolio.clocks import fixed_offset

    known = {z: fixed_offset(z) or 0 for z in set(zone.tolist())}
    return np.array([known[z] for z in zone.tolist()], dtype=np.int64)


def _fields(parts: pa.Array) -> list[str]:
    return [parts.type.field(i).name for i in range(parts.type.num_fields)]


def _nulls(parts: pa.Array) -> np.ndarray:
    return parts.is_null().to_numpy(zero_copy_only=False).astype(bool)


def _texts(parts: pa.Array, name: str) -> np.ndarray:
    field = pc.fill_null(pc.struct_field(parts, name), "")
    return field.to_numpy(zero_copy_only=False)


def _ints(parts: pa.Array, name: str) -> np.ndarray:
    field = pc.fill_null(pc.struct_field(parts, name), "")
    digits = pc.if_else(pc.match_substring_regex(field, r"^\d+$"), field, "0")
    return pc.cast(digits, pa.int64()).to_numpy(zero_copy_only=False)


def _plausible(seconds: np.ndarray) -> np.ndarray:
    return (seconds >= _FIRST) & (seconds < _LAST)
