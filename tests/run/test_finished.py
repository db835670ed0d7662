"""A report made of slim sites says the same as one made of whole ones."""

import dataclasses
import io
import pickle
import tracemalloc
from pathlib import Path

import orjson
import pytest

from mv.findings import RenderError
from mv.report.render import RenderOptions, context_of, render_portfolio
from mv.results import SiteResult, from_json, read_json, site_json, to_json, write_json
from mv.run.again import render_again
from mv.run.finished import finish, slim, without_series
from mv.run.many import RunOptions, report_portfolio, verify_portfolio
from mv.run.opening import open_checked
from mv.run.whole import conclude_portfolio, learn_context, write_portfolio

WITHOUT_NAMES = RenderOptions(redact=True)


SAMPLE = Path(__file__).parents[2] / "sample_meter_data"


@pytest.fixture(scope="module")
def portfolio():
    return open_checked(str(SAMPLE))


@pytest.fixture(scope="module")
def whole(portfolio):
    return verify_portfolio(portfolio)


def written(result) -> bytes:
    file = io.BytesIO()
    write_json(result, (site_json(s) for s in result.sites), file)
    return file.getvalue()


def test_results_written_site_by_site_are_the_same_bytes(whole):
    assert written(whole) == to_json(whole)
    none = dataclasses.replace(whole, sites=[])
    assert written(none) == to_json(none)


@pytest.mark.parametrize("sites", [0, 1, None])
def test_results_are_read_back_site_by_site(whole, tmp_path, sites):
    result = dataclasses.replace(whole, sites=whole.sites[:sites])
    path = tmp_path / "results.json"
    path.write_bytes(written(result))
    rest, found = read_json(path)
    assert rest == dataclasses.replace(from_json(to_json(result)), sites=[])
    assert list(found) == [from_json(to_json(s), SiteResult) for s in result.sites]


def test_results_laid_out_otherwise_are_read_too(whole, tmp_path):
    path = tmp_path / "results.json"
    path.write_bytes(orjson.dumps(orjson.loads(to_json(whole))))
    rest, found = read_json(path)
    assert [s.site for s in found] == [s.site for s in whole.sites]
    assert rest.totals == from_json(to_json(whole)).totals


@pytest.mark.parametrize("part", [0, 0.5])
def test_half_a_file_is_refused(whole, tmp_path, part):
    path = tmp_path / "results.json"
    text = written(whole)
    path.write_bytes(text[: int(part * len(text))])
    with pytest.raises(RenderError):
        read_json(path)


def concluded(portfolio, sites):
    context = learn_context(portfolio, {})
    result = conclude_portfolio(portfolio, sites, context, version="1")
    return dataclasses.replace(result, created="2026-01-01T00:00:00Z")


@pytest.mark.parametrize("redact", [False, True])
def test_slim_sites_give_the_same_portfolio(portfolio, whole, redact):
    options = RenderOptions(redact=redact)
    few = concluded(portfolio, [slim(s, named=redact) for s in whole.sites])
    full = concluded(portfolio, whole.sites)
    bare = {"sites": []}
    assert dataclasses.replace(few, **bare) == dataclasses.replace(full, **bare)
    assert render_portfolio(few, options) == render_portfolio(full, options)


def held(results) -> int:
    """Bytes that results take in memory, as a parent gets them from its workers."""
    texts = [pickle.dumps(result) for result in results]
    tracemalloc.start()
    kept = [pickle.loads(text) for text in texts]
    size = tracemalloc.get_traced_memory()[0]
    tracemalloc.stop()
    assert len(kept) == len(texts)
    return size


def test_a_slim_site_takes_little_room(whole):
    assert held(map(slim, whole.sites)) < 0.2 * held(map(without_series, whole.sites))


def test_names_left_out_are_in_nothing_that_is_written(portfolio, whole, tmp_path):
    context = context_of(whole, WITHOUT_NAMES)
    parts = [finish(s, context) for s in whole.sites]
    result = concluded(portfolio, [p.result for p in parts])
    write_portfolio(result, parts, tmp_path, WITHOUT_NAMES)
    texts = [p.read_text("utf-8") for p in tmp_path.rglob("*.csv")]
    texts.append((tmp_path / "results.json").read_text("utf-8"))
    texts += [content.decode() for p in parts for content in p.files.values()]
    for site in whole.sites:
        assert not any(site.name in text for text in texts)


def test_pages_again_are_the_same(tmp_path):
    out, again = tmp_path / "out", tmp_path / "again"
    report_portfolio(str(SAMPLE), out, RunOptions(jobs=1, cache=False))
    render_again(out, again, redact=False, single_file=False, pdf=False)
    for path in out.rglob("*"):
        if path.is_file() and path.suffix not in (".xlsx", ".json"):
            assert (again / path.relative_to(out)).read_bytes() == path.read_bytes()
    # A whole number may be told as 1.0 there: the shapes say that it is a float.
    first, second = (orjson.loads((p / "results.json").read_bytes()) for p in (out, again))
    assert first == second
