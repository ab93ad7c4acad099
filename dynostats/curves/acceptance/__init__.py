"""Is one pull fit to be compared? What its own samples and curve say, without any history.

Limits without a source beside them are common practice, no published source: wide enough that an
ordinary pull of any engine keeps clear of them. What only history can tell is judged in
`dynostats.analysis.acceptance`.
"""

from __future__ import annotations

from dynostats.curves.acceptance.cylinders import CylinderSpread, measure_cylinders
from dynostats.curves.acceptance.danger import DANGERS, split_warning
from dynostats.curves.acceptance.evidence import Evidence
from dynostats.curves.acceptance.judge import judge_pull, why_void
from dynostats.curves.acceptance.smoothing import smoothed_over

__all__ = [
    "DANGERS",
    "CylinderSpread",
    "Evidence",
    "judge_pull",
    "measure_cylinders",
    "smoothed_over",
    "split_warning",
    "why_void",
]
