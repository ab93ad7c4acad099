"""Small studies for the tests of the analyses: as arrays, and as the frames of a warehouse."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from dynostats.analysis.curve_set import CurveSet

RPM = np.arange(2000.0, 4001.0, 50.0)


def curves_of(curves, *, session, setup, engine=None, order=None, rpm=None):
    """Return log-torque curves, shape (pulls, speeds), with their labels."""
    curves = np.asarray(curves, dtype=float)
    count = len(curves)
    return CurveSet(
        rpm=np.array([3000.0]) if rpm is None else rpm,
        log_torque=curves,
        pull=[f"p{number}" for number in range(count)],
        engine=["e"] * count if engine is None else list(engine),
        session=list(session),
        setup=list(setup),
        order=np.full(count, np.nan) if order is None else np.asarray(order, dtype=float),
    )


def groups_of(groups):
    """Return one value a pull at one speed; each group is a session of one setup."""
    values = [value for group in groups.values() for value in group]
    session = [name for name, group in groups.items() for _ in group]
    return curves_of(np.array(values)[:, None], session=session, setup=["A"] * len(values))


def laid_out(*sessions, curves=None, **options):
    """Return pulls of `laid_out("ABBA", "AC")`: a string a session, a letter a pull, in order."""
    setup = [letter for session in sessions for letter in session]
    session = [f"s{number}" for number, run in enumerate(sessions) for _ in run]
    order = [place for run in sessions for place in range(1, len(run) + 1)]
    if curves is None:
        curves = np.zeros((len(setup), 1))
    return curves_of(curves, session=session, setup=setup, order=order, **options)


@dataclass(frozen=True, kw_only=True)
class Day:
    """One session of one engine: a letter a pull."""

    run: str
    session: str
    engine: str = "mill"
    dyno: str = "cell"
    rpm: np.ndarray = None
    sd: float = 0.004
    effect: float = 0.0  # added to the log torque of setup B
    shift: float = 0.0  # added to the log torque of the whole session


def wiggle(rng, rpm, sd):
    """Draw a smooth error curve: half its variance common, half bending over 500 rpm."""
    knots = np.arange(rpm[0], rpm[-1] + 500.0, 500.0)
    bends = np.interp(rpm, knots, rng.normal(size=len(knots)))
    return sd * (np.sqrt(0.5) * rng.normal() + np.sqrt(0.5) * bends)


def frames_of(*days, seed=0):
    """Return pulls and curves of days as the warehouse hands them to `compare`."""
    rng = np.random.default_rng(seed)
    pulls, curves = [], []
    for day in days:
        rpm = RPM if day.rpm is None else day.rpm
        for order, setup in enumerate(day.run, 1):
            name = f"{day.engine}-{day.session}-{order}"
            log_torque = np.log(300.0) + day.shift + (day.effect if setup == "B" else 0.0)
            log_torque = log_torque + wiggle(rng, rpm, day.sd)
            pulls.append(
                {
                    "pull": name,
                    "file": f"{name}.csv",
                    "engine": day.engine,
                    "dyno": day.dyno,
                    "session": day.session,
                    "setup": setup,
                    "order": order,
                    "started": None,
                    "state": "accepted",
                    "why": None,
                    "rpm_low": float(rpm[0]),
                    "rpm_high": float(rpm[-1]),
                }
            )
            curves.append(
                pl.DataFrame({"pull": [name] * len(rpm), "rpm": rpm, "torque": np.exp(log_torque)})
            )
    schema = {"order": pl.Int64, "started": pl.Datetime, "why": pl.String, "dyno": pl.String}
    return pl.DataFrame(pulls, schema_overrides=schema), pl.concat(curves)


def history(days=8, run="CCC", **options):
    """Return past days of a reference setup on the same engine."""
    return [Day(run=run, session=f"past-{number}", **options) for number in range(days)]
