"""Quirks of quantity and quality: registers, flow, volumes, dirt, usage XML."""

from __future__ import annotations

import numpy as np
import pandas as pd

from tests.readings.quirks import LISBON, Quirk, long_text, put, quirk, truth, without

PLAIN = truth("2023-01-02", 2)
WEEKS = truth("2023-01-02", 42)
MONTHS = truth("2023-01-02", 180)


@quirk
def power_in_quarter_hours():
    series = truth("2023-01-02", 2, "15min")
    return Quirk(long_text(series), series / 4, meter={"unit": "kW"})


@quirk
def gas_volume_with_heat_content():
    # kWh = m3 x 38.3 MJ/m3 / 3.6
    return Quirk(
        long_text(PLAIN),
        PLAIN * 38.3 / 3.6,
        meter={"carrier": "natural_gas", "unit": "m3", "heat_content": "38.3 MJ/m3"},
    )


@quirk
def gas_volume_alone():
    # 1 ccf = 2.8316846592 m3
    return Quirk(
        long_text(PLAIN), PLAIN * 2.8316846592, meter={"carrier": "natural_gas", "unit": "ccf"}
    )


@quirk
def unit_that_is_none():
    return Quirk(long_text(PLAIN), refused=("unit_invalid", "bananas"), meter={"unit": "bananas"})


def register_text(series: pd.Series, start: float, modulus: float = np.inf) -> str:
    """Register readings at the start of each interval and after the last."""
    step = series.index[1] - series.index[0]
    stamps = series.index.append(series.index[-1:] + step)
    readings = (start + np.r_[0, np.cumsum(series)]) % modulus
    return long_text(pd.Series(np.round(readings, 3), index=stamps))


@quirk
def register_that_runs_up():
    return Quirk(register_text(PLAIN, 48_211.5), PLAIN, findings=("register_start",))


@quirk
def register_rolls_over():
    text = register_text(PLAIN, 99_900.0, 100_000.0)
    return Quirk(
        text,
        PLAIN,
        findings=("register_start", "register_rolled_over"),
        meter={"register_values": True},
    )


@quirk
def register_reset():
    lines = register_text(PLAIN, 48_211.5).splitlines()
    for i in range(25, len(lines)):
        stamp, value = lines[i].split(",")
        lines[i] = f"{stamp},{float(value) - 48_000:.3f}"
    return Quirk(
        "\n".join(lines),
        without(PLAIN, [23]),
        findings=("register_start", "register_reset"),
        meter={"register_values": True},
    )


@quirk
def register_with_a_gap():
    lines = register_text(PLAIN, 48_211.5).splitlines()
    del lines[12:15]  # three readings: four intervals have no use of their own
    return Quirk(
        "\n".join(lines),
        without(PLAIN, [10, 11, 12, 13]),
        findings=("register_start", "register_gap", "readings_missing"),
    )


@quirk
def use_that_only_rises():
    series = pd.Series(np.arange(len(WEEKS)) / 100 + 50, index=WEEKS.index)
    return Quirk(long_text(series), series, meter={"register_values": False})


@quirk
def multiplier_that_changes_as_declared():
    series = MONTHS.copy()
    file = series.copy()
    file[file.index >= pd.Timestamp("2023-04-03", tz=LISBON)] /= 40
    return Quirk(
        long_text(file.round(6)),
        series,
        findings=("multiplier_applied",),
        meter={"multiplier_changes": "2023-04-03=40"},
    )


@quirk
def multiplier_that_changes_untold():
    file = MONTHS.copy()
    file[file.index >= pd.Timestamp("2023-04-03", tz=LISBON)] /= 40
    return Quirk(long_text(file.round(6)), refused=("multiplier_changed", "becomes 0.025 times"))


@quirk
def multiplier_that_cannot_be_read():
    return Quirk(
        long_text(PLAIN),
        refused=("value_invalid", "not a day and a multiplier"),
        meter={"multiplier_changes": "spring=40"},
    )


def with_sun(series: pd.Series) -> pd.Series:
    hour = series.index.hour
    return (series - np.where((hour >= 11) & (hour < 15), 30.0, 0.0)).round(3)


@quirk
def net_meter_without_generation():
    return Quirk(long_text(with_sun(WEEKS)), refused=("net_metered", "flow = generation"))


@quirk
def net_meter_beside_generation():
    series = with_sun(WEEKS)
    return Quirk(long_text(series), series, generation_metered=True)


