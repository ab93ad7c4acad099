"""The tables of the page: one small class a kind of row, and how a result fills it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import cast

import numpy as np
import polars as pl

from dynostats.analysis.comparison import Comparison, Peak
from dynostats.report import sentences
from dynostats.report.numbers import (
    Kind,
    Quantity,
    decimal,
    percent,
    speed,
    speeds,
)
from dynostats.report.view.words import effect_text, interval_text, kilowatts, sd_text
from dynostats.words import count

_TABLE_STEP_RPM = 250


@dataclass(frozen=True, slots=True, kw_only=True)
class RegionRow:
    """One region of engine speed, in words."""

    verdict: str
    symbol: str
    words: str
    speeds: str
    effect: str
    interval: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PullRow:
    """One pull of the study."""

    place: str
    pull: str
    file: str
    setup: str
    role: str
    session: str
    started: str
    covered: str
    mean_power: Quantity | None
    mean_torque: Quantity | None
    used: bool
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class SpeedRow:
    """One grid speed of the data table; place is its row in the curve."""

    place: int
    rpm: str
    baseline_kw: Quantity
    candidate_kw: Quantity
    baseline_nm: Quantity
    candidate_nm: Quantity
    effect: str
    low: str
    high: str
    coarse: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class NoiseRow:
    """One layer of noise with what it rests on."""

    layer: str
    size: str
    basis: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PeakRow:
    """Peak power or torque of one setup."""

    what: str
    setup: str
    value: Quantity
    low: Quantity
    high: Quantity
    at: str
    between: str


@dataclass(frozen=True, slots=True, kw_only=True)
class InfluenceRow:
    """The answer without one pull."""

    pull: str
    verdict: str
    symbol: str
    words: str
    effect: str
    interval: str


def region_rows(result: Comparison) -> tuple[RegionRow, ...]:
    """Return one row a region, in order of speed."""
    return tuple(
        RegionRow(
            verdict=region.verdict,
            symbol=sentences.BADGES[region.verdict][0],
            words=sentences.REGION_WORDS[region.verdict],
            speeds=speeds(region.from_rpm, region.to_rpm),
            effect=effect_text(region),
            interval=interval_text(region.low_pct, region.high_pct),
        )
        for region in result.regions
    )


def whole_row(result: Comparison) -> RegionRow:
    """Return the whole band as a row like those of its regions."""
    overall = result.overall
    return RegionRow(
        verdict=result.verdict,
        symbol=sentences.BADGES[result.verdict][0],
        words=sentences.REGION_WORDS[result.verdict],
        speeds=speeds(*result.band),
        effect=effect_text(overall),
        interval=interval_text(overall.low_pct, overall.high_pct),
    )


def pull_rows(result: Comparison) -> list[PullRow]:
    """Return one row a pull of the study, in the table's order, counted from 1."""
    return [
        _pull_row(place, row)
        for place, row in enumerate(result.pull_table.iter_rows(named=True), start=1)
    ]


def _pull_row(place: int, row: dict[str, object]) -> PullRow:
    power, torque = (cast("float | None", row[name]) for name in ("mean_kw", "mean_nm"))
    ends = [cast("float | None", row[name]) for name in ("rpm_low", "rpm_high")]
    known = [end for end in ends if end is not None]
    return PullRow(
        place=str(place),
        pull=_word(row["pull"]),
        file=_word(row["file"]),
        setup=_word(row["setup"]),
        role=_word(row["role"]),
        session=_word(row["session"]),
        started=_word(row["started"]).replace("T", " "),
        covered=speeds(known[0], known[1]) if len(known) == len(ends) else "",
        mean_power=None if power is None else Quantity(value=power, kind="kw", bare=True),
        mean_torque=None if torque is None else Quantity(value=torque, kind="nm", bare=True),
        used=row["state"] == "accepted",
        why=_word(row["why"]),
    )


def peak_rows(result: Comparison) -> tuple[PeakRow, ...]:
    """Return one row a peak; none when the noise is unknown."""
    return tuple(_peak_row(peak) for peak in result.peaks)


