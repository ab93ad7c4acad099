"""Each stored pull against its own history: is it fit to be compared, is its label right?

What one pull's own samples say was judged when it was read (`dynostats.curves.acceptance`). Nothing
here deletes or changes anything: a person excludes, includes and amends.
"""

from __future__ import annotations

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
