"""Why it changed: a difference in torque split by cause, and what is left of it."""

from __future__ import annotations

from dynostats.analysis.attribution.attribute import attribute
from dynostats.analysis.attribution.channels import CHANNELS, MIXTURES, UNSETTLED, Missing
from dynostats.analysis.attribution.exponents import Coefficient
from dynostats.analysis.attribution.finding import Attribution, Part, Total

__all__ = [
    "CHANNELS",
    "MIXTURES",
    "UNSETTLED",
    "Attribution",
    "Coefficient",
    "Missing",
    "Part",
    "Total",
    "attribute",
]
