"""Many sites: folder in, report out.

The way of a run: open the folder (every problem at once) → first pass over the sites → drift of
the portfolio → second pass → roll-up → pages, tables and results.json, written beside the
destination and exchanged with it when whole.  Sites go largest first; a site that fails becomes
not verifiable with its reason and stops nobody.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import pickle
import sys
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from mv import __version__
from mv.plan.frozen import of_folder
from mv.portfolio.folder import input_size
from mv.portfolio.schema import Portfolio, SiteDescription
from mv.results import PortfolioResult, SiteResult, now
from mv.run import work
from mv.run.cache import DRAFT, FINAL, PAGES, Cache, EarlierRun, cache_folder
from mv.run.digests import Unread, own_files
from mv.run.engine import Cluster, Engine, Failure, Limits, Loop, Task, garbage_seldom
from mv.run.entries import fetch_files, manifest
from mv.run.finished import Finished, Places, finish, load, put
from mv.run.opening import chosen, open_checked
from mv.run.outcome import Outcome, outcome_of
from mv.run.pool import Pool
from mv.run.progress import Progress
from mv.run.publish import staged

if TYPE_CHECKING:
    from mv.verify.context import PortfolioContext

PRELOAD = ("mv.run.preload",)
"""Imported once, in the server that workers are forked from."""
FEW_SITES = 3
"""Sites up to which starting a pool costs more than it saves."""


@dataclass(frozen=True, kw_only=True)
class RunOptions:
    """What the command line leaves to choose."""

    sites: tuple[str, ...] = ()
    jobs: int | None = None
    cache: bool = True
    cluster: str | None = None
    site_seconds: float = 300.0
    site_megabytes: int | None = None
    redact: bool = False
    single_file: bool = False
    pdf: bool = False


def report_portfolio(folder: str, out: Path, options: RunOptions) -> Outcome:
    """Verify a folder's sites and write the report to `out`.

    Raises FolderError (nothing written) for a wrong folder or an unknown site key.
    """
    run = _opened(folder, Path(out), options)
    unchanged = run.standing_report()
    if unchanged is not None:
        return unchanged
    with staged(out) as stage:
        result = run.write(stage)
        run.remember(stage)
    if options.pdf:
        from mv.run.whole import print_report

        print_report(Path(out))
    return outcome_of(result, out)


def _opened(folder: str, out: Path, options: RunOptions) -> _Run:
    portfolio = open_checked(folder)
    keys = chosen(portfolio, options.sites)
    cache = Cache(cache_folder() if options.cache else None)
    return _Run(portfolio, keys, options, cache, out)


def verify_portfolio(portfolio: Portfolio, *, jobs: int | None = 1) -> PortfolioResult:
    """Verify all sites of a portfolio in memory; each site keeps its series."""
    options = RunOptions(jobs=jobs, cache=False)
    run = _Run(portfolio, list(portfolio.sites), options, Cache(None), None)
    return run.compute()


class _Run:
    """One run's state: what is known of each site while the passes go on."""

    def __init__(
        self,
        portfolio: Portfolio,
        keys: list[str],
        options: RunOptions,
        cache: Cache,
        out: Path | None,
    ) -> None:
        self.portfolio = portfolio
        self.tables = portfolio.digests
        self.options = options
        self.cache = cache
        self.out = out
        self.descriptions: dict[str, SiteDescription] = {k: portfolio.describe(k) for k in keys}
        self.earlier = cache.earlier_run(out) if out is not None else None
        local = self.earlier is None and not options.cluster
        self.leave = own_files(portfolio.meters) if local else frozenset[str]()
        """Files that are left to the workers: no earlier run has to be compared with."""
        self.keys: dict[str, str | None] = {
            name: cache.key(own, self.leave) for name, own in self.descriptions.items()
        }
        self.failures: dict[str, Failure] = {}
        self.plan, self.plan_findings = of_folder(portfolio)
        self.waiting: dict[str, str] = {}
        """By site, the file of what it left for the report of all sites."""

    # -- the whole run --------------------------------------------------------------------

    def standing_report(self) -> Outcome | None:
        """The report of an earlier run over the same content, where it still stands whole."""
        earlier = self.earlier
        if earlier is None or self.options.pdf or earlier.key != self._run_key():
            return None
        return Outcome(**earlier.record, unchanged=True) if earlier.stands(self.out) else None

    def remember(self, stage: Path) -> None:
        """Keep what a later run needs to know that nothing has changed."""
        self.cache.prune()
        self.cache.save_digests()
        key = self._run_key()
        if self.failures or key is None:
            return
        outcome = outcome_of(self.result, self.out)
        record = {
            "index": outcome.index,
            "counts": outcome.counts,
            "not_verifiable": outcome.not_verifiable,
        }
        run = EarlierRun(key=key, finals=self.finals, manifest=manifest(stage), record=record)
        self.cache.store_run(run, self.out)

    def _run_key(self) -> str | None:
        if any(key is None for key in self.keys.values()):
            return None
        digest = hashlib.sha256(repr(sorted(self.tables.items())).encode())
        digest.update(repr((self.options.redact, self.options.single_file)).encode())
        for name, key in self.keys.items():
            digest.update(f"{name}={key};".encode())
        return digest.hexdigest()

    def write(self, stage: Path) -> PortfolioResult:
        """Compute everything and write it below `stage`; the sites of the result are slim."""
        from mv.run.whole import write_portfolio

        with garbage_seldom(), self._temporary():
            self.result = self._compute(stage)
            finished = (load(self.waiting[name]) for name in self.keys)
            # What the folder said has served; with many sites the portfolio's page needs its room.
            del self.portfolio, self.descriptions
            write_portfolio(self.result, finished, stage, self._page_options())
        return self.result

    def compute(self) -> PortfolioResult:
        """Compute everything in memory; every site keeps its series."""
        with self._temporary():
            return self._compute(None)

    def _compute(self, stage: Path | None) -> PortfolioResult:
        """Both passes and the roll-up; site files go below `stage`, or sites stay whole."""
        from mv.run.whole import conclude_portfolio, learn_context

        with self._engine() as engine, Progress(len(self.descriptions)) as progress:
            summaries = self._first(engine, progress)
            context = learn_context(self.portfolio, summaries)
            results = self._second(engine, context, stage, progress)
        return conclude_portfolio(
            self.portfolio,
            results,
            context,
            plan=self.plan,
            findings=self.plan_findings,
            version=__version__,
        )

    # -- passes ---------------------------------------------------------------------------

    def _first(self, engine: Engine, progress: Progress) -> dict[str, Any]:
        """Drafts of all sites; returns their summaries."""
        summaries: dict[str, Any] = {}
        missing = []
        for name, key in self.keys.items():
            kept = self.cache.load(key, DRAFT)  # of it the summary alone
            if kept is not None:
                summaries[name] = kept
                progress.step()
            else:
                missing.append(name)
        missing.sort(key=self._size, reverse=True)
        split = self._split(missing)
        tasks = ((n, (self.descriptions[n], self._keep(n), split)) for n in missing)
        self.held: dict[str, bytes] = {}
        for name, answer in self._map(engine, work.first_pass, tasks, len(missing)):
            progress.step(name)
            if isinstance(answer, Failure):
                self.failures[name] = answer
                continue
            summaries[name] = answer.summary
            if answer.key is not None:
                self.keys[name] = answer.key
                self.cache.digests.learn(answer.seen)
            if answer.draft is not None:
                self.held[name] = answer.draft
        return {name: summaries[name] for name in self.descriptions if name in summaries}

    def _second(
        self, engine: Engine, context: PortfolioContext, stage: Path | None, progress: Progress
    ) -> list[SiteResult]:
        """Results of all sites in the folder's order, their files written below `stage`."""
        from mv.verify.site import failed

        page = self._page_context() if stage is not None else None
        self.finals = self._final_keys(context, page)
        results: dict[str, SiteResult] = {}
        missing = []
        for name in self.descriptions:
            if name in self.failures:
                continue
            kept = self._kept(name, stage) if stage is not None else None
            if kept is None:
                missing.append(name)
                continue
            results[name] = kept
            progress.step()
        missing.sort(key=self._size, reverse=True)
        here = stage is not None and not self.options.cluster
        tasks = (
            (
                n,
                (
                    pickle.dumps(self.descriptions[n], protocol=5),
                    self.held.pop(n, None) or self._draft(n),
                    context.site(n),
                    self._plan_of(n),
                    page,
                    self._places(n, self.finals[n], stage) if here else None,
                ),
            )
            for n in missing
        )
        for name, answer in self._map(engine, work.second_pass, tasks, len(missing)):
            progress.step(name)
            if isinstance(answer, Failure):
                self.failures[name] = answer
            elif isinstance(answer, Finished):
                results[name] = put(answer, self._places(name, self.finals[name], stage))
            else:
                results[name] = answer
        for name, failure in self.failures.items():
            results[name] = failed(self.descriptions[name], failure.reason)
            if failure.trace and os.environ.get("MVREPORT_TRACE"):
                print(failure.trace, file=sys.stderr)
            if stage is not None:  # no key: nothing is kept of a failure
                results[name] = put(finish(results[name], page), self._places(name, None, stage))
        return [results[name] for name in self.descriptions]

    def _final_keys(self, context: PortfolioContext, page: Any) -> dict[str, str | None]:
        """By site, the key of its page: its own content, and what it takes from all sites.

        A page kept from an earlier day stands, with the day on which it was computed.
        """
        if page is None:
            return {}
        # By value: equal contexts of two runs need not share their parts in the same way, and a
        # set has no order.
        common = replace(context, short=frozenset()), replace(page, created="")
        shared = repr((*common, self.tables.get("plan.json")))
        digest = hashlib.sha256(shared.encode()).hexdigest()
        return {
            name: hashlib.sha256(f"{digest}{key}{name in context.short}".encode()).hexdigest()
            if key
            else None
            for name, key in self.keys.items()
        }

    def _kept(self, name: str, stage: Path) -> SiteResult | None:
        """A site whose files need not be made again: they stand in the earlier report, where they
        get a second name, or lie in the cache."""
        key = self.finals[name]
        kept = self.cache.load(key, FINAL)
        if kept is None:
            return None
        earlier = self.earlier
        stands = earlier is not None and earlier.finals.get(name) == key
        stands = stands and earlier.link(kept.names, self.out, stage)
        if not stands and not fetch_files(self.cache.path(key, PAGES), kept.marks, stage):
            return None
        self.waiting[name] = self.cache.path(key, FINAL)
        return kept.result

    # -- small things ---------------------------------------------------------------------

    def _split(self, missing: list[str]) -> str | None:
        """Split the files that many of these sites share, once; the folder of their parts."""
        from mv.readings.many import split_for

        if self.options.cluster:
            return None
        return split_for(self.portfolio, missing, self._beside / "split")

    def _plan_of(self, name: str) -> dict[str, Any] | None:
        """The frozen plan with this site's part alone."""
        from mv.plan.frozen import site_of

        if self.plan is None:
            return None
        own = site_of(self.plan, name)
        return {**self.plan, "sites": [own] if own else []}

    def _size(self, name: str) -> int:
        description = self.descriptions[name]
        return sum(input_size(description.folder, m.file) or 0 for m in description.meters)

    def _engine(self) -> Any:
        limits = Limits(self.options.site_seconds, self.options.site_megabytes)
        if self.options.cluster:
            return Cluster(self.options.cluster, limits)
        jobs = self.options.jobs or min(os.cpu_count() or 1, max(len(self.descriptions), 1))
        return Loop(limits) if jobs == 1 else Pool(jobs, limits, PRELOAD)

    def _map(self, engine: Engine, function: Callable[..., Any], tasks: Iterator[Task], of: int):
        """`engine.map`, but without a pool for a few sites alone: starting it costs more."""
        if of <= FEW_SITES and isinstance(engine, Pool) and engine.limits.megabytes is None:
            engine = Loop(engine.limits)
        return engine.map(function, tasks)

    def _draft(self, name: str) -> str | None:
        """Where a site's draft lies: in the cache, in a temporary folder, or nowhere (it travels)
        on a cluster."""
        if self.options.cluster:
            return None
        return self._place(name, self.keys[name], DRAFT)

    def _keep(self, name: str) -> str | Unread | None:
        """Where a site's draft goes."""
        description = self.descriptions[name]
        if self.keys[name] is None and self.leave and self.cache.keeps(description):
            return self.cache.unread(description, self.leave)
        return self._draft(name)

    def _places(self, name: str, key: str | None, stage: Path) -> Places:
        """Where the parts of a site go that was finished from content with this key."""
        self.waiting[name] = self._place(name, key, FINAL)
        return Places(
            stage=stage,
            finished=self.waiting[name],
            pages=self.cache.path(key, PAGES) if key else None,
        )

    def _place(self, name: str, key: str | None, kind: str) -> str:
        return self.cache.path(key, kind) if key else str(self._beside / f"{name}.{kind}")

    @contextlib.contextmanager
    def _temporary(self) -> Iterator[None]:
        """A folder for what the cache doesn't hold, as long as the run needs it."""
        with tempfile.TemporaryDirectory(prefix="mvreport-", ignore_cleanup_errors=True) as name:
            self._beside = Path(name)
            yield

    def _page_options(self) -> Any:
        from mv.report.render import RenderOptions

        return RenderOptions(single_file=self.options.single_file, redact=self.options.redact)

    def _page_context(self) -> Any:
        from mv.report.render import context_from

        settings = self.portfolio.settings
        return context_from(
            name=settings.name,
            currency=settings.currency,
            created=now(),
            method_version=__version__,
            settings=settings.model_dump(mode="json"),
            keys=list(self.descriptions),
            options=self._page_options(),
        )
