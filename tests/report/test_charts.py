"""Every registered chart, held to one contract, and the still pictures."""

import math
import re
import xml.etree.ElementTree as ET
import zlib

import numpy as np
import orjson
import pytest

from mv.report.charts import marks, packed, places, static, ticks
from mv.report.charts.base import CHARTS, Chart, NotDrawn, dates, keys_of, label
from mv.report.charts.daily import week_mean
from mv.report.charts.view import SiteView
from mv.report.drawn import worded
from mv.report.format import Say
from tests.report.fabricated import (
    make_bills_site,
    make_comparison,
    make_portfolio,
    make_site,
    make_unverifiable,
)

SAY = Say("EUR")
SITES = {
    s.site: s for s in (make_site(), make_bills_site(), make_unverifiable(), make_comparison())
}
SOURCES = [("site", key) for key in SITES] + [("portfolio", "all"), ("portfolio", "empty")]


def build(kind, source: str):
    if kind.of == "site":
        site = SITES[source]
        return kind.build(SiteView(site, site), SAY)
    return kind.build(make_portfolio([] if source == "empty" else None), SAY)


CASES = [(k.name, s) for k in CHARTS for of, s in SOURCES if of == k.of]


def roles(value) -> set[str]:
    if isinstance(value, dict):
        return set().union(*(roles(v) for v in value.values())) if value else set()
    if isinstance(value, list | tuple):
        return set().union(*(roles(v) for v in value)) if value else set()
    return {value[1:]} if isinstance(value, str) and value.startswith("@") else set()


@pytest.mark.parametrize(("name", "source"), CASES)
def test_contract(name, source, stylesheet_roles):
    kind = CHARTS[name]
    made = build(kind, source)
    assert made.key == "chart-" + name.replace("_", "-")
    assert made.question.endswith("?")
    if isinstance(made, NotDrawn):
        assert made.reason
        assert not made.reason.endswith(".")
        return
    assert isinstance(made, Chart)
    assert made.title
    assert made.title in made.alt
    assert made.data
    assert len(made.table.columns) == len(made.table.head)
    (rows,) = worded([made.table], SAY)
    assert rows
    assert all(isinstance(cell, str) for row in rows for cell in row)
    for which in ("xaxis", "yaxis"):  # an axis has a title with its unit, or names, or dates
        axis = made.layout[which]
        assert axis["title"]["text"] or "ticktext" in axis or axis.get("type") == "date"
    orjson.dumps([made.data, made.layout], option=orjson.OPT_SERIALIZE_NUMPY)
    assert roles(made.data) | roles(made.layout) <= stylesheet_roles
    # the same results give the same bytes
    assert static.draw([made]) == static.draw([build(kind, source)])


@pytest.mark.parametrize(("name", "source"), CASES)
def test_still_picture_is_sound(name, source):
    made = build(CHARTS[name], source)
    if isinstance(made, NotDrawn):
        return
    (picture,) = static.draw([made])
    picture = re.sub(r'base64,[^"]*"', '"', picture)  # may hold any letters
    tree = ET.fromstring(picture.replace("&lt;", "").replace("&gt;", ""))
    assert "nan" not in picture
    assert "inf" not in picture.lower().replace("information", "")
    shapes = [e for e in tree.iter() if e.tag.rpartition("}")[2] in ("path", "rect", "image")]
    assert len(shapes) > 2
    assert len(picture) < 150_000


def test_a_page_of_pictures_is_drawn_as_each_alone():
    made = [build(CHARTS[name], source) for name, source in CASES]
    charts = [each for each in made if isinstance(each, Chart)]
    assert static.draw(charts) == [picture for each in charts for picture in static.draw([each])]
    assert static.draw([]) == []


def placed(kind, tall, *marks):
    """Marks on the picture of one chart on which data units are tenths of a pixel."""
    sheet = places.Sheet(kind, tall)
    for mark in marks:
        sheet.add(mark, 0)
    sheet.reach(1)
    return sheet.place(np.array([[0.0], [1.0], [0.0], [1.0]]))


def told(path):
    """Runs of places of a path."""
    runs = [re.findall(r"-?\d+", run) for run in path.split("M")[1:]]
    return [np.array(run, dtype=int).reshape(-1, 2).tolist() for run in runs]


