"""A small valid folder that tests change in one place and open."""

from pathlib import Path

import pytest

FILES = {
    "portfolio.toml": 'name = "Harbour"\ncurrency = "EUR"\n',
    "sites.csv": (
        "site,name,time_zone,country,region,weather\n"
        "hall,Ferry hall,Europe/Lisbon,PT,,quay\n"
        "shed,Boat shed,Europe/Lisbon,,,quay\n"
    ),
    "meters.csv": (
        "meter,site,carrier,data,file,unit,rate\n"
        "00417,hall,electricity,interval,meters/hall.csv,kWh,main\n"
        "G-1,hall,natural_gas,bills,meters/gas.csv,m3,\n"
        "00418,shed,electricity,bills,meters/shed.csv,kWh,main\n"
    ),
    "weather.csv": "station,file,temperature_unit\nquay,weather/quay.csv,degC\n",
    "retrofits.csv": (
        "retrofit,site,installation_start,installation_end,meters\n"
        "hall_led,hall,2024-01-08,2024-01-26,00417\n"
    ),
    "rates.toml": "[main]\nprice = 0.19\n",
    "meters/hall.csv": "time,kWh\n",
    "meters/gas.csv": "start,end,m3\n",
    "meters/shed.csv": "start,end,kWh\n",
    "weather/quay.csv": "time,temperature\n",
}


@pytest.fixture
def write(tmp_path):
    """Write the valid folder with some files changed (None leaves one out); returns its path."""

    def make(changed: dict[str, str | bytes | None] | None = None) -> Path:
        folder = tmp_path / "folder"
        for name, text in (FILES | (changed or {})).items():
            if text is None:
                continue
            path = folder / name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return folder

    return make


@pytest.fixture
def problems(write):
    """Open the folder with some files changed; the lines of its FolderError."""
    from mv.findings import FolderError
    from mv.portfolio.folder import open_portfolio

    def opened(changed: dict[str, str | bytes | None]) -> list[str]:
        with pytest.raises(FolderError) as refusal:
            open_portfolio(write(changed))
        return str(refusal.value).split("\n")

    return opened


@pytest.fixture
def notes(write):
    """Open the folder with some files changed, which is valid; its findings as text."""
    from mv.portfolio.folder import open_portfolio

    return lambda changed: [str(f) for f in open_portfolio(write(changed)).findings]
