"""How fast is one long file of many meters read and split, against reading it bare?

    python tests/benchmarks/long_csv.py [METERS] [HOURS] [--by-time]

Writes a file of METERS × HOURS rows (1000 × 26,280 is a gigabyte) to a temporary directory,
reads it with `pyarrow.csv.read_csv` and with `mv.readings.many.split_long`, and prints the ratio
of the speeds (at least 0.5 is wanted).  The file is deleted afterwards.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as arrow_csv

from mv.readings.many import split_long

START = 1_577_836_800  # 2020-01-01, UTC


def write_long(path: Path, meters: int, hours: int, by_time: bool, seed: int = 20) -> float:
    """Write the file; returns the sum of its values."""
    rng = np.random.default_rng(seed)
    keys = pa.array([f"M{i:05d}" for i in range(meters)])
    total = 0.0
    schema = pa.schema([("meter", pa.string()), ("time", pa.string()), ("kwh", pa.float64())])
    with arrow_csv.CSVWriter(path, schema) as writer:
        outer = range(0, hours, 24) if by_time else range(meters)
        for part in outer:
            if by_time:
                day = START + 3600 * np.arange(part, min(part + 24, hours))
                seconds = np.repeat(day, meters)
                who = np.tile(np.arange(meters), len(day))
            else:
                seconds = START + 3600 * np.arange(hours)
                who = np.full(hours, part)
            values = np.round(rng.gamma(2.0, 5.0, len(seconds)), 3)
            total += float(values.sum())
            stamps = pa.array(seconds.astype("datetime64[s]")).cast(pa.string())
            writer.write_table(
                pa.table([keys.take(pa.array(who)), stamps, pa.array(values)], schema=schema)
            )
    return total


def measure(path: Path, meters: int, hours: int, total: float) -> float:
    """Time both readings of a file, check what was split, print and return the ratio."""
    bare = ours = float("inf")
    for _ in range(2):
        begin = time.perf_counter()
        table = arrow_csv.read_csv(path)
        bare = min(bare, time.perf_counter() - begin)
        assert table.num_rows == meters * hours
        del table
        begin = time.perf_counter()
        split = split_long(path, meter="meter", time="time", value="kwh")
        ours = min(ours, time.perf_counter() - begin)
        assert len(split) == meters
        assert all(len(values) == hours for _, values in split.values())
        assert abs(sum(float(v.sum()) for _, v in split.values()) - total) < 1e-6 * total
        del split
    size = path.stat().st_size / 1e6
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3
    print(
        f"{meters * hours:,} rows, {size:,.0f} MB: bare read_csv {bare:.2f} s, "
        f"read and split {ours:.2f} s, ratio of speeds {bare / ours:.2f} "
        f"(peak memory {peak:,.0f} MB)"
    )
    return bare / ours


def main() -> None:
    """Parse arguments and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("meters", nargs="?", type=int, default=1000)
    parser.add_argument("hours", nargs="?", type=int, default=26_280)
    parser.add_argument("--by-time", action="store_true", help="rows ordered by time, not meter")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        total = write_long(path, given.meters, given.hours, given.by_time)
        measure(path, given.meters, given.hours, total)


if __name__ == "__main__":
    main()
