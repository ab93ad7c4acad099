"""Result to picture: every function takes a comparison and returns an Altair chart of one look.

User text (names of setups, pulls, sessions) stands in the charts' data only, never in a
specification, where it could be read as an expression.
"""

from __future__ import annotations

from dynostats.charts.cell import noise_chart, run_order_chart
from dynostats.charts.difference import effect_chart, pull_difference_chart
from dynostats.charts.means import influence_chart, region_chart
from dynostats.charts.output import power_chart, torque_chart

__all__ = [
    "effect_chart",
    "influence_chart",
    "noise_chart",
    "power_chart",
    "pull_difference_chart",
    "region_chart",
    "run_order_chart",
    "torque_chart",
]
