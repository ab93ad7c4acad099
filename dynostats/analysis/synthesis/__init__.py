"""Findings across all past studies: kinds of change, the best of them, what no longer stands."""

from __future__ import annotations

from dynostats.analysis.synthesis.history import LeftOut, tell_history
from dynostats.analysis.synthesis.past import PastStudy, StudyEffect, Then, estimate_past
from dynostats.analysis.synthesis.random_effects import Synthesis, synthesise
from dynostats.analysis.synthesis.replay import by_eye, pulls_known, tell_then
from dynostats.analysis.synthesis.result import Claim, History, KindFinding, ModeratorFinding
from dynostats.analysis.synthesis.shrinkage import Shrunken, predict_next, shrink

__all__ = [
    "Claim",
    "History",
    "KindFinding",
    "LeftOut",
    "ModeratorFinding",
    "PastStudy",
    "Shrunken",
    "StudyEffect",
    "Synthesis",
    "Then",
    "by_eye",
    "estimate_past",
    "predict_next",
    "pulls_known",
    "shrink",
    "synthesise",
    "tell_history",
    "tell_then",
]
