"""What fuel and mixture do: consumption, lambda by cylinder, fuels compared at equal mixture."""

from __future__ import annotations

from dynostats.analysis.fuel.finding import FUEL_CHANNELS, FuelFinding
from dynostats.analysis.fuel.measure import consumption_g_kwh, measure_fuel

__all__ = ["FUEL_CHANNELS", "FuelFinding", "consumption_g_kwh", "measure_fuel"]