@quirk
def export_written_negative():
    return Quirk(long_text(-PLAIN), PLAIN, findings=("sign_turned",), meter={"flow": "export"})


@quirk
def a_few_values_below_zero():
    text = put(long_text(WEEKS), 100, f"{WEEKS.index[98]:%Y-%m-%d %H:%M},-3")
    return Quirk(text, without(WEEKS, [98]), findings=("negative_value",))


@quirk
def equal_rows_twice():
    line = long_text(PLAIN).splitlines()[9]
    return Quirk(
        put(long_text(PLAIN), 10, f"{line}\n{long_text(PLAIN).splitlines()[9]}"),
        PLAIN,
        findings=("duplicate_equal",),
    )


@quirk
def unequal_rows_for_one_time():
    lines = long_text(WEEKS).splitlines()
    lines.insert(10, lines[9].split(",")[0] + ",77")
    return Quirk(
        "\n".join(lines),
        without(WEEKS, [8]),
        findings=("duplicate_unequal", "readings_missing"),
    )


@quirk
def two_meters_without_a_column():
    text = long_text(PLAIN) + "\n".join(long_text(PLAIN * 2).splitlines()[1:])
    return Quirk(text, refused=("duplicates_contradict", "meter_column"))


def flagged(series: pd.Series, flags: dict[int, str], value: str | None = None) -> str:
    rows = [
        f"{t:%Y-%m-%d %H:%M},{v},{flags.get(i, 'A')}" for i, (t, v) in enumerate(series.items())
    ]
    return "time,kWh,quality\n" + "\n".join(rows) + "\n"


@quirk
def estimates_are_used_and_told():
    return Quirk(flagged(PLAIN, {4: "E", 5: "Estimated"}), PLAIN, findings=("readings_estimated",))


@quirk
def estimate_followed_by_the_reading():
    lines = flagged(WEEKS, {}).splitlines()
    lines.insert(10, lines[9].split(",")[0] + ",9.5,E")
    return Quirk("\n".join(lines), WEEKS, findings=("duplicate_superseded",))


@quirk
def rows_flagged_invalid():
    return Quirk(
        flagged(WEEKS, {7: "Invalid"}),
        without(WEEKS, [7]),
        findings=("flagged_invalid", "readings_missing"),
    )


@quirk
def words_in_place_of_values():
    lines = long_text(WEEKS).splitlines()
    for i, word in ((5, "n/a"), (6, "---"), (7, "#N/A"), (8, "NaN"), (9, "")):
        lines[i] = lines[i].split(",")[0] + "," + word
    return Quirk(
        "\n".join(lines),
        without(WEEKS, range(4, 9)),
        findings=("value_unreadable", "value_empty", "readings_missing"),
    )


@quirk
def zeros_for_a_day():
    file = WEEKS.copy()
    file.iloc[200:224] = 0.0
    return Quirk(long_text(file), without(WEEKS, range(200, 224)), findings=("zero_run",))


@quirk
def outage_of_two_hours():
    file = WEEKS.copy()
    file.iloc[300:302] = [0.0, 0.1]
    return Quirk(long_text(file), without(WEEKS, [300, 301]), findings=("outage",))


@quirk
def zeros_at_night_are_a_habit():
    hour = WEEKS.index.hour
    series = pd.Series(np.where((hour < 7) | (hour > 18), 0.0, WEEKS), index=WEEKS.index)
    return Quirk(long_text(series), series)


@quirk
def stuck_for_thirty_hours():
    file = WEEKS.copy()
    file.iloc[400:430] = 7.77
    return Quirk(long_text(file), without(WEEKS, range(400, 430)), findings=("stuck_value",))


@quirk
def flat_load_is_no_stuck_meter():
    series = pd.Series(5.0, index=WEEKS.index)
    series.iloc[::50] = 6.0
    return Quirk(long_text(series), series)


@quirk
def stuck_for_the_whole_file():
    series = pd.Series(7.77, index=truth("2023-01-01", 40).index)
    return Quirk(long_text(series), series, findings=("value_constant",))


@quirk
def stuck_from_some_day_on():
    series = truth("2023-01-01", 60)
    series.iloc[20 * 24 :] = 7.77
    return Quirk(long_text(series), series, findings=("value_constant",))


@quirk
def a_spike():
    file = WEEKS.copy()
    file.iloc[500] = 900.0
    return Quirk(long_text(file), without(WEEKS, [500]), findings=("spike",))


