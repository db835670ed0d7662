"""How is a draft kept in few bytes and few steps?

A draft holds some forty small arrays.  Pickled as they are, each takes a dozen steps there and
back; here an array of numbers or days is its bytes, its kind and its shape, and a column of words
is its runs, because rows of one period or status stand together.
"""

from __future__ import annotations

import copyreg
import io
import pickle
from itertools import groupby
from typing import Any

import numpy as np

PLAIN = "biufM"
"""Kinds of array whose bytes say everything."""


class _Packer(pickle.Pickler):
    """Pickles as ever, but for arrays."""

    dispatch_table: dict[type, Any]


def pack(value: Any) -> bytes:
    """Anything that can be pickled; its arrays come back read-only."""
    into = io.BytesIO()
    packer = _Packer(into, protocol=5)
    packer.dispatch_table = copyreg.dispatch_table | {np.ndarray: _reduced}
    packer.dump(value)
    return into.getvalue()


def unpack(packed: bytes) -> Any:
    """What was packed."""
    return pickle.loads(packed)


def _reduced(array: np.ndarray) -> tuple:
    if array.dtype.kind in PLAIN:
        return _plain, (array.tobytes(), array.dtype.str, array.shape)
    if array.dtype == object and array.ndim == 1:
        words = array.tolist()
        if set(map(type, words)) == {str}:
            runs = [(word, len(list(run))) for word, run in groupby(words)]
            return _words, tuple(zip(*runs, strict=True))
    return array.__reduce_ex__(5)


def _plain(data: bytes, kind: str, shape: tuple[int, ...]) -> np.ndarray:
    return np.ndarray(shape, kind, data)


def _words(words: tuple[str, ...], lengths: tuple[int, ...]) -> np.ndarray:
    return np.repeat(np.array(words, dtype=object), lengths)
