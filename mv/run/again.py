"""Pages again from saved results: nothing is computed, nothing is read but what a run wrote."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from mv.findings import RenderError
from mv.results import PortfolioResult, Series, from_json
from mv.run import whole, work
from mv.run.publish import staged


def load_results(path: Path) -> tuple[PortfolioResult, Path]:
    """Results and their folder, from a results.json or the folder it lies in.

    Every site gets its series back.  Raises RenderError where something is missing.
    """
    path = Path(path)
    file = path / "results.json" if path.is_dir() else path
    try:
        result = from_json(file.read_bytes())
    except OSError as error:
        raise RenderError(
            f"{file} can't be read ({error.strerror}). Name a folder that `mvreport report` "
            "wrote, or its results.json."
        ) from error
    folder = file.parent
    sites = []
    for site in result.sites:
        file = folder / "series" / f"{site.site}.json"
        if file.exists():
            own, *rest = from_json(file.read_bytes(), list[Series | None])
            others = [replace(o, series=s) for o, s in zip(site.others, rest, strict=True)]
            sites.append(replace(site, series=own, others=others))
        else:
            sites.append(site)
    return replace(result, sites=sites), folder


def render_again(
    path: Path, out: Path | None, *, redact: bool, single_file: bool, pdf: bool
) -> Path:
    """Render saved results to `out` (their own folder when None); returns the index page."""
    from mv.report.render import RenderOptions, context_of

    result, folder = load_results(path)
    out = Path(out) if out is not None else folder
    options = RenderOptions(single_file=single_file, redact=redact)
    context = context_of(result, options)
    with staged(out) as stage:
        bare = [work.finish(site, context, str(stage)).result for site in result.sites]
        whole.write_portfolio(replace(result, sites=bare), stage, options)
    if pdf:
        whole.print_report(out)
    return out / "index.html"
