"""The relabelings of pulls that a design allows: all of them by number, or some at random.

Labels come a column a relabeling. Dealing: which pulls of a block carry the candidate's label, 1
for those and 0 for the rest. Swapping: 1 for a pair as it was, -1 for a pair with its labels
swapped.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from math import comb, prod

import numpy as np
import numpy.typing as npt

from dynostats.arrays import Flags, Floats, Ints

LABELS_AT_ONCE = 10_000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Block:
    """Pulls among which labels are dealt.

    Args:
        rows: Numbers of the pulls, shape (pulls,).
        candidates: How many of them are the candidate's.
    """

    rows: Ints
    candidates: int

    @property
    def baselines(self) -> int:
        """Return how many pulls are not the candidate's."""
        return len(self.rows) - self.candidates

    @property
    def dealings(self) -> int:
        """Return the number of ways to deal the labels."""
        return comb(len(self.rows), self.candidates)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scheme:
    """The relabelings that a design allows.

    Args:
        total: How many there are.
        mirrored: True when each has its opposite among them, which gives the same |t|. Then the
            first half of the numbers holds one of each.
        observed: The labels as they were, shape (rows,).
        listed: Gives the labels of relabelings by number, from 0: shape (rows, numbers).
        drawn: Gives that many at random, shape (rows, draws).
    """

    total: int
    mirrored: bool
    observed: Floats
    listed: Callable[[Ints], Floats]
    drawn: Callable[[int, np.random.Generator], Floats]

    def list_different(self) -> Iterator[Floats]:
        """Give all labels, or one of each pair of opposites, some columns at a time."""
        different = self.total // 2 if self.mirrored else self.total
        for first in range(0, different, LABELS_AT_ONCE):
            yield self.listed(np.arange(first, min(first + LABELS_AT_ONCE, different)))

    def draw(self, count: int, seed: int) -> Iterator[Floats]:
        """Give the observed labels and count - 1 random ones, some columns at a time."""
        rng = np.random.default_rng(seed)
        yield self.observed[:, None]
        for first in range(1, count, LABELS_AT_ONCE):
            yield self.drawn(min(LABELS_AT_ONCE, count - first), rng)


def find_blocks(is_candidate: Flags, names: list[str]) -> list[Block]:
    """Gather the pulls of each block.

    Args:
        is_candidate: Shape (pulls,).
        names: Block of each pull, length pulls.
    """
    labels = np.array(names)
    rows_of = [np.flatnonzero(labels == name) for name in sorted(set(names))]
    return [Block(rows=rows, candidates=int(is_candidate[rows].sum())) for rows in rows_of]


def deal_labels(blocks: list[Block], is_candidate: Flags) -> Scheme:
    """Return the scheme in which every block's labels are dealt anew, block by block."""
    pulls = len(is_candidate)

    def listed(numbers: Ints) -> Floats:
        labels = np.empty((pulls, len(numbers)))
        for block in blocks:
            numbers, own = np.divmod(numbers, block.dealings)
            _list_dealings(block, own, labels)
        return labels

    def drawn(count: int, rng: np.random.Generator) -> Floats:
        labels = np.empty((pulls, count))
        for block in blocks:
            _draw_dealings(block, labels, rng)
        return labels

    return Scheme(
        total=prod(block.dealings for block in blocks),
        mirrored=all(b.candidates == b.baselines for b in blocks if b.candidates and b.baselines),
        observed=is_candidate.astype(np.float64),
        listed=listed,
        drawn=drawn,
    )


def swap_labels(pairs: int) -> Scheme:
    """Return the scheme in which the labels of each pair are swapped or kept."""

    def listed(numbers: Ints) -> Floats:
        return _signs((numbers >> np.arange(pairs)[:, None]) & 1)

    def drawn(count: int, rng: np.random.Generator) -> Floats:
        return _signs(rng.integers(0, 2, size=(pairs, count), dtype=np.int8))

    return Scheme(
        total=2**pairs, mirrored=True, observed=np.ones(pairs), listed=listed, drawn=drawn
    )


def _signs(swapped: npt.NDArray[np.signedinteger]) -> Floats:
    return (1 - 2 * swapped).astype(np.float64)


def _list_dealings(block: Block, numbers: Ints, labels: Floats) -> None:
    """Fill in the dealings of given numbers; those that choose the first pull come first.

    Source: combinatorial number system, Knuth, The Art of Computer Programming 4A, 7.2.1.3 (from
    memory).
    """
    left = np.full(len(numbers), block.candidates)
    for place, row in enumerate(block.rows):
        after = len(block.rows) - place - 1
        # Dealings that choose this pull, by how many are left to choose. The cap keeps numbers
        # that no dealing meets within 64 bits.
        ways = [
            min(comb(after, n - 1), block.dealings) if n else 0 for n in range(block.candidates + 1)
        ]
        choosing = np.array(ways)[left]
        chosen = numbers < choosing
        numbers = np.where(chosen, numbers, numbers - choosing)
        left = left - chosen
        labels[row] = chosen


def _draw_dealings(block: Block, labels: Floats, rng: np.random.Generator) -> None:
    """Fill in random dealings, a column each, all equally likely.

    Source: selection sampling, Knuth, The Art of Computer Programming 2, 3.4.2, algorithm S (from
    memory).
    """
    left = np.full(labels.shape[1], float(block.candidates))
    for place, row in enumerate(block.rows):
        labels[row] = rng.random(labels.shape[1]) * (len(block.rows) - place) < left
        left -= labels[row]
