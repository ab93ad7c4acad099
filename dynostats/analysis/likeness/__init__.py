"""Which pulls are like one another, and whether as like as two pulls of one setup are."""

from __future__ import annotations

from dynostats.analysis.likeness.repeats import (
    ChannelNoise,
    Repeats,
    channel_noise,
    repeats_of,
    scope_of,
    without_copies,
)
from dynostats.analysis.likeness.result import CONDITIONS, LIMITED, By, SimilarPulls
from dynostats.analysis.likeness.telling import tell_similar

__all__ = [
    "CONDITIONS",
    "LIMITED",
    "By",
    "ChannelNoise",
    "Repeats",
    "SimilarPulls",
    "channel_noise",
    "repeats_of",
    "scope_of",
    "tell_similar",
    "without_copies",
]
