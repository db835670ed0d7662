"""Usage XML of the NAESB ESPI open standard (REQ.21): interval blocks, reading types, quality.

An Atom feed or bare resources, with whatever namespace prefixes; read as a stream.  Document
types, entities and anything outside the file are refused before they can be expanded.  Times are
UTC epoch seconds of the interval's start; value × 10^powerOfTenMultiplier is in the unit that
`uom` names.  Codes are from the schema's documentation, some from memory.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from xml.parsers import expat

import numpy as np
import pyarrow as pa

from mv.findings import Finding, ReadingsError
from mv.readings.formats import READERS, Asked, Reader
from mv.readings.source import SourceFile
from mv.readings.table import Table

UNITS = {
    31: "J",
    38: "W",
    42: "m3",
    72: "Wh",
    119: "cf",
    120: "cf",
    121: "cf",
    128: "gal",
    130: "imperial_gallon",
    132: "Btu",
    133: "Btu/hour",
    134: "liter",
    169: "therm",
}
"""Codes of `uom` that measure use, and their unit (119 to 121 are cubic feet)."""
NET_FLOW, REVERSE_FLOW = 4, 19
REGISTERS = {1, 3, 9}
"""`accumulationBehaviour` of registers: bulk quantity, cumulative, summation."""
ESTIMATED = {8, 9, 10}
"""`qualityOfReading`: estimated from a reference day, estimated linearly, questionable."""
NOT_READINGS = {12, 15}
"""`qualityOfReading`: projected and weather-normalised values are no readings."""

DEPTH_MOST = 64
ELEMENTS_WITHOUT_READING = 200_000
BROKEN_MOST = 10_000
TEXT_MOST = 4_096
CHUNK = 1 << 16
RESOURCES = {"UsagePoint", "MeterReading", "ReadingType", "LocalTimeParameters"}


@dataclass
class _Block:
    """Interval readings under one link."""

    start: array = field(default_factory=lambda: array("q"))
    duration: array = field(default_factory=lambda: array("q"))
    value: array = field(default_factory=lambda: array("q"))
    quality: array = field(default_factory=lambda: array("h"))


@dataclass
class _Entry:
    """One resource: its kind, links and plain fields."""

    kind: str = ""
    own: str = ""
    up: str = ""
    related: list[str] = field(default_factory=list)
    fields: dict[str, str] = field(default_factory=dict)


class _Feed:
    """What a stream of ESPI elements holds, filled by the parser's callbacks."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.depth = 0
        self.elements = 0
        self.readings = 0
        self.broken = 0
        self.path: list[str] = []
        self.text: list[str] = []
        self.size = 0
        self.entry = _Entry()
        self.entries: list[_Entry] = []
        self.blocks: dict[tuple[str, int], _Block] = {}
        self.pending: list[_Block] = []
        self.block: _Block | None = None
        self.reading: dict[str, int] = {}

    def refuse(self, rule: str, message: str) -> ReadingsError:
        return ReadingsError(Finding(rule, message, file=self.name))

    def doctype(self, *_) -> None:
        raise self.refuse(
            "xml_refused",
            "the file declares a document type or entities, which usage XML has no need of and "
            "which can be used for harm. Export it again from the utility's portal.",
        )

    def begin(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition("|")[2]
        self.elements += 1
        self.depth += 1
        if self.depth > DEPTH_MOST:
            raise self.refuse("xml_refused", f"elements nest deeper than {DEPTH_MOST}.")
        if self.elements - 40 * self.readings > ELEMENTS_WITHOUT_READING:
            raise self.refuse(
                "xml_refused",
                f"{self.elements:,} elements hold {self.readings:,} interval readings; that is "
                "no usage XML.",
            )
        self.path.append(name)
        self.text, self.size = [], 0
        if name == "IntervalReading":
            self.reading = {}
        elif name == "entry":
            self.entry = _Entry()
        elif name == "link":
            self._link(attributes)
        elif name in RESOURCES:
            if self.entry.kind:
                self.entry = _Entry()
            self.entry.kind = name
            self.entries.append(self.entry)
        elif name == "IntervalBlock":
            self.block = _Block()
            self.pending.append(self.block)

    def characters(self, data: str) -> None:
        if self.size <= TEXT_MOST:
            self.text.append(data)
            self.size += len(data)

    def end(self, tag: str) -> None:
        name = self.path.pop()
        self.depth -= 1
        parent = self.path[-1] if self.path else ""
        if parent in ("timePeriod", "ReadingQuality", "IntervalReading"):
            if name in ("start", "duration", "value", "quality") and "IntervalReading" in self.path:
                self.reading[name] = self._whole("".join(self.text))
        elif name == "IntervalReading":
            self._keep_reading()
        elif parent in RESOURCES or (parent == "entry" and name == "title"):
            self.entry.fields[name] = "".join(self.text).strip()
        if name in ("entry", "IntervalBlock") and self.pending:
            self._file_blocks(final=name == "entry")
        self.text, self.size = [], 0

    def _whole(self, text: str) -> int | None:
        text = text.strip()
        if len(text) <= 19:
            try:
                number = int(text)
            except ValueError:
                return None
            if -(2**62) < number < 2**62:
                return number
        return None

    def _keep_reading(self) -> None:
        get = self.reading.get
        start, duration, value = get("start"), get("duration"), get("value")
        if start is None or value is None or self.block is None:
            self.broken += 1
            if self.broken > max(BROKEN_MOST, self.readings):
                raise self.refuse(
                    "xml_refused", f"{self.broken:,} interval readings lack a start or a value."
                )
            return
        block = self.block
        block.start.append(start)
        block.duration.append(duration or 0)
        block.value.append(value)
        quality = get("quality")
        block.quality.append(quality if quality is not None and 0 <= quality < 100 else 0)
        self.readings += 1

    def _link(self, attributes: dict[str, str]) -> None:
        rel, href = attributes.get("rel", ""), attributes.get("href", "").rstrip("/")
        if rel == "self":
            self.entry.own = href
        elif rel == "up":
            self.entry.up = href
        elif rel == "related":
            self.entry.related.append(href)

    def _file_blocks(self, final: bool) -> None:
        """Put finished blocks under the meter reading that their entry points to."""
        if "entry" in self.path and not final:
            return  # links of the entry may still follow
        up = self.entry.up if final else ""
        order = len([e for e in self.entries if e.kind == "ReadingType"])
        for block in self.pending:
            mine = self.blocks.setdefault((up.removesuffix("/IntervalBlock"), order), _Block())
            for name in ("start", "duration", "value", "quality"):
                getattr(mine, name).extend(getattr(block, name))
        self.pending, self.block = [], None


@dataclass(frozen=True)
class _Series:
    """The readings of one meter reading with its type."""

    point: str
    kind: dict[str, str]
    block: _Block

    def code(self, name: str, default: int = 0) -> int:
        try:
            return int(self.kind.get(name, default))
        except ValueError:
            return default


def _read(source: SourceFile, asked: Asked) -> Table:
    feed = _parse(source)
    series = _choose(feed, asked)
    block = series.block
    power = series.code("powerOfTenMultiplier")
    if abs(power) > 12:
        raise feed.refuse("unit_invalid", f"powerOfTenMultiplier {power} is none of the standard.")
    values = np.array(block.value, dtype=float)
    values = values * 10.0**power if power >= 0 else values / 10.0**-power
    quality = np.array(block.quality)
    words = np.full(len(quality), "", dtype=object)
    words[np.isin(quality, list(ESTIMATED))] = "estimated"
    words[np.isin(quality, list(NOT_READINGS))] = "invalid"
    starts = np.array(block.start, dtype=np.int64)
    far = (starts < 0) | (starts > 4_000_000_000)
    stamps = pa.array(
        np.where(far, 0, starts).astype("datetime64[s]"), pa.timestamp("s", "UTC"), mask=far
    )
    declared = {
        "unit": UNITS[series.code("uom")],
        "stamp": "start",
        "values": "register" if series.code("accumulationBehaviour") in REGISTERS else "use",
    }
    local = next((e for e in feed.entries if e.kind == "LocalTimeParameters"), None)
    if local is not None and local.fields.get("tzOffset", "").lstrip("-").isdigit():
        declared["utc_offset"] = local.fields["tzOffset"]
    findings = ()
    if feed.broken:
        findings = (
            Finding(
                "row_malformed",
                f"{feed.broken} interval readings lack a start or a value and were left out.",
                file=source.name,
                count=feed.broken,
            ),
        )
    return Table(
        source.name,
        ["start", "value", "quality"],
        [stamps, pa.array(values), pa.array(words.tolist(), pa.string())],
        np.arange(1, len(values) + 1),
        malformed=feed.broken,
        findings=findings,
        declared=declared,
    )


def _parse(source: SourceFile) -> _Feed:
    feed = _Feed(source.name)
    parser = expat.ParserCreate(namespace_separator="|")
    parser.buffer_text = True
    parser.StartElementHandler = feed.begin
    parser.EndElementHandler = feed.end
    parser.CharacterDataHandler = feed.characters
    parser.StartDoctypeDeclHandler = feed.doctype
    parser.EntityDeclHandler = feed.doctype
    parser.ExternalEntityRefHandler = feed.doctype
    data = memoryview(source.data)
    try:
        for at in range(0, len(data), CHUNK):
            parser.Parse(bytes(data[at : at + CHUNK]), False)
        parser.Parse(b"", True)
    except expat.ExpatError as error:
        raise ReadingsError(
            Finding(
                "file_unreadable",
                f"the XML is not well formed ({expat.ErrorString(error.code)}). Export it again.",
                file=source.name,
                line=error.lineno,
            )
        ) from error
    except (ValueError, LookupError) as error:
        raise feed.refuse("file_unreadable", f"the XML can't be read ({error}).") from error
    finally:
        for name in ("StartElementHandler", "EndElementHandler", "CharacterDataHandler"):
            setattr(parser, name, None)
    if not feed.readings:
        raise feed.refuse(
            "file_empty",
            "the file is XML and holds no interval readings of the usage standard (ESPI). If it "
            "is a saved web page or another export, export CSV instead.",
        )
    return feed


def _choose(feed: _Feed, asked: Asked) -> _Series:
    """The series that the meter's row asks for: its usage point, its direction, use before
    anything else, intervals before registers."""
    all_series = _series(feed)
    useful = [s for s in all_series if s.code("uom") in UNITS]
    if not useful:
        codes = sorted({s.kind.get("uom", "none") for s in all_series})
        raise feed.refuse(
            "unit_invalid",
            f"no reading type measures use (uom {', '.join(codes)}); energy is 72 (Wh).",
        )
    points = sorted({s.point for s in useful})
    if len(points) > 1:
        named = [s for s in useful if asked.key and asked.key in _names(s.point)]
        if not named:
            listed = ", ".join(repr(p) for p in points[:8])
            raise feed.refuse(
                "meter_absent",
                f"no usage point is called {asked.key!r}; there are {listed}. Enter the meter "
                "under one of these keys.",
            )
        useful = named
    reverse = asked.flow in ("export", "generation")
    flows = {s.code("flowDirection") for s in useful}
    wanted = [s for s in useful if (s.code("flowDirection") == REVERSE_FLOW) == reverse]
    if reverse and not wanted:
        wanted = useful if flows <= {0, 1} else []
    forward = [s for s in wanted if s.code("flowDirection") != NET_FLOW]
    if wanted and not forward and not reverse:
        raise feed.refuse(
            "net_metered",
            "the readings are net of the site's own generation (flowDirection 4), so use is not "
            "known. Export delivered energy (flowDirection 1) and enter the generation as a "
            "meter of its own.",
        )
    if not forward:
        raise feed.refuse(
            "meter_absent",
            f"no reading type has the direction of flow {asked.flow!r} (flowDirection "
            f"{', '.join(map(str, sorted(flows)))}).",
        )
    return min(
        forward,
        key=lambda s: (
            s.code("uom") in (38, 133),
            s.code("accumulationBehaviour") in REGISTERS,
            s.code("intervalLength", 1 << 30),
            -len(s.block.start),
        ),
    )


def _series(feed: _Feed) -> list[_Series]:
    types = [e for e in feed.entries if e.kind == "ReadingType"]
    readings = [e for e in feed.entries if e.kind == "MeterReading"]
    points = [e for e in feed.entries if e.kind == "UsagePoint"]
    out = []
    for (up, order), block in feed.blocks.items():
        reading = next((r for r in readings if up and r.own == up), None)
        kind = None
        if reading is not None:
            kind = next((t for t in types if t.own and t.own in reading.related), None)
        if kind is None and types:
            kind = types[min(max(order - 1, 0), len(types) - 1)]
        point = next((p for p in points if p.own and up.startswith(p.own + "/")), None)
        title = point.fields.get("title", "") if point is not None else ""
        name = f"{title} ({point.own})" if title and point is not None else up.split("/Meter")[0]
        out.append(_Series(name, kind.fields if kind is not None else {}, block))
    return out


def _names(point: str) -> set[str]:
    """Words by which a usage point may be asked for: its title, and the last parts of its link."""
    title, _, link = point.removesuffix(")").rpartition(" (")
    return {title.strip(), point, *(link or point).split("/")} - {""}


def _mine(source: SourceFile) -> bool:
    head = source.data[:200]
    if head[:2] in (b"\xff\xfe", b"\xfe\xff"):
        head = head.decode("utf-16", errors="replace").encode()
    return head.removeprefix(b"\xef\xbb\xbf").lstrip()[:1] == b"<"


READERS.add("usage_xml", Reader("usage_xml", _mine, _read, rank=20))
