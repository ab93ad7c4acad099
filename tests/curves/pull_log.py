"""Logs for the tests of sweep and grid: a known torque curve, any course of engine speed."""

from __future__ import annotations

import numpy as np
import polars as pl

RATE_HZ = 50.0
LOW, HIGH = 2000.0, 6500.0


def torque_at(speed):
    """Return the true torque of the tests' engine, N.m."""
    return 300.0 + 100.0 * np.sin((np.asarray(speed) - 1500.0) / 3500.0)


def steepest_bend(speed):
    """Return the largest second derivative of `torque_at`, N.m per rpm squared."""
    return float(np.abs(100.0 / 3500.0**2 * np.sin((np.asarray(speed) - 1500.0) / 3500.0)).max())


def sweep(rows=251, low=LOW, high=HIGH):
    """Return a steady rise of engine speed, rpm."""
    return np.linspace(low, high, rows)


def log_of(speed, **channels):
    """Return a log sampled at 50 Hz with the true torque unless another is given."""
    speed = np.asarray(speed, dtype=float)
    columns = {
        "time": np.arange(len(speed)) / RATE_HZ,
        "engine_speed": speed,
        "torque": torque_at(speed),
    } | channels
    return pl.DataFrame(columns, nan_to_null=True)
