"""What does a portfolio cost: time, processor, memory; again unchanged; after few changes?

    python tests/benchmarks/many_sites.py [--sites 1000] [--kind hourly|bills] [--jobs 2]
        [--folder DIR] [--rivals 3] [--small 100] [--stages 30]

Writes an invented portfolio (or uses the one in --folder), runs `mvreport report` over it in a
process of its own and prints the wall time, the processor time a site, the peak memory of the
parent and of its largest worker; then again with nothing changed, and with three sites changed.
For hourly sites the same files are read bare with `pyarrow.csv.read_csv`, and the plain scripts of
`rivals.py` and `rival_whole.py` do their parts of the job for a few sites: in as many processes at
once as the run has workers, before it and after it, since a core does less when its neighbour
works and a shared machine is not equally fast at all times.  With --small the exponent of growth
from that many sites is printed.  With --stages nothing of that is done: that many sites go through
every stage in this process, and the processor time of each is printed.
"""

from __future__ import annotations

import argparse
import compileall
import math
import multiprocessing
import os
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent.parent)]


@dataclass(frozen=True)
class Cost:
    """What one command took."""

    wall: float
    processor: float
    """Seconds of all its processes."""
    of_parent: float
    """Of these its own."""
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
    environment.pop("PYTHONDONTWRITEBYTECODE", None)
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
        wall=wall,
        processor=sum(used.values()),
        of_parent=used.get(process.pid, 0.0),
        parent=peaks.get(process.pid, 0.0),
        worker=max(others, default=0.0),
        says=says,
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
    arrow_csv.read_csv(files[0])
    begin = time.process_time()
    for path in files:
        arrow_csv.read_csv(path)
    return (time.process_time() - begin) / len(files)


def rival_cost(folder: Path, name: str, sites: int) -> float:
    """Processor seconds a site of one plain script, its imports left out."""
    import rivals
    from rival_whole import careful_whole

    script = {"careful": rivals.careful, "careful whole": careful_whole, "naive": rivals.naive}[
        name
    ]
    pairs = [
        (folder / "meters" / f"m{i:05d}.csv", folder / "weather" / f"w{i % 4}.csv")
        for i in range(sites + 1)
    ]
    script(*pairs[0])
    begin = time.process_time()
    for pair in pairs[1:]:
        script(*pair)
    return (time.process_time() - begin) / sites


def others_at_once(folder: Path, jobs: int, sites: int) -> dict[str, float]:
    """Processor seconds a site of bare reading and of each script, `jobs` processes of it at once;
    of bare reading alone where `sites` is 0."""
    asked: dict[str, tuple] = {"bare reading": (bare_read, folder)}
    if sites:
        asked |= {n: (rival_cost, folder, n, sites) for n in ("careful", "careful whole", "naive")}
    with ProcessPoolExecutor(jobs, multiprocessing.get_context("spawn")) as pool:
        return {
            name: sum(each.result() for each in [pool.submit(*job) for _ in range(jobs)]) / jobs
            for name, job in asked.items()
        }


def stages(folder: Path, sites: int) -> dict[str, float]:
    """Mean processor milliseconds a site of each stage of a run, in this process."""
    from mv.run.opening import open_checked

    portfolio = open_checked(str(folder))
    keys = list(portfolio.sites)[:sites]
    _through_all_stages(portfolio, keys[:1])  # imports, units, templates
    spent = _through_all_stages(portfolio, keys)
    return {stage: 1e3 * seconds / len(keys) for stage, seconds in spent.items()}


def _through_all_stages(portfolio: Any, keys: list[str]) -> dict[str, float]:
    from mv.plan.attach import with_plan
    from mv.report.render import context_from
    from mv.run.cache import Cache
    from mv.run.finished import Places, finish, put
    from mv.run.whole import learn_context
    from mv.verify.draft import measure
    from mv.verify.packed import pack, unpack
    from mv.verify.site import conclude

    spent: dict[str, float] = {}

    def timed(stage: str, function: Callable[..., Any], *arguments: Any) -> Any:
        begin = time.process_time()
        answer = function(*arguments)
        spent[stage] = spent.get(stage, 0.0) + time.process_time() - begin
        return answer

    settings = portfolio.settings.model_dump(mode="json")
    page = context_from(
        name="", currency="EUR", created="", method_version="", settings=settings, keys=keys
    )
    with tempfile.TemporaryDirectory(prefix="stages-") as name:
        place = Path(name)
        cache = Cache(place / "cache")
        sites = {key: timed("describe", portfolio.describe, key) for key in keys}
        summaries, drafts = {}, {}
        for key, site in sites.items():
            timed("digest", cache.key, site)
            draft = timed("read and fit", measure, site)
            summaries[key] = draft.summary
            drafts[key] = timed("keep the draft", pack, draft)
        learned = timed("learn from all sites", learn_context, portfolio, summaries)
        for key, site in sites.items():
            context = timed("learn from all sites", learned.site, key)
            draft = timed("fetch the draft", unpack, drafts[key])
            result = timed("conclude", conclude, draft, context)
            result = timed("plan and looks", with_plan, result, site, None)
            finished = timed("page and tables", finish, result, page)
            places = Places(stage=place / "out", finished=place / key, pages=place / f"{key}.pages")
            timed("write", put, finished, places)
    return spent


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
    parser.add_argument("--stages", type=int, default=0)
    given = parser.parse_args()
    import portfolios

    work = Path(tempfile.mkdtemp(prefix="many-sites-"))
    write = portfolios.write_hourly if given.kind == "hourly" else portfolios.write_bills
    try:
        folder = given.folder or work / "portfolio"
        if not folder.exists():
            write(folder, given.stages or given.sites)
        if given.stages:
            spent = stages(folder, given.stages)
            for stage, milliseconds in spent.items():
                print(f"{milliseconds:8.2f} ms a site: {stage}")
            print(f"{sum(spent.values()):8.2f} ms a site in all")
            return
        compileall.compile_dir(HERE.parent.parent / "mv", quiet=1)  # as an installer does
        hourly = given.kind == "hourly"
        before = others_at_once(folder, given.jobs, given.rivals) if hourly else {}
        first = run(folder, work / "out", work / "cache", given.jobs)
        after = others_at_once(folder, given.jobs, given.rivals) if hourly else {}
        a_site = first.processor / given.sites
        print(f"first run: {first.wall:.1f} s wall, {a_site * 1e3:.0f} ms of processor a site")
        print(f"of it the parent's own: {first.of_parent / given.sites * 1e3:.1f} ms a site")
        for name, earlier in before.items():
            cost = (earlier + after[name]) / 2
            range_ = f"{earlier * 1e3:.1f} before, {after[name] * 1e3:.1f} after"
            print(f"{name}: {range_}; ours costs {a_site / cost:.3g} times, it {cost / a_site:.3g}")
        print(f"peak memory: parent {first.parent:.0f} MB, worker {first.worker:.0f} MB")
        again = run(folder, work / "out", work / "cache", given.jobs)
        print(f"unchanged: {again.wall:.2f} s, {first.wall / again.wall:.0f} times faster")
        change_three(folder, given.sites)
        few = run(folder, work / "out", work / "cache", given.jobs)
        print(f"three changed: {few.wall:.1f} s, {few.processor:.1f} s of processor")
        if given.small:
            write(work / "small", given.small)
            small = run(work / "small", work / "out-small", work / "cache-small", given.jobs)
            growth = math.log(first.wall / small.wall) / math.log(given.sites / given.small)
            print(f"{given.small} sites: {small.wall:.1f} s; exponent of growth {growth:.2f}")
    finally:
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    main()
