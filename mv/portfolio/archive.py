"""Is a workbook safe to open?

A workbook (.xlsx) is a zip of XML.  A small one can unpack to more than a machine holds, and XML
can declare entities that grow without end or fetch other files; both are refused before anything
interprets a byte of it.

Source of the form: ECMA-376 (Office Open XML); the limits are common practice, no source.
"""

from __future__ import annotations

import io
import re
import zipfile
from typing import IO

MAX_UNPACKED = 1_000_000_000
"""Bytes that a workbook may unpack to."""

MAX_RATIO = 120
"""Times its size that a part of a workbook may unpack to; real sheets reach 10 to 30."""

FREE_BYTES = 5_000_000
"""Bytes that a part may always unpack to, whatever the ratio."""

MAX_PROLOG = 65_536
"""Bytes before the first element of an XML part."""

# Comments and processing instructions, also those whose end has not been read yet.
_REMARKS = re.compile(rb"<!--.*?(?:-->|\Z)|<\?.*?(?:\?>|\Z)", re.DOTALL)


def workbook_danger(data: bytes) -> str | None:
    """Why the bytes of a workbook must not be opened, as half a sentence; None where they may."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as parts:
            entries = parts.infolist()
            if sum(e.file_size for e in entries) > MAX_UNPACKED or any(
                e.file_size > max(MAX_RATIO * e.compress_size, FREE_BYTES) for e in entries
            ):
                return "the workbook would unpack to far more than a table holds and was not read"
            if not any(e.filename.startswith("xl/") for e in entries):
                return "the file is a zip archive, but no workbook"
            for entry in entries:
                if entry.filename.endswith((".xml", ".rels")):
                    with parts.open(entry) as stream:
                        plain = _plain_prolog(stream)
                    if not plain:
                        return "the workbook declares XML entities and was not read"
    except Exception:  # zip archives break in many ways, and none of them is ours to mend
        return "the workbook is damaged, or is none"
    return None


def _plain_prolog(stream: IO[bytes]) -> bool:
    """Whether an XML part comes to its first element without declaring anything before it.

    A declaration of entities can only stand there.  Other encodings than UTF-8, in which it
    could hide, are not written by spreadsheet programs and count as unsafe.
    """
    head = b""
    while len(head) < MAX_PROLOG:
        chunk = stream.read(4096)
        head += chunk
        plain = _REMARKS.sub(b"", head)
        if b"\x00" in head or b"<!DOCTYPE" in plain or b"<!ENTITY" in plain:
            return False
        if re.search(rb"<[A-Za-z_]", plain):
            return True
        if not chunk:
            return not plain.strip()
    return False
