"""Pages again from saved results: nothing is computed, nothing is read but what a run wrote."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from mv.findings import RenderError
from mv.results import PortfolioResult, Series, SiteResult, from_json, read_json
from mv.run import whole
from mv.run.finished import Places, finish, load, put, slim
from mv.run.publish import staged


def render_again(
    path: Path, out: Path | None, *, redact: bool, single_file: bool, pdf: bool
) -> Path:
    """Render saved results to `out` (their own folder when None); returns the index page.

    `path`: a results.json, or the folder it lies in.  Raises RenderError where something is
    missing.
    """
    from mv.report.render import RenderOptions, context_of

    path = Path(path)
    file = path / "results.json" if path.is_dir() else path
    out = Path(out) if out is not None else file.parent
    options = RenderOptions(single_file=single_file, redact=redact)
    result, sites = _read(file)
    result = replace(result, sites=[slim(site, named=redact) for site in sites])
    context = context_of(result, options)
    with staged(out) as stage, tempfile.TemporaryDirectory(prefix="mvreport-") as place:
        files = []
        for i, site in enumerate(_read(file)[1]):
            files.append(Path(place) / str(i))
            finished = finish(_with_series(site, file.parent), context)
            put(finished, Places(stage=stage, finished=files[-1], pages=None))
        whole.write_portfolio(result, map(load, files), stage, options)
    if pdf:
        whole.print_report(out)
    return out / "index.html"


def _read(file: Path) -> tuple[PortfolioResult, Iterator[SiteResult]]:
    try:
        return read_json(file)
    except OSError as error:
        raise RenderError(
            f"{file} can't be read ({error.strerror}). Name a folder that `mvreport report` "
            "wrote, or its results.json."
        ) from error


def _with_series(site: SiteResult, folder: Path) -> SiteResult:
    """The site with the series that lie beside the results; as it is where they don't."""
    file = folder / "series" / f"{site.site}.json"
    if not file.exists():
        return site
    own, *rest = from_json(file.read_bytes(), list[Series | None])
    others = [replace(o, series=s) for o, s in zip(site.others, rest, strict=True)]
    return replace(site, series=own, others=others)
