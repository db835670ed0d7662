"""Beyond one machine: a Dask cluster of two worker processes, and a folder in an object store."""

import os
import re
import signal
import socket
import subprocess
import sys
import time
from pathlib import Path

import orjson
import pytest

ROOT = Path(__file__).parents[2]
SITES = 6
CLUSTER = """
import sys
from dask.distributed import LocalCluster, SchedulerPlugin

class Busy(SchedulerPlugin):
    def transition(self, key, start, finish, *args, **more):
        if finish == "processing":
            print("busy", flush=True)

if __name__ == "__main__":
    cluster = LocalCluster(n_workers=2, threads_per_worker=1, processes=True,
                           dashboard_address=None)
    cluster.scheduler.add_plugin(Busy())
    print(cluster.scheduler_address, flush=True)
    print(*[w.pid for w in cluster.workers.values()], flush=True)
    sys.stdin.read()
"""


def run(*words, env=None, **more):
    return subprocess.run(
        [sys.executable, "-m", "mv", *map(str, words)],
        env=os.environ | {"PYTHONPATH": str(ROOT)} | (env or {}),
        capture_output=True,
        text=True,
        timeout=280,
        check=False,
        **more,
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory, tools):
    """A portfolio of several sites, daily readings."""
    place = tools.write_folder(tmp_path_factory.mktemp("far") / "portfolio")
    sites = ["site,name,time_zone,weather,operating_week"]
    meters = ["meter,site,carrier,data,file,unit,stamp,rate"]
    retrofits = ["retrofit,site,installation_start,installation_end,estimated_savings,actual_cost"]
    for i in range(SITES):
        use = tools.daily_use(saving=0.05 * i, seed=i)
        rows = [f"{d:%Y-%m-%d},{v:.3f}" for d, v in use.items()]
        (place / "meters" / f"d{i}.csv").write_text("\n".join(["date,kWh", *rows]) + "\n")
        sites.append(f"s{i},Site {i},UTC,hill,Mon-Fri")
        meters.append(f"d{i},s{i},electricity,interval,meters/d{i}.csv,kWh,start,flat")
        retrofits.append(f"r{i},s{i},2023-07-01,2023-07-31,20000,9000")
    for name, lines in (("sites", sites), ("meters", meters), ("retrofits", retrofits)):
        (place / f"{name}.csv").write_text("\n".join(lines) + "\n")
    (place / "meters" / "m1.csv").unlink()
    return place


def comparable(out: Path) -> dict:
    """results.json but for the time stamp, and every page and table as bytes."""
    results = orjson.loads((out / "results.json").read_bytes())
    results.pop("created")
    files = {
        str(p.relative_to(out)): p.read_bytes()
        for p in sorted(out.rglob("*"))
        if p.is_file() and p.suffix in (".html", ".csv", ".json") and p.name != "results.json"
    }
    files.pop("index.html")
    return {"results": results, "files": files}


