"""One footing for the pulls of a comparison: same correction, same place, inertia added back."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from dynostats.analysis.conditions.channels import lay_channel
from dynostats.analysis.conditions.correcting import Corrector, Shift
from dynostats.analysis.conditions.facts import NOTHING_SAID, Facts
from dynostats.analysis.conditions.inertia import inertia_torque, sweep_rates
from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Flags, Ints
from dynostats.curves.correction import NONE, READING_SDS, STANDARDS
from dynostats.errors import AnalysisError


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Conditions:
    """What is known of how pulls were measured, beside their labels.

    Args:
        facts: What the paperwork says, by pull.
        channels: One row a pull and grid speed of the pulls that may need them: pull, rpm, time
            (s), fuel_flow (kg/h), compressor_out_pressure and manifold_pressure (kPa absolute).
    """

    facts: Mapping[str, Facts] = field(default_factory=dict[str, Facts])
    channels: pl.DataFrame = field(
        default_factory=lambda: pl.DataFrame(schema={"pull": pl.String, "rpm": pl.Float64})
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Footing:
    """Pulls on one footing.

    Args:
        correction: Standard that all torque is corrected by, "none" for none.
        curves: The pulls that could be brought to it.
        shifts: What was done to each of them, in their order.
        marks: What the standard demands to be said of the compared pulls.
        notes: What else the reader must know.
    """

    correction: str
    curves: CurveSet
    shifts: tuple[Shift, ...]
    marks: tuple[str, ...]
    notes: tuple[str, ...]

    @property
    def warnings(self) -> tuple[str, ...]:
        """Return all that the reader must know."""
        return (*self.marks, *self.notes)

    def describe(self) -> dict[str, object]:
        """Return the correction in force as the method of a comparison shows it."""
        if self.correction == NONE:
            return {"name": NONE}
        standard = STANDARDS[self.correction]
        pressure, temperature, humidity = READING_SDS
        return {
            "name": standard.name,
            "title": standard.title,
            "source": standard.source,
            "temperature_degc": list(standard.range_c),
            "pressure_kpa": list(standard.range_kpa),
            "factor": None if standard.range_factor is None else list(standard.range_factor),
            "assumes": "full load, and an engine that breathes the air of the cell freely",
            "reading_sd": {
                "ambient_pressure_kpa": pressure,
                "ambient_temperature_k": temperature,
                "relative_humidity_pct": humidity,
                "source": "common practice, no published source",
            },
        }

    def factors(self, own: CurveSet, setup: str) -> tuple[float, float] | None:
        """Return the lowest and highest factor of a setup's pulls; None where not known."""
        by_pull = dict(zip(self.curves.pull, self.shifts, strict=True))
        known = [
            value
            for name, label in zip(own.pull, own.setup, strict=True)
            if label == setup and (value := by_pull[name].factor) is not None
        ]
        return (min(known), max(known)) if known else None

    def with_errors(self, own: CurveSet) -> CurveSet:
        """Return the study's pulls with what the errors of the air's readings add to them."""
        by_pull = dict(zip(self.curves.pull, self.shifts, strict=True))
        shifts = [by_pull[name] for name in own.pull]
        if not any(shift.sensitivity.any() for shift in shifts):
            return own
        units = _units(own, shifts)
        distinct = sorted(set(units))
        band = np.searchsorted(self.curves.rpm, own.rpm)
        errors = np.zeros((len(own), len(distinct), 3, len(own.rpm)))
        for row, shift in enumerate(shifts):
            at = band if shift.sensitivity.shape[1] > 1 else np.zeros_like(band)
            errors[row, distinct.index(units[row])] = shift.sensitivity[:, at]
        return replace(own, known_errors=errors.reshape(len(own), 3 * len(distinct), len(own.rpm)))


def put_on_footing(
    filed: CurveSet,
    pulls: pl.DataFrame,
    conditions: Conditions,
    *,
    compared: Flags,
    asked: str | None,
) -> Footing:
    """Bring pulls to one correction, and add back what their sweeps spent on inertia.

    Args:
        filed: Torque as stored, all pulls in scope.
        pulls: Their labels and air, in the same order: ambient_pressure_kpa,
            ambient_temperature_c, ambient_humidity_pct, null or missing where not read.
        conditions: What else is known of them.
        compared: Shape (pulls,): the pulls of the setups compared. They must all be brought to it;
            of the others those are left out, and counted, that cannot be.
        asked: The standard, or "none"; None for what the sheets declare, else none.

    Raises:
        AnalysisError: A compared pull cannot be brought to the footing, or they were measured at
            different places.
    """
    facts = [conditions.facts.get(name, NOTHING_SAID) for name in filed.pull]
    left_out: Counter[str] = Counter()
    kept = _usable(facts, compared, left_out)
    kept &= _at_one_place(filed, facts, compared, left_out)
    kept &= _alike_in_inertia(filed, facts, compared, left_out)
    kept &= _with_clock(filed, facts, conditions, compared, left_out)
    corrector = Corrector(filed, pulls, facts, conditions.channels)
    name = choose_correction(asked, corrector, compared)
    shifts: list[Shift] = []
    for row in np.flatnonzero(kept):
        try:
            shifts.append(corrector.shift(int(row), name))
        except AnalysisError as error:
            if compared[row]:
                raise _among_others(error, corrector, name, compared) from error
            left_out["without the readings that this correction needs, or outside its limits"] += 1
            kept[row] = False
    rows = np.flatnonzero(kept)
    curves = _shifted(filed.take(rows), [facts[row] for row in rows], shifts, conditions)
    return Footing(
        correction=name,
        curves=curves,
        shifts=tuple(shifts),
        marks=_say_marks(curves, shifts, compared[kept]),
        notes=(
            *_say_left_out(left_out),
            *_say_places(filed, facts, compared),
            *_say_boost(name, corrector, rows[compared[rows]], shifts, compared[kept]),
        ),
    )