@pytest.mark.parametrize("tall", [False, True])
def test_places_are_written_as_they_are(tall):
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-999, 9999, 60), rng.uniform(-999, 30_000 if tall else 9999, 60)
    x[[0, 7, 8, 59]] = y[30] = math.nan
    whole = np.column_stack([x, y]).round()
    known = ~np.isnan(whole).any(axis=1)
    edges = np.flatnonzero(np.diff(np.r_[0, known, 0])).reshape(-1, 2)
    runs = [whole[a:b].tolist() for a, b in edges]
    plain = places.Mark((x,), (y,), None, {})
    stairs = places.Mark((x,), (y,), None, {}, places.STAIRS)
    first, second = placed("paths", tall, plain, stairs)
    assert told(first.path) == told(second.path) == runs
    assert first.path.count(" ") == 2 * known.sum() - len(runs)
    assert second.path.count("H") == second.path.count("V") == known.sum() - len(runs)
    np.testing.assert_array_equal(np.column_stack(first.exact).round(), whole[known])
    (dots,) = placed("dots", tall, plain)
    assert [run[0] for run in told(dots.path.replace("h0", ""))] == whole[known].tolist()
    assert dots.path.count("h0") == known.sum()


def test_turned_places_lie_where_the_others_do():
    x, y = np.array([720.0, 5000.0, 7400.0]), np.array([2900.0, math.nan, 0.0])
    (places_,) = placed("turned", True, places.Mark((x,), (y,), None, {}, sheet="turned"))
    found = np.array([run[0] for run in told(places_.path.replace("h0", ""))])
    back = found @ np.array([[1, 1], [-1, 1]]) * math.sqrt(0.5)
    np.testing.assert_allclose(back, [[720, 2900], [7400, 0]], atol=1)


def test_ends_without_a_place_are_left_out():
    x, y = np.array([1.0, 2.0, 3.0]), np.array([4.0, math.nan, 6.0])
    (bars,) = placed("paths", False, places.Mark((x, x + 5), (y, y), None, {}, places.ENDS))
    assert bars.ends == [("M0001 0004", "H0006V0004"), ("M0003 0006", "H0008V0006")]


@pytest.mark.parametrize(("name", "source"), CASES)
def test_read_without_colour(name, source):
    """Traces of one kind differ by dash, symbol, thickness or place, not by colour alone."""
    made = build(CHARTS[name], source)
    if isinstance(made, NotDrawn):
        return
    seen = {}
    for key in keys_of(made):
        if key.kind in ("line", "points"):
            sign = (key.kind, key.dash, key.symbol)
            seen.setdefault(sign, []).append(key)
    alike = {sign: keys for sign, keys in seen.items() if len(keys) > 1}
    # profiles and days: pairs of before and after that lie apart and differ in lightness
    if name in ("profiles", "daily"):
        return
    assert not alike, alike


def test_sites_with_intervals_draw_everything_but_what_they_lack():
    site = make_site()
    missing = {
        k.name for k in CHARTS if k.of == "site" and isinstance(build(k, site.site), NotDrawn)
    }
    assert missing == {"bridge_bill", "bridge_payback", "site_placebo", "looks"}


def test_forms_are_seen_beside_the_whole_official_range_and_zero():
    site = make_site()
    low, high = build(CHARTS["sensitivity"], site.site).layout["xaxis"]["range"]
    official = site.avoided_energy
    assert low < min(0.0, official.low)
    assert high > max(official.high, *(c.avoided_energy or 0.0 for c in site.candidates))


def test_bill_site_says_why_it_has_no_hours():
    reason = build(CHARTS["heat"], "ice-store").reason
    assert reason == "bills don't show the hours of a day"


def test_names_are_harmless_in_chart_text():
    assert label("<b>=cmd()</b> & more") == "&lt;b&gt;=cmd()&lt;/b&gt; &amp; more"
    assert len(label("x" * 99, 40)) == 40


def test_days_know_no_zone():
    assert dates(["1970-01-02", "2024-03"]).tolist() == [1, 19783]


@pytest.mark.parametrize(
    ("low", "high", "labels"),
    [
        (0, 1, ["0", "0.2", "0.4", "0.6", "0.8", "1.0"]),
        (-20, 20, ["−20", "−10", "0", "10", "20"]),
        (
            0,
            25_000,
            ["0", "5\u202f000", "10\u202f000", "15\u202f000", "20\u202f000", "25\u202f000"],
        ),
    ],
)
def test_ticks(low, high, labels):
    assert [text for _, text in ticks.ticks(low, high)] == labels