@pytest.fixture(scope="module")
def alone(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("alone") / "out"
    ended = run("report", folder, "--out", out, "--jobs", 1, "--no-cache")
    assert ended.returncode == 0, ended.stderr
    return comparable(out)


def test_two_processes_give_the_same_bits(folder, alone, tmp_path):
    ended = run("report", folder, "--out", tmp_path / "out", "--jobs", 2, "--no-cache")
    assert ended.returncode == 0, ended.stderr
    assert comparable(tmp_path / "out") == alone


def test_the_cache_gives_the_same_bits_and_recomputes_only_what_changed(folder, alone, tmp_path):
    import shutil

    copy = tmp_path / "portfolio"
    shutil.copytree(folder, copy)
    old = time.time() - 100
    for path in copy.rglob("*"):
        os.utime(path, (old, old))
    env = {"MVREPORT_CACHE": str(tmp_path / "cache")}
    out = tmp_path / "out"
    for expected in (False, True):
        ended = run("report", copy, "--out", out, "--jobs", 1, "--json", env=env)
        assert ended.returncode == 0, ended.stderr
        assert orjson.loads(ended.stdout)["unchanged"] is expected
        assert comparable(out) == alone
    drafts = {p.name: p.stat().st_mtime_ns for p in (tmp_path / "cache").rglob("*.draft")}
    assert len(drafts) == SITES
    with open(copy / "meters" / "d3.csv", "a") as file:
        file.write("2025-01-01,500\n")
    ended = run("report", copy, "--out", out, "--jobs", 1, "--json", env=env)
    assert orjson.loads(ended.stdout)["unchanged"] is False
    after = {p.name: p.stat().st_mtime_ns for p in (tmp_path / "cache").rglob("*.draft")}
    assert len(after) == SITES + 1
    assert {name: after[name] for name in drafts} == drafts
    finals = {p.name: p.stat().st_mtime_ns for p in (tmp_path / "cache").rglob("*.final")}
    # What stands in the earlier report, or lies in the cache, is not made again.
    for place in (out, tmp_path / "elsewhere"):
        (place / "index.html").unlink(missing_ok=True)
        ended = run("report", copy, "--out", place, "--jobs", 1, env=env)
        assert ended.returncode == 0, ended.stderr
        after = {p.name: p.stat().st_mtime_ns for p in (tmp_path / "cache").rglob("*.final")}
        assert after == finals
    assert comparable(out) == comparable(tmp_path / "elsewhere")
    damaged = next((tmp_path / "cache").rglob("*.final"))
    damaged.write_bytes(damaged.read_bytes()[:100])
    (out / "index.html").unlink()
    ended = run("report", copy, "--out", out, "--jobs", 1, "--json", env=env)
    assert ended.returncode == 0, ended.stderr
    assert (out / "index.html").exists()


@pytest.fixture
def cluster(tmp_path):
    script = tmp_path / "cluster.py"
    script.write_text(CLUSTER)
    with subprocess.Popen(
        [sys.executable, script],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
    ) as process:
        address = process.stdout.readline().strip()
        workers = [int(pid) for pid in process.stdout.readline().split()]
        assert re.match(r"tcp://127", address)
        yield address, workers, process.stdout
        process.stdin.close()
        process.wait(timeout=60)


def test_a_cluster_gives_the_same_bits_even_when_a_worker_is_killed(
    folder, alone, cluster, tmp_path
):
    address, workers, told = cluster
    out = tmp_path / "out"
    with subprocess.Popen(
        [sys.executable, "-m", "mv", "report", folder, "--out", out, "--cluster", address],
        env=os.environ | {"PYTHONPATH": str(ROOT), "MVREPORT_CACHE": str(tmp_path / "cache")},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as process:
        assert told.readline() == "busy\n"
        os.kill(workers[0], signal.SIGKILL)
        _, errors = process.communicate(timeout=240)
    assert process.returncode == 0, errors
    assert comparable(out) == alone


def test_no_cluster_at_the_address(folder, tmp_path):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    ended = run("report", folder, "--out", tmp_path / "out", "--cluster", f"tcp://127.0.0.1:{port}")
    assert ended.returncode == 2
    assert "no Dask scheduler answers at tcp://127.0.0.1" in ended.stderr
    assert not (tmp_path / "out").exists()


@pytest.fixture
def store(folder):
    """The folder in a bucket of an S3-compatible server on this machine."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    endpoint = f"http://127.0.0.1:{port}"
    env = {
        "AWS_ACCESS_KEY_ID": "testing",
        "AWS_SECRET_ACCESS_KEY": "testing",
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_ENDPOINT_URL": endpoint,
    }
    server = subprocess.Popen(
        [sys.executable, "-u", "-m", "moto.server", "-p", str(port)],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        assert any("Running on" in line for line in iter(server.stderr.readline, ""))
        upload = (
            "import sys, s3fs; fs = s3fs.S3FileSystem(); fs.mkdir('bucket');"
            "fs.put(sys.argv[1] + '/', 'bucket/portfolio/', recursive=True)"
        )
        subprocess.run(
            [sys.executable, "-W", "ignore", "-c", upload, str(folder)],
            env=os.environ | env,
            check=True,
            capture_output=True,
            timeout=120,
        )
        yield "s3://bucket/portfolio", env
    finally:
        server.kill()
        server.communicate()


def test_a_folder_in_an_object_store(store, alone, tmp_path):
    url, env = store
    out = tmp_path / "out"
    ended = run("report", url, "--out", out, "--jobs", 2, env=env)
    assert ended.returncode == 0, ended.stderr
    assert comparable(out) == alone
