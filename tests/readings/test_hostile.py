"""Files made to do harm end in a clear refusal, soon and in little memory."""

import subprocess
import sys
import zipfile
from io import BytesIO
from pathlib import Path

import pytest

from mv.findings import ReadingsError
from tests.readings.build import read
from tests.readings.quirks_shapes import workbook

ENTITY_BOMB = '<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa">' + "".join(
    f'<!ENTITY {chr(98 + i)} "{f"&{chr(97 + i)};" * 10}">' for i in range(9)
) + "]><feed>&j;</feed>"  # fmt: skip
EXTERNAL = '<!DOCTYPE a [<!ENTITY a SYSTEM "file:///etc/hostname">]><feed>&a;</feed>'
EXTERNAL_SUBSET = '<!DOCTYPE a SYSTEM "http://127.0.0.1/a.dtd"><feed/>'

HOSTILE = {
    "entity bomb": f"{ENTITY_BOMB!r}",
    "external entity": f"{EXTERNAL!r}",
    "external subset": f"{EXTERNAL_SUBSET!r}",
    "ten million elements": "'<feed>' + '<a/>' * 10_000_000 + '</feed>'",
    "ten million readings": "'<r><IntervalBlock>' + '<IntervalReading/>' * 10_000_000 + '</r>'",
    "deep nesting": "'<a>' * 1_000_000",
}
SCRIPT = """
import sys, time
sys.path.insert(0, "tests/readings")
from peak_memory import forget_peak, peak
from mv.findings import ReadingsError
from mv.portfolio.schema import Limits, Meter, Source
from mv.readings.read import read_source
from mv.readings.source import from_bytes

meter = Meter(source=Source(file="meters.csv"), meter="M", site="s", carrier="electricity",
              data="interval", file="m.xml", unit="kWh")
for text in ["'a,b'", *sys.argv[1:]]:
    data = eval(text).encode()
    before, begin, rule = forget_peak(), time.process_time(), ""
    try:
        read_source(from_bytes("m.xml", data), meter, "UTC", Limits())
    except ReadingsError as error:
        rule = error.findings[0].rule
    print(rule, time.process_time() - begin, (peak() - before) / 1e6)
"""


def test_hostile_xml_within_two_seconds_and_200_megabytes():
    done = subprocess.run(
        [sys.executable, "-c", SCRIPT, *HOSTILE.values()],
        capture_output=True,
        text=True,
        cwd=Path(__file__).parents[2],
        check=False,
    )
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()[1:]  # the first file only warms up
    assert len(lines) == len(HOSTILE)
    for name, line in zip(HOSTILE, lines, strict=True):
        rule, seconds, megabytes = line.split()
        assert rule == "xml_refused", name
        assert float(seconds) < 2, name
        assert float(megabytes) < 200, name


def test_gzip_bomb():
    import gzip

    packed = gzip.compress(b"0" * 30_000_000)
    with pytest.raises(ReadingsError, match="unpacks to more than"):
        read(packed, file="m.csv.gz")


def test_workbook_bomb():
    plain = BytesIO(workbook({"S": [["time", "kWh"]]}))
    out = BytesIO()
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            new.writestr(part, old.read(part))
        new.writestr("xl/media/zeros.bin", b"0" * 200_000_000)
    with pytest.raises(ReadingsError) as refused:
        read(out.getvalue(), file="m.xlsx")
    assert refused.value.findings[0].rule == "file_unreadable"


def test_workbook_with_entities():
    plain = BytesIO(workbook({"S": [["time", "kWh"], ["2023-01-01 00:00", 1]]}))
    out = BytesIO()
    with zipfile.ZipFile(plain) as old, zipfile.ZipFile(out, "w") as new:
        for part in old.infolist():
            body = old.read(part)
            if part.filename == "xl/workbook.xml":
                body = ENTITY_BOMB.split("<feed>")[0].encode() + body
            new.writestr(part, body)
    with pytest.raises(ReadingsError) as refused:
        read(out.getvalue(), file="m.xlsx")
    assert refused.value.findings[0].rule == "file_unreadable"