@quirk
def value_that_makes_up_for_a_gap():
    file = WEEKS.copy()
    file.iloc[605] = file.iloc[600:606].sum()
    lines = long_text(file).splitlines()
    del lines[601:606]
    return Quirk(
        "\n".join(lines),
        without(WEEKS, range(600, 606)),
        findings=("catch_up", "readings_missing"),
    )


@quirk
def meter_swapped_with_an_offset():
    file = MONTHS.copy()
    file.iloc[2000:] += 12.0
    lines = long_text(file).splitlines()
    del lines[1960:2001]
    expected = without(file, range(1959, 2000))
    return Quirk("\n".join(lines), expected, findings=("level_offset", "readings_missing"))


def usage_xml(
    series: pd.Series,
    *,
    uom: int = 72,
    power: int = 0,
    flow: int = 1,
    accumulation: int = 4,
    scale: float = 1000,
    quality: dict[int, int] | None = None,
    point: str = "1",
    title: str = "Hall",
    prefix: str = "espi:",
    atom: bool = True,
) -> str:
    """Usage XML of one usage point; `scale` makes integers of kWh."""
    step = int((series.index[1] - series.index[0]).total_seconds())
    p = prefix
    readings = "".join(
        f"<{p}IntervalReading>"
        + (
            f"<{p}ReadingQuality><{p}quality>{quality[i]}</{p}quality></{p}ReadingQuality>"
            if quality and i in quality
            else ""
        )
        + f"<{p}timePeriod><{p}duration>{step}</{p}duration>"
        f"<{p}start>{int(t.timestamp())}</{p}start></{p}timePeriod>"
        f"<{p}value>{round(v * scale)}</{p}value></{p}IntervalReading>"
        for i, (t, v) in enumerate(series.items())
    )
    kind = (
        f"<{p}ReadingType><{p}accumulationBehaviour>{accumulation}</{p}accumulationBehaviour>"
        f"<{p}commodity>1</{p}commodity><{p}flowDirection>{flow}</{p}flowDirection>"
        f"<{p}intervalLength>{step}</{p}intervalLength>"
        f"<{p}powerOfTenMultiplier>{power}</{p}powerOfTenMultiplier><{p}uom>{uom}</{p}uom>"
        f"</{p}ReadingType>"
    )
    block = f"<{p}IntervalBlock>{readings}</{p}IntervalBlock>"
    if not atom:
        return kind + block
    own = f"/User/9/UsagePoint/{point}"
    tag = f"{point}-{flow}-{accumulation}-{step}"
    return "".join(
        f"<entry>{links}<title>{title}</title><content>{body}</content></entry>"
        for links, body in (
            (f'<link rel="self" href="{own}"/>', f"<{p}UsagePoint/>"),
            (
                f'<link rel="self" href="{own}/MeterReading/{tag}"/>'
                f'<link rel="related" href="/ReadingType/{tag}"/>',
                f"<{p}MeterReading/>",
            ),
            (f'<link rel="self" href="/ReadingType/{tag}"/>', kind),
            (f'<link rel="up" href="{own}/MeterReading/{tag}/IntervalBlock"/>', block),
        )
    )


def feed(*entries: str, prefix: str = "espi") -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?>'
        f'<feed xmlns="http://www.w3.org/2005/Atom" xmlns:{prefix}="http://naesb.org/espi">'
        + "".join(entries)
        + "</feed>"
    )


XML = {"file": "m1.xml"}


@quirk
def usage_xml_feed():
    return Quirk(feed(usage_xml(PLAIN)), PLAIN, meter=XML)


@quirk
def usage_xml_bare_resources_in_default_namespace():
    body = usage_xml(PLAIN, prefix="", atom=False)
    return Quirk(f'<r xmlns="http://naesb.org/espi">{body}</r>', PLAIN, meter=XML)


@quirk
def usage_xml_power_of_ten():
    return Quirk(feed(usage_xml(PLAIN, power=-3, scale=1e6)), PLAIN, meter=XML)


@quirk
def usage_xml_in_watts():
    series = truth("2023-01-02", 2, "15min")
    return Quirk(feed(usage_xml(series, uom=38)), series / 4, meter=XML | {"unit": "kW"})


