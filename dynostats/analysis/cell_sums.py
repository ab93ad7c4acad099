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
    in_cells, in_sessions, in_engines = runs_of(cell), runs_of(session), runs_of(engine)
    order = _centred(curves.order[place], in_cells, in_sessions)
    first = in_cells[:-1]
    # Engine by engine: the curves of one stay in the processor's cache from step to step.
    found = [
        _sum_engine(
            curves.log_torque[place[rows]],
            order[rows],
            runs_of(cell[rows] - cell[rows.start]),
            runs_of(session[rows] - session[rows.start]),
        )
        for rows in _slices(in_engines)
    ]
    none = np.zeros((0, len(curves.rpm)))
    return CellSums(
        rpm=curves.rpm,
        engines=list(dict.fromkeys(curves.engine)),
        pulls=np.diff(in_engines),
        engine=engine[first],
        session=session[first],
        setup=setup[place][first],
        setup_in_era=in_era[place][first],
        n=np.diff(in_cells),
        mean=np.concatenate([none, *(one.mean for one in found)]),
        within=[one.within for one in found],
        slope=sum_contrasts(np.concatenate([none, *(one.slope for one in found)])),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _EngineSums:
    """Sums of one engine: means of its cells, and what `CellSums` has within and along slopes."""

    mean: Floats
    within: SpeedSums
    slope: Floats


def _sum_engine(logs: Floats, order: Floats, in_cells: Ints, in_sessions: Ints) -> _EngineSums:
    """Sum the pulls of one engine.

    Args:
        logs: Its curves, session by session and cell by cell; written over.
        order: Run order about the cell's mean, shape (pulls,).
        in_cells: Where its cells begin, and the number of pulls.
        in_sessions: Where its sessions begin, likewise.
    """
    n = np.diff(in_cells)
    mean = np.add.reduceat(logs, in_cells[:-1], axis=0) / n[:, None]
    logs -= np.repeat(mean, n, axis=0)
    spread, along = _free_of_drift(logs, order, in_sessions)
    covered = np.isfinite(along)
    if not covered.all():
        logs = np.where(np.repeat(covered, np.diff(in_sessions), axis=0), logs, 0.0)
    sloping = spread > NO_SPREAD
    cells_in = np.bincount(np.searchsorted(in_sessions, in_cells[:-1], side="right") - 1)
    df = np.diff(in_sessions) - cells_in - sloping
    return _EngineSums(mean=mean, within=_within(logs, df, covered), slope=along[sloping])


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
        setups = _Groups.of(cells.setup[rows], weight)
        in_eras = _Groups.of(cells.setup_in_era[rows], weight)
        span = _span(in_eras.taken_out_of(visits))
        parts.append((span.contrasts(scaled), span.size))
        groups.append(np.full(len(span.size), code, dtype=np.intp))
        everywhere = _span(setups.taken_out_of(visits))
        refit = refit + _refit(everywhere, setups.taken_out_of(scaled), setups.count)
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
    unit = order / np.repeat(np.sqrt(np.where(spread > NO_SPREAD, spread, 1.0)), size)
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Groups:
    """Groups of one engine's cells: their own weights in a column each."""

    member: Floats
    square: Floats

    @classmethod
    def of(cls, groups: Ints, weight: Floats) -> _Groups:
        _, at = np.unique(groups, return_inverse=True)
        member = (at[:, None] == np.arange(at.max() + 1)) * weight[:, None]
        return cls(member=member, square=(member**2).sum(axis=0)[:, None])

    @property
    def count(self) -> int:
        return self.member.shape[1]

    def taken_out_of(self, columns: Floats) -> Floats:
        """Return weighted columns less what lies along each group's own weights."""
        return columns - self.member @ ((self.member.T @ columns) / self.square)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Span:
    """What columns span: the size of each direction, shape (directions,), and how it is made."""

    free: Floats
    size: Floats
    turn: Floats

    def contrasts(self, scaled: Floats) -> Floats:
        """Return what curves have along each direction."""
        return (self.turn.T @ (self.free.T @ scaled)) / np.sqrt(self.size)[:, None]

    def basis(self) -> Floats:
        """Return the directions, orthonormal."""
        return self.free @ (self.turn / np.sqrt(self.size))


def _span(free: Floats) -> _Span:
    size, turn = np.linalg.eigh(free.T @ free)
    room = size > NO_ROOM * max(1.0, float(size[-1]))
    return _Span(free=free, size=size[room], turn=turn[:, room])


def _refit(span: _Span, rest: Floats, setups: int) -> SpeedSums:
    """Sum what neither setups nor sessions explain.

    Args:
        span: Sessions, the setups taken out of them.
        rest: Weighted means of the cells, the setups taken out, shape (cells, speeds).
        setups: How many setups there are.
    """
    left = len(rest) - setups - len(span.size)
    basis = span.basis()
    rest = rest - basis @ (basis.T @ rest)
    covered = np.isfinite(rest).all(axis=0).astype(np.float64)
    rest = np.where(covered > 0, rest, 0.0) if left else np.zeros_like(rest)
    return SpeedSums(
        products=rest.T @ rest,
        counts=left * np.outer(covered, covered),
        contrasts=left if covered.any() else 0,
    )
