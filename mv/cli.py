"""The command line: words in, exit codes out.

Exit codes: 0 reports written (sites that are not verifiable are named) · 1 the same under
--strict, when some site is not verifiable · 2 the folder or the command is wrong, and nothing
was written.  Messages for people go to stderr, results to stdout.
"""

from __future__ import annotations

import gc
import os
import sys
from pathlib import Path
from typing import Annotated

import typer

# One thread per process: two threads beside a busy core make one small fit many times slower.
# numpy reads these when it is first imported, which no line above this one does.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

NOT_VERIFIABLE, WRONG, INTERRUPTED = 1, 2, 130
STOPPED = "mvreport: stopped. An earlier report is as it was."

app = typer.Typer(
    name="mvreport",
    help="Prove, from meters, what energy retrofits saved.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)

Folder = Annotated[str, typer.Argument(help="The portfolio folder (or an fsspec URL).")]
Out = Annotated[
    Path | None, typer.Option(help="Where to write; reports/<folder name> when not given.")
]
Sites = Annotated[
    list[str] | None, typer.Option("--site", help="Only this site; may be given several times.")
]
Json = Annotated[bool, typer.Option("--json", help="Print for a program, as JSON.")]
Jobs = Annotated[
    int | None, typer.Option(min=1, help="Processes; as many as there are cores when not given.")
]
Redact = Annotated[
    bool, typer.Option(help="Leave names out of pages and tables: keys become codes.")
]
SingleFile = Annotated[bool, typer.Option(help="Make each site page one file that needs no other.")]
Pdf = Annotated[
    bool, typer.Option(help="Print every page to PDF too; needs an installed Chromium.")
]


def _say(text: str = "") -> None:
    print(text, file=sys.stderr)


def _default_out(folder: str) -> Path:
    name = folder.rstrip("/").rsplit("/", 1)[-1]
    if name in ("", ".", ".."):
        name = Path(folder).resolve().name
    return Path("reports") / name


@app.command()
def start(folder: Annotated[Path, typer.Argument(help="A new or empty folder.")]) -> None:
    """Write a starter folder whose files explain themselves."""
    from mv.portfolio.starter import write_starter

    for path in write_starter(folder):
        print(path)
    _say(f"Next: put your files into it, then `mvreport check {folder}`.")


@app.command()
def check(
    folder: Folder,
    out: Out = None,
    site: Sites = None,
    json: Json = False,
    jobs: Jobs = None,
) -> None:
    """Read and judge the data; fit nothing."""
    from mv.run.checking import check_portfolio

    page = check_portfolio(folder, out or _default_out(folder), sites=site, json=json, jobs=jobs)
    _say(f"Readings drawn: {page}")


@app.command()
def report(
    folder: Folder,
    out: Out = None,
    site: Sites = None,
    jobs: Jobs = None,
    strict: Annotated[bool, typer.Option(help="End with 1 when a site is not verifiable.")] = False,
    cache: Annotated[
        bool, typer.Option(help="Use what earlier runs computed from the same content.")
    ] = True,
    cluster: Annotated[
        str | None,
        typer.Option(help="Address of a Dask scheduler, tcp://host:port (extra: cluster)."),
    ] = None,
    site_seconds: Annotated[
        float, typer.Option(min=1, help="Longest time for one site; then it's not verifiable.")
    ] = 300,
    site_megabytes: Annotated[
        int | None, typer.Option(min=200, help="Most memory for one worker process.")
    ] = None,
    redact: Redact = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
    json: Json = False,
) -> None:
    """Verify every site and write the reports."""
    from mv.run.many import RunOptions, report_portfolio

    outcome = report_portfolio(
        folder,
        out or _default_out(folder),
        RunOptions(
            sites=tuple(site or ()),
            jobs=jobs,
            cache=cache,
            cluster=cluster,
            site_seconds=site_seconds,
            site_megabytes=site_megabytes,
            redact=redact,
            single_file=single_file,
            pdf=pdf,
        ),
    )
    print(outcome.as_json() if json else outcome.as_text())
    if strict and outcome.not_verifiable:
        raise typer.Exit(NOT_VERIFIABLE)


@app.command()
def plan(folder: Folder, out: Out = None, site: Sites = None) -> None:
    """Plan the verification before the works: what the meters will be able to show."""
    from mv.run.planning import write_portfolio_plan

    default = _default_out(folder)
    print(write_portfolio_plan(folder, out or default.with_name(f"{default.name}-plan"), site))


@app.command()
def render(
    results: Annotated[Path, typer.Argument(help="A results.json, or the folder it lies in.")],
    out: Out = None,
    redact: Redact = False,
    single_file: SingleFile = False,
    pdf: Pdf = False,
) -> None:
    """Make the pages again from saved results; nothing is computed."""
    from mv.run.again import render_again

    print(render_again(results, out, redact=redact, single_file=single_file, pdf=pdf))


def main() -> None:
    """Run the command line; a user's mistake ends with a message and exit code 2."""
    from mv.findings import FolderError, MvError
    from mv.run.engine import garbage_seldom

    try:
        with garbage_seldom():
            app()
    except FolderError as error:
        _say_findings(error)
        sys.exit(WRONG)
    except MvError as error:
        _say(f"mvreport: {error}")
        sys.exit(WRONG)
    except OSError as error:
        place = f"{error.filename}: " if error.filename else ""
        _say(f"mvreport: {place}{error.strerror or error}. Nothing was changed.")
        sys.exit(WRONG)
    except KeyboardInterrupt:
        _say(STOPPED)
        sys.exit(INTERRUPTED)
    except SystemExit as end:  # typer makes an exit code of Ctrl-C, and no word
        if end.code == INTERRUPTED:
            _say(STOPPED)
        raise
    finally:
        gc.freeze()  # what is left ends with the process: nobody need search it for garbage


def _say_findings(error) -> None:
    """All problems, grouped by file."""
    findings = error.findings
    files = dict.fromkeys(f.file or "" for f in findings)
    for file in files:
        own = [f for f in findings if (f.file or "") == file]
        if file:
            _say(f"{file}")
        for finding in own:
            place = f"line {finding.line}" if finding.line is not None else ""
            if finding.column:
                place += (", " if place else "") + f"column {finding.column}"
            _say(f"  {place + ': ' if place else ''}{finding.message}")
    count = sum(f.action == "refuse" for f in findings)
    _say(f"{count} problem{'s' if count != 1 else ''} in the folder; nothing was written.")


if __name__ == "__main__":
    main()
