"""How is one long file of many meters read once, rather than once for each meter?

`split_long` reads such a file in large blocks and hands back each meter's rows in file order.
`split_shared_files` does it ahead of a run for the files that several meters of a portfolio
name, into one small file a meter; a worker that was told of the store by `use_store` then opens
its own meter's rows only.  The rows, their lines and the digest are those of the whole file.
"""

from __future__ import annotations

import codecs
import hashlib
import json
import os
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as arrow_csv

from mv.findings import Finding, ReadingsError
from mv.portfolio.paths import input_size, is_url, open_input
from mv.portfolio.schema import Portfolio
from mv.readings.table import (
    SAMPLE_BYTES,
    Table,
    TextLayout,
    find_layout,
    meter_column_of,
    plain_text,
)

BLOCK = 128 * 2**20
"""Bytes read and split at a time; bounds the memory of a file of any length."""
SPLIT_FROM = 2_000_000
"""Bytes under which a shared file is as quickly read by each worker."""
RUNS_FEW = 8
"""Rows in a row of one meter, on average, above which runs are cut rather than sorted."""
INDEX = "index.json"

STORE_VARIABLE = "MVREPORT_READINGS_STORE"
"""Environment variable that tells worker processes where the store is."""


def split_long(
    path: str | Path, *, meter: str, time: str, value: str
) -> dict[str, tuple[np.ndarray, np.ndarray]]:
    """Read a long delimited file and split it by meter.

    Parameters
    ----------
    path : the file, with a header row.
    meter, time, value : headers of the three columns; times must be ISO 8601.

    Returns seconds since 1970 on the file's clock (int64) and values (float64, NaN where empty)
    of each meter, in file order.  Raises ReadingsError when a column is missing or a cell can't
    be read; such files are for `read_meter`, which tells which cell.
    """
    parts: dict[str, list[list[np.ndarray]]] = defaultdict(list)
    types = {
        meter: pa.dictionary(pa.int32(), pa.string()),
        time: pa.timestamp("s"),
        value: pa.float64(),
    }
    with open(path, "rb") as stream:
        for layout, block in _blocks(str(path), stream):
            missing = [n for n in types if n not in layout.names]
            if missing:
                raise ReadingsError(
                    Finding(
                        "columns_unclear",
                        f"there is no column {missing[0]!r}; the columns are "
                        f"{', '.join(layout.names)}.",
                        file=str(path),
                    )
                )
            table = _read_block(str(path), layout.names, layout.separator, block, types)
            for batch in table.to_batches():
                arrays = [
                    batch.column(time).view(pa.int64()).to_numpy(zero_copy_only=False),
                    batch.column(value).to_numpy(zero_copy_only=False),
                ]
                for key, piece in _split(batch.column(meter), arrays):
                    parts[key].append(piece)
    return {
        key: tuple(np.concatenate([piece[i] for piece in pieces]) for i in range(2))
        for key, pieces in parts.items()
    }


def split_for(portfolio: Portfolio, sites: Collection[str], folder: Path) -> str | None:
    """Split what these sites share with others, once, into `folder`; its name, or None where
    there was nothing to split."""
    if not _share_files(portfolio, sites):
        return None
    return str(folder) if split_shared_files(portfolio, folder) else None


def _share_files(portfolio: Portfolio, sites: Collection[str]) -> bool:
    """Whether these sites name a file that two of a portfolio's meters share."""
    wanted = set(sites)
    shared = Counter(m.file for m in portfolio.meters)
    return any(shared[m.file] > 1 for m in portfolio.meters if m.site in wanted)


def split_shared_files(portfolio: Portfolio, cache_dir: Path) -> list[str]:
    """Split the files that several meters name by a meter column, into `cache_dir`.

    Returns the names of the files that were split.  Files of other shapes are left alone, and a
    store that still fits its file is kept.
    """
    shared = defaultdict(list)
    for meter in portfolio.meters:
        shared[meter.file].append(meter)
    cache_dir.mkdir(parents=True, exist_ok=True)
    index_path = cache_dir / INDEX
    index = json.loads(index_path.read_text()) if index_path.exists() else {}
    done = []
    for name, meters in shared.items():
        if len({m.meter for m in meters}) < 2:
            continue
        stamp = source_stamp(portfolio.folder, name)
        if stamp is None or stamp[0] < SPLIT_FROM:
            continue
        key = _key(portfolio.folder, name)
        if index.get(key, {}).get("stamp") == list(stamp):
            done.append(name)
            continue
        entry = _split_to_store(portfolio.folder, name, meters, cache_dir)
        if entry is not None:
            index[key] = entry | {"stamp": list(stamp)}
            done.append(name)
    index_path.write_text(json.dumps(index))
    return done


def use_store(cache_dir: Path | None) -> None:
    """Let `read_meter` take meters' rows from a store (None: no longer).

    Holds for this process and for those it starts afterwards, in whichever way.
    """
    if cache_dir is None:
        os.environ.pop(STORE_VARIABLE, None)
    else:
        os.environ[STORE_VARIABLE] = str(Path(cache_dir).resolve())


def from_store(folder: str, name: str, meter: str) -> tuple[Table, str] | None:
    """The rows of one meter and the digest of the whole file; None where none is stored."""
    if STORE_VARIABLE not in os.environ:
        return None
    store = Path(os.environ[STORE_VARIABLE])
    if not (store / INDEX).exists():
        return None
    entry = json.loads((store / INDEX).read_text()).get(_key(folder, name))
    if entry is None or meter not in entry["meters"]:
        return None
    if list(source_stamp(folder, name) or ()) != entry["stamp"]:
        return None
    with pa.memory_map(str(store / entry["meters"][meter])) as stream:
        table = pa.ipc.open_file(stream).read_all()
    lines = _one(table.column("line").combine_chunks()).to_numpy()
    names = entry["names"]
    columns = [_one(table.column(str(i)).combine_chunks()) for i in range(len(names))]
    return Table(name, names, columns, lines, separator=entry["separator"]), entry["sha256"]


