"""How far a run has come: sites done, rate and time left, on a terminal and nowhere else."""

from __future__ import annotations

import sys
from typing import Any


class Progress:
    """A bar on stderr where that is a terminal; silent otherwise.  Use as a context manager."""

    def __init__(self, sites: int, passes: int = 2) -> None:
        self.total = sites * passes
        self._bar: Any = None
        self._task: Any = None

    def __enter__(self) -> Progress:
        if sys.stderr.isatty() and self.total:
            from rich.console import Console
            from rich.progress import BarColumn, MofNCompleteColumn, TextColumn, TimeRemainingColumn
            from rich.progress import Progress as Bar

            self._bar = Bar(
                TextColumn("{task.description}"),
                BarColumn(),
                MofNCompleteColumn(),
                TimeRemainingColumn(),
                console=Console(stderr=True),
                transient=True,
            )
            self._bar.start()
            self._task = self._bar.add_task("sites", total=self.total)
        return self

    def __exit__(self, *_: object) -> None:
        if self._bar is not None:
            self._bar.stop()

    def step(self, name: str = "") -> None:
        """One site has finished one pass."""
        if self._bar is not None:
            self._bar.update(self._task, advance=1, description=name or "from the cache")
