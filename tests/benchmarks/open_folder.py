"""How long does a folder take to open, and what does one site's description cost?

Run as a script: `python tests/benchmarks/open_folder.py [sites]`.  Writes a folder of bill sites
with two meters each to a temporary place, opens it, and prints seconds of CPU and peak memory.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

from mv.portfolio.folder import open_portfolio


def write_folder(folder: Path, sites: int) -> None:
    """A valid folder of `sites` sites, twice as many meters and a retrofit each."""
    for name in ("meters", "weather"):
        (folder / name).mkdir(parents=True)
    stations, rates = max(1, sites // 200), 20
    meters = [(f"{i:08d}", i // 2, i) for i in range(2 * sites)]
    for _, _, i in meters:
        (folder / "meters" / f"{i}.csv").touch()
    for i in range(stations):
        (folder / "weather" / f"{i}.csv").touch()
    tables = {
        "portfolio.toml": 'name = "large"\ncurrency = "EUR"\n',
        "rates.toml": "".join(f"[r{i}]\nprice = 0.2\n" for i in range(rates)),
        "sites.csv": "site,name,time_zone,country,floor_area,weather,operating_week,group\n"
        + "".join(
            f's{i},"Site, number {i}",Europe/Lisbon,PT,{900 + i},w{i % stations},Mon-Fri,g{i % 7}\n'
            for i in range(sites)
        ),
        "meters.csv": "meter,site,carrier,data,file,unit,rate,multiplier\n"
        + "".join(
            f"{key},s{site},{'natural_gas' if i % 2 else 'electricity'},bills,meters/{i}.csv,kWh,"
            f"r{i % rates},1\n"
            for key, site, i in meters
        ),
        "weather.csv": "station,file,temperature_unit\n"
        + "".join(f"w{i},weather/{i}.csv,degC\n" for i in range(stations)),
        "retrofits.csv": "retrofit,site,installation_start,installation_end,estimated_savings,"
        "estimated_cost\n"
        + "".join(f"r{i},s{i},2023-03-01,2023-04-15,{9000 + i},50000\n" for i in range(sites)),
        "fixtures.csv": "retrofit,count_before,watts_before,count_after,watts_after,hours_before\n"
        + "".join(f"r{i // 2},10,116,10,45,3000\n" for i in range(2 * sites)),
    }
    for name, text in tables.items():
        (folder / name).write_text(text, encoding="utf-8")


def measure(folder: Path) -> dict[str, float]:
    """Seconds of CPU for opening the folder and for describing every site, and peak memory."""
    begin = time.process_time()
    portfolio = open_portfolio(folder)
    opened = time.process_time()
    for site in portfolio.sites:
        portfolio.describe(site)
    return {
        "sites": len(portfolio.sites),
        "open_seconds": opened - begin,
        "describe_seconds": time.process_time() - opened,
        "peak_megabytes": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def main() -> None:
    """Print one line per size."""
    sizes = [int(a) for a in sys.argv[1:]] or [100, 1_000, 10_000]
    for sites in sizes:
        with tempfile.TemporaryDirectory() as place:
            write_folder(Path(place) / "large", sites)
            got = measure(Path(place) / "large")
        print(
            f"{sites:>7} sites: open {got['open_seconds']:.2f} s, describe all "
            f"{got['describe_seconds']:.3f} s, peak {got['peak_megabytes']:.0f} MB"
        )


if __name__ == "__main__":
    main()