def source_stamp(folder: str, name: str) -> tuple[int, int] | None:
    """Size and time of change (nanoseconds; 0 for a URL) of a file; None where there is none."""
    size = input_size(folder, name)
    if size is None:
        return None
    return size, 0 if is_url(folder) else (Path(folder) / name).stat().st_mtime_ns


def _key(folder: str, name: str) -> str:
    return f"{folder}|{name}"


def _split_to_store(folder: str, name: str, meters, cache_dir: Path) -> dict | None:
    digest = hashlib.sha256()
    named = next((m.meter_column for m in meters if m.meter_column), None)
    wanted = {m.meter for m in meters}
    parts: dict[str, list[pa.RecordBatch]] = defaultdict(list)
    layout = None
    try:
        with open_input(folder, name) as stream:
            for layout, block in _blocks(name, stream, digest):
                column = meter_column_of(layout.names, named)
                if column is None:
                    return None
                labels = [str(i) for i in range(len(layout.names))]
                texts = dict.fromkeys(labels, pa.string())
                line = layout.first_line
                for batch in _read_block(name, labels, layout.separator, block, texts).to_batches():
                    arrays = [*batch.columns, pa.array(line + np.arange(batch.num_rows))]
                    line += batch.num_rows
                    keys = batch.column(layout.names.index(column))
                    for key, piece in _split(keys, arrays):
                        if key.strip() in wanted:
                            part = pa.RecordBatch.from_arrays(piece, names=[*labels, "line"])
                            parts[key.strip()].append(part)
    except ReadingsError:
        return None  # whoever reads the file for a meter will say what is wrong with it
    if layout is None:
        return None
    files = {}
    for i, (key, batches) in enumerate(sorted(parts.items())):
        files[key] = f"{digest.hexdigest()[:16]}-{i:05d}.arrow"
        with (
            pa.OSFile(str(cache_dir / files[key]), "wb") as sink,
            pa.ipc.new_file(sink, batches[0].schema) as writer,
        ):
            for batch in batches:
                writer.write_batch(batch)
    return {
        "sha256": digest.hexdigest(),
        "names": layout.names,
        "separator": layout.separator,
        "meters": files,
    }


def _blocks(name: str, stream, digest=None) -> Iterator[tuple[TextLayout, pa.Buffer]]:
    """The layout of a UTF-8 file and its whole lines, block by block, the header taken off."""
    layout: TextLayout | None = None
    rest = b""
    while block := stream.read(BLOCK):
        if digest is not None:
            digest.update(block)
        whole = rest + block if rest else block
        offset = 0
        if layout is None:
            head = whole[: 2 * SAMPLE_BYTES]
            if not plain_text(head):
                raise ReadingsError(
                    Finding("file_unreadable", "a long file must be text in UTF-8.", file=name)
                )
            mark = len(head) - len(head.removeprefix(codecs.BOM_UTF8))
            layout = find_layout(name, head[mark:])
            offset = mark + layout.offset
        cut = whole.rfind(b"\n") + 1
        if cut > offset:
            yield layout, pa.py_buffer(memoryview(whole)[offset:cut])
            if digest is not None:  # lines are kept where rows are
                lines = whole.count(b"\n", offset, cut)
                layout = replace(layout, first_line=layout.first_line + lines)
        else:
            cut = offset
        rest = whole[cut:]
    if rest.strip() and layout is not None:
        yield layout, pa.py_buffer(rest)


def _read_block(file: str, names, separator: str, block: pa.Buffer, types: dict) -> pa.Table:
    try:
        return arrow_csv.read_csv(
            pa.BufferReader(block),
            read_options=arrow_csv.ReadOptions(column_names=names, block_size=8 * 2**20),
            parse_options=arrow_csv.ParseOptions(delimiter=separator, ignore_empty_lines=False),
            convert_options=arrow_csv.ConvertOptions(
                column_types=types, include_columns=list(types)
            ),
        )
    except pa.ArrowInvalid as error:
        raise ReadingsError(
            Finding("file_unreadable", f"{str(error).splitlines()[0]}.", file=file)
        ) from error


def _split(keys: pa.Array, arrays: list) -> Iterator[tuple[str, list]]:
    """Each meter's part of every array, in order, from a column of meters."""
    if not pa.types.is_dictionary(keys.type):
        keys = pc.dictionary_encode(keys)
    codes = pc.fill_null(keys.indices, -1).to_numpy(zero_copy_only=False)
    names = keys.dictionary.to_pylist()
    edges = np.flatnonzero(codes[1:] != codes[:-1]) + 1
    if len(edges) * RUNS_FEW > len(codes):
        small = codes.astype(np.int16) if len(names) < 32_000 else codes
        order = np.argsort(small, kind="stable")  # a radix sort for 16 bits
        codes = small[order]
        arrays = [_take(a, order) for a in arrays]
        edges = np.flatnonzero(codes[1:] != codes[:-1]) + 1
    if not len(codes):
        return
    for a, b in pairwise([0, *edges.tolist(), len(codes)]):
        if codes[a] >= 0:
            yield names[codes[a]], [array[a:b] for array in arrays]


def _take(array, order: np.ndarray):
    return array.take(pa.array(order)) if isinstance(array, pa.Array) else array[order]


def _one(array) -> pa.Array:
    if isinstance(array, pa.ChunkedArray):
        return pa.concat_arrays(array.chunks) if array.num_chunks != 1 else array.chunk(0)
    return array