def choose_correction(asked: str | None, corrector: Corrector, compared: Flags) -> str:
    """Return the correction in force: what is asked, else what all sheets declare, else none.

    Raises:
        AnalysisError: Nothing is asked, the sheets declare several corrections, and some of them
            cannot be undone.
    """
    if asked is not None:
        return asked
    rows = [int(row) for row in np.flatnonzero(compared)]
    declared = {corrector.facts[row].corrected_by for row in rows}
    if len(declared) == 1:
        return declared.pop()
    kept = [row for row in rows if not corrector.can_undo(row)]
    if kept:
        raise AnalysisError(
            f"the pulls are corrected by different standards ({_by_standard(corrector, rows)}), "
            "and their factors are not known, so they cannot be brought to one",
            where=", ".join(corrector.curves.pull[row] for row in kept),
            mend="Give their correction_factor or the air they were run in (`amend`), or compare "
            "pulls of one correction.",
        )
    return NONE


def _by_standard(corrector: Corrector, rows: list[int]) -> str:
    names: dict[str, list[str]] = {}
    for row in rows:
        names.setdefault(corrector.facts[row].corrected_by, []).append(corrector.curves.pull[row])
    return "; ".join(f"{one}: {', '.join(names[one])}" for one in sorted(names))


def _among_others(
    error: AnalysisError, corrector: Corrector, name: str, compared: Flags
) -> AnalysisError:
    """Return an error about one pull with all compared pulls that share its fault."""
    alike: list[str] = []
    for row in np.flatnonzero(compared):
        try:
            corrector.shift(int(row), name)
        except AnalysisError as other:
            if other.what == error.what:
                alike.append(corrector.curves.pull[row])
    return AnalysisError(error.what, where=", ".join(alike), mend=error.mend)


def _usable(facts: list[Facts], compared: Flags, left_out: Counter[str]) -> Flags:
    for row, fact in enumerate(facts):
        if fact.fault is not None and compared[row]:
            raise fact.fault
    usable = np.array([fact.fault is None for fact in facts], dtype=np.bool_)
    left_out["whose paperwork contradicts itself"] += int((~usable).sum())
    return usable


def _at_one_place(
    filed: CurveSet, facts: list[Facts], compared: Flags, left_out: Counter[str]
) -> Flags:
    places = {facts[row].torque_at for row in np.flatnonzero(compared)} - {None}
    if len(places) > 1:
        listed = "; ".join(
            f"{place}: "
            + ", ".join(
                filed.pull[row] for row in np.flatnonzero(compared) if facts[row].torque_at == place
            )
            for place in sorted(filter(None, places))
        )
        raise AnalysisError(
            f"torque was measured at different places ({listed}): what lies between them is lost "
            "on the way, and is no effect of the change",
            where="torque_at",
            mend="Compare pulls measured at one place, or `amend` torque_at if the sheet is wrong.",
        )
    same = np.array([not places or f.torque_at in {None, *places} for f in facts], dtype=np.bool_)
    left_out["whose torque was measured at another place"] += int((~same).sum())
    return same


def _alike_in_inertia(
    filed: CurveSet, facts: list[Facts], compared: Flags, left_out: Counter[str]
) -> Flags:
    """Return which pulls are like the others of their engine in stating an inertia or not."""
    stated = np.array([fact.inertia_kg_m2 is not None for fact in facts], dtype=np.bool_)
    missing = compared & ~stated
    if (compared & stated).any() and missing.any():
        raise AnalysisError(
            "some pulls of this comparison state an inertia and these do not: one would be "
            "compared with the torque of its turning parts and the other without",
            where=", ".join(np.array(filed.pull)[missing].tolist()),
            mend="State it for all: dynostats amend PULL inertia=KG_M2 --why REASON",
        )
    engines = np.array(filed.engine)
    stating = np.isin(engines, np.unique(engines[stated]))
    if (compared & ~stated).any():
        stating &= ~np.isin(engines, np.unique(engines[compared]))
        kept = (stated == stating) | compared
    else:
        kept = stated == stating
    left_out["unlike the others of their engine in stating an inertia"] += int((~kept).sum())
    return kept


