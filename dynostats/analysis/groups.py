"""Labels as numbers, and rows in runs of one number: what works on groups works on arrays."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from dynostats.arrays import Floats, Ints


def number(*labels: Sequence[str] | Ints) -> Ints:
    """Number the distinct combinations of labels by their first row, from 0.

    Args:
        labels: Each of the same length, texts or numbers.
    """
    columns = {
        str(at): pl.Series(given, dtype=pl.Int64 if isinstance(given, np.ndarray) else pl.String)
        for at, given in enumerate(labels)
    }
    frame = pl.DataFrame(columns).with_row_index("row")
    first = frame.select(pl.col("row").first().over(list(columns)))["row"].to_numpy()
    is_first = first == np.arange(len(first))
    return (np.cumsum(is_first) - 1)[first].astype(np.intp)


def runs_of(numbers: Ints) -> Ints:
    """Return where each run of equal numbers, from 0, begins, and the length last."""
    starts = np.flatnonzero(np.diff(numbers, prepend=-1))
    return np.append(starts, len(numbers)).astype(np.intp)


def medians(values: Floats, groups: Ints) -> Floats:
    """Return the median of the values of each group, shape (groups,); NaN where it has none.

    Args:
        values: Shape (rows,).
        groups: Number of each row's group.
    """
    place = np.lexsort((values, groups))
    ordered, owner = values[place], groups[place]
    count = np.bincount(owner, minlength=int(groups.max(initial=-1)) + 1)
    start = np.cumsum(count) - count
    has = count > 0
    found = np.full(len(count), np.nan)
    low = start[has] + (count[has] - 1) // 2
    high = start[has] + count[has] // 2
    found[has] = (ordered[low] + ordered[high]) / 2.0
    return found
