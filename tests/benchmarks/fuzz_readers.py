"""Does any broken file make a reader fail with anything but a refusal, over a long time?

    python tests/benchmarks/fuzz_readers.py [SECONDS] [SEED]

Damages the files of the quirk corpus at random and reads them as meters and as stations, as the
quick tests do, for SECONDS (600).  Prints how many files were read; a failure is saved and shown.
"""

from __future__ import annotations

import sys
import time
import traceback
import warnings
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.readings.test_fuzz import SEEDS, WEATHER_FILES, mutate, seed_bytes, survive


def main() -> None:
    """Fuzz until the time is up; exit code 1 after a failure."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 600.0
    rng = np.random.default_rng(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    names = SEEDS + sorted(WEATHER_FILES)
    files = {name: seed_bytes(name) for name in names}
    warnings.simplefilter("error")
    end = time.monotonic() + seconds
    count = failures = 0
    while time.monotonic() < end:
        data = files[names[int(rng.integers(len(names)))]]
        if len(data) > 60_000:
            data = data[: int(rng.integers(1_000, 60_000))]
        data = mutate(data, rng)
        count += 1
        try:
            survive(data, count)
        except Exception:
            failures += 1
            saved = Path(f"fuzz-failure-{failures}.bin")
            saved.write_bytes(data)
            print(f"failure {failures}, file saved as {saved}, meter {count % 5}")
            traceback.print_exc()
            if failures >= 20:
                break
    print(f"{count:,} damaged files in {seconds:g} s, {failures} failures")
    sys.exit(bool(failures))


if __name__ == "__main__":
    main()
