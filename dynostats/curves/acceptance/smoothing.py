"""Was the log dense enough to be smoothed like any other?"""

from __future__ import annotations

import re
from collections.abc import Iterator

from dynostats.curves.acceptance.evidence import Evidence
from dynostats.curves.grid import BANDWIDTH_RPM, bandwidth_of
from dynostats.ingest import Finding

SPARSE_LOG = "sparse_log"
_WIDTH = re.compile(r"smoothed over ±(\d+) rpm")


def check_smoothing(pull: Evidence) -> Iterator[Finding]:
    """Yield a note where a log is so sparse that its curve is smoothed more than others'.

    A test held step by step is no log of a sweep, and logging faster would change nothing in it.
    """
    if pull.sweep.steps:
        return
    width = bandwidth_of(pull.samples, pull.sweep)
    if width > BANDWIDTH_RPM:
        yield Finding(
            check=SPARSE_LOG,
            severity="note",
            message=(
                f"The log has so few rows that its curve is smoothed over ±{width:.0f} rpm instead "
                f"of ±{BANDWIDTH_RPM:.0f} rpm: sharper bends are flattened. Log faster."
            ),
        )


def smoothed_over(check: str, message: str) -> float:
    """Return the half-width that a stored finding says a curve was smoothed over, rpm."""
    told = _WIDTH.search(message) if check == SPARSE_LOG else None
    return float(told.group(1)) if told else BANDWIDTH_RPM
