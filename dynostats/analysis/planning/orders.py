"""Run orders: counterbalanced against drift, drawn at random within blocks.

A is the baseline, B the candidate. In ABBA and BAAB both setups stand at the same mean place, so a
drift that is linear in run order cancels exactly. Which of the two each block is, is drawn, so that
relabelling within blocks is a test. Source: Box, Hunter & Hunter (2005), Statistics for
Experimenters, ch. 3 and 4 (blocking and randomisation).
"""

from __future__ import annotations

from typing import Literal

import numpy as np

Letter = Literal["A", "B"]
_BLOCKS: tuple[tuple[Letter, ...], ...] = (("A", "B", "B", "A"), ("B", "A", "A", "B"))
_OTHER: dict[Letter, Letter] = {"A": "B", "B": "A"}
_PAIRS: tuple[tuple[Letter, ...], ...] = (("A", "B"), ("B", "A"))


def draw_orders(
    pulls: int, sessions: int, rng: np.random.Generator
) -> tuple[tuple[Letter, ...], ...]:
    """Draw the run order of each session.

    The first session begins with the baseline: it is what the engine comes with. An odd number of
    pulls a setup leaves one pair beside the blocks of four; it stands last, and over the sessions
    its direction alternates.

    Args:
        pulls: Pulls of each setup in each session, 1 or more.
        sessions: Number of sessions, 1 or more.
        rng: Source of randomness.

    Returns:
        One order a session, each with as many A as B.
    """
    first_pair = int(rng.integers(2))
    orders = tuple(
        _draw_order(pulls, rng, last_pair=(first_pair + session) % 2) for session in range(sessions)
    )
    if orders[0][0] == "B":
        return tuple(_mirrored(order) for order in orders)
    return orders


def _draw_order(pulls: int, rng: np.random.Generator, *, last_pair: int) -> tuple[Letter, ...]:
    blocks = [_BLOCKS[int(rng.integers(2))] for _ in range(pulls // 2)]
    if pulls % 2:
        blocks.append(_PAIRS[last_pair])
    return tuple(letter for block in blocks for letter in block)


def one_after_the_other(pulls: int, sessions: int) -> tuple[tuple[Letter, ...], ...]:
    """Return the order of never alternating: all of one setup, then all of the other."""
    order = _same("A", pulls) + _same("B", pulls)
    return (order,) * sessions


def on_different_days(pulls: int, sessions: int) -> tuple[tuple[Letter, ...], ...]:
    """Return the order of setups that never meet: one setup's days, then the other's."""
    return (_same("A", pulls),) * sessions + (_same("B", pulls),) * sessions


def _mirrored(order: tuple[Letter, ...]) -> tuple[Letter, ...]:
    return tuple(_OTHER[letter] for letter in order)


def _same(letter: Letter, pulls: int) -> tuple[Letter, ...]:
    return (letter,) * pulls
