"""Damage of every kind ends in findings, never in another error."""

import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from mv.findings import FolderError
from mv.portfolio.folder import open_portfolio
from mv.portfolio.settings import rates, settings
from mv.portfolio.starter import starter_files
from mv.portfolio.workbook import read_workbook

PIECES = [
    b",", b'"', b"\n", b"\r", b";", b"\t", b"#", b"\x00", b"\xff", b"[", b"]", b"=", b"..", b"/",
    b"1,234", b"1e999", b"-1", b"", b"nan", b"inf", b"2024-02-30", b"*", b"\xe2\x80\xae", b"kW",
    b"ccf", b"Europe/", b"EST", b"'''", b'"""', b"{", b"true", b"0", b"9" * 400, b"DE", b"water",
    b"natural_gas", b"adjust", b"9**9**9**9", b"a::b", b"file:///etc/passwd", b"=1+1",
]  # fmt: skip


def spoiled(data: bytes, dice: random.Random) -> bytes:
    """A table with one cell, line or byte changed, a few times."""
    for _ in range(dice.choice([1, 1, 2, 4])):
        lines = data.split(b"\n")
        body = [i for i, line in enumerate(lines) if line and not line.startswith(b"#")] or [0]
        at = dice.choice(body)
        cells = lines[at].split(b",")
        match dice.randrange(5):
            case 0 | 1:
                cells[dice.randrange(len(cells))] = dice.choice(PIECES)
                lines[at] = b",".join(cells)
            case 2:
                cut = dice.randrange(len(lines[at]) + 1)
                lines[at] = lines[at][:cut] + dice.choice(PIECES) + lines[at][cut:]
            case 3:
                lines.insert(at, lines[at])
            case 4:
                lines[at] = bytes(dice.randrange(256) for _ in range(dice.randrange(20)))
        data = b"\n".join(lines)
    return data


def opened(folder):
    """Findings of a folder, and its described sites (None where it is refused)."""
    try:
        portfolio = open_portfolio(folder)
    except FolderError as error:
        return error.findings, None
    return portfolio.findings, [portfolio.describe(site) for site in portfolio.sites]


@pytest.mark.parametrize("seed", range(4))
def test_a_spoiled_folder_is_refused_with_findings_or_valid(tmp_path, seed):
    files = {name: text.encode() for name, text in starter_files("x").items()}
    for name, data in files.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(data)
    tables = [n for n in files if "/" not in n and n != "README.md"]
    dice = random.Random(seed)
    refused = 0
    for _ in range(60):
        name = dice.choice(tables)
        (tmp_path / name).write_bytes(spoiled(files[name], dice))
        findings, sites = opened(tmp_path)
        grave = [f for f in findings if f.action == "refuse"]
        assert all(f.message and f.file for f in findings)
        assert bool(grave) == (sites is None)
        refused += bool(grave)
        (tmp_path / name).write_bytes(files[name])
    assert 20 < refused < 60


@given(st.binary(max_size=300) | st.text(max_size=300).map(str.encode))
def test_no_settings_make_it_fail(data):
    findings = []
    if settings(data, "portfolio.toml", findings)[0] is None:
        assert findings
    rates(data, "rates.toml", findings)


@given(st.binary(max_size=300), st.booleans())
def test_no_workbook_makes_it_fail(data, zipped):
    findings = []
    assert read_workbook(b"PK\x03\x04" + data if zipped else data, "x.xlsx", findings, {}) is None
    assert len(findings) == 1
