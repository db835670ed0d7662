"""What a site's conclusion finds on its way: each rule on a folder that has it."""

import pandas as pd
import pytest

from mv.portfolio.folder import open_portfolio
from mv.run import checking
from mv.verify.site import verify_site
from mv.wording import percent


def findings(folder, rule):
    result = verify_site(open_portfolio(folder), "shop")
    return [f for f in result.findings if f.rule == rule], result


def weather_csv(series):
    stamps = series.index.strftime("%Y-%m-%dT%H:%M:%SZ")
    rows = [f"{t},{v:.2f}" for t, v in zip(stamps, series.to_numpy(), strict=True)]
    return "\n".join(["time,degC", *rows]) + "\n"


def test_temperatures_that_the_baseline_never_saw_are_told(write_portfolio, tools):
    weather = tools.temperatures()
    weather[weather.index >= "2023-08-01"] -= 12
    (found,), result = findings(
        write_portfolio(files={"weather/hill.csv": weather_csv(weather)}), "extrapolated"
    )
    assert result.extrapolation > 0.1
    assert found.message.startswith(
        f"{percent(result.extrapolation)} of the reporting period's rows"
    )


def test_a_large_difference_between_the_models_is_told(write_portfolio, tools):
    use = tools.daily_use()
    use.loc["2023-05-20":"2023-06-30"] += 700
    (found,), result = findings(
        write_portfolio(
            settings='[uncertainty]\nsource = "schools"\nelectricity = { tau = 0.03 }\n',
            files={"meters/m1.csv": tools.interval_csv(tools.hourly_use(use))},
        ),
        "models_disagree",
    )
    assert result.cross_check["large"]
    assert "a large difference" in found.message


def test_a_reporting_period_without_a_model_is_told(write_portfolio, tools):
    use = tools.hourly_use(tools.daily_use())
    days = pd.DatetimeIndex(use.index.date)
    ends = days.isin(pd.to_datetime(["2023-08-01", "2024-12-31"]))
    text = tools.interval_csv(use[(days < "2023-08-01") | ends])
    (found,), result = findings(
        write_portfolio(
            settings="[limits]\nperiod_coverage = 0.001\n", files={"meters/m1.csv": text}
        ),
        "reporting_model_missing",
    )
    assert found.message.startswith("The reporting period has no model: ")
    assert "saved so far" in result.annual.method


def test_own_generation_is_priced_as_if_it_had_been_bought(write_portfolio, tools):
    use = tools.hourly_use(tools.daily_use())
    made = use * 0 + 1.0
    tables = {
        "meters.csv": "meter,site,carrier,data,file,unit,stamp,flow,rate\n"
        "a,shop,electricity,interval,meters/m1.csv,kWh,start,import,flat\n"
        "g,shop,electricity,interval,meters/g.csv,kWh,start,generation,\n"
    }
    files = {
        "meters/m1.csv": tools.interval_csv(use - made),
        "meters/g.csv": tools.interval_csv(made),
    }
    (found,), result = findings(
        write_portfolio(tables=tables, files=files), "saving_priced_as_bought"
    )
    assert "as if all of it had been bought" in found.message
    assert result.money.cost_savings.value == pytest.approx(0.2 * result.avoided_energy.value)


def test_a_site_that_breaks_the_check_stops_no_other(
    write_portfolio, tmp_path, monkeypatch, capsys
):
    def broken(description, split):
        raise ValueError("odd")

    monkeypatch.setattr(checking, "check_site", broken)
    checking.check_portfolio(str(write_portfolio()), tmp_path / "out", jobs=1)
    rule = "site_failed"
    assert f"{rule} [shop]: an error in the program (ValueError: odd)" in capsys.readouterr().out
