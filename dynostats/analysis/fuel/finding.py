"""What fuel and mixture do, in two setups: the one object that every output shows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import polars as pl

from dynostats.analysis.channel_change import Measured

FUEL_CHANNELS: Final = ("fuel_flow", "air_flow", "lambda")
METHOD: Final = {
    "consumption": "brake-specific fuel consumption, fuel flow over power, g/kWh; power as the "
    "torque was measured, so at hub or roller it holds the losses of the drive",
    "fuel_at_equal_lambda": "ln fuel flow + ln lambda: by the definition of lambda, fuel at equal "
    "air and fuel composition goes as 1 / lambda",
    "torque_at_equal_lambda": "ln torque - c ln lambda, c the exponent of the split at the mean "
    "lambda of the study",
    "consumption_at_equal_lambda": "ln(fuel flow / torque) + (1 + c) ln lambda",
    "air_per_fuel": "air flow / (fuel flow x lambda): the air that a kilogram of fuel takes to "
    "burn, as the three readings have it; it changes with the fuel's make-up, or a sensor is wrong",
    "cylinders": "lambda of a cylinder less the mean of all cylinders of that pull",
    "sensors": "an error of a sensor that is the same in every pull is in no interval: it moves "
    "each setup's own figures, and hardly the change",
    "intervals": "Student's t with the differences between pulls of one setup in one session as "
    "degrees of freedom, setups, sessions and a drift taken out; each holds for itself",
}
KNOCK_NOTE: Final = (
    "None of these readings tells how far the engine is from knock. A fuel or mixture that gives "
    "the same torque may have less margin, and one that allows more timing shows nothing at the "
    "timing it was run at. Do not advance the ignition, raise boost or lean the mixture on these "
    "figures: that takes knock measurement, the engine maker's limits and licensed practice."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FuelFinding:
    """Consumption and mixture in both setups.

    Args:
        figures: Means over the band, what the channels allow.
        cylinders: Lambda of each cylinder less the mean of all; none where it was not logged.
        curve: One row a quantity and grid speed: quantity (consumption_g_kwh, fuel_flow_kg_h,
            lambda, lambda_1 to lambda_16), rpm, baseline, candidate, change, low, high (bounds of
            the change at each speed for itself).
        cannot: What cannot be told, and which channel would tell it.
        notes: What these figures do not say.
        method: What each figure is, in words.
    """

    figures: tuple[Measured, ...]
    cylinders: tuple[Measured, ...]
    curve: pl.DataFrame
    cannot: tuple[str, ...]
    notes: tuple[str, ...]
    method: dict[str, str]

    def to_dict(self) -> dict[str, object]:
        """Return plain values; unknown ones are None."""
        return {
            "figures": [one.to_dict() for one in self.figures],
            "cylinders": [one.to_dict() for one in self.cylinders],
            "curve": self.curve.to_dicts(),
            "cannot": list(self.cannot),
            "notes": list(self.notes),
            "method": self.method,
        }
