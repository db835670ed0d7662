"""A plan made, frozen, and a report held against it, as a person would."""

import shutil

import orjson


def test_one_changed_setting_stands_in_the_departures(program, tmp_path, tools):
    folder = tools.write_folder(tmp_path / "portfolio", settings="confidence = 0.9\n")
    table = folder / "retrofits.csv"
    head, row = table.read_text().splitlines()
    table.write_text(f"{head},reporting_end\n{row},2024-07-31\n")
    made = program("plan", folder, "--out", tmp_path / "plan", cwd=tmp_path)
    assert made.returncode == 0, made.stderr
    assert made.stdout.strip() == str(tmp_path / "plan" / "index.html")
    plan = orjson.loads((tmp_path / "plan" / "plan.json").read_bytes())
    assert plan["sites"][0]["site"] == "shop"
    assert len(plan["digest"]) == 64
    shutil.copy(tmp_path / "plan" / "plan.json", folder)

    def departures(name):
        run = program("report", folder, "--out", tmp_path / name, "--no-cache", cwd=tmp_path)
        assert run.returncode == 0, run.stderr
        results = orjson.loads((tmp_path / name / "results.json").read_bytes())
        page = (tmp_path / name / "sites" / "shop.html").read_text()
        return results["departures"], results["sites"][0]["departures"], page

    whole, own, _ = departures("as planned")
    assert (whole, own) == ([], [])
    text = (folder / "portfolio.toml").read_text().replace("confidence = 0.9", "confidence = 0.8")
    (folder / "portfolio.toml").write_text(text)
    whole, (line,), page = departures("changed")
    assert whole == []
    assert (line["what"], line["planned"], line["now"]) == ("setting confidence", 0.9, 0.8)
    assert "setting confidence" in page
