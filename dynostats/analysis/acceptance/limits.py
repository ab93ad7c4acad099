"""Limits from the warehouse's own history, and what stands in for them where there is none.

Medians and median deviations: one bad pull moves neither, so it cannot hide another.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Floats

# Median absolute deviation of a normal distribution is its SD over this.
MAD_TO_SD = 1.4826
# With fewer departures than this their spread is not taken from them.
LEAST_DEPARTURES = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Limit:
    """How far a value may stand off before it is told.

    Args:
        value: The limit, in the unit of what it limits.
        source: Where it comes from, in words.
    """

    value: float
    source: str


def find_limit(departures: Floats, *, floor: float, default: float, times: float = 6.0) -> Limit:
    """Return the limit that history allows.

    Args:
        departures: How far each pull stands off the median of the pulls it is like; NaN where
            unknown. Their median size is the usual one, whatever the worst of them do.
        floor: No limit is smaller: below it a departure does not matter.
        default: Limit without enough history; common practice, no published source.
        times: How many robust SDs are allowed.
    """
    known = departures[np.isfinite(departures)]
    if known.size < LEAST_DEPARTURES:
        return Limit(value=default, source="default, common practice: too little history")
    sd = MAD_TO_SD * float(np.median(np.abs(known)))
    return Limit(
        value=max(floor, times * sd),
        source=f"{times:g} robust SDs of {known.size} past readings, at least {floor:g}",
    )
