"""What workers are given to do in the tests of the engine."""

import os
import signal
import time
from pathlib import Path

from mv.findings import Finding, ReadingsError


def double(x):
    return 2 * x


def act(what, x, place=""):
    if what == "error":
        raise ValueError("odd")
    if what == "user error":
        raise ReadingsError(Finding("file_empty", "the file is empty.", file="m.csv"))
    if what == "slow":
        time.sleep(60)
    if what == "deaf":
        signal.signal(signal.SIGALRM, signal.SIG_IGN)
        time.sleep(60)
    if what == "full":
        raise OSError(28, "No space left on device")
    if what == "no pickle":
        return lambda: x
    if what == "hungry":
        return len(bytearray(8_000_000_000))
    if what == "dies":
        os.kill(os.getpid(), signal.SIGKILL)
    if what == "dies once" and not Path(place).exists():
        Path(place).touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return x
