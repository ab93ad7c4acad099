"""Before the pulls: how many, in what order, to see an effect of a given size."""

from __future__ import annotations

from dynostats.analysis.planning.cell import CellNoise, assume_noise, learn_cell_noise
from dynostats.analysis.planning.plan import Aim, Plan, Shortcut, make_plan

__all__ = [
    "Aim",
    "CellNoise",
    "Plan",
    "Shortcut",
    "assume_noise",
    "learn_cell_noise",
    "make_plan",
]
