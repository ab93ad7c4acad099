"""Channels beside torque, of the pulls of a study and the history, fit ones only."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
import polars as pl

from dynostats.analysis.channel_change import Changes, find_changes
from dynostats.analysis.conditions import lay_channel
from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.question import Question
from dynostats.analysis.readings import find_faults, least_absolute, longest_run
from dynostats.arrays import Flags, Floats, Ints

# What a channel can read at all at full load, in its stored unit. Common practice, no published
# source.
PLAUSIBLE: Final[Mapping[str, tuple[float, float]]] = {
    "manifold_pressure": (0.0, 1000.0),
    "compressor_out_pressure": (0.0, 1000.0),
    "compressor_out_temperature": (-40.0, 400.0),
    "charge_temperature": (-40.0, 250.0),
    "cooler_medium_temperature": (-40.0, 150.0),
    "air_flow": (0.0, 20_000.0),
    "fuel_flow": (0.0, 2_000.0),
    "lambda": (0.4, 6.0),
}
CYLINDERS: Final = tuple(f"lambda_{number}" for number in range(1, 17))
PRESSURES: Final = ("manifold_pressure", "compressor_out_pressure")
SPEED_SCHEMA: Final = {
    "quantity": pl.String,
    "rpm": pl.Float64,
    "baseline": pl.Float64,
    "candidate": pl.Float64,
    "change": pl.Float64,
    "low": pl.Float64,
    "high": pl.Float64,
}
LEAST_SPEEDS: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideChannels:
    """What was read beside torque.

    Args:
        pulls: Pulls in scope, on the band.
        own: Rows of the study's pulls, third setups included.
        compared: Rows of the two setups among them.
        baseline: Baseline setup.
        candidate: Candidate setup.
        alpha: One less the level of the intervals.
        values: By channel, shape (pulls, speeds); NaN where not read, or not fit to be used.
        whys: By channel, why a setup has no pull with it; only for channels that a setup lacks.
    """

    pulls: CurveSet
    own: Ints
    compared: Ints
    baseline: str
    candidate: str
    alpha: float
    values: Mapping[str, Floats]
    whys: Mapping[str, str]

    def lacking(self, *names: str) -> list[str]:
        """Return why each of some channels cannot be used; none where all can."""
        absent = [name for name in names if name in self.whys]
        return [f"{name.replace('_', ' ')} ({self.whys[name]})" for name in absent]

    def has(self, *names: str) -> bool:
        """Tell whether both setups have pulls with all of some channels."""
        return not any(name in self.whys for name in names)

    def read(self, values: Floats) -> bool:
        """Tell whether any compared pull has a quantity anywhere, shape (pulls, speeds)."""
        return bool(np.any(np.isfinite(values[self.compared])))

    def shared(self, *arrays: Floats) -> Flags:
        """Return the longest run of speeds that the compared pulls all cover, shape (speeds,).

        None is flagged where it is shorter than four speeds.
        """
        covered = np.ones(len(self.pulls.rpm), dtype=np.bool_)
        for one in arrays:
            rows = self.compared[np.isfinite(one[self.compared]).any(axis=1)]
            covered &= np.isfinite(one[rows]).all(axis=0)
        kept = longest_run(covered)
        return kept if kept.sum() >= min(LEAST_SPEEDS, len(kept)) else np.zeros_like(kept)

    def changes(self, values: Floats) -> Changes | None:
        """Return how quantities changed, shape (pulls, quantities); None where a setup has none."""
        return find_changes(
            self.pulls,
            values,
            self.own,
            baseline=self.baseline,
            candidate=self.candidate,
            alpha=self.alpha,
        )

    def curve(self, quantity: str, values: Floats) -> pl.DataFrame:
        """Return a quantity over engine speed in both setups, columns of `SPEED_SCHEMA`."""
        kept = self.shared(values)
        found = self.changes(values[:, kept]) if kept.any() else None
        if found is None:
            return pl.DataFrame(schema=SPEED_SCHEMA)
        half = found.change_half
        columns = {
            "quantity": [quantity] * int(kept.sum()),
            "rpm": self.pulls.rpm[kept],
            "baseline": found.baseline,
            "candidate": found.candidate,
            "change": found.change,
            "low": found.change - half,
            "high": found.change + half,
        }
        return pl.DataFrame(columns, schema=SPEED_SCHEMA).fill_nan(None)


def read_side_channels(
    pulls: CurveSet,
    own: Sequence[str],
    channels: pl.DataFrame,
    ambient_kpa: Floats,
    names: Sequence[str],
    *,
    question: Question,
) -> SideChannels:
    """Lay out channels, blank out what is unfit, and say which setup lacks which.

    Args:
        pulls: Pulls in scope, on the band.
        own: Names of the study's pulls.
        channels: One row a pull and grid speed: pull, rpm and channels, stored units.
        ambient_kpa: Air pressure in the cell at each pull, shape (pulls,); NaN where not read.
        names: Channels wanted; lambda of the cylinders is looked for beside them.
        question: Its setups and alpha are used.
    """
    baseline, candidate = question.baseline, question.candidate
    cylinders = [name for name in CYLINDERS if name in channels.columns]
    member = np.isin(pulls.pull, own)
    sides = {
        name: np.flatnonzero(member & np.isin(pulls.setup, [name]))
        for name in (baseline, candidate)
    }
    values: dict[str, Floats] = {}
    whys: dict[str, str] = {}
    for name in dict.fromkeys((*names, *cylinders)):
        laid = lay_channel(channels, pulls, name)
        least = least_absolute(ambient_kpa) if name in PRESSURES else None
        bounds = PLAUSIBLE.get(name, PLAUSIBLE["lambda"])
        faults = find_faults(laid, bounds=bounds, least_kpa=least)
        unfit = np.array([bool(why) for why in faults], dtype=np.bool_)
        values[name] = np.where(unfit[:, None], np.nan, laid)
        for setup, rows in sides.items():
            if unfit[rows].all():
                reason = "; ".join(sorted({faults[row] for row in rows}))
                whys[name] = f"no pull of '{setup}' has it: it {reason}"
    return SideChannels(
        pulls=pulls,
        own=np.flatnonzero(member),
        compared=np.concatenate(list(sides.values())),
        baseline=baseline,
        candidate=candidate,
        alpha=question.alpha,
        values=values,
        whys=whys,
    )