@quirk
def usage_xml_register():
    readings = pd.Series(
        np.round(5000 + np.r_[0, np.cumsum(PLAIN.to_numpy())], 3),
        index=PLAIN.index.append(PLAIN.index[-1:] + pd.Timedelta(hours=1)),
    )
    text = feed(usage_xml(readings, accumulation=1))
    return Quirk(text, PLAIN, findings=("register_start",), meter=XML)


@quirk
def usage_xml_intervals_before_registers():
    text = feed(usage_xml(PLAIN.cumsum() + 5000, accumulation=3), usage_xml(PLAIN))
    return Quirk(text, PLAIN, meter=XML)


@quirk
def usage_xml_delivered_before_received():
    text = feed(usage_xml(PLAIN / 2, flow=19), usage_xml(PLAIN, flow=1))
    return Quirk(text, PLAIN, meter=XML)


@quirk
def usage_xml_received_as_export():
    text = feed(usage_xml(PLAIN * 2, flow=1), usage_xml(PLAIN, flow=19))
    return Quirk(text, PLAIN, meter=XML | {"flow": "export"})


@quirk
def usage_xml_net_flow():
    return Quirk(
        feed(usage_xml(PLAIN, flow=4)), refused=("net_metered", "flowDirection 4"), meter=XML
    )


@quirk
def usage_xml_of_two_usage_points():
    text = feed(
        usage_xml(PLAIN * 3, point="7", title="Shed"), usage_xml(PLAIN, point="8", title="M1")
    )
    return Quirk(text, PLAIN, meter=XML)


@quirk
def usage_xml_without_the_usage_point():
    text = feed(
        usage_xml(PLAIN, point="7", title="Shed"), usage_xml(PLAIN, point="8", title="Quay")
    )
    return Quirk(text, refused=("meter_absent", "'Quay (/User/9/UsagePoint/8)'"), meter=XML)


@quirk
def usage_xml_quality():
    text = feed(usage_xml(WEEKS, quality={3: 8, 4: 9, 5: 17, 6: 15}))
    return Quirk(
        text,
        without(WEEKS, [6]),
        findings=("readings_estimated", "flagged_invalid", "readings_missing"),
        meter=XML,
    )


@quirk
def usage_xml_of_voltages():
    return Quirk(feed(usage_xml(PLAIN, uom=29)), refused=("unit_invalid", "uom 29"), meter=XML)


@quirk
def usage_xml_with_local_offset():
    local = (
        "<entry><content><espi:LocalTimeParameters><espi:tzOffset>-18000</espi:tzOffset>"
        "</espi:LocalTimeParameters></content></entry>"
    )
    return Quirk(feed(local, usage_xml(PLAIN)), PLAIN, findings=("clock_contradicted",), meter=XML)


@quirk
def usage_xml_of_local_times():
    series = truth("2023-10-20", 20)
    local = series.index.tz_localize(None).tz_localize("UTC")
    text = feed(usage_xml(series.set_axis(local)))
    return Quirk(text, series, findings=("clock_local_epoch",), meter=XML)


@quirk
def usage_xml_cut_short():
    text = feed(usage_xml(PLAIN))
    return Quirk(text[:-200], refused=("file_unreadable", "not well formed"), meter=XML)


@quirk
def usage_xml_without_readings():
    text = feed("<entry><content><espi:UsagePoint/></content></entry>")
    return Quirk(text, refused=("file_empty", "no interval readings"), meter=XML)


@quirk
def usage_xml_with_entities():
    text = '<!DOCTYPE f [<!ENTITY a "1"><!ENTITY b "&a;&a;">]>' + feed(usage_xml(PLAIN))[38:]
    return Quirk(text, refused=("xml_refused", "document type"), meter=XML)


@quirk
def load_that_falls_to_a_quarter():
    file = MONTHS.copy()
    file[file.index >= pd.Timestamp("2023-04-03", tz=LISBON)] /= 4
    file = file.round(4)
    return Quirk(long_text(file), file, findings=("level_step",))


@quirk
def multiplier_that_changes_in_the_middle_of_a_week():
    file = MONTHS.copy()
    file[file.index >= pd.Timestamp("2023-04-06 15:00", tz=LISBON)] *= 100
    return Quirk(long_text(file.round(6)), refused=("multiplier_changed", "becomes 100 times"))


@quirk
def heating_that_ramps_up_tenfold():
    weeks = np.arange(len(MONTHS)) / 168
    factor = 1 + 9 / (1 + np.exp(-(weeks - 12) / 1.5))
    series = (MONTHS * factor).round(3)
    return Quirk(long_text(series), series)