def _with_clock(
    filed: CurveSet,
    facts: list[Facts],
    conditions: Conditions,
    compared: Flags,
    left_out: Counter[str],
) -> Flags:
    """Return which pulls have the sweep rate that a stated inertia needs."""
    stated = np.flatnonzero([fact.inertia_kg_m2 is not None for fact in facts])
    clock = lay_channel(conditions.channels, filed.take(stated), "time")
    missing = np.zeros(len(filed), dtype=np.bool_)
    missing[stated] = np.isfinite(clock).sum(axis=1) < 2
    if (missing & compared).any():
        raise AnalysisError(
            "an inertia is stated, but no sweep rate is known: the log has no clock, was read by "
            "an older version, or speed was held step by step",
            where=", ".join(np.array(filed.pull)[missing & compared].tolist()),
            mend="`dynostats reingest` reads the clock of older pulls; for steps, which spend "
            "nothing on inertia, empty the field: dynostats amend PULL inertia= --why REASON",
        )
    left_out["whose inertia is stated without a clock"] += int(missing.sum())
    return ~missing


def _shifted(
    curves: CurveSet, facts: list[Facts], shifts: list[Shift], conditions: Conditions
) -> CurveSet:
    """Return torque less the old correction, with the inertia torque, times the new correction."""
    undo = np.array([np.broadcast_to(shift.undo, curves.rpm.shape) for shift in shifts])
    apply = np.array([np.broadcast_to(shift.apply, curves.rpm.shape) for shift in shifts])
    raw = curves.log_torque - undo
    inertia = np.array([fact.inertia_kg_m2 or 0.0 for fact in facts])
    rows = np.flatnonzero(inertia > 0.0)
    if len(rows):
        part = curves.take(rows)
        rates = sweep_rates(lay_channel(conditions.channels, part, "time"), curves.rpm)
        raw[rows] = np.log(np.exp(raw[rows]) + inertia_torque(inertia[rows], rates))
    return replace(curves, log_torque=raw + apply)


def _units(own: CurveSet, shifts: list[Shift]) -> list[tuple[str, ...]]:
    """Name the reading whose error each pull has.

    A reading that several pulls share has an error of its own. Readings taken anew at every pull
    show theirs in how far pulls of one setup repeat; what these pulls share is the instrument, and
    that errs alike all through a session.
    """
    keys = list(zip(own.session, (shift.reading for shift in shifts), strict=True))
    shared = Counter(keys)
    anew: set[str] = set()
    for session in set(own.session):
        by_setup: dict[str, set[str]] = {}
        for (place, reading), setup in zip(keys, own.setup, strict=True):
            if place == session:
                by_setup.setdefault(setup, set()).add(reading)
        if any(len(readings) > 1 for readings in by_setup.values()):
            anew.add(session)
    return [
        (session,) if shared[session, reading] == 1 and session in anew else (session, reading)
        for session, reading in keys
    ]


def _say_left_out(left_out: Counter[str]) -> tuple[str, ...]:
    return tuple(
        f"{number} other {'pull' if number == 1 else 'pulls'} {why} "
        f"{'is' if number == 1 else 'are'} left out of the noise."
        for why, number in left_out.items()
        if number
    )


def _say_marks(curves: CurveSet, shifts: list[Shift], compared: Flags) -> tuple[str, ...]:
    marked: dict[str, list[str]] = {}
    for name, shift, used in zip(curves.pull, shifts, compared, strict=True):
        if used and shift.mark:
            marked.setdefault(shift.mark, []).append(name)
    return tuple(f"{', '.join(names)}: {mark}." for mark, names in marked.items())


def _say_places(filed: CurveSet, facts: list[Facts], compared: Flags) -> tuple[str, ...]:
    rows = np.flatnonzero(compared)
    unknown = [filed.pull[row] for row in rows if facts[row].torque_at is None]
    if not unknown or len(unknown) == len(rows):
        return ()
    text = (
        f"{', '.join(unknown)}: where torque was measured is not stated, and was taken to be as "
        "for the others."
    )
    return (text,)


def _say_boost(
    name: str, corrector: Corrector, rows: Ints, shifts: list[Shift], compared: Flags
) -> tuple[str, ...]:
    """Warn that correcting an engine of controlled boost can make a difference of its own."""
    if name == NONE:
        return ()
    factors = [s.factor for s, used in zip(shifts, compared, strict=True) if used and s.factor]
    if not factors or max(factors) / min(factors) < 1.0005:  # below 0.05 %: the air cancels
        return ()
    boosted = corrector.boosted(rows)
    if not boosted or (boosted == "compensated" and STANDARDS[name].compensated_is_one):
        return ()
    known = "it is so" if boosted == "compensated" else "the files do not tell"
    text = (
        f"The engine was boosted, and these pulls were run in different air (factors "
        f"{min(factors):.4f} to {max(factors):.4f}). An ambient correction assumes an engine that "
        f"breathes the air of the cell freely: where boost is held by a controller ({known}), "
        f"it adds up to {100.0 * math.log(max(factors) / min(factors)):.2f}% of difference that "
        "is not there. Pulls of one session, uncorrected, do not need it."
    )
    return (text,)
