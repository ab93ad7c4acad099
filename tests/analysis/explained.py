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


def sessions_of(*runs, model=None, noise=NOISE, seed=1, rpm=RPM, shifts=SHIFTS, rest=REST):
    """Return pulls and curves of `sessions_of("ABBA", "AAA")`, the simulated truth with them."""
    ramp = np.linspace(0.6, 1.4, len(rpm))
    setups = 3
    setup_shifts = np.zeros((setups, 3, len(rpm)))
    setup_shifts[1] = np.array(shifts)[:, None] * ramp
    rests = np.zeros((setups, len(rpm)))
    rests[1] = rest
    layout = lay_out(*runs)
    found = simulate_causes(
        layout,
        rpm,
        noise,
        model=model or CauseModel(),
        setup_shifts=setup_shifts,
        rest=rests,
        studies=1,
        rng=np.random.default_rng(seed),
    )
    pulls = pl.DataFrame(
        {
            "pull": [f"P{at + 1}" for at in range(len(layout.setup))],
            "file": [f"{at + 1}.csv" for at in range(len(layout.setup))],
            "engine": "mill",
            "dyno": "cell",
            "session": [f"s{number}" for number in layout.session],
            "setup": ["ABC"[number] for number in layout.setup],
            "order": layout.order,
            "started": None,
            "state": "accepted",
            "why": None,
            "ambient_pressure_kpa": 99.0,
        },
        schema_overrides={"started": pl.Datetime, "why": pl.String},
    )
    count = len(pulls)
    logs = found.log_causes[:, 0]
    columns = {
        "pull": np.repeat(pulls["pull"].to_numpy(), len(rpm)),
        "rpm": np.tile(rpm, count),
        "torque": 300.0 * np.exp(found.log_torque[0]).ravel(),
    }
    for (name, level), values in zip(LEVELS.items(), logs, strict=True):
        read = level * np.exp(values).ravel()
        columns[name] = read - 273.15 if name == "charge_temperature" else read
    return pulls, pl.DataFrame(columns), found.parts[:, 1]


def explained(*runs, change=None, alpha=0.05, band=None, **options):
    """Return the attribution of such pulls, and the true parts, shape (4, speeds)."""
    pulls, curves, truth = sessions_of(*runs, **options)
    if change is not None:
        pulls, curves = change(pulls, curves)
    question = Question(engine="mill", baseline="A", candidate="B", alpha=alpha, band=band)
    return attribute(pulls, curves, question), truth
