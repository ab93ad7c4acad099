"""Small histories for the tests of acceptance: what the warehouse hands to the checks."""

from __future__ import annotations

import numpy as np
import polars as pl

from dynostats.analysis.acceptance import judge_pulls

RPM = np.arange(2000.0, 6001.0, 50.0)
SCHEMA = {"pull": pl.String, "check": pl.String, "severity": pl.String, "message": pl.String}
NOISE = {
    "torque": 0.6,
    "manifold_pressure": 0.25,
    "compressor_out_pressure": 0.25,
    "charge_temperature": 0.2,
    "lambda": 0.0015,
    "lambda_1": 0.001,
    "lambda_2": 0.001,
    "lambda_3": 0.001,
    "fuel_pressure": 0.5,
    "oil_pressure": 1.0,
    "oil_temperature": 0.3,
    "time": 0.01,
}


def course(name):
    """Return a channel over engine speed, without noise."""
    share = (RPM - RPM[0]) / (RPM[-1] - RPM[0])
    return {
        "torque": 300.0 + 40.0 * np.sin(3.0 * share),
        "manifold_pressure": 170.0 + 10.0 * share,
        "compressor_out_pressure": 174.0 + 14.0 * share,
        "charge_temperature": 35.0 + 10.0 * share,
        "lambda": 0.90 - 0.04 * share,
        "lambda_1": 0.90 - 0.04 * share,
        "lambda_2": 0.91 - 0.04 * share,
        "lambda_3": 0.89 - 0.04 * share,
        "fuel_pressure": np.full_like(RPM, 370.0),
        "oil_pressure": 250.0 + 180.0 * share,
        "oil_temperature": 90.0 + 3.0 * share,
        "time": (RPM - RPM[0]) / 400.0,
    }[name]


def history(*runs, seed=0, change=None, engine="mill"):
    """Return pulls and curves of sessions, a string each, a letter a pull.

    Args:
        *runs: Setups of each session in run order, such as "ABBA".
        seed: Seed of the noise.
        change: Takes a dict of channels, the setup and the place (session, order); may change the
            channels of a pull in place.
        engine: Name of the engine.
    """
    rng = np.random.default_rng(seed)
    pulls, curves = [], []
    for session, run in enumerate(runs):
        for order, setup in enumerate(run, start=1):
            name = f"{engine}{session}-{order}"
            channels = {
                key: course(key) + sd * (0.8 * rng.standard_normal() + 0.6 * bend(rng))
                for key, sd in NOISE.items()
            }
            if change is not None:
                change(channels, setup, (session, order))
            pulls.append(
                {
                    "pull": name,
                    "engine": engine,
                    "dyno": "cell",
                    "session": f"s{session}",
                    "setup": setup,
                    "order": order,
                    "state": "accepted",
                    "rpm_low": RPM[0],
                    "rpm_high": RPM[-1],
                    "ambient_pressure_kpa": 99.0,
                    "ambient_temperature_c": 22.0,
                }
            )
            curves.append(pl.DataFrame({"pull": [name] * len(RPM), "rpm": RPM} | channels))
    return pl.DataFrame(pulls), pl.concat(curves, how="diagonal")


def bend(rng):
    """Return a smooth unit error over speed."""
    return np.interp(RPM, RPM[::20], rng.standard_normal(len(RPM[::20])))


def judge(pulls, curves, *, found=None, chosen=None):
    """Judge all pulls of a small history."""
    curves = curves.with_columns(pl.all().exclude("pull").fill_nan(None))
    return judge_pulls(
        pulls,
        curves,
        scope=pulls,
        torque=curves.select("pull", "rpm", "torque"),
        found=pl.DataFrame(schema=SCHEMA) if found is None else found,
        chosen=chosen,
    )


def said(acceptance):
    """Return (pull, check, severity) of every finding."""
    return [(one.pull, one.check, one.severity) for one in acceptance.findings]
