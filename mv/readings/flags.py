"""Which of the words that utilities print marks an estimated reading?"""

from __future__ import annotations

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc

ESTIMATED_WORDS = frozenset(
    ["e", "est", "est.", "estimated", "estimate", "estimation", "estimada", "estimado", "estime", "estimé", "geschätzt", "geschaetzt", "schätzwert", "calculated", "interpolated", "substituted", "forecast", "projected"]
)
"""Words and letters for an estimated reading (common practice, no source)."""
CANCELLED_WORDS = frozenset(["cancelled", "canceled", "cancel", "void", "voided", "reversed", "storno", "x"])
CORRECTED_WORDS = frozenset(["corrected", "correction", "revised", "rebill", "rebilled", "amended", "c"])


def words(column: pa.Array) -> np.ndarray:
    """Cells in lower case without spaces around; shape (n,), str."""
    text = column if pa.types.is_string(column.type) else pc.cast(column, pa.string())
    return pc.fill_null(pc.utf8_lower(pc.utf8_trim_whitespace(text)), "").to_numpy(
        zero_copy_only=False
    )


def is_estimated(column: pa.Array) -> np.ndarray:
    """Which rows a flag column marks as estimated; shape (n,), bool."""
    return _any_of(column, ESTIMATED_WORDS)


def is_cancelled(column: pa.Array) -> np.ndarray:
    """Which rows a flag column marks as cancelled; shape (n,), bool."""
    return _any_of(column, CANCELLED_WORDS)


def _any_of(column: pa.Array, wanted: frozenset[str]) -> np.ndarray:
    text = column if pa.types.is_string(column.type) else pc.cast(column, pa.string())
    coded = pc.dictionary_encode(pc.fill_null(text, ""))
    hit = np.array([w.strip().lower() in wanted for w in coded.dictionary.to_pylist()], dtype=bool)
    return hit[coded.indices.to_numpy(zero_copy_only=False)]
