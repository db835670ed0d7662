"""Where do a file's bytes come from, and which bytes were they?

A file of readings is read once, whole; its SHA-256 goes into the results so that a reader can
tell later whether the same file was used.  Gzip is unpacked here, with a limit, so that no
reader needs to know of it.
"""

from __future__ import annotations

import hashlib
import zlib
from dataclasses import dataclass
from pathlib import PurePosixPath

from mv.findings import Finding, ReadingsError

GZIP_MAGIC = b"\x1f\x8b"
UNPACKED_LIMIT = 2_000_000_000
"""Bytes that a compressed file may unpack to (common practice, no source)."""
UNPACKED_RATIO = 200
"""How many times its size a compressed file may unpack to; tables of readings reach 10 to 30."""


@dataclass(frozen=True, slots=True)
class SourceFile:
    """A file's name as the tables give it, its bytes (unpacked) and the digest of the original."""

    name: str
    data: bytes
    sha256: str

    @property
    def suffix(self) -> str:
        """Last suffix of the name, lower case, `.gz` taken off: `.csv`."""
        path = PurePosixPath(self.name.lower())
        return (path.with_suffix("") if path.suffix == ".gz" else path).suffix


def open_source(folder: str, name: str) -> SourceFile:
    """Read the file `name` of the portfolio folder (ReadingsError when it can't be opened)."""
    from mv.portfolio.paths import open_input

    try:
        with open_input(folder, name) as stream:
            data = stream.read()
    except OSError as error:
        raise ReadingsError(
            Finding(
                "file_unreadable",
                f"the file can't be opened ({error.strerror or type(error).__name__}). "
                "Check its name and that it lies in the folder.",
                file=name,
            )
        ) from error
    return from_bytes(name, data)


def from_bytes(name: str, data: bytes) -> SourceFile:
    """A source of bytes at hand; gzip is unpacked (ReadingsError when damaged or too large)."""
    digest = hashlib.sha256(data).hexdigest()
    if data[:2] == GZIP_MAGIC:
        data = _unpack(name, data)
    if not data or data.isspace():
        raise ReadingsError(
            Finding("file_empty", "the file is empty. Export the readings again.", file=name)
        )
    return SourceFile(name, data, digest)


def _unpack(name: str, data: bytes) -> bytes:
    limit = min(UNPACKED_LIMIT, max(UNPACKED_RATIO * len(data), 10_000_000))
    plain, rest = b"", data
    try:
        while rest.startswith(GZIP_MAGIC):  # a file may be several members one after the other
            unpacker = zlib.decompressobj(wbits=31)
            plain += unpacker.decompress(rest, limit - len(plain) + 1)
            if len(plain) > limit:
                raise ReadingsError(
                    Finding(
                        "file_unreadable",
                        f"the compressed file unpacks to more than {limit:,} bytes and was not "
                        "read. Unpack it and give the plain file.",
                        file=name,
                    )
                )
            rest = unpacker.unused_data
    except zlib.error as error:
        raise ReadingsError(
            Finding(
                "file_unreadable",
                "the compressed file is damaged and can't be unpacked. Export it again.",
                file=name,
            )
        ) from error
    if not unpacker.eof:
        raise ReadingsError(
            Finding(
                "file_unreadable",
                "the compressed file ends too early. Copy or export it again.",
                file=name,
            )
        )
    return plain
