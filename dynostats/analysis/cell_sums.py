"""What the noise of a cell rests on, in sums: of pulls on one computer, or merged from many.

The sums of squares of the layers (`dynostats.analysis.layers`) need no contrast of its own for
every pull: within a setup and session they are products of deviations from the mean, freed of the
session's drift, and between sessions they follow from the means. Both can be had from the curves
themselves or from statistics that were merged (`dynostats.analysis.mergeable`), and what is
concluded from them is one code.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.analysis.groups import number, runs_of
from dynostats.analysis.layers import NO_SPREAD, Layer
from dynostats.analysis.over_speed import SpeedSums, sum_contrasts
from dynostats.arrays import Floats, Ints

# An eigenvalue this far below the largest is zero but for rounding.
NO_ROOM = 1e-10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellSums:
    """Sums of a set of pulls. A cell is one setup in one session of one engine.

    Args:
        rpm: Grid speeds, shape (speeds,).
        engines: Names of the engines, in the order of their numbers.
        pulls: Pulls of each engine, shape (engines,).
        engine: Number of each cell's engine, rising, shape (cells,).
        session: Number of each cell's session, rising; no two engines share one.
        setup: Number of each cell's setup.
        setup_in_era: Number of each cell's setup and era of the dyno.
        n: Pulls of each cell.
        mean: Mean log torque of each cell, shape (cells, speeds); NaN where a pull of it does not
            reach.
        within: By engine, shape (engines,), sums over the pull contrasts: differences between the
            pulls of a cell, freed of the session's drift.
        slope: Sums over the slope contrasts: what lies along the run order.
    """

    rpm: Floats
    engines: list[str]
    pulls: Ints
    engine: Ints
    session: Ints
    setup: Ints
    setup_in_era: Ints
    n: Ints
    mean: Floats
    within: list[SpeedSums]
    slope: SpeedSums


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BetweenSessions:
    """What the means of the cells tell.

    Args:
        session: Differences between sessions, freed of setups.
        refit: Sums over what setups and sessions together do not explain.
    """

    session: Layer
    refit: SpeedSums


def sum_cells(curves: CurveSet) -> CellSums:
    """Sum the pulls of each cell.

    Args:
        curves: All pulls whose noise is to be learned; labels decide the cells.
    """
    engine = number(curves.engine)
    session = number(engine, curves.session)
    setup = number(engine, curves.setup)
    in_era = setup if curves.era is None else number(setup, curves.era)
    cell = number(session, in_era)
    place = np.lexsort((cell, session, engine))
    engine, session, cell = engine[place], session[place], cell[place]
    logs = curves.log_torque[place]
    in_cells, in_sessions, in_engines = runs_of(cell), runs_of(session), runs_of(engine)
    n = np.diff(in_cells)
    mean = np.add.reduceat(logs, in_cells[:-1], axis=0) / n[:, None]
    logs -= np.repeat(mean, n, axis=0)
    order = _centred(curves.order[place], in_cells, in_sessions)
    spread, along = _free_of_drift(logs, order, in_sessions)
    covered = np.isfinite(along)
    if not covered.all():
        logs = np.where(np.repeat(covered, np.diff(in_sessions), axis=0), logs, 0.0)
    sloping = spread > NO_SPREAD
    first = in_cells[:-1]
    cells_in = np.bincount(np.searchsorted(in_sessions, first, side="right") - 1)
    df = np.diff(in_sessions) - cells_in - sloping
    engine_of = engine[in_sessions[:-1]]
    names = list(dict.fromkeys(curves.engine))
    return CellSums(
        rpm=curves.rpm,
        engines=names,
        pulls=np.diff(in_engines),
        engine=engine[first],
        session=session[first],
        setup=setup[place][first],
        setup_in_era=in_era[place][first],
        n=n,
        mean=mean,
        within=[
            _within(logs[rows], df[engine_of == code], covered[engine_of == code])
            for code, rows in enumerate(_slices(in_engines))
        ],
        slope=sum_contrasts(along[sloping]),
    )


def between_sessions(cells: CellSums) -> BetweenSessions:
    """Split the means of the cells into differences between sessions and what remains.

    Source: as `dynostats.analysis.layers`. Setups are taken out by their weighted means; the
    sessions' remaining room is spanned by the eigenvectors of its Gram matrix, each with its
    eigenvalue as the share of the session variance.
    """
    parts: list[tuple[Floats, Floats]] = []
    refit = sum_contrasts(np.zeros((0, len(cells.rpm))))
    groups: list[Ints] = []
    for code, rows in enumerate(_slices(runs_of(cells.engine))):
        sessions = cells.session[rows] - cells.session[rows][0]
        if not sessions.any():
            continue
        weight = np.sqrt(cells.n[rows])
        visits = (sessions[:, None] == np.arange(sessions[-1] + 1)) * weight[:, None]
        scaled = weight[:, None] * cells.mean[rows]
        free = _less_means(visits, cells.setup_in_era[rows], weight)
        size, contrasts = _span(free, scaled)
        parts.append((contrasts, size))
        groups.append(np.full(len(size), code, dtype=np.intp))
        refit = refit + _refit(visits, scaled, cells.setup[rows], weight)
    speeds = len(cells.rpm)
    return BetweenSessions(
        session=Layer(
            curves=np.concatenate([part for part, _ in parts] or [np.zeros((0, speeds))]),
            coefficient=np.concatenate([size for _, size in parts] or [np.zeros(0)]),
            group=np.concatenate(groups or [np.zeros(0, dtype=np.intp)]),
        ),
        refit=refit,
    )


def _slices(bounds: Ints) -> list[slice]:
    return [slice(low, high) for low, high in pairwise(bounds.tolist())]


def _centred(order: Floats, in_cells: Ints, in_sessions: Ints) -> Floats:
    """Return the run order about its cell's mean; zeros where a place in the session is unknown."""
    known = np.isfinite(np.add.reduceat(order, in_sessions[:-1]))
    order = np.where(np.repeat(known, np.diff(in_sessions)), order, 0.0)
    n = np.diff(in_cells)
    return order - np.repeat(np.add.reduceat(order, in_cells[:-1]) / n, n)


