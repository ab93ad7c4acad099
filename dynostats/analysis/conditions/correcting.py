"""Correcting one pull: undoing what its file has, applying what is asked."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.conditions.channels import lay_channel
from dynostats.analysis.conditions.facts import Facts
from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Floats, Ints
from dynostats.curves.correction import (
    NONE,
    STANDARDS,
    Air,
    Standard,
    fuel_per_cycle,
    read_air,
)
from dynostats.errors import AnalysisError

_AIR = {
    "ambient_pressure_kpa": "ambient_pressure",
    "ambient_temperature_c": "ambient_temperature",
    "ambient_humidity_pct": "relative_humidity",
}
# A manifold this far above the air of the cell is boosted; common practice, no published source.
_BOOSTED = 1.15
# Air whose sensitivity stands for that of a factor that was applied to an unknown air.
_USUAL = Air(pressure_kpa=100.0, temperature_c=25.0, humidity_pct=40.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Step:
    """A factor on torque, on the log scale.

    Args:
        log: Shape (1,), or (speeds,) where an engine factor varies with speed.
        sensitivity: Shape (3, 1) or (3, speeds): its change by one SD of each reading: pressure,
            temperature, humidity.
    """

    log: Floats
    sensitivity: Floats

    @property
    def factor(self) -> float:
        """Return the factor, mean over the speeds where it is known."""
        return math.exp(float(self.log[0] if self.log.size == 1 else np.nanmean(self.log)))


_NO_STEP = Step(log=np.zeros(1), sensitivity=np.zeros((3, 1)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shift:
    """What is done to the log torque of one pull.

    Args:
        undo: Log factor that its file has in it, shape (1,) or (speeds,).
        apply: Log factor put in its place, likewise.
        factor: Factor of the correction that the torque has then; None where the file's own is
            kept and not known.
        sensitivity: Change of the log torque by one SD of each reading, shape (3, 1) or (3,
            speeds).
        reading: The reading it rests on, as a key.
        mark: What must be said of the corrected value; "" when nothing.
    """

    undo: Floats
    apply: Floats
    factor: float | None
    sensitivity: Floats
    reading: str
    mark: str


class Corrector:
    """Corrects the pulls of a scope; looks up what each has."""

    def __init__(
        self,
        curves: CurveSet,
        pulls: pl.DataFrame,
        facts: Sequence[Facts],
        channels: pl.DataFrame,
    ) -> None:
        """Keep the pulls with their air, in the order of their curves."""
        self.curves = curves
        self.facts = facts
        self._channels = channels
        columns = [
            pulls[name].to_list() if name in pulls.columns else [None] * pulls.height
            for name in _AIR
        ]
        self._read: list[tuple[float | None, ...]] = list(zip(*columns, strict=True))
        self._steps: dict[tuple[str, Air], Step] = {}
        self._shifts: dict[tuple[str, tuple[float | None, ...], Facts], Shift] = {}

    def shift(self, row: int, asked: str) -> Shift:
        """Return what brings one pull to the correction asked for.

        Raises:
            AnalysisError: What it needs of the pull was not read, or the standard does not hold.
        """
        if self._by_channels(row, asked):
            return self._shift(row, asked)
        key = (asked, self._read[row], self.facts[row])
        if key not in self._shifts:  # the pulls of a session mostly share their air
            self._shifts[key] = self._shift(row, asked)
        return self._shifts[key]

    def _by_channels(self, row: int, asked: str) -> bool:
        """Tell whether fuel and boost of the pull itself go into its correction."""
        names = {asked, self.facts[row].corrected_by} - {NONE}
        return any(STANDARDS[name].engine_factor is not None for name in names)

    def _shift(self, row: int, asked: str) -> Shift:
        filed = self.facts[row].corrected_by
        if filed == asked:
            return self._kept(row, asked)
        undo = self._filed(row)
        apply = _NO_STEP if asked == NONE else self._applied(row, STANDARDS[asked])
        return Shift(
            undo=undo.log,
            apply=apply.log,
            factor=apply.factor,
            sensitivity=apply.sensitivity - undo.sensitivity,
            reading=repr(self._read[row]),
            mark=""
            if asked == NONE
            else STANDARDS[asked].mark(self._air(row, STANDARDS[asked]), apply.factor),
        )

    def can_undo(self, row: int) -> bool:
        """Tell whether what the file has in it can be taken out."""
        try:
            self._filed(row)
        except AnalysisError:
            return False
        return True

    def has_air(self, row: int) -> bool:
        """Tell whether pressure and temperature of a pull's air were read."""
        return None not in self._read[row][:2]

    def boosted(self, rows: Ints) -> str:
        """Return "compensated" when pulls say so, "boosted" when their manifold does, else ""."""
        said = {self.facts[row].compensated for row in rows}
        if True in said:
            return "compensated"
        if said == {False}:
            return ""
        manifold = lay_channel(self._channels, self.curves.take(rows), "manifold_pressure")
        known = manifold[np.isfinite(manifold)]
        outside = next((read for row in rows if (read := self._read[row][0])), 100.0)
        return "boosted" if known.size and known.mean() > _BOOSTED * outside else ""

    def _kept(self, row: int, asked: str) -> Shift:
        """Return what is done to torque that has the correction already: it is kept.

        The error of the readings that went into it is in it all the same. Where an inertia is
        added the correction is undone and applied again.
        """
        if asked == NONE:
            own = _NO_STEP
        elif self.facts[row].inertia_kg_m2 is not None or self.can_undo(row):
            own = self._filed(row)
        else:
            own = None
        known = own if own is not None else _NO_STEP
        error = known.sensitivity
        if asked != NONE:
            moved = STANDARDS[asked].sensitivity(self._air_or_usual(row))
            error = np.array(moved)[:, None]
        return Shift(
            undo=known.log,
            apply=known.log,
            factor=None if own is None else own.factor,
            sensitivity=error,
            reading=repr(self._read[row]),
            mark="",
        )

    def _filed(self, row: int) -> Step:
        """Return what the file has in it: the stated factor, which is exact, or by its readings."""
        facts = self.facts[row]
        if facts.corrected_by == NONE:
            return _NO_STEP
        if facts.correction_factor is not None:
            return Step(
                log=np.array([math.log(facts.correction_factor)]),
                sensitivity=_NO_STEP.sensitivity,
            )
        standard = STANDARDS[facts.corrected_by]
        try:
            return self._computed(row, standard, self._air(row, standard))
        except AnalysisError as error:
            raise AnalysisError(
                f"its torque is corrected by {standard.name} already, and that cannot be undone: "
                f"{error.what}",
                where=self.curves.pull[row],
                mend=f"Give the factor that was used (`amend` correction_factor), or ask for "
                f"--correction {standard.name}. It is never corrected twice.",
            ) from error

    def _applied(self, row: int, standard: Standard) -> Step:
        facts = self.facts[row]
        if facts.ignition not in {None, standard.ignition}:
            raise AnalysisError(
                f"{standard.name} is for {standard.ignition} ignition, and its sheet says "
                f"{facts.ignition}",
                where=self.curves.pull[row],
                mend="Ask for a standard of that kind of engine.",
            )
        if facts.compensated and standard.compensated_is_one:
            return _NO_STEP
        air = self._air(row, standard)
        standard.require_range(air, where=self.curves.pull[row])
        return self._computed(row, standard, air)

    def _computed(self, row: int, standard: Standard, air: Air) -> Step:
        if (standard.name, air) not in self._steps:
            self._steps[standard.name, air] = Step(
                log=np.array([math.log(standard.factor(air))]),
                sensitivity=np.array(standard.sensitivity(air))[:, None],
            )
        step = self._steps[standard.name, air]
        if standard.engine_factor is None:
            return step
        scale = self._engine_factor(row, standard, air)
        return Step(log=step.log * scale, sensitivity=step.sensitivity * scale)

    def _engine_factor(self, row: int, standard: Standard, air: Air) -> Floats:
        """Return the engine factor fm, shape (1,) where stated, else (speeds,)."""
        facts, name = self.facts[row], self.curves.pull[row]
        if facts.engine_factor is not None or standard.engine_factor is None:
            return np.array([facts.engine_factor or 1.0])
        one = self.curves.take(np.array([row]))
        fuel = lay_channel(self._channels, one, "fuel_flow")[0]
        if facts.displacement_l is None or not np.isfinite(fuel).any():
            lacks = "displacement" if facts.displacement_l is None else "fuel_flow channel"
            raise AnalysisError(
                f"{standard.name} needs the fuel a litre and cycle, and there is no {lacks}",
                where=name,
                mend="Give `displacement [L]` in the sheet and log fuel_flow, or state "
                "`engine_factor` (0.2 to 1.2).",
            )
        quantity = fuel_per_cycle(
            fuel,
            self.curves.rpm,
            displacement_l=facts.displacement_l,
            boost_ratio=self._boost_ratio(one, air, standard),
        )
        return standard.engine_factor.at(quantity)

    def _boost_ratio(self, one: CurveSet, air: Air, standard: Standard) -> Floats:
        """Return the pressure behind the compressor over that of the cell, shape (speeds,)."""
        for channel in ("compressor_out_pressure", "manifold_pressure"):
            pressure = lay_channel(self._channels, one, channel)[0]
            if np.isfinite(pressure).any():
                return np.maximum(pressure / air.pressure_kpa, 1.0)
        if "turbo" in standard.name:
            raise AnalysisError(
                f"{standard.name} needs the pressure behind the compressor, which was not logged",
                where=one.pull[0],
                mend="Log compressor_out_pressure or manifold_pressure, or state `engine_factor`.",
            )
        return np.ones(len(one.rpm))

    def _air_or_usual(self, row: int) -> Air:
        pressure, temperature, humidity = self._read[row]
        if pressure is None or temperature is None or humidity is None:
            return _USUAL
        return self._air(row, None)

    def _air(self, row: int, standard: Standard | None) -> Air:
        pressure, temperature, humidity = self._read[row]
        needed = dict(zip(_AIR.values(), self._read[row], strict=True))
        if standard is not None and not standard.needs_humidity:
            del needed["relative_humidity"]
        missing = [name for name, value in needed.items() if value is None]
        if missing or pressure is None or temperature is None:
            reason = "" if standard is None else f", which {standard.name} needs"
            raise AnalysisError(
                f"no reading of {' and '.join(missing)}{reason}",
                where=self.curves.pull[row],
                mend="Add it: dynostats amend PULL FIELD=VALUE --why REASON; or compare "
                "uncorrected: --correction none.",
            )
        return read_air(pressure, temperature, humidity, where=self.curves.pull[row])
