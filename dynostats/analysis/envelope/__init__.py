"""Is a new log within the range of the accepted pulls, channel by channel?

From a vehicle, at partial load or over part of the speeds, or from the engine back on the dyno.
"""

from __future__ import annotations

from dynostats.analysis.envelope.channels import CHANNELS, LOAD_CHANNELS
from dynostats.analysis.envelope.check import check_envelope
from dynostats.analysis.envelope.judge import format_value
from dynostats.analysis.envelope.newlog import NewLog
from dynostats.analysis.envelope.reference import Reference
from dynostats.analysis.envelope.result import ChannelRange, Envelope, Excursion, Step

__all__ = [
    "CHANNELS",
    "LOAD_CHANNELS",
    "ChannelRange",
    "Envelope",
    "Excursion",
    "NewLog",
    "Reference",
    "Step",
    "check_envelope",
    "format_value",
]
