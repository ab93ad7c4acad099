"""The layers of noise as contrasts of curves: each layer is a set of curves with known mean zero.

Model: log torque of a pull = curve of its engine and setup + curve of its session + curve of that
fitting of the setup in that session + drift curve x run order + curve of the pull. Orthonormal
contrasts of the pulls isolate the layers, at every grid speed at once:

- pull contrasts: differences between pulls of one setup in one session, freed of drift;
- slope contrasts: the part of those differences that runs along the run order;
- session contrasts: differences between sessions of one engine, freed of setups; a setup before and
  after a change of the cell counts as two, so that the change is not taken for a scatter of days;
- refit contrasts: what setups and sessions together do not explain of the means of the cells, one
  setup in one session: in a study of pairs over several days this is the error of the difference.

Source: Henderson (1953), Biometrics 9:226, method III; Searle, Casella & McCulloch (1992),
Variance Components, ch. 5: sums of squares of fitted constants have expectation
df x (pull variance) + (known coefficient) x (variance of the layer).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from dynostats.analysis.curve_set import CurveSet
from dynostats.arrays import Flags, Floats, Ints


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layer:
    """Contrast curves of one layer.

    Args:
        curves: Shape (contrasts, speeds); NaN where a contrast is not covered.
        coefficient: Shape (contrasts,): variance of a contrast = pull variance
            + coefficient x variance of the layer. Zero for the pull layer itself.
        group: Shape (contrasts,): number of the session the contrast belongs to (for the session
            and refit layers: of the engine).
    """

    curves: Floats
    coefficient: Floats
    group: Ints

    def __len__(self) -> int:
        """Return the number of contrasts: the degrees of freedom where all are covered."""
        return len(self.curves)

    def only(self, keep: Flags) -> Layer:
        """Return only the contrasts flagged, shape (contrasts,)."""
        return Layer(
            curves=self.curves[keep], coefficient=self.coefficient[keep], group=self.group[keep]
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Layers:
    """All layers of a set of pulls.

    Args:
        pull: Differences between pulls of one setup in one session, freed of a linear drift.
        slope: What a linear drift explains of those differences.
        session: Differences between sessions, freed of setups.
        refit: What remains of the cells' means after setups and sessions.
        session_drift: Shape (session contrasts,): what a contrast's variance holds of the drift
            variance, since the pulls of a session lie some way behind its first.
        sessions: Shape (pulls,): number of each pull's session, as used in `group`.
        engines: Shape (pulls,): number of each pull's engine.
    """

    pull: Layer
    slope: Layer
    session: Layer
    refit: Layer
    session_drift: Floats
    sessions: Ints
    engines: Ints


def split_layers(curves: CurveSet) -> Layers:
    """Split curves into contrasts of the pull, drift and session layers.

    Args:
        curves: All pulls whose noise is to be learned; labels decide the layers.

    Returns:
        The layers. Every degree of freedom is used once.
    """
    sessions = _codes(curves.engine, curves.session)
    engines = _codes(curves.engine)
    cells = _codes(curves.engine, curves.session, curves.setup)
    pull, slope = _within_sessions(curves, sessions, cells)
    session, refit, session_drift = _between_sessions(curves, engines, sessions, cells)
    return Layers(
        pull=pull,
        slope=slope,
        session=session,
        refit=refit,
        session_drift=session_drift,
        sessions=sessions,
        engines=engines,
    )


def _codes(*labels: list[str]) -> Ints:
    """Number the distinct combinations of labels, shape (pulls,)."""
    numbers: dict[tuple[str, ...], int] = {}
    return np.array(
        [numbers.setdefault(key, len(numbers)) for key in zip(*labels, strict=True)], dtype=np.intp
    )


def _members(codes: Ints) -> list[Ints]:
    """Return the rows of each code, in the order of the codes."""
    ordered = np.argsort(codes, kind="stable")
    return np.split(ordered, np.flatnonzero(np.diff(codes[ordered])) + 1)


def _within_sessions(curves: CurveSet, sessions: Ints, cells: Ints) -> tuple[Layer, Layer]:
    pull_parts: list[tuple[Floats, int]] = []
    slope_parts: list[tuple[Floats, float, int]] = []
    for rows in _members(sessions):
        indicator = _indicator(cells[rows])
        basis = _complement(indicator)
        if basis.shape[1] == 0:
            continue
        direction = basis.T @ _centred_order(curves.order[rows])
        spread = float(direction @ direction)
        number = int(sessions[rows[0]])
        if spread > 1e-9:
            along = direction / np.sqrt(spread)
            slope_parts.append((along @ basis.T @ curves.log_torque[rows], spread, number))
            basis = basis @ _complement(along[:, None])
        pull_parts.append((basis.T @ curves.log_torque[rows], number))
    speeds = curves.log_torque.shape[1]
    pull = Layer(
        curves=_stack([part for part, _ in pull_parts], speeds),
        coefficient=np.zeros(sum(len(part) for part, _ in pull_parts)),
        group=_repeat([number for _, number in pull_parts], [len(part) for part, _ in pull_parts]),
    )
    slope = Layer(
        curves=_stack([part[None, :] for part, _, _ in slope_parts], speeds),
        coefficient=np.array([spread for _, spread, _ in slope_parts]),
        group=np.array([number for _, _, number in slope_parts], dtype=np.intp),
    )
    return pull, slope


def _between_sessions(
    curves: CurveSet, engines: Ints, sessions: Ints, cells: Ints
) -> tuple[Layer, Layer, Floats]:
    """Return the session and the refit contrasts, engine by engine, and the drift in the first."""
    session: list[_Part] = []
    refit: list[_Part] = []
    drift: list[Floats] = []
    place = places_in_session(curves.order, sessions)
    for rows in _members(engines):
        if np.ptp(sessions[rows]) == 0:
            continue
        in_cells = _members(cells[rows])
        means = np.array([curves.log_torque[rows[at]].mean(axis=0) for at in in_cells])
        weight = np.sqrt([len(at) for at in in_cells])
        first = np.array([rows[at[0]] for at in in_cells], dtype=np.intp)
        labels = [curves.setup[row] for row in first]
        setups = _indicator(_codes(labels)) * weight[:, None]
        eras = [""] * len(first) if curves.era is None else [curves.era[row] for row in first]
        in_eras = _indicator(_codes(labels, eras)) * weight[:, None]
        visits = _indicator(sessions[first]) * weight[:, None]
        scaled = weight[:, None] * means
        number = int(engines[rows[0]])
        basis = _range(_residual(visits, in_eras))
        turned, coefficient = _turn(basis, visits)
        session.append((turned.T @ scaled, coefficient, number))
        behind = np.array([place[rows[at]].mean() for at in in_cells])
        drift.append(((turned.T @ (visits * behind[:, None])) ** 2).sum(axis=1))
        explained = np.hstack([_range(setups), _range(_residual(visits, setups))])
        rest, coefficient = _turn(_complement(explained), np.diag(weight))
        refit.append((rest.T @ scaled, coefficient, number))
    speeds = curves.log_torque.shape[1]
    in_drift = np.concatenate(drift) if drift else np.zeros(0)
    return _layer(session, speeds), _layer(refit, speeds), in_drift


_Part = tuple[Floats, Floats, int]


def _turn(basis: Floats, loading: Floats) -> tuple[Floats, Floats]:
    """Turn a basis so that each contrast has a coefficient of its own and none share the layer."""
    share = basis.T @ loading
    coefficient, turn = np.linalg.eigh(share @ share.T)
    return basis @ turn, coefficient


def places_in_session(order: Floats, sessions: Ints) -> Floats:
    """Return how many pulls each pull lies behind its session's first; zeros where unknown.

    Args:
        order: Place in the run order, from 1, NaN where unknown; shape (pulls,).
        sessions: Number of each pull's session, shape (pulls,).
    """
    unknown = np.isin(sessions, sessions[~np.isfinite(order)])
    return np.where(unknown, 0.0, order - 1.0)


def _layer(parts: list[_Part], speeds: int) -> Layer:
    return Layer(
        curves=_stack([part for part, _, _ in parts], speeds),
        coefficient=np.concatenate([part for _, part, _ in parts]) if parts else np.zeros(0),
        group=_repeat([number for _, _, number in parts], [len(part) for part, _, _ in parts]),
    )


def _stack(parts: list[Floats], speeds: int) -> Floats:
    return np.concatenate(parts) if parts else np.zeros((0, speeds))


def _repeat(numbers: list[int], times: list[int]) -> Ints:
    return np.repeat(np.array(numbers, dtype=np.intp), np.array(times, dtype=np.intp))


def _centred_order(order: Floats) -> Floats:
    """Return the run order about its mean; zeros where a place is unknown (no drift is learned)."""
    if not np.isfinite(order).all():
        return np.zeros_like(order)
    return order - order.mean()


def _indicator(codes: Ints) -> Floats:
    distinct = np.unique(codes)
    return (codes[:, None] == distinct[None, :]).astype(np.float64)


def _complement(columns: Floats) -> Floats:
    """Return an orthonormal basis of what is orthogonal to full-rank columns."""
    full, _ = np.linalg.qr(columns, mode="complete")
    return full[:, columns.shape[1] :]


def _residual(columns: Floats, given: Floats) -> Floats:
    basis, _ = np.linalg.qr(given)
    return columns - basis @ (basis.T @ columns)


def _range(columns: Floats) -> Floats:
    """Return an orthonormal basis of the space that columns span."""
    left, size, _ = np.linalg.svd(columns, full_matrices=False)
    return left[:, size > 1e-8 * max(1.0, float(size.max(initial=0.0)))]