def _peak_row(peak: Peak) -> PeakRow:
    kind: Kind = "kw" if peak.quantity == "power" else "nm"
    edge = " (at the end of the range: the curve may go on rising)" if peak.at_edge else ""
    return PeakRow(
        what=f"Peak {peak.quantity}",
        setup=peak.setup,
        value=Quantity(value=peak.value, kind=kind),
        low=Quantity(value=peak.low, kind=kind, bare=True),
        high=Quantity(value=peak.high, kind=kind),
        at=f"{speed(peak.rpm)} rpm{edge}",
        between=speeds(peak.rpm_low, peak.rpm_high),
    )


def influence_rows(result: Comparison) -> tuple[InfluenceRow, ...]:
    """Return one row a pull with the answer that stands without it."""
    return tuple(
        InfluenceRow(
            pull=one.pull,
            verdict=one.verdict,
            symbol=sentences.BADGES[one.verdict][0],
            words=sentences.REGION_WORDS[one.verdict],
            effect=effect_text(one),
            interval=interval_text(one.low_pct, one.high_pct),
        )
        for one in result.influence
    )


def _word(value: object) -> str:
    return "" if value is None else str(value)


def noise_rows(result: Comparison) -> tuple[NoiseRow, ...]:
    """Return one row a layer of noise, known or not."""
    noise = result.noise
    return (
        NoiseRow(
            layer="One pull to the next, same setup and session",
            size=sd_text(noise.pull_sd_pct),
            basis=f"{decimal(noise.pull_df, 0)} degrees of freedom",
        ),
        NoiseRow(
            layer="One session to the next, same setup",
            size=sd_text(noise.session_sd_pct),
            basis=(
                "no setup was repeated in another session"
                if noise.session_df is None
                else f"{decimal(noise.session_df, 0)} degrees of freedom"
            ),
        ),
        NoiseRow(
            layer="Drift from each pull to the next, no more than",
            size=sd_text(noise.drift_bound_pct),
            basis=(
                f"not bounded: {noise.drift_sessions} sessions with a known run order are too few"
                if noise.drift_bound_pct is None
                else f"90% bound from {noise.drift_sessions} sessions"
            ),
        ),
    )


def history_text(result: Comparison) -> str:
    """Return in words how much of the noise estimate rests on earlier pulls."""
    noise = result.noise
    if noise.history_pulls == 0:
        return "It rests on the pulls of this study alone."
    weight = percent(100 * noise.history_weight, 0)
    return (
        f"{count(noise.history_pulls, 'earlier pull')} outside this study carry {weight} of the "
        "weight of that estimate."
    )


def speed_rows(result: Comparison) -> tuple[SpeedRow, ...]:
    """Return one row a grid speed."""
    coarse = coarse_speeds(result.curve["rpm"], _TABLE_STEP_RPM)
    return tuple(
        SpeedRow(
            place=place,
            rpm=speed(row["rpm"]),
            baseline_kw=kilowatts(row["baseline_kw"], bare=True),
            candidate_kw=kilowatts(row["candidate_kw"], bare=True),
            baseline_nm=Quantity(value=row["baseline_nm"], kind="nm", bare=True),
            candidate_nm=Quantity(value=row["candidate_nm"], kind="nm", bare=True),
            effect=decimal(row["effect_pct"], 2, signed=True),
            low="unknown" if row["low_pct"] is None else decimal(row["low_pct"], 2, signed=True),
            high="unknown" if row["high_pct"] is None else decimal(row["high_pct"], 2, signed=True),
            coarse=row["rpm"] in coarse,
        )
        for place, row in enumerate(result.curve.iter_rows(named=True))
    )


def coarse_speeds(rpm: pl.Series, step_rpm: int) -> set[float]:
    """Return the grid speed nearest to each multiple of a step inside the range."""
    grid = rpm.to_numpy()
    first = -(-grid[0] // step_rpm) * step_rpm
    wanted = np.arange(first, grid[-1] + 1e-9, step_rpm)
    return {float(grid[np.abs(grid - speed_wanted).argmin()]) for speed_wanted in wanted}
