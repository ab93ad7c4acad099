"""Pulls most like one: the one object that every output shows."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

import polars as pl

from dynostats.analysis.likeness.repeats import ChannelNoise, Repeats

By = Literal["shape", "level", "channels", "conditions"]

CONDITIONS = {
    "ambient_pressure_kpa": "kPa",
    "ambient_temperature_c": "degC",
    "ambient_humidity_pct": "%",
    "start_charge_temperature_c": "degC",
    "start_oil_temperature_c": "degC",
    "start_coolant_temperature_c": "degC",
}
"""Conditions that pulls are compared in, with their units; start is the lowest speed of a pull."""

LIMITED = ("shape", "level", "whole")
"""The distances of torque that repeats give a limit for."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimilarPulls:
    """The pulls most like one.

    Args:
        pull: The pull that others are held against.
        by: What they are ordered by.
        unit: Unit of `distance`: "%" (100 times log torque) or "SD".
        band: First and last engine speed compared, rpm.
        least_overlap: Share of those speeds that a match must cover.
        compared: Pulls that had enough in common to be compared.
        matches: One row a pull, the most alike first: pull, engine, dyno, session, setup, started,
            distance (what they are ordered by), shape_pct (root mean square difference of log
            torque, the level taken out), level_pct (mean difference, this much above the pull asked
            for), whole_pct (level kept), speeds, overlap, from_rpm, to_rpm, like ("one_session",
            "two_sessions", "neither", or null where repeats are too few to tell), differs (what
            sets it apart, in words), and for each channel NAME_difference (mean, in its unit) and
            NAME_sd (root mean square in pull-to-pull SDs), for each condition NAME_difference.
        curves: One row a match and grid speed: pull, rpm, difference_pct.
        one_session: How far pulls of one setup lie apart in a session.
        two_sessions: And in two.
        repeats_from: Which pulls those were, in words.
        noise: Pull-to-pull noise of the channels.
        answer: What was found, in a sentence or two.
        warnings: Sentences the reader must see.
        method: How it was worked out.
    """

    pull: str
    by: By
    unit: str
    band: tuple[float, float]
    least_overlap: float
    compared: int
    matches: pl.DataFrame
    curves: pl.DataFrame
    one_session: Repeats
    two_sessions: Repeats
    repeats_from: str
    noise: tuple[ChannelNoise, ...]
    answer: str
    warnings: tuple[str, ...]
    method: dict[str, object]

    @property
    def frame(self) -> pl.DataFrame:
        """Return the table of matches."""
        return self.matches

    def to_dict(self) -> dict[str, object]:
        """Return the result as plain values."""
        return {
            "pull": self.pull,
            "by": self.by,
            "unit": self.unit,
            "band": {"from_rpm": self.band[0], "to_rpm": self.band[1]},
            "least_overlap": self.least_overlap,
            "compared": self.compared,
            "matches": self.matches.to_dicts(),
            "limits": {
                "one_session": asdict(self.one_session),
                "two_sessions": asdict(self.two_sessions),
                "from": self.repeats_from,
            },
            "channel_noise": [asdict(one) for one in self.noise],
            "answer": self.answer,
            "warnings": list(self.warnings),
            "method": self.method,
        }
