"""What goes wrong with a pull, on demand."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np
import polars as pl

from dynostats.errors import InputError

FaultKind = Literal[
    "ends_early",
    "torque_collapse",
    "speed_reversal",
    "fuel_pressure_loss",
    "missing_channel",
    "flat_line",
    "spikes",
    "saturation",
    "clock_gap",
    "power_mismatch",
    "hot_start",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fault:
    """One thing that goes wrong.

    Args:
        kind: What it is.
        at: Where along the log it begins, 0 to 1 of its rows.
        severity: Its size: share of torque or fuel pressure lost (`torque_collapse`,
            `fuel_pressure_loss`), rpm fallen back (`speed_reversal`), number of spikes
            (`spikes`), level as share of the channel's highest value (`saturation`), seconds
            missing (`clock_gap`), percent that power is off (`power_mismatch`), kelvin hotter
            (`hot_start`; negative is colder).
        channel: Channel that suffers, where the kind needs one.
    """

    kind: FaultKind
    at: float = 0.5
    severity: float = 1.0
    channel: str = ""


def is_thermal(fault: Fault) -> bool:
    """Tell whether the fault happens to the engine rather than to its log."""
    return fault.kind == "hot_start"


def apply_fault(samples: pl.DataFrame, fault: Fault, rng: np.random.Generator) -> pl.DataFrame:
    """Return the log with the fault in it; the thermal kind leaves the log as it is.

    Raises:
        InputError: If the fault names a channel that the log lacks.
    """
    if fault.channel and fault.channel not in samples.columns:
        raise InputError(
            f"the log has no channel {fault.channel!r} to spoil",
            mend=f"name one of: {', '.join(samples.columns)}",
        )
    start = round(fault.at * (samples.height - 1))
    return _APPLY[fault.kind](samples, fault, start, rng)


_Apply = Callable[[pl.DataFrame, Fault, int, np.random.Generator], pl.DataFrame]


def _end_early(
    samples: pl.DataFrame, _fault: Fault, start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    return samples.head(max(start, 1))


def _collapse_torque(
    samples: pl.DataFrame, fault: Fault, start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    """Torque falls away within a tenth of the log and stays down."""
    rows = np.arange(samples.height)
    fallen = np.clip((rows - start) / (0.1 * samples.height), 0.0, 1.0) * fault.severity
    return _scale(samples, ("torque", "power"), 1.0 - fallen)


def _reverse_speed(
    samples: pl.DataFrame, fault: Fault, start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    """A lift: speed falls back and recovers over 15% of the log; power follows speed."""
    rows = np.arange(samples.height)
    hollow = np.clip(1.0 - np.abs(rows - start) / (0.075 * samples.height), 0.0, None)
    speed = samples["engine_speed"].to_numpy()
    reversed_speed = speed - fault.severity * hollow
    lifted = _scale(samples, ("torque", "power"), 1.0 - 0.8 * hollow)
    return _scale(lifted, ("power",), reversed_speed / speed).with_columns(
        pl.Series("engine_speed", reversed_speed)
    )


def _lose_fuel_pressure(
    samples: pl.DataFrame, fault: Fault, start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    rows = np.arange(samples.height)
    lost = np.clip((rows - start) / (0.2 * samples.height), 0.0, 1.0) * fault.severity
    return _scale(samples, ("fuel_pressure",), 1.0 - lost)


def _drop_channel(
    samples: pl.DataFrame, fault: Fault, _start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    return samples.drop(fault.channel)


def _flatten(
    samples: pl.DataFrame, fault: Fault, start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    values = samples[fault.channel].to_numpy().copy()
    values[start:] = values[start]
    return samples.with_columns(pl.Series(fault.channel, values))


def _spike(
    samples: pl.DataFrame, fault: Fault, start: int, rng: np.random.Generator
) -> pl.DataFrame:
    """Single samples that jump by 15% of the channel's range, either way, after the start."""
    values = samples[fault.channel].to_numpy().copy()
    reach = np.arange(start, samples.height)
    hit = rng.choice(reach, size=min(int(fault.severity), len(reach)), replace=False)
    values[hit] += rng.choice([-0.15, 0.15], size=len(hit)) * np.ptp(values)
    return samples.with_columns(pl.Series(fault.channel, values))


def _saturate(
    samples: pl.DataFrame, fault: Fault, _start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    values = samples[fault.channel].to_numpy()
    clipped = np.minimum(values, fault.severity * values.max())
    return samples.with_columns(pl.Series(fault.channel, clipped))


def _skip_clock(
    samples: pl.DataFrame, fault: Fault, start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    """The logger stops for a while: its rows are missing, its clock goes on."""
    time = samples["time"].to_numpy()
    missing = (time > time[start]) & (time < time[start] + fault.severity)
    return samples.filter(pl.Series(~missing))


def _mismatch_power(
    samples: pl.DataFrame, fault: Fault, _start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    return _scale(samples, ("power",), 1.0 + fault.severity / 100.0)


def _leave(
    samples: pl.DataFrame, _fault: Fault, _start: int, _rng: np.random.Generator
) -> pl.DataFrame:
    return samples


def _scale(
    samples: pl.DataFrame, channels: tuple[str, ...], factor: np.ndarray | float
) -> pl.DataFrame:
    return samples.with_columns(
        pl.Series(channel, samples[channel].to_numpy() * factor) for channel in channels
    )


_APPLY: dict[FaultKind, _Apply] = {
    "ends_early": _end_early,
    "torque_collapse": _collapse_torque,
    "speed_reversal": _reverse_speed,
    "fuel_pressure_loss": _lose_fuel_pressure,
    "missing_channel": _drop_channel,
    "flat_line": _flatten,
    "spikes": _spike,
    "saturation": _saturate,
    "clock_gap": _skip_clock,
    "power_mismatch": _mismatch_power,
    "hot_start": _leave,
}
