"""Does any broken file make a reader fail with anything but a refusal, over a long time?

    FUZZ_SECONDS=600 FUZZ_SEED=1 python -m pytest -s tests/benchmarks/fuzz_readers.py

Damages the files of the quirk corpus at random and reads them as meters and as stations, as the
quick tests do.  Prints how many files were read; a failing file is saved to be looked at.
"""

from __future__ import annotations

import os
import time

import numpy as np

from tests.readings.test_fuzz import SEEDS, WEATHER_FILES, mutate, seed_bytes, survive

PART = 60_000
"""Bytes of a long file that are damaged at a time."""


def test_no_damaged_file_breaks_a_reader(tmp_path_factory):
    seconds = float(os.environ.get("FUZZ_SECONDS", "10"))
    rng = np.random.default_rng(int(os.environ.get("FUZZ_SEED", "1")))
    files = [seed_bytes(name) for name in SEEDS + sorted(WEATHER_FILES)]
    end = time.monotonic() + seconds
    count = 0
    while time.monotonic() < end:
        data = files[int(rng.integers(len(files)))]
        if len(data) > PART:
            data = data[: int(rng.integers(1_000, PART))]
        data = mutate(data, rng)
        count += 1
        try:
            survive(data, count)
        except Exception:
            saved = tmp_path_factory.mktemp("fuzz") / "failing.bin"
            saved.write_bytes(data)
            print(f"file {count} breaks a reader, meter {count % 5}; saved as {saved}")
            raise
    print(f"{count:,} damaged files in {seconds:g} s, no failure")
