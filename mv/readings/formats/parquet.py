"""Parquet: columns with their types; only the meter asked for is read where a column names it."""

from __future__ import annotations

import io

import numpy as np
import pyarrow as pa

from mv.findings import Finding, ReadingsError
from mv.readings.formats import READERS, Asked, Reader
from mv.readings.source import SourceFile
from mv.readings.table import Table, meter_column_of

MAGIC = b"PAR1"


def _read(source: SourceFile, asked: Asked) -> Table:
    from pyarrow import parquet

    try:
        file = parquet.ParquetFile(io.BytesIO(source.data))
        names = file.schema_arrow.names
        if len(names) != len(set(names)):
            raise pa.ArrowInvalid("two columns have one name")
        key = meter_column_of(names, asked.meter_column)
        if key is None:
            table = file.read()
        else:
            column = file.schema_arrow.field(key).type
            wanted = pa.scalar(asked.key)
            if not pa.types.is_string(_value_type(column)):
                wanted = wanted.cast(column)
            table = parquet.read_table(
                io.BytesIO(source.data), filters=[(key, "=", wanted)], use_threads=False
            )
            if not len(table):
                table = file.read()  # let the caller say which meters there are
    except ReadingsError:
        raise
    except (pa.ArrowException, OSError, ValueError, TypeError) as error:
        raise ReadingsError(
            Finding(
                "file_unreadable",
                "the file begins like Parquet but can't be read as Parquet "
                f"({(str(error).splitlines() or ['damaged'])[0][:120]}). Export it again.",
                file=source.name,
            )
        ) from error
    columns = [_plain(c) for c in table.columns]
    lines = np.arange(1, table.num_rows + 1)
    return Table(source.name, list(table.column_names), columns, lines)


def _value_type(kind: pa.DataType) -> pa.DataType:
    return kind.value_type if pa.types.is_dictionary(kind) else kind


def _plain(column: pa.ChunkedArray) -> pa.Array:
    if pa.types.is_dictionary(column.type):
        column = column.cast(column.type.value_type)
    if pa.types.is_large_string(column.type) or pa.types.is_string_view(column.type):
        column = column.cast(pa.string())
    if pa.types.is_decimal(column.type):
        column = column.cast(pa.float64())
    if pa.types.is_nested(column.type) or pa.types.is_binary(column.type):
        return pa.nulls(len(column))
    joined = column.combine_chunks()
    return joined if isinstance(joined, pa.Array) else pa.concat_arrays(joined.chunks)


READERS.add("parquet", Reader("parquet", lambda s: s.data[:4] == MAGIC, _read, rank=10))
