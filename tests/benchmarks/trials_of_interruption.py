"""Does a run that is cut short ever leave half a report or a wrong number?

    python tests/benchmarks/trials_of_interruption.py [--sites 40] [--kills 20] [--tmpfs DIR]

Makes a good report of an invented portfolio of bills, changes some readings, and then

- kills the run (SIGKILL, every process) at moments spread over its length, at random within each
  part; after each kill the report must be the earlier one, bit for bit, or the new one, whole; the
  run after the last kill must give what a run that nobody disturbed gives;
- kills one worker in the middle of a run, which must end with every site verified all the same;
- starts two runs into one folder at once: one must win, the other must say so or wait its turn;
- writes to a small file system (--tmpfs, a folder on one with some megabytes) until it is full: the
  run must end with a message and code 2, and leave the earlier report.

Prints the counts.  Ends with 1 when anything else happened.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent.parent)]
SEED = 7


def digest(out: Path) -> str:
    """Digest of everything a report says: pages, tables, results, without the day they carry."""
    total = hashlib.sha256()
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        if path.name in ("index.html", "tables.xlsx"):  # carry the moment they were made
            total.update(str(path.relative_to(out)).encode())
            continue
        content = path.read_bytes()
        if path.name == "results.json":
            head, mark, tail = content.partition(b'"created": "')
            content = head + mark + tail.partition(b'"')[2]
        total.update(str(path.relative_to(out)).encode() + content)
    return total.hexdigest()


class Trial:
    """One portfolio, its report before and after a change of readings."""

    def __init__(self, work: Path, sites: int) -> None:
        import portfolios

        self.work, self.sites = work, sites
        self.folder = portfolios.write_bills(work / "portfolio", sites)
        self.out = work / "out"
        self.counts: Counter[str] = Counter()

    def start(self, out: Path, cache: Path, jobs: int = 2) -> subprocess.Popen:
        """A run in a process group of its own."""
        command = [sys.executable, "-m", "mv", "report", str(self.folder), "--out", str(out)]
        return subprocess.Popen(
            [*command, "--jobs", str(jobs)],
            env=os.environ | {"MVREPORT_CACHE": str(cache), "PYTHONPATH": str(HERE.parent.parent)},
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def whole(self, out: Path, cache: Path) -> tuple[str, float]:
        """An undisturbed run: the report's digest and how long it took."""
        begin = time.perf_counter()
        process = self.start(out, cache)
        _, errors = process.communicate()
        if process.returncode:
            raise SystemExit(errors)
        return digest(out), time.perf_counter() - begin

    def change(self) -> None:
        """Raise the last bill of every second site."""
        for path in sorted((self.folder / "meters").glob("*.csv"))[::2]:
            head, _, last = path.read_text().rstrip("\n").rpartition(",")
            path.write_text(f"{head},{float(last) * 1.1:.1f}\n")

    def kills(self, number: int) -> None:
        """SIGKILL to the whole run at moments of all its parts."""
        before, _ = self.whole(self.out, self.work / "cache")
        self.change()
        after, length = self.whole(self.work / "undisturbed", self.work / "other-cache")
        place = random.Random(SEED)
        for k in range(number):
            process = self.start(self.out, self.work / "cache")
            time.sleep(length * (k + place.random()) / number)
            ended = process.poll() is not None
            _kill(process.pid)
            process.communicate()
            now = digest(self.out)
            self.counts["had ended before" if ended else "killed"] += 1
            if now == before:
                self.counts["earlier report whole"] += 1
            elif now == after:
                self.counts["new report whole"] += 1
            else:
                self.counts["WRONG: neither report"] += 1
            if now == after:  # start the next trial from the earlier state of the report
                shutil.rmtree(self.out)
                shutil.copytree(self.work / "undisturbed", self.out)
                before = after
        last, _ = self.whole(self.out, self.work / "cache")
        self.counts["run afterwards right" if last == after else "WRONG: run afterwards"] += 1
        left = [p.name for p in self.work.iterdir() if "partial" in p.name]
        self.counts["WRONG: left behind" if left else "nothing left behind"] += 1
        self.after = after

    def killed_worker(self) -> None:
        """One worker killed in the middle."""
        out = self.work / "worker"
        process = self.start(out, self.work / "worker-cache")
        seen: set[int] = set()
        deadline = time.monotonic() + 120
        while time.monotonic() < deadline and process.poll() is None:
            seen = {p for p in _family(process.pid) if _computes(p)}
            if seen:
                os.kill(min(seen), signal.SIGKILL)
                break
            time.sleep(0.02)
        _, errors = process.communicate()
        right = process.returncode == 0 and seen and digest(out) == self.after
        self.counts["worker killed, report right" if right else f"WRONG: {errors[-300:]}"] += 1

    def two_at_once(self) -> None:
        """Two runs into one folder."""
        out = self.work / "both"
        pair = [self.start(out, self.work / "both-cache") for _ in range(2)]
        ends = [(p.communicate()[1], p.returncode) for p in pair]
        codes = sorted(code for _, code in ends)
        told = any("another run is writing" in errors for errors, _ in ends)
        right = digest(out) == self.after and (codes == [0, 0] or (codes == [0, 2] and told))
        self.counts["two at once: right" if right else f"WRONG: two at once {codes}"] += 1

    def full_disk(self, small: Path) -> None:
        """A file system that is too small for the new report beside the earlier one."""
        out = small / "out"
        shutil.copytree(self.out, out)
        before = digest(out)
        filler = small / "filler"
        free = shutil.disk_usage(small).free
        filler.write_bytes(b"\0" * max(free - 300_000, 0))
        process = self.start(out, small / "cache")
        _, errors = process.communicate()
        clear = process.returncode == 2 and "No space left" in errors and "Traceback" not in errors
        whole = digest(out) == before
        self.counts["full disk: told, report whole" if clear and whole else "WRONG: disk"] += 1
        print("full disk says:", errors.strip().splitlines()[-1:] or process.returncode)


def _family(root: int) -> list[int]:
    family = [root]
    for pid in family:
        try:
            for task in Path(f"/proc/{pid}/task").iterdir():
                family += [int(c) for c in (task / "children").read_text().split()]
        except OSError:
            continue
    return family


def _computes(pid: int) -> bool:
    """Whether a process is a worker that has used some processor time."""
    try:
        command = Path(f"/proc/{pid}/cmdline").read_bytes()
        fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
        parent = Path(f"/proc/{fields[1]}/cmdline").read_bytes()
    except OSError:
        return False
    return b"forkserver" in command and b"forkserver" in parent and int(fields[11]) >= 5


def _kill(root: int) -> None:
    for pid in reversed(_family(root)):
        try:
            os.kill(pid, signal.SIGKILL)
        except ProcessLookupError:
            continue


def main() -> int:
    """Run all trials and print the counts."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sites", type=int, default=40)
    parser.add_argument("--kills", type=int, default=20)
    parser.add_argument("--tmpfs", type=Path)
    given = parser.parse_args()
    work = Path(tempfile.mkdtemp(prefix="trials-"))
    try:
        trial = Trial(work, given.sites)
        trial.kills(given.kills)
        trial.killed_worker()
        trial.two_at_once()
        if given.tmpfs:
            trial.full_disk(given.tmpfs)
        for what, count in trial.counts.items():
            print(f"{count:4d} {what}")
        return int(any(what.startswith("WRONG") for what in trial.counts))
    finally:
        shutil.rmtree(work, ignore_errors=True)


if __name__ == "__main__":
    sys.exit(main())
