"""The scenarios of the calibration: every pair of levels of any two factors meets."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np

from dynostats.simulate import lay_out

PULLS = (1, 2, 3, 5, 8)
HISTORY = (0, 8, 30, 100)
DESIGNS = ("blocks", "alternating", "different_sessions")
SHAPES = ("smooth", "rough", "rpm_dependent", "heavy_tailed", "drifting")
LEAST_CELLS = 60


@dataclass(frozen=True, slots=True, kw_only=True, order=True)
class Cell:
    """One scenario: pulls a side, past pulls, run order, kind of noise."""

    pulls: int
    history: int
    design: str
    shape: str

    @property
    def name(self) -> str:
        """Return the scenario in one word."""
        return f"{self.pulls}v{self.pulls}-h{self.history}-{self.design}-{self.shape}"


def choose_cells(seed: int = 1) -> list[Cell]:
    """Choose at least 60 of the 300 scenarios so that all pairs of levels are among them."""
    every = [
        Cell(pulls=p, history=h, design=d, shape=s)
        for p, h, d, s in itertools.product(PULLS, HISTORY, DESIGNS, SHAPES)
    ]
    rng = np.random.default_rng(seed)
    left = {pair for cell in every for pair in pairs_of(cell)}
    chosen: list[Cell] = []
    while left:
        shuffled = [every[i] for i in rng.permutation(len(every))]
        best = max(shuffled, key=lambda cell: len(left & pairs_of(cell)))
        chosen.append(best)
        left -= pairs_of(best)
    rest = [cell for cell in every if cell not in chosen]
    more = rng.permutation(len(rest))[: max(LEAST_CELLS - len(chosen), 0)]
    return sorted([*chosen, *(rest[i] for i in more)])


def pairs_of(cell: Cell) -> set[tuple[object, ...]]:
    """Return the pairs of levels that meet in a scenario."""
    levels = (
        ("pulls", cell.pulls),
        ("history", cell.history),
        ("design", cell.design),
        ("shape", cell.shape),
    )
    return set(itertools.combinations(levels, 2))


def sessions_of(cell: Cell) -> tuple[list[str], list[str]]:
    """Return the sessions of a scenario as strings of setups, and the engine of each.

    The study is of setups A and B on engine S. A third of the past is of S too, with other setups,
    repeated from day to day; the rest is of other engines, three days each.
    """
    past: list[str] = []
    while (have := sum(map(len, past))) < cell.history:
        past.append("CDDC"[: min(4, cell.history - have)])
    engines = ["S" if at % 3 == 0 else f"H{at // 9}" for at in range(len(past))]
    n = cell.pulls
    study = {
        "blocks": ["A" * n + "B" * n],
        "alternating": ["".join("AB" if at % 2 == 0 else "BA" for at in range(n))],
        "different_sessions": ["A" * n, "B" * n],
    }[cell.design]
    return [*past, *study], [*engines, *["S"] * len(study)]


def layout_of(cell: Cell):
    """Return the layout of a scenario and the engine of each of its pulls."""
    sessions, engines = sessions_of(cell)
    layout = lay_out(*sessions)
    return layout, [engines[at] for at in layout.session]