def _free_of_drift(logs: Floats, order: Floats, in_sessions: Ints) -> tuple[Floats, Floats]:
    """Take what lies along the run order out of deviations, in place.

    Returns:
        Spread of the order within each session's setups, shape (sessions,), and what was taken
        out along it, a contrast a session, shape (sessions, speeds); NaN where not covered.
    """
    size = np.diff(in_sessions)
    spread = np.add.reduceat(order**2, in_sessions[:-1])
    unit = (
        order
        / np.sqrt(np.where(spread > NO_SPREAD, np.repeat(1.0, len(spread)) * spread, 1.0))[
            np.repeat(np.arange(len(size)), size)
        ]
    )
    along = np.add.reduceat(unit[:, None] * logs, in_sessions[:-1], axis=0)
    if (spread > NO_SPREAD).any():
        logs -= unit[:, None] * np.repeat(along, size, axis=0)
    return spread, along


def _within(deviations: Floats, df: Ints, covered: Floats) -> SpeedSums:
    """Sum the products of one engine's deviations.

    Args:
        deviations: Shape (pulls, speeds); zeros where not covered.
        df: Contrasts of each session, shape (sessions,).
        covered: Whether all pulls of a session reach a speed, shape (sessions, speeds).
    """
    counted = covered.astype(np.float64)
    return SpeedSums(
        products=deviations.T @ deviations,
        counts=(counted * df[:, None]).T @ counted,
        contrasts=int(df[covered.any(axis=1)].sum()),
    )


def _less_means(columns: Floats, groups: Ints, weight: Floats) -> Floats:
    """Return weighted columns less what lies along each group's own weights."""
    _, at = np.unique(groups, return_inverse=True)
    member = (at[:, None] == np.arange(at.max() + 1)) * weight[:, None]
    return columns - member @ ((member.T @ columns) / (member**2).sum(axis=0)[:, None])


def _span(free: Floats, scaled: Floats) -> tuple[Floats, Floats]:
    """Return the size of each direction that columns span, and what curves have along it."""
    size, turn = np.linalg.eigh(free.T @ free)
    room = size > NO_ROOM * max(1.0, float(size[-1]))
    size, turn = size[room], turn[:, room]
    return size, (turn.T @ (free.T @ scaled)) / np.sqrt(size)[:, None]


def _refit(visits: Floats, scaled: Floats, setups: Ints, weight: Floats) -> SpeedSums:
    free = _less_means(visits, setups, weight)
    size, turn = np.linalg.eigh(free.T @ free)
    room = size > NO_ROOM * max(1.0, float(size[-1]))
    basis = free @ (turn[:, room] / np.sqrt(size[room]))
    left = len(weight) - len(np.unique(setups)) - int(room.sum())
    rest = _less_means(scaled, setups, weight)
    rest = rest - basis @ (basis.T @ rest)
    covered = np.isfinite(rest).all(axis=0).astype(np.float64)
    rest = np.where(covered > 0, rest, 0.0) if left else np.zeros_like(rest)
    return SpeedSums(
        products=rest.T @ rest,
        counts=left * np.outer(covered, covered),
        contrasts=left if covered.any() else 0,
    )