def test_date_ticks_stand_on_first_days():
    days = dates(["2023-01-15", "2024-02-01"])
    told = ticks.date_ticks(*days.tolist())
    assert [t for _, t in told][:3] == ["Mar 23", "May 23", "Jul 23"]
    assert all(str(np.datetime64(d, "D")).endswith("-01") for d, _ in told)


def test_png_is_what_it_says():
    palette = bytes(3) + bytes([10, 20, 30])
    data = marks.png(np.array([[1, 0, 0], [0, 0, 1]], dtype=np.uint8), palette)
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    found, rest = {}, data[8:]
    while rest:
        length = int.from_bytes(rest[:4])
        kind, body, check = rest[4:8], rest[8 : 8 + length], rest[8 + length : 12 + length]
        assert int.from_bytes(check) == zlib.crc32(kind + body)
        found[kind], rest = body, rest[12 + length :]
    assert list(found) == [b"IHDR", b"PLTE", b"tRNS", b"IDAT", b"IEND"]
    assert found[b"PLTE"] == palette
    assert found[b"tRNS"] == b"\0"  # the first colour is see-through, the others are not
    assert zlib.decompress(found[b"IDAT"]) == bytes([0, 1, 0, 0, 0, 0, 0, 1])


def unpacked(column):
    """What the page's script makes of a column."""
    if not isinstance(column, dict):
        return np.array(column, dtype=float)
    if "count" in column:
        return column["from"] + np.arange(column["count"])
    of = np.array(column["of"], dtype=float)
    return np.where(of == packed.GAP, np.nan, of) * 10.0 ** column["tens"]


@pytest.mark.parametrize(("name", "source"), CASES)
def test_columns_in_the_page_are_those_drawn(name, source):
    made = build(CHARTS[name], source)
    if isinstance(made, NotDrawn):
        return
    for trace, short in zip(made.data, packed.packed(made.data), strict=True):
        assert trace.keys() == short.keys()
        for column in {"x", "y", "z"} & trace.keys():
            drawn = np.array(trace[column], dtype=float)
            # the two sides of a band are rounded each by its own largest value, packed by one
            half = 5e-5 * np.nanmax(np.abs(drawn)) if trace.get("fill") else 0.0
            np.testing.assert_allclose(unpacked(short[column]), drawn, rtol=1e-12, atol=half)


def test_long_columns_are_packed_exactly():
    values = np.round(np.linspace(-2.0, 7.0, 250), 4)
    values[3] = np.nan
    days = np.arange(19_000, 19_250)
    holes = np.where(days > 19_100, days + 1, days)
    traces = [
        {"x": days, "y": values},
        {"x": holes, "y": values * 1e9},
        {"x": days[:9], "y": np.full(250, np.nan), "z": np.zeros((10, 25))},
    ]
    first, second, third = packed.packed(traces)
    assert first["x"] == {"from": 19_000, "count": 250}
    assert second["x"] is holes
    assert third["x"] is traces[2]["x"]
    assert first["y"]["tens"] == -4
    assert second["y"]["tens"] == 5
    assert third["z"]["of"].shape == (10, 25)
    for trace, short in zip(traces, (first, second, third), strict=True):
        for column in trace:
            np.testing.assert_allclose(unpacked(short[column]), trace[column], rtol=1e-12)
    assert packed.packed([]) == []


def test_temperatures_follow_the_settings():
    site = make_site()
    kind = CHARTS["signature"]
    made = kind.build(SiteView(site, site), Say("USD", us=True))
    assert made.layout["xaxis"]["title"]["text"] == "mean outdoor temperature, °F"
    usual = kind.build(SiteView(site, site), SAY)
    warm = made.data[-1]["x"]
    assert warm == pytest.approx(np.array(usual.data[-1]["x"]) * 1.8 + 32, abs=0.02)


@pytest.mark.parametrize("count", [1, 3, 4, 6, 7, 20])
def test_the_mean_of_seven_days_of_short_readings(count):
    values = np.arange(count, dtype=float) ** 2
    whole = [values[max(i - 3, 0) : i + 4] for i in range(count)]
    expected = [w.mean() if len(w) >= 4 else np.nan for w in whole]
    found = np.array(week_mean(values), dtype=float)
    # Four figures of the largest value are drawn.
    np.testing.assert_allclose(found, expected, atol=1e-3 * max(values.max(), 1))
