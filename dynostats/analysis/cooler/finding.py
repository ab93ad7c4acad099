"""What a charge cooler does, in two setups: the one object that every output shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from dynostats.analysis.channel_change import Measured

COOLER_CHANNELS: Final = (
    "compressor_out_pressure",
    "compressor_out_temperature",
    "cooler_medium_temperature",
    "air_flow",
)
METHOD: Final = {
    "pressure_loss": "pressure behind the compressor less manifold pressure: the cooler, its "
    "pipes and the throttle together",
    "resistance": "k in loss = k flow^2 / mean density, least squares over the band, pull by pull",
    "effectiveness": "(T_in - T_out) / (T_in - T_medium), from the compressor to the intake; where "
    "charge and medium are 10 K apart or more (Kays & London, Compact Heat Exchangers, ch. 2)",
    "density_ratio": "(p_out / T_out) / (p_in / T_in), ideal gas, absolute",
    "worth": "(p_out / p_in)^a - 1 and (T_out / T_in)^b - 1, a and b the exponents of the split, "
    "as if the compressor would deliver the same without a cooler",
    "heat_soak": "rise: from the first to the last speed of a pull; recovery: share of a pull's "
    "rise that the medium lost again before the next pull of the session began; drift: straight "
    "line over the run order of the sessions",
    "sensors": "an error of a sensor that is the same in every pull is in no interval: it moves "
    "each setup's own figures, and hardly the change",
    "intervals": "Student's t with the differences between pulls of one setup in one session as "
    "degrees of freedom, setups, sessions and a drift taken out; each holds for itself; a setup's "
    "own mean knows only the scatter from pull to pull",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CoolerFinding:
    """What lies between compressor and engine does, in both setups.

    Args:
        figures: Means over the band: pressure loss, resistance, effectiveness, density ratio, what
            loss and cooling are worth in power, rise of temperatures in a pull; what the channels
            allow.
        heat_soak: Of consecutive pulls: share of the medium's rise that is gone before the next,
            and drift of charge temperature over the run order, of all setups together.
        curve: One row a quantity and grid speed: quantity, rpm, baseline, candidate, change, low,
            high (bounds of the change at each speed for itself).
        by_flow: One row an air flow that all pulls reach: flow_kg_h, baseline_kpa,
            baseline_low_kpa, baseline_high_kpa, candidate_kpa, candidate_low_kpa,
            candidate_high_kpa, change_kpa, low_kpa, high_kpa.
        cannot: What cannot be told, and which channel would tell it.
        method: What each figure is, in words.
    """

    figures: tuple[Measured, ...]
    heat_soak: tuple[Measured, ...]
    curve: pl.DataFrame
    by_flow: pl.DataFrame
    cannot: tuple[str, ...]
    method: dict[str, str]

    def to_dict(self) -> dict[str, object]:
        """Return plain values; unknown ones are None."""
        return {
            "figures": [one.to_dict() for one in self.figures],
            "heat_soak": [one.to_dict() for one in self.heat_soak],
            "curve": self.curve.to_dicts(),
            "by_flow": self.by_flow.to_dicts(),
            "cannot": list(self.cannot),
            "method": self.method,
        }
