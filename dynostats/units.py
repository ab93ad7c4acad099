"""The only conversions between units, with pint behind them."""

from __future__ import annotations

from functools import cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt

Values = TypeVar("Values", float, npt.NDArray[np.float64])

_RAD_S_PER_RPM = np.pi / 30.0


def power_kw(torque_nm: Values, speed_rpm: Values) -> Values:
    """Return power in kW: P = T * n * pi / 30000."""
    return torque_nm * speed_rpm * (_RAD_S_PER_RPM / 1000.0)


def torque_nm(power_kw: Values, speed_rpm: Values) -> Values:
    """Return torque in N.m: T = P * 30000 / (pi * n)."""
    return power_kw * 1000.0 / (speed_rpm * _RAD_S_PER_RPM)


@cache
def _factor_offset(from_unit: str, to_unit: str) -> tuple[float, float]:
    import pint  # noqa: PLC0415 - costs 0.2 s, needed only when a unit differs

    registry = pint.UnitRegistry(autoconvert_offset_to_baseunit=True)
    zero = registry.Quantity(0.0, from_unit).to(to_unit).magnitude
    one = registry.Quantity(1.0, from_unit).to(to_unit).magnitude
    return float(one - zero), float(zero)


def convert(values: Values, from_unit: str, to_unit: str) -> Values:
    """Return values in another unit of the same dimension."""
    factor, offset = _factor_offset(from_unit, to_unit)
    return values * factor + offset
