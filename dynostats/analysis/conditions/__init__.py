"""The air and the way torque was measured: bringing the pulls of a comparison on one footing."""

from __future__ import annotations

from dynostats.analysis.conditions.channels import CHANNELS, lay_channel
from dynostats.analysis.conditions.facts import ATTRIBUTES, NOTHING_SAID, Facts, read_facts
from dynostats.analysis.conditions.footing import Conditions, Footing, put_on_footing
from dynostats.analysis.conditions.inertia import warn_sweep_rates

__all__ = [
    "ATTRIBUTES",
    "CHANNELS",
    "NOTHING_SAID",
    "Conditions",
    "Facts",
    "Footing",
    "lay_channel",
    "put_on_footing",
    "read_facts",
    "warn_sweep_rates",
]
