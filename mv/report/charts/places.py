"""Where do the marks of still pictures lie, and how are thousands of places written at once?

Marks that are written alike share a sheet: all its places are put on the pictures together, and
each becomes a row of text of one width, `M0720 1304`, with zeros before short numbers.  The numbers
come out of a table, and numpy sets all rows together; a mark joins its rows to a path.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from functools import lru_cache
from itertools import accumulate, pairwise
from typing import Any, Literal, NamedTuple

import numpy as np

LEAST, MOST, TALLEST = -999, 9_999, 99_999
"""Tenths of a pixel that four signs hold, and five; what lies farther off is drawn at these."""
_WRITTEN = np.array([b"%04d" % number for number in range(LEAST, MOST + 1)]).view(np.uint32)

LINE, STAIRS = b"M   ", b"M HV"
"""Signs before the two numbers of a row: of the first row of a run, and of those after it."""
ENDS = b"M M HVHV"
"""Of the first ends of things with two ends, and of the second ones."""
TO_X = 5
"""Signs of a row up to its second number."""


class Mark(NamedTuple):
    """Some places of a trace in data units, and what their places on the picture become."""

    x: tuple[Any, ...]
    """Parts of equal length that follow one another: the only one of a line, both ends of bars."""
    y: tuple[Any, ...]
    write: Callable[[dict[str, Any], Places], str]
    trace: dict[str, Any]
    signs: bytes = LINE
    """Four for each part of a path."""
    sheet: Literal["paths", "dots", "turned"] = "paths"


class Places(NamedTuple):
    """The places of a mark on its picture: those of a sheet from `first` up to `last`."""

    sheet: Sheet
    first: int
    last: int

    @property
    def path(self) -> str:
        """Their rows without gaps."""
        text, step = self.sheet.text, self.sheet.step
        return text[self.first * step : self.last * step].replace(" " * step, "")

    @property
    def ends(self) -> list[tuple[str, str]]:
        """The rows of both ends of each thing with two known ends."""
        text, step = self.sheet.text, self.sheet.step
        half = (self.last - self.first) // 2 * step
        starts = range(self.first * step, self.first * step + half, step)
        rows = [(text[i : i + step], text[i + half : i + half + step]) for i in starts]
        blank = " " * step
        return [(a, b) for a, b in rows if a != blank != b]

    @property
    def exact(self) -> tuple[np.ndarray, np.ndarray]:
        """x and y in tenths of a pixel, without gaps."""
        part = slice(self.first, self.last)
        known = ~self.sheet.gaps[part]
        return self.sheet.x[part][known], self.sheet.y[part][known]


class Sheet:
    """Marks of a page that are written alike, their places, and those places' rows of text.

    Parameters
    ----------
    kind : of sheet, as the marks say.
    tall : whether the y of a place may have five digits; always so on turned axes.
    """

    def __init__(self, kind: str, tall: bool) -> None:
        self.kind, self.tall = kind, tall
        self.marks: list[Mark] = []
        self.sizes: list[int] = []
        self.charts: list[int] = []
        """The number of each mark's chart, ascending."""
        self.x = self.y = self.gaps = np.empty(0)
        """Shape (places,): x and y, 0 for gaps, and whether a place is a gap."""
        self.text, self.step = "", 0
        """The rows, those of gaps blank, and the length of one."""

    def add(self, mark: Mark, chart: int) -> None:
        """A further mark of this or a later chart."""
        self.marks.append(mark)
        self.sizes.append(len(mark.x) * len(mark.x[0]))
        self.charts.append(chart)

    def reach(self, charts: int) -> np.ndarray:
        """Ends of the marks of each chart in data units: lowest and highest x, lowest and highest
        y, NaN where it has none; shape (4, charts)."""
        self.x, self.y = (
            np.concatenate([part for mark in self.marks for part in mark[axis]], dtype=float)
            for axis in (0, 1)
        )
        for values in (self.x, self.y):
            values[np.isinf(values)] = math.nan
        firsts: dict[int, int] = {}
        for chart, first in zip(self.charts, accumulate(self.sizes, initial=0), strict=False):
            firsts.setdefault(chart, first)
        at = list(firsts.values())
        out = np.full((4, charts), math.nan)
        out[:, list(firsts)] = [
            end.reduceat(values, at) for values in (self.x, self.y) for end in (np.fmin, np.fmax)
        ]
        return out

    def place(self, maps: np.ndarray) -> list[Places]:
        """The places of each mark, given the start and the slope of x and those of y of each chart
        in tenths of a pixel, shape (4, charts)."""
        x_start, x_slope, y_start, y_slope = np.repeat(maps[:, self.charts], self.sizes, axis=1)
        x, y = self.x * x_slope + x_start, self.y * y_slope + y_start
        self.gaps = np.isnan(x + y)
        x[self.gaps] = y[self.gaps] = 0.0
        self.x, self.y = x, y
        self._write()
        ends = accumulate(self.sizes, initial=0)
        return [Places(self, first, last) for first, last in pairwise(ends)]

    def _write(self) -> None:
        """Write all rows."""
        x, y = self.x, self.y
        if self.kind == "turned":
            x, y = (x + y) * math.sqrt(0.5), (y - x) * math.sqrt(0.5)
        rows = np.empty(len(x), _row(self.tall, self.kind != "paths"))
        if self.kind == "paths":
            rows["first"], rows["second"] = self._signs().T
        else:
            rows["first"], rows["second"] = b"M "
            rows["end"] = int.from_bytes(b"h0", sys.byteorder)  # a stroke of no length
        whole = np.rint(y)
        if self.tall:
            whole = whole.clip(-MOST, TALLEST).astype(np.int32)
            size = np.abs(whole)
            fifth = size // (MOST + 1)
            rows["lead"] = np.where(whole < 0, ord("-"), ord("0") + fifth)
            whole = size - fifth * (MOST + 1)
        rows["x"], rows["y"] = _written(np.rint(x)), _written(whole)
        rows.view(np.uint8).reshape(len(rows), -1)[self.gaps] = ord(" ")
        self.text, self.step = str(rows.data, "ascii"), rows.itemsize

    def _signs(self) -> np.ndarray:
        """The signs before both numbers of every row of a path, shape (places, 2)."""
        sizes = [len(part) for mark in self.marks for part in mark.x]
        signs = np.frombuffer(b"".join([mark.signs for mark in self.marks]), np.uint16)
        signs = signs.reshape(-1, 2)
        starts = np.cumsum([0, *sizes[:-1]])
        runs = np.concatenate((starts, np.flatnonzero(self.gaps[:-1]) + 1))
        out = np.repeat(signs[:, 1], sizes)
        out[runs] = signs[np.searchsorted(starts, runs, side="right") - 1, 0]
        return out.view(np.uint8).reshape(-1, 2)


@lru_cache
def _row(tall: bool, ended: bool) -> np.dtype:
    """A row: signs and numbers, perhaps a sign or fifth digit before y, perhaps signs behind."""
    columns = [("first", "u1"), ("x", "u4"), ("second", "u1"), ("lead", "u1"), ("y", "u4")]
    kept = [column for column in columns if tall or column[0] != "lead"]
    return np.dtype([*kept, ("end", "u2")] if ended else kept)


def _written(whole: np.ndarray) -> np.ndarray:
    """Whole numbers as four signs each, of the same shape."""
    return _WRITTEN.take((whole - LEAST).astype(np.intp), mode="clip")
