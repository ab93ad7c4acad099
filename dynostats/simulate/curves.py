"""Log-torque curves of whole studies straight on a grid: fast, for calibration."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.arrays import Floats, Ints
from dynostats.errors import AnalysisError
from dynostats.simulate.noise import (
    CurveNoise,
    draw_drifts,
    draw_pull_curves,
    draw_session_curves,
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layout:
    """Which setup was pulled when; one entry a pull.

    Args:
        setup: Index of the setup, from 0.
        session: Index of the session, from 0.
        order: Run order within the session, from 1.
    """

    setup: Ints
    session: Ints
    order: Ints


def lay_out(*sessions: str) -> Layout:
    """Lay pulls out from one string a session, a letter a pull: `lay_out("ABBA", "AB")`.

    Raises:
        AnalysisError: Where a letter is not A to Z, or no pull is named.
    """
    letters = [ord(letter) - ord("A") for session in sessions for letter in session]
    if not letters or min(letters) < 0 or max(letters) > ord("Z") - ord("A"):
        raise AnalysisError(
            f"run order {sessions!r} is not made of the letters A to Z",
            mend="write one string a session and one letter a pull, for example 'ABBA'",
        )
    return Layout(
        setup=np.array(letters, dtype=np.intp),
        session=np.repeat(np.arange(len(sessions)), [len(session) for session in sessions]),
        order=np.concatenate([np.arange(1, len(session) + 1) for session in sessions]),
    )


def simulate_curves(
    layout: Layout,
    rpm: Floats,
    noise: CurveNoise,
    *,
    studies: int,
    rng: np.random.Generator,
    setup_curves: Floats | None = None,
) -> Floats:
    """Simulate the log-torque curves of many studies of one layout.

    Args:
        layout: Setup, session and order of each of the p pulls.
        rpm: Grid of n engine speeds.
        noise: Layers of noise.
        studies: Number of studies.
        rng: Source of randomness.
        setup_curves: True log curve of each setup, shape (setups, n); zero if None (no effect).

    Returns:
        Shape (studies, p, n): setup curve + session curve + drift x (order - 1) + pull curve.
    """
    pulls, sessions = len(layout.setup), int(layout.session.max()) + 1
    curves = draw_pull_curves(noise, rpm, (studies, pulls), rng)
    curves += draw_session_curves(noise, rpm, (studies, sessions), rng)[:, layout.session]
    drift = draw_drifts(noise, (studies, sessions), rng)[:, layout.session] * (layout.order - 1)
    curves += drift[..., None]
    if setup_curves is not None:
        curves += setup_curves[layout.setup]
    return curves
