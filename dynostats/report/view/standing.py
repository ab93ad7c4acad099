"""What every report says whatever its result: how it is worked out, its limits, the cautions."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.analysis.comparison import Comparison
from dynostats.report import sentences
from dynostats.report.numbers import speeds


@dataclass(frozen=True, slots=True, kw_only=True)
class Cautions:
    """Usual cautions about one occasion."""

    occasion: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Standing:
    """The standing texts, in order of the page."""

    method: tuple[str, ...]
    relabelling: str
    peaks: str
    window: str
    limits: tuple[str, ...]
    care: str
    cautions: tuple[Cautions, ...]
    remarks: str


def build_standing(result: Comparison) -> Standing:
    """Return the standing texts, worded for this level, margin and band."""
    level = sentences.level(result)
    margin = f"±{result.margin_pct:g}%"
    band = speeds(*result.band)
    return Standing(
        method=(
            (
                "Each pull's rising, full-load sweep is put on a common grid of engine speeds, "
                "the same way for every pull. Setups are compared as ratios (on the log scale):"
                " noise grows with torque, and a ratio is what “percent more” means. At a given"
                " engine speed power and torque differ by the same percentage."
            ),
            (
                "The difference is judged against two layers of noise: what changes from one "
                "pull to the next in one session, and what changes from one session to the "
                "next. Pulls of one session share that session's conditions, so more pulls in "
                "it do not replace another session."
            ),
            (
                "The band is built so that the true curve lies inside it at every speed at "
                f"once, {level} of the time. “Gain” is said only where the whole band lies above"
                " zero, “loss” where it lies below; “no change that matters” where it lies "
                f"inside {margin}; everything else is “undecided”, which is not the same as “no "
                "change”."
            ),
        ),
        relabelling=(
            "Had the change done nothing, the same curves could have come with the setups' labels "
            "dealt otherwise among the pulls of each session. How often would such a dealing show "
            "a difference as large?"
        ),
        peaks=(
            "Highest value of each setup's mean curve, less the bias that every maximum of a "
            f"noisy curve has, with {level} intervals from pull-to-pull noise alone "
            f"({result.pulls.baseline} baseline and {result.pulls.candidate} candidate pulls). A "
            "difference of two peaks is not the answer above."
        ),
        window=(
            "The interval is the mean of the band's bounds over the window, on the log scale. "
            "Because the band holds over the whole curve at once, it holds for any window you "
            "pick after looking; for the whole range it is wider than the interval stated above, "
            "which was fixed beforehand."
        ),
        limits=(
            (
                "It holds for this engine, this cell and the conditions of these sessions, between "
                f"{band}. It says nothing about other engines, other fuel, or speeds outside that "
                "range."
            ),
            (
                "It says that the setups differ, not that the named change is the reason. Whatever "
                "else changed between them is part of the difference."
            ),
            (
                "An error of the cell that is the same in every pull, such as a wrong calibration, "
                "moves both setups alike: the percentage barely suffers, the kW figures do."
            ),
            (
                "The noise is as large as the pulls on record show. A fault that never occurred in "
                "them is not in it."
            ),
            (
                "“Undecided” means that these pulls cannot tell. It does not mean that the "
                "setups are equal."
            ),
            (
                "Full-load sweeps on a dynamometer are not driving: part load, response, "
                "durability and emissions were not looked at."
            ),
        ),
        care=(
            "These are the usual cautions. Local codes, the rules of the cell, licensed practice "
            "and the engine maker's limits come first."
        ),
        cautions=_CAUTIONS,
        remarks="In the shop's own words; the figures above come from the measurements alone.",
    )


_CAUTIONS = (
    Cautions(
        occasion="In the test cell",
        lines=(
            (
                "An engine at full load can throw parts, burn and poison. Nobody stands beside "
                "the engine or in the plane of shafts, clutches and rollers while it runs; "
                "guards are on, the emergency stop has been tried."
            ),
            (
                "Exhaust extraction and a carbon-monoxide alarm are running; fuel lines are "
                "leak-tested; the right extinguisher is within reach; hearing and eyes are "
                "protected."
            ),
            (
                "Stop the pull for knock, a lean or rising mixture reading, low oil pressure, or a "
                "temperature or speed beyond the engine maker's limit. No figure here is worth an "
                "engine or a hand."
            ),
        ),
    ),
    Cautions(
        occasion="First running in a vehicle",
        lines=(
            (
                "Check fuel, oil, coolant and exhaust joints for leaks cold and after the first"
                " heat; check fasteners again after the first heat cycle."
            ),
            (
                "Start at part load, watch mixture, temperatures and pressures, and go to full "
                "load only off the public road, where that is permitted and safe."
            ),
            (
                "A change to intake, exhaust, fuel or control may need approval before the vehicle "
                "goes on the road. A qualified person decides."
            ),
        ),
    ),
)
