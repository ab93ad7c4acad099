"""Studies whose causes are known, as the frames of a warehouse."""

from __future__ import annotations

import numpy as np
import polars as pl

from dynostats.analysis.attribution import attribute
from dynostats.analysis.question import Question
from dynostats.simulate.causes import CauseModel, simulate_causes
from dynostats.simulate.curves import lay_out
from dynostats.simulate.noise import CurveNoise

RPM = np.arange(2500.0, 6001.0, 100.0)
NOISE = CurveNoise(pull_sd_pct=0.4, session_sd_pct=0.5, drift_pct_per_pull=-0.05)
QUIET = CurveNoise(pull_sd_pct=0.02, session_sd_pct=0.02, drift_pct_per_pull=0.0)
# What B changes: log pressure, log absolute temperature, log lambda; and torque beside them.
SHIFTS = (0.03, -0.012, 0.01)
REST = 0.004
LEVELS = {"manifold_pressure": 170.0, "charge_temperature": 315.0, "lambda": 0.89}
PAST = ("AAAA", "ACCA", "CCC", "AAA", "ACAC", "AAAA", "CAAC", "AAA", "CCCC", "AACC")


def frames_of(layout, rpm, torque, channels):
    """Return pulls and curves of one engine as the warehouse hands them over.

    Args:
        layout: Setup, session and order of each pull.
        rpm: Speeds of the curves.
        torque: N.m, shape (pulls, speeds).
        channels: By name, in stored units, likewise.
    """
    count = len(layout.setup)
    pulls = pl.DataFrame(
        {
            "pull": [f"P{at + 1}" for at in range(count)],
            "file": [f"{at + 1}.csv" for at in range(count)],
            "engine": "mill",
            "dyno": "cell",
            "session": [f"s{number}" for number in layout.session],
            "setup": ["ABC"[number] for number in layout.setup],
            "order": layout.order,
            "started": None,
            "state": "accepted",
            "why": None,
            "ambient_pressure_kpa": 99.0,
            "rpm_low": float(rpm[0]),
            "rpm_high": float(rpm[-1]),
        },
        schema_overrides={"started": pl.Datetime, "why": pl.String},
    )
    columns = {
        "pull": np.repeat(pulls["pull"].to_numpy(), len(rpm)),
        "rpm": np.tile(rpm, count),
        "torque": torque.ravel(),
    }
    return pulls, pl.DataFrame(columns | {name: read.ravel() for name, read in channels.items()})


def sessions_of(*runs, model=None, noise=NOISE, seed=1, rpm=RPM, shifts=SHIFTS, rest=REST):
    """Return pulls and curves of `sessions_of("ABBA", "AAA")`, the simulated truth with them."""
    ramp = np.linspace(0.6, 1.4, len(rpm))
    setup_shifts = np.zeros((3, 3, len(rpm)))
    setup_shifts[1] = np.array(shifts)[:, None] * ramp
    rests = np.zeros((3, len(rpm)))
    rests[1] = rest
    layout = lay_out(*runs)
    found = simulate_causes(
        layout,
        rpm,
        noise,
        model=model or CauseModel(),
        setup_shifts=setup_shifts[: max(layout.setup) + 1],
        rest=rests[: max(layout.setup) + 1],
        studies=1,
        rng=np.random.default_rng(seed),
    )
    channels = {
        name: level * np.exp(logs)
        for (name, level), logs in zip(LEVELS.items(), found.log_causes[:, 0], strict=True)
    }
    channels["charge_temperature"] -= 273.15
    pulls, curves = frames_of(layout, rpm, 300.0 * np.exp(found.log_torque[0]), channels)
    return pulls, curves, found.parts[:, 1]


def explained(*runs, change=None, alpha=0.05, band=None, **options):
    """Return the attribution of such pulls, and the true parts, shape (4, speeds)."""
    pulls, curves, truth = sessions_of(*runs, **options)
    if change is not None:
        pulls, curves = change(pulls, curves)
    question = Question(engine="mill", baseline="A", candidate="B", alpha=alpha, band=band)
    return attribute(pulls, curves, question), truth
