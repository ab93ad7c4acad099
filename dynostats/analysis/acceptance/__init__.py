"""Each stored pull against its own history: is it fit to be compared, is its label right?

What one pull's own samples say was judged when it was read (`dynostats.curves.acceptance`). Nothing
here deletes or changes anything: a person excludes, includes and amends.

Names are loaded when first used: an ingest asks for one of them only, and scipy behind the others
costs more than reading a few files.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from dynostats.analysis.acceptance.coverage import find_cut_short
    from dynostats.analysis.acceptance.finding import Acceptance, PullFinding
    from dynostats.analysis.acceptance.judge import CHANNELS, judge_pulls, merge
    from dynostats.analysis.acceptance.labels import LabelJudgement, judge_labels
    from dynostats.analysis.acceptance.signature import Signatures, read_signatures

__all__ = [
    "CHANNELS",
    "Acceptance",
    "LabelJudgement",
    "PullFinding",
    "Signatures",
    "find_cut_short",
    "judge_labels",
    "judge_pulls",
    "merge",
    "read_signatures",
]

_HOMES = {
    "Acceptance": "dynostats.analysis.acceptance.finding",
    "CHANNELS": "dynostats.analysis.acceptance.judge",
    "LabelJudgement": "dynostats.analysis.acceptance.labels",
    "PullFinding": "dynostats.analysis.acceptance.finding",
    "Signatures": "dynostats.analysis.acceptance.signature",
    "find_cut_short": "dynostats.analysis.acceptance.coverage",
    "judge_labels": "dynostats.analysis.acceptance.labels",
    "judge_pulls": "dynostats.analysis.acceptance.judge",
    "merge": "dynostats.analysis.acceptance.judge",
    "read_signatures": "dynostats.analysis.acceptance.signature",
}


def __getattr__(name: str) -> object:
    """Load a name when it is first asked for."""
    if name not in _HOMES:
        raise AttributeError(f"module 'dynostats.analysis.acceptance' has no attribute {name!r}")
    return getattr(import_module(_HOMES[name]), name)
