"""The air of the cell as it was read, and what of its pressure is dry air."""

from __future__ import annotations

from dataclasses import dataclass

from dynostats.errors import AnalysisError
from dynostats.units import saturation_pressure_kpa

# Standard deviations of a reading: pressure kPa, temperature K, relative humidity points of
# percent. A good barometer and a thermometer at the intake; common practice, no published source.
READING_SDS = (0.1, 1.0, 5.0)
# Air that a test cell can have; common practice, no published source.
_POSSIBLE = {
    "ambient_pressure": (50.0, 110.0, "kPa"),
    "ambient_temperature": (-30.0, 50.0, "degC"),
    "relative_humidity": (0.0, 100.0, "%"),
}
# What a reading outside them most likely is.
_MISTAKEN = {
    "ambient_pressure": (
        (0.5, 1.2, "bar"),
        (7.0, 16.0, "psi"),
        (20.0, 33.0, "inHg"),
        (375.0, 499.0, "mmHg or mbar"),
        (499.0, 825.0, "mmHg (or mbar high up)"),
        (825.0, 1100.0, "mbar"),
        (50_000.0, 110_000.0, "Pa"),
    ),
    "ambient_temperature": ((50.0, 122.0, "degF"), (243.0, 323.0, "K")),
    "relative_humidity": ((0.0, 1.0, "a fraction, not percent"),),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Air:
    """Air at the intake; made by `read_air`.

    Args:
        pressure_kpa: Barometric pressure, absolute, water vapour included.
        temperature_c: Temperature.
        humidity_pct: Relative humidity; None when it was not read.
    """

    pressure_kpa: float
    temperature_c: float
    humidity_pct: float | None


def read_air(
    pressure_kpa: float, temperature_c: float, humidity_pct: float | None, *, where: str
) -> Air:
    """Return the air of a pull if a test cell can have it.

    Args:
        pressure_kpa: Barometric pressure.
        temperature_c: Temperature at the intake.
        humidity_pct: Relative humidity; None when it was not read.
        where: The pull, for the message.

    Raises:
        AnalysisError: If a reading is impossible: mistyped, or in another unit.
    """
    _require_possible("ambient_pressure", pressure_kpa, where)
    _require_possible("ambient_temperature", temperature_c, where)
    if humidity_pct is not None:
        _require_possible("relative_humidity", humidity_pct, where)
    return Air(pressure_kpa=pressure_kpa, temperature_c=temperature_c, humidity_pct=humidity_pct)


def dry_pressure_kpa(air: Air) -> float:
    """Return the pressure of the dry air: barometric pressure less that of the water vapour.

    Source:
        Dalton's law; saturation pressure by IAPWS SR1-86(1992), see
        `dynostats.units.saturation_pressure_kpa`.

    Raises:
        AnalysisError: If the humidity was not read.

    Example:
        >>> round(dry_pressure_kpa(Air(pressure_kpa=100, temperature_c=30, humidity_pct=50)), 2)
        97.88
    """
    if air.humidity_pct is None:
        raise AnalysisError(
            "the relative humidity was not read",
            where="relative_humidity",
            mend="Add it to the sheet, `amend` it, or ask for din_70020, which ignores it.",
        )
    vapour = air.humidity_pct / 100.0 * saturation_pressure_kpa(air.temperature_c)
    return air.pressure_kpa - vapour


def _require_possible(field: str, value: float, where: str) -> None:
    low, high, unit = _POSSIBLE[field]
    fraction = field == "relative_humidity" and 0.0 < value < 1.0
    if low <= value <= high and not fraction:
        return
    likely = next((name for a, b, name in _MISTAKEN[field] if a <= value <= b), "")
    hint = f" It reads like {likely}." if likely else ""
    raise AnalysisError(
        f"{field} is {value:g} {unit}; a test cell has {low:g} to {high:g} {unit}.{hint}",
        where=where,
        mend=f"Correct it, in {unit}: dynostats amend {where} {field}=VALUE --why REASON",
    )
