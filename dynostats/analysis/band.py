"""Which engine speeds a comparison spans: what every compared pull covers, or what is asked."""

from __future__ import annotations

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Flags, Floats
from dynostats.errors import AnalysisError


def cut_to_band(
    everything: CurveSet,
    members: list[str],
    setups: list[str],
    band: tuple[float, float] | None,
) -> tuple[CurveSet, CurveSet]:
    """Cut curves to the band and pick the study's pulls.

    Args:
        everything: All pulls in scope.
        members: Names of the study's pulls, third setups included.
        setups: The setups compared; all their pulls in the study must cover the band.
        band: First and last engine speed asked for, rpm; None for all that they cover.

    Returns:
        All pulls with anything on the band, and the study's pulls that cover it whole: third
        setups stay only if they do.

    Raises:
        AnalysisError: The compared pulls share no band, or not the one asked for.
    """
    member = np.isin(everything.pull, members)
    compared = np.isin(everything.setup, setups) & member
    known = np.isfinite(everything.log_torque)
    _require_torque(everything, known, compared)
    covered: Flags = np.all(known[compared], axis=0)
    columns = _longest_run(everything.rpm, covered)
    if columns.sum() < 4:
        raise AnalysisError(
            f"the pulls of {' and '.join(repr(name) for name in setups)} share fewer than four "
            "grid speeds (50 rpm apart)",
            mend="Exclude the pull that ended early (see `pulls`), or pull the setups over the "
            "same engine speeds.",
        )
    columns = _asked_band(everything.rpm, columns, band)
    everything = everything.within(columns)
    whole: Flags = np.all(known[:, columns], axis=1)
    some: Flags = np.any(known[:, columns], axis=1)
    return everything.take(some), everything.take(member & whole)


def _require_torque(everything: CurveSet, known: Flags, compared: Flags) -> None:
    empty: Flags = compared & ~np.any(known, axis=1)
    if empty.any():
        names = ", ".join(name for name, bare in zip(everything.pull, empty, strict=True) if bare)
        raise AnalysisError(
            f"{names}: no torque above zero at any speed",
            mend="Exclude it, or name its torque or power channel with --channels and `reingest`.",
        )


def _longest_run(rpm: Floats, flags: Flags) -> Flags:
    """Keep the longest run of flagged speeds without a hole: also not one where no pull has any."""
    kept = np.zeros_like(flags)
    at = np.flatnonzero(flags)
    if at.size:
        step = float(np.diff(rpm).min()) if len(rpm) > 1 else 1.0
        runs = np.split(at, np.flatnonzero(np.diff(rpm[at]) > 1.5 * step) + 1)
        kept[max(runs, key=len)] = True
    return kept


def _asked_band(rpm: Floats, covered: Flags, band: tuple[float, float] | None) -> Flags:
    if band is None:
        return covered
    low, high = band
    first, last = float(rpm[covered][0]), float(rpm[covered][-1])
    step = float(rpm[1] - rpm[0])
    if not low < high:
        raise AnalysisError(
            f"band is {low:g}:{high:g}; its low end must be below its high end", where="--band"
        )
    if low < first - step or high > last + step:
        raise AnalysisError(
            f"band is {low:g}:{high:g} rpm, but every pull compared covers only "
            f"{first:g}:{last:g} rpm",
            where="--band",
            mend=f"Ask within {first:g}:{last:g}, or exclude the pull that ended early.",
        )
    asked = covered & (rpm >= low) & (rpm <= high)
    if asked.sum() < 4:
        raise AnalysisError(
            f"band is {low:g}:{high:g} rpm, fewer than four grid speeds (50 rpm apart)",
            where="--band",
            mend="Ask for a wider band.",
        )
    return asked
