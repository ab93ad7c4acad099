"""Measure consumption and mixture, and compare fuels with the mixture held equal."""

from __future__ import annotations

from typing import Final

import numpy as np
import polars as pl

from dynostats.analysis.channel_change import Changes, Exponent, Measured
from dynostats.analysis.fuel.finding import KNOCK_NOTE, METHOD, FuelFinding
from dynostats.analysis.side_channels import CYLINDERS, SPEED_SCHEMA, SideChannels
from dynostats.arrays import Floats
from dynostats.units import power_kw

FUEL, AIR, LAMBDA = "fuel_flow", "air_flow", "lambda"
NO_MIXTURE: Final = "Fuels at equal mixture cannot be compared: {}."


def consumption_g_kwh(fuel_kg_h: Floats, power: Floats) -> Floats:
    """Return the brake-specific fuel consumption, g/kWh.

    Source: Heywood (1988), Internal Combustion Engine Fundamentals, sec. 2.8 (from memory): fuel
    flow over brake power.

    Args:
        fuel_kg_h: Fuel flow.
        power: kW.
    """
    return 1000.0 * fuel_kg_h / power


def measure_fuel(channels: SideChannels, mixture: Exponent | None) -> FuelFinding | None:
    """Measure fuel and mixture in both setups.

    Args:
        channels: With `FUEL_CHANNELS` and the cylinders' lambda.
        mixture: Percent of torque per percent of lambda; None where the split has none.

    Returns:
        What the channels allow; None where neither fuel flow nor lambda was read in any compared
        pull.
    """
    lam = _mean_lambda(channels)
    if not (channels.read(channels.values[FUEL]) or channels.read(lam)):
        return None
    with np.errstate(invalid="ignore", divide="ignore"):
        logs = {
            FUEL: _finite(np.log(channels.values[FUEL])),
            AIR: _finite(np.log(channels.values[AIR])),
            LAMBDA: _finite(np.log(lam)),
        }
    figures = (
        _plain(channels, _consumption(channels), "brake-specific fuel consumption", "g/kWh"),
        _in_percent(channels, logs[FUEL], "fuel flow"),
        _plain(channels, lam, "lambda", "1"),
        _in_percent(channels, logs[FUEL] + logs[LAMBDA], "fuel flow at equal lambda"),
        _in_percent(channels, logs[AIR], "air flow"),
        _plain(
            channels,
            channels.values[AIR] / (channels.values[FUEL] * lam),
            "air to burn a kilogram of fuel, air / (fuel x lambda)",
            "kg/kg",
        ),
        *_at_equal_lambda(channels, logs, mixture),
    )
    return FuelFinding(
        figures=tuple(one for one in figures if one is not None),
        cylinders=_cylinders(channels),
        curve=_curves(channels, lam),
        cannot=_cannot(channels, lam, mixture),
        notes=(KNOCK_NOTE,),
        method=dict(METHOD),
    )


def _finite(values: Floats) -> Floats:
    return np.where(np.isfinite(values), values, np.nan)


def _mean_lambda(channels: SideChannels) -> Floats:
    """Return lambda; the mean of the cylinders' in pulls that have only those."""
    lam = channels.values[LAMBDA]
    named = [name for name in CYLINDERS if name in channels.values]
    if not named:
        return lam
    stacked = np.stack([channels.values[name] for name in named])
    bare = np.all(np.isnan(lam), axis=1)
    return np.where(bare[:, None], stacked.mean(axis=0), lam)


def _consumption(channels: SideChannels) -> Floats:
    power = power_kw(np.exp(channels.pulls.log_torque), channels.pulls.rpm[None, :])
    return consumption_g_kwh(channels.values[FUEL], power)


def _means(channels: SideChannels, *values: Floats) -> Changes | None:
    """Return how the means over the shared speeds of some quantities changed."""
    kept = channels.shared(*values)
    if not kept.any():
        return None
    return channels.changes(np.stack([one[:, kept].mean(axis=1) for one in values], axis=1))


def _plain(channels: SideChannels, values: Floats, name: str, unit: str) -> Measured | None:
    changes = _means(channels, values)
    return None if changes is None else changes.at(0, name=name, unit=unit)


def _in_percent(channels: SideChannels, logs: Floats, name: str) -> Measured | None:
    changes = _means(channels, logs)
    return None if changes is None else changes.percent_at(0, name=name)


def _at_equal_lambda(
    channels: SideChannels, logs: dict[str, Floats], mixture: Exponent | None
) -> tuple[Measured, ...]:
    """Return torque and consumption with the mixture held equal by the split's exponent."""
    if mixture is None:
        return ()
    torque, lam = channels.pulls.log_torque, logs[LAMBDA]
    wanted = (
        ("torque at equal lambda", torque - mixture.value * lam),
        (
            "brake-specific fuel consumption at equal lambda",
            logs[FUEL] - torque + (1.0 + mixture.value) * lam,
        ),
    )
    found = ((name, _means(channels, values, lam)) for name, values in wanted)
    return tuple(changes.valued(name, mixture) for name, changes in found if changes is not None)


def _cylinders(channels: SideChannels) -> tuple[Measured, ...]:
    named = [name for name in CYLINDERS if name in channels.values and channels.has(name)]
    if len(named) < 2:
        return ()
    stacked = np.stack([channels.values[name] for name in named])
    apart = stacked - stacked.mean(axis=0)
    changes = _means(channels, *apart)
    if changes is None:
        return ()
    return tuple(
        changes.at(at, name=f"cylinder {name.removeprefix('lambda_')}", unit="1")
        for at, name in enumerate(named)
    )


def _curves(channels: SideChannels, lam: Floats) -> pl.DataFrame:
    cylinders = [name for name in CYLINDERS if name in channels.values and channels.has(name)]
    wanted = {
        "consumption_g_kwh": _consumption(channels),
        "fuel_flow_kg_h": channels.values[FUEL],
        "lambda": lam,
        **{name: channels.values[name] for name in cylinders},
    }
    frames = [
        channels.curve(name, values) for name, values in wanted.items() if channels.read(values)
    ]
    return pl.concat(frames) if frames else pl.DataFrame(schema=SPEED_SCHEMA)


def _cannot(channels: SideChannels, lam: Floats, mixture: Exponent | None) -> tuple[str, ...]:
    lacking = channels.lacking(FUEL)
    found = [f"Fuel consumption cannot be told: {'; '.join(lacking)}."] if lacking else []
    if not channels.read(lam):
        found.append(NO_MIXTURE.format("; ".join(channels.lacking(LAMBDA))))
    elif mixture is None:
        found.append(NO_MIXTURE.format("the split has no exponent of the mixture for these pulls"))
    return tuple(found)
