"""What a charge cooler does: its loss of pressure, its effect, what both are worth in power."""

from __future__ import annotations

from dynostats.analysis.cooler.finding import COOLER_CHANNELS, CoolerFinding
from dynostats.analysis.cooler.measure import measure_cooler

__all__ = ["COOLER_CHANNELS", "CoolerFinding", "measure_cooler"]
