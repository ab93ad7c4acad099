"""The scenarios of the calibration: every pair of levels of any two factors meets."""

from __future__ import annotations

import itertools
import zlib
from collections import Counter
from dataclasses import dataclass

import numpy as np

from dynostats.simulate import lay_out

PULLS = (1, 2, 3, 5, 8)
HISTORY = (0, 8, 30, 100)
DESIGNS = ("blocks", "alternating", "different_sessions")
SHAPES = ("smooth", "rough", "rpm_dependent", "heavy_tailed", "drifting")
LEAST_CELLS = 60
LEAST_MEETINGS = 2

# Past days as (engine, run order). The study's engine, "S", was there with other setups. Setups
# return on other days, so that days can be told from pulls.
FIRST_DAYS = [("H1", "CCCC"), ("H1", "CCDD")]  # 8 pulls
MORE_DAYS = [  # 22 more
    ("S", "CCC"),
    ("S", "CCC"),
    ("H2", "CCDD"),
    ("H2", "CCCC"),
    ("H2", "DDDD"),
    ("H2", "CDCD"),
]
MANY_DAYS = [  # 70 more
    (engine, run)
    for engine in ("H3", "H4", "H5", "H6", "H7")
    for run in ("CCC", "CCDD", "DDDD", "CCD")
]
PAST = {
    0: [],
    8: FIRST_DAYS,
    30: FIRST_DAYS + MORE_DAYS,
    100: FIRST_DAYS + MORE_DAYS + MANY_DAYS,
}


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

    @property
    def seed(self) -> int:
        """Return a seed of its own, whatever other scenarios are run."""
        return zlib.crc32(self.name.encode())


# The scenario of the promise of power, and its likes.
ALWAYS = [
    Cell(pulls=2, history=30, design=design, shape="smooth") for design in ("blocks", "alternating")
]


def choose_cells(seed: int = 1) -> list[Cell]:
    """Choose at least 60 of the 300 scenarios so that all pairs of levels meet at least twice.

    One after another, each time the scenario whose pairs have met least so far.
    """
    left = [
        Cell(pulls=p, history=h, design=d, shape=s)
        for p, h, d, s in itertools.product(PULLS, HISTORY, DESIGNS, SHAPES)
    ]
    every = {pair for cell in left for pair in pairs_of(cell)}
    rng = np.random.default_rng(seed)
    left = [left[at] for at in rng.permutation(len(left))]
    chosen = list(ALWAYS)
    met = Counter(pair for cell in chosen for pair in pairs_of(cell))
    left = [cell for cell in left if cell not in chosen]
    while len(chosen) < LEAST_CELLS or min(met[pair] for pair in every) < LEAST_MEETINGS:
        best = max(left, key=lambda cell: sum(2.0 ** -met[pair] for pair in pairs_of(cell)))
        left.remove(best)
        chosen.append(best)
        met.update(pairs_of(best))
    return sorted(chosen)


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

    The study is of setups A and B on engine S, after the past days.
    """
    n = cell.pulls
    study = {
        "blocks": ["A" * n + "B" * n],
        "alternating": ["".join("AB" if at % 2 == 0 else "BA" for at in range(n))],
        "different_sessions": ["A" * n, "B" * n],
    }[cell.design]
    past = PAST[cell.history]
    return [*(run for _, run in past), *study], [*(name for name, _ in past), *["S"] * len(study)]


def layout_of(cell: Cell):
    """Return the layout of a scenario and the engine of each of its pulls."""
    sessions, engines = sessions_of(cell)
    layout = lay_out(*sessions)
    return layout, [engines[at] for at in layout.session]
