"""How much memory does a piece of work take at its peak?  For work in a process of its own."""

from __future__ import annotations

import resource
from pathlib import Path

STATUS, CLEAR = Path("/proc/self/status"), Path("/proc/self/clear_refs")


def forget_peak() -> float:
    """Begin anew, where the system can; returns the bytes in use now."""
    if CLEAR.exists():
        CLEAR.write_text("5")  # the peak becomes what is in use; a fork's would be its parent's
    return peak()


def peak() -> float:
    """Highest number of bytes in use since `forget_peak`."""
    if STATUS.exists():
        for line in STATUS.read_text().splitlines():
            if line.startswith("VmHWM:"):
                return float(line.split()[1]) * 1024
    return float(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss) * 1024
