"""What does a portfolio cost: time, processor, memory; again unchanged; after few changes?

    python tests/benchmarks/many_sites.py [--sites 1000] [--kind hourly|bills] [--jobs 2]
        [--folder DIR] [--rivals 3] [--small 100]

Writes an invented portfolio (or uses the one in --folder), runs `mvreport report` over it in a
process of its own and prints the wall time, the processor time a site, the peak memory of the
parent and of its largest worker; then again with nothing changed, and with three sites changed.
For hourly sites the same files are read bare with `pyarrow.csv.read_csv`, and two plain scripts
(`rivals.py`) do a small part of the job for a few sites.  With --small the exponent of growth
from that many sites is printed.
"""

from __future__ import annotations

import argparse
import math
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent.parent)]


@dataclass(frozen=True)
class Cost:
    """What one command took."""

    wall: float
    processor: float
    """Seconds of all its processes."""
    parent: float
    worker: float
    """Peak memory of the parent and of its largest other process, MB."""
    says: str


def run(folder: Path, out: Path, cache: Path, jobs: int) -> Cost:
    """`mvreport report`, watched."""
    environment = os.environ | {
        "MVREPORT_CACHE": str(cache),
        "PYTHONPATH": str(HERE.parent.parent),
    }
    command = [sys.executable, "-m", "mv", "report", str(folder), "--out", str(out)]
    begin = time.perf_counter()
    process = subprocess.Popen(
        [*command, "--jobs", str(jobs)],
        env=environment,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )
    peaks: dict[int, float] = {}
    used: dict[int, float] = {}
    watcher = threading.Thread(target=_watch, args=(process.pid, peaks, used), daemon=True)
    watcher.start()
    says = process.communicate()[0]
    wall = time.perf_counter() - begin
    watcher.join()
    if process.returncode:
        raise SystemExit(says)
    others = [mb for pid, mb in peaks.items() if pid != process.pid]
    return Cost(
        wall, sum(used.values()), peaks.get(process.pid, 0.0), max(others, default=0.0), says
    )


def _watch(root: int, peaks: dict[int, float], used: dict[int, float]) -> None:
    """Peak resident memory (MB) and processor time (s) of a process and its descendants, as last
    seen while they live (Linux)."""
    tick = os.sysconf("SC_CLK_TCK")
    while Path(f"/proc/{root}").exists():
        family = [root]
        for pid in family:
            try:
                for task in Path(f"/proc/{pid}/task").iterdir():
                    family += [int(c) for c in (task / "children").read_text().split()]
                status = Path(f"/proc/{pid}/status").read_text()
                fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
                used[pid] = (int(fields[11]) + int(fields[12])) / tick
            except OSError:
                continue
            for line in status.splitlines():
                if line.startswith("VmHWM"):
                    peaks[pid] = max(peaks.get(pid, 0.0), float(line.split()[1]) / 1024)
                if line.startswith("State") and "Z" in line.split()[1]:
                    return
        time.sleep(0.1)


def bare_read(folder: Path) -> float:
    """Processor seconds a file of reading every meter's file and nothing else."""
    import pyarrow.csv as arrow_csv

    files = sorted((folder / "meters").glob("*.csv"))[:200]
    begin = time.process_time()
    for path in files:
        arrow_csv.read_csv(path)
    return (time.process_time() - begin) / len(files)


def rival_costs(folder: Path, sites: int) -> dict[str, float]:
    """Processor seconds a site of either plain script, its imports left out."""
    import rivals

    costs = {}
    for name in ("careful", "naive"):
        script = getattr(rivals, name)
        pairs = [
            (folder / "meters" / f"m{i:05d}.csv", folder / "weather" / f"w{i % 4}.csv")
            for i in range(sites + 1)
        ]
        script(*pairs[0])
        begin = time.process_time()
        for pair in pairs[1:]:
            script(*pair)
        costs[name] = (time.process_time() - begin) / sites
    return costs


def change_three(folder: Path, sites: int) -> None:
    """Raise the last reading of three sites."""
    for i in (0, sites // 2, sites - 1):
        path = folder / "meters" / f"m{i:05d}.csv"
        head, _, last = path.read_text().rstrip("\n").rpartition(",")
        path.write_text(f"{head},{float(last) + 0.5:.3f}\n")


def main() -> None:
    """Run and print."""
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
        os.environ[name] = "1"
    parser = argparse.ArgumentParser()
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--kind", choices=("hourly", "bills"), default="hourly")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rivals", type=int, default=3)
    parser.add_argument("--small", type=int, default=0)
    given = parser.parse_args()
    import portfolios

    work = Path(tempfile.mkdtemp(prefix="many-sites-"))
    write = portfolios.write_hourly if given.kind == "hourly" else portfolios.write_bills
    try:
        folder = given.folder or work / "portfolio"
        if not folder.exists():
            write(folder, given.sites)
        first = run(folder, work / "out", work / "cache", given.jobs)
        a_site = first.processor / given.sites
        print(f"first run: {first.wall:.1f} s wall, {a_site * 1e3:.0f} ms of processor a site")
        print(f"peak memory: parent {first.parent:.0f} MB, worker {first.worker:.0f} MB")
        again = run(folder, work / "out", work / "cache", given.jobs)
        print(f"unchanged: {again.wall:.2f} s, {first.wall / again.wall:.0f} times faster")
        change_three(folder, given.sites)
        few = run(folder, work / "out", work / "cache", given.jobs)
        print(f"three changed: {few.wall:.1f} s, {few.processor:.1f} s of processor")
        if given.kind == "hourly":
            bare = bare_read(folder)
            print(f"bare reading: {bare * 1e3:.1f} ms a file; ours costs {a_site / bare:.0f} times")
            for name, cost in rival_costs(folder, given.rivals).items():
                print(f"{name} script: {cost:.2f} s a site, {cost / a_site:.1f} times ours")
        if given.small:
            write(work / "small", given.small)
            small = run(work / "small", work / "out-small", work / "cache-small", given.jobs)
            growth = math.log(first.wall / small.wall) / math.log(given.sites / given.small)
            print(f"{given.small} sites: {small.wall:.1f} s; exponent of growth {growth:.2f}")
    finally:
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    main()
