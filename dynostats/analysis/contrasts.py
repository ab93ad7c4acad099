"""Differences between pulls of one setup in one session, freed of a straight drift.

The same orthonormal contrasts as in `analysis.layers`, for many series at once and fast: sessions
that were run alike share one basis, and thousands of them cost one product of matrices each kind.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dynostats.analysis.layers import NO_SPREAD, centred_order, complement, session_bases
from dynostats.arrays import Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contrasts:
    """Contrasts of pulls within sessions.

    Args:
        pull: Freed of setups and drift, shape (contrasts, values).
        slope: What runs along the run order, one a session where there is any, shape (sessions,
            values); a drift adds itself times the root of `spread`.
        spread: Shape (sessions,).
    """

    pull: Floats
    slope: Floats
    spread: Floats


def within_sessions(
    values: Floats, session: Sequence[str], setup: Sequence[str], order: Floats
) -> Contrasts:
    """Return the contrasts of any values of pulls.

    Args:
        values: One row a pull, shape (pulls, values); complete.
        session: Session of each pull (engine and session where there are several engines).
        setup: Setup of each pull.
        order: Run order in the session; NaN where unknown, and then no drift is taken out.
    """
    pull: list[Floats] = []
    slope: list[Floats] = []
    spread: list[Floats] = []
    for (codes, places), rows in _alike(session, setup, order).items():
        within = session_bases(np.array(codes, dtype=np.intp), np.array(places))
        stacked = values[rows]
        if within.pull.shape[1]:
            part = np.einsum("nd,snv->sdv", within.pull, stacked)
            pull.append(part.reshape(-1, values.shape[1]))
        if within.spread > NO_SPREAD:
            slope.append(np.einsum("n,snv->sv", within.along, stacked))
            spread.append(np.full(len(rows), within.spread))
    nothing = np.zeros((0, values.shape[1]))
    return Contrasts(
        pull=np.concatenate([nothing, *pull]),
        slope=np.concatenate([nothing, *slope]),
        spread=np.concatenate([np.zeros(0), *spread]),
    )


def without_mean_drift(contrasts: Contrasts) -> Floats:
    """Return the slope contrasts freed of a drift that all sessions have in common.

    Shape (sessions - 1, values): a rotation of the slopes orthogonal to what a common drift adds.
    """
    direction = np.sqrt(contrasts.spread)[:, None]
    return complement(direction).T @ contrasts.slope


_Pattern = tuple[tuple[int, ...], tuple[float, ...]]


def _alike(session: Sequence[str], setup: Sequence[str], order: Floats) -> dict[_Pattern, Ints]:
    """Return the rows of the sessions that were run alike, shape (sessions, pulls) each."""
    members: dict[str, list[int]] = {}
    for row, name in enumerate(session):
        members.setdefault(name, []).append(row)
    found: dict[_Pattern, list[list[int]]] = {}
    for rows in members.values():
        if len(rows) < 2:
            continue
        numbers: dict[str, int] = {}
        codes = tuple(numbers.setdefault(setup[row], len(numbers)) for row in rows)
        centred = tuple(centred_order(order[rows]).tolist())
        found.setdefault((codes, centred), []).append(rows)
    return {pattern: np.array(rows, dtype=np.intp) for pattern, rows in found.items()}
