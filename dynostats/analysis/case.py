"""Everything a comparison may look at: the torque as stored, and how it was measured."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.band import cut_to_band
from dynostats.analysis.conditions import (
    NOTHING_SAID,
    Conditions,
    Footing,
    lay_channel,
    put_on_footing,
)
from dynostats.analysis.copies import find_copies, say_copies, without
from dynostats.analysis.curve_set import CurveSet, curve_set
from dynostats.analysis.question import Question
from dynostats.analysis.study import Study
from dynostats.arrays import Flags, Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Case:
    """The pulls in scope of a family of questions.

    Args:
        filed: Torque as stored.
        pulls: Labels and air, in the same order.
        conditions: How they were measured.
        members: Names of the study's pulls, third setups included.
        baseline: The baseline setup.
        candidates: The candidate setups.
        copies: Pulls left out because they are copies, by name that of the one they repeat.
    """

    filed: CurveSet
    pulls: pl.DataFrame
    conditions: Conditions
    members: list[str]
    baseline: str
    candidates: tuple[str, ...]
    copies: dict[str, str]

    @property
    def compared(self) -> Flags:
        """Return which pulls are of a setup compared, in the sessions of the study."""
        setups = [self.baseline, *self.candidates]
        return np.isin(self.filed.setup, setups) & np.isin(self.filed.pull, self.members)

    def stand_on(self, correction: str | None) -> Footing:
        """Bring the pulls to one correction.

        Raises:
            AnalysisError: A compared pull cannot be brought to it.
        """
        return put_on_footing(
            self.filed, self.pulls, self.conditions, compared=self.compared, asked=correction
        )

    def cut(self, footing: Footing, band: tuple[float, float] | None) -> tuple[CurveSet, CurveSet]:
        """Return all pulls on the band, and those of the study with the errors of their air.

        Raises:
            AnalysisError: The compared pulls share no band, or not the one asked for.
        """
        setups = [self.baseline, *self.candidates]
        everything, own = cut_to_band(footing.curves, self.members, setups, band)
        return everything, footing.with_errors(own)

    def warnings(self) -> tuple[str, ...]:
        """Return what the reader must know of the pulls looked at."""
        return tuple(filter(None, [say_copies(self.copies)]))

    def has_air(self) -> bool:
        """Tell whether the air of every compared pull was read."""
        names = ("ambient_pressure_kpa", "ambient_temperature_c")
        if not set(names) <= set(self.pulls.columns):
            return False
        read = self.pulls.select(pl.all_horizontal(pl.col(names).is_not_null())).to_series()
        return bool(read.to_numpy()[self.compared].all())

    def states_inertia(self, pulls: list[str]) -> bool:
        """Tell whether any of some pulls states its inertia."""
        facts = (self.conditions.facts.get(name, NOTHING_SAID) for name in pulls)
        return any(fact.inertia_kg_m2 is not None for fact in facts)

    def clock(self, own: CurveSet) -> Floats:
        """Return when the sweeps of some pulls passed each speed, shape (pulls, speeds), s."""
        return lay_channel(self.conditions.channels, own, "time")


def open_case(
    studies: tuple[Study, ...],
    questions: tuple[Question, ...],
    curves: pl.DataFrame,
    conditions: Conditions,
) -> Case:
    """Gather what a family of questions may look at; copies of a pull are left out of all of it.

    Args:
        studies: One a question, all on one dyno.
        questions: One a candidate.
        curves: One row a pull and grid speed: pull, rpm, torque (N.m).
        conditions: How the pulls were measured.
    """
    scope = studies[0].scope
    filed = curve_set(scope, curves)
    copies = find_copies(filed)
    return Case(
        filed=without(filed, copies),
        pulls=scope.filter(~pl.col("pull").is_in(list(copies))),
        conditions=conditions,
        members=[name for study in studies for name in study.members if name not in copies],
        baseline=questions[0].baseline,
        candidates=tuple(one.candidate for one in questions),
        copies=copies,
    )
