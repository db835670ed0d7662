"""Which of the words that utilities print marks an estimated reading?"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


ESTIMATED_WORDS = _words(
    "e est est. estimated estimate estimation estimada estimado estime estimé geschätzt "
    "geschaetzt schätzwert calculated interpolated substituted projected"
)
"""Words and letters for an estimated reading (common practice, no source)."""
INVALID_WORDS = _words(
    "invalid missing bad error fail failed nodata no_data null forecast fehlt ungültig"
)
"""Words for a reading that the file itself calls no reading."""
CANCELLED_WORDS = _words("cancelled canceled cancel void voided reversed storno x")
CORRECTED_WORDS = _words("corrected correction revised rebill rebilled re-bill amended c")


def is_estimated(column: pa.Array) -> np.ndarray:
    """Which rows a flag column marks as estimated; shape (n,), bool."""
    return _any_of(column, ESTIMATED_WORDS)


def is_invalid(column: pa.Array) -> np.ndarray:
    """Which rows a flag column marks as not valid; shape (n,), bool."""
    return _any_of(column, INVALID_WORDS)


def is_cancelled(column: pa.Array) -> np.ndarray:
    """Which rows a flag column marks as cancelled; shape (n,), bool."""
    return _any_of(column, CANCELLED_WORDS)


def is_corrected(column: pa.Array) -> np.ndarray:
    """Which rows a flag column marks as a correction of an earlier row; shape (n,), bool."""
    return _any_of(column, CORRECTED_WORDS)


def _any_of(column: pa.Array, wanted: frozenset[str]) -> np.ndarray:
    coded = pc.dictionary_encode(column)
    words = [w.strip().lower() for w in coded.dictionary.to_pylist()]
    hit = np.array([w in wanted or w.split(" ")[0] in wanted for w in words], dtype=bool)
    return hit[coded.indices.to_numpy(zero_copy_only=False)]
