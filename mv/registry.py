"""Name → thing: how readers, baseline families, rate components and charts are found.

A room's extension point is one `Registry`.  Its modules register what they define when they
are imported; the registry imports all modules of the room once, on first use, so that adding
a thing touches one new file and no list.
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Iterator
from typing import Generic, TypeVar

T = TypeVar("T")


class Registry(Generic[T]):
    """The things of one kind, by name, in the order of their names.

    Parameters
    ----------
    kind : what a thing is, for messages ("reader", "baseline family", ...).
    package : dotted name of the room whose modules define the things.
    """

    def __init__(self, kind: str, package: str) -> None:
        self.kind = kind
        self.package = package
        self._things: dict[str, T] = {}
        self._filled = False

    def add(self, name: str, thing: T) -> T:
        """Register `thing`; refuses a second thing of the same name (ValueError)."""
        known = self._things.get(name)
        if known is not None and known is not thing:
            raise ValueError(f"two of kind {self.kind} are called {name!r}")
        self._things[name] = thing
        return thing

    def register(self, name: str):
        """Decorator form of `add`."""
        return lambda thing: self.add(name, thing)

    def _fill(self) -> None:
        if not self._filled:
            self._filled = True
            package = importlib.import_module(self.package)
            for module in sorted(m.name for m in pkgutil.iter_modules(package.__path__)):
                importlib.import_module(f"{self.package}.{module}")

    def __getitem__(self, name: str) -> T:
        self._fill()
        try:
            return self._things[name]
        except KeyError:
            known = ", ".join(self.names())
            raise KeyError(f"no {self.kind} is called {name!r}; there are: {known}") from None

    def names(self) -> list[str]:
        """All names, sorted."""
        self._fill()
        return sorted(self._things)

    def __iter__(self) -> Iterator[T]:
        return (self[name] for name in self.names())

    def __len__(self) -> int:
        return len(self.names())

    def __contains__(self, name: object) -> bool:
        self._fill()
        return name in self._things
