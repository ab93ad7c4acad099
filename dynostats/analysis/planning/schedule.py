"""When a study is looked at, and what it sees then."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from dynostats.analysis.effect import MEANS_SHARE
from dynostats.analysis.planning.cell import CellNoise
from dynostats.analysis.planning.design import Orders, Precision, measure_precision
from dynostats.analysis.planning.orders import Letter
from dynostats.analysis.question import LEAST_ALPHA
from dynostats.analysis.sequential.small_df import (
    Paths,
    simulate_paths,
    student_levels,
    student_power,
)
from dynostats.analysis.sequential.spending import MOST_LOOKS, Rule
from dynostats.errors import AnalysisError

# Studies simulated to plan one: the chance of a find is then known to about 0.3 of a percent.
PATHS = 20_000
# Width at which the search for a detectable effect ends, in standard errors.
PRECISION = 0.005

# At few degrees of freedom early looks cost much and find little: this one wastes least on them.
DEFAULT_RULE: Rule = "lan_demets_obrien_fleming"


@dataclass(frozen=True, slots=True, kw_only=True)
class Schedule:
    """When a study is looked at.

    Args:
        looks: Looks, the last one included; None for one after every pair of pulls.
        rule: How the accepted error is spread over them.

    Raises:
        AnalysisError: The number of looks is out of range.
    """

    looks: int | None = 1
    rule: Rule = DEFAULT_RULE

    def __post_init__(self) -> None:
        """Refuse a number of looks that no study has."""
        if self.looks is not None and not 1 <= self.looks <= MOST_LOOKS:
            raise AnalysisError(
                f"looks is {self.looks}; it must lie between 1 and {MOST_LOOKS}", where="--looks"
            )

    def after(self, pairs: int) -> tuple[int, ...]:
        """Return after how many pairs of pulls, of so many planned, the looks are."""
        looks = min(pairs if self.looks is None else self.looks, pairs, MOST_LOOKS)
        return tuple(math.ceil(at * pairs / looks) for at in range(1, looks + 1))


class Sight(Protocol):
    """What a run order sees."""

    @property
    def df(self) -> float:
        """Return the degrees of freedom at the last look."""
        ...

    def power(self, effect_pct: float) -> float:
        """Return the chance that an effect is found at any look."""
        ...

    def detectable_pct(self, power: float) -> float:
        """Return the smallest effect found with a chance of `power`, percent."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class OneLook:
    """A study looked at once, at its end.

    Args:
        precision: How well it measures.
        alpha: Two-sided level of the test of the mean.
    """

    precision: Precision
    alpha: float

    @property
    def df(self) -> float:
        """Return the degrees of freedom."""
        return self.precision.df

    def power(self, effect_pct: float) -> float:
        """Return the chance that an effect is found."""
        return self.precision.power(effect_pct, alpha=self.alpha)

    def detectable_pct(self, power: float) -> float:
        """Return the smallest effect found with a chance of `power`, percent."""
        return self.precision.detectable_pct(alpha=self.alpha, power=power)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ManyLooks:
    """A study looked at several times.

    Args:
        standard_error: Of the effect at the end, log units.
        pairs: Pairs of pulls in at each look.
        dfs: Degrees of freedom at each look.
        levels: Two-sided level of the test of the mean at each look.
        simulated: Studies without effect, looked at likewise.
    """

    standard_error: float
    pairs: tuple[int, ...]
    dfs: tuple[float, ...]
    levels: tuple[float, ...]
    simulated: Paths

    @property
    def df(self) -> float:
        """Return the degrees of freedom at the last look."""
        return self.dfs[-1]

    def chances(self, effect_pct: float) -> tuple[float, ...]:
        """Return the chance of finding an effect first at each look."""
        drift = float(np.log1p(effect_pct / 100.0)) / self.standard_error
        return tuple(student_power(self.simulated, self.dfs, self.levels, drift=drift).tolist())

    def power(self, effect_pct: float) -> float:
        """Return the chance that an effect is found at any look."""
        return sum(self.chances(effect_pct))

    def expected_pairs(self, effect_pct: float) -> float:
        """Return after how many pairs a study of an effect ends on average."""
        chances = self.chances(effect_pct)
        ended = sum(chance * pairs for chance, pairs in zip(chances, self.pairs, strict=True))
        return ended + (1.0 - sum(chances)) * self.pairs[-1]

    def detectable_pct(self, power: float) -> float:
        """Return the smallest effect found with a chance of `power`, percent."""
        low, high = 0.0, 2.0
        while self._finds(high) < power:
            low, high = high, 2.0 * high
        while high - low > PRECISION:
            middle = (low + high) / 2.0
            low, high = (middle, high) if self._finds(middle) < power else (low, middle)
        return 100.0 * float(np.expm1(high * self.standard_error))

    def _finds(self, drift: float) -> float:
        return float(student_power(self.simulated, self.dfs, self.levels, drift=drift).sum())


def look_at(orders: Orders, noise: CellNoise, schedule: Schedule, *, alpha: float) -> Sight | None:
    """Return what a run order sees when it is looked at as scheduled; None without an interval.

    Looks at which a comparison would have no interval yet are none.

    Args:
        orders: Setups in run order, one order a session.
        noise: What the cell adds.
        schedule: When it is looked at.
        alpha: Chance of any false claim that is accepted over all looks.
    """
    whole = measure_precision(orders, noise)
    if whole is None:
        return None
    pairs = sum(letter == "A" for order in orders for letter in order)
    after = schedule.after(pairs)
    if len(after) == 1:
        return OneLook(precision=whole, alpha=MEANS_SHARE * alpha)
    taken: list[tuple[int, Precision]] = []
    for count in after:
        so_far = measure_precision(_first_pairs(orders, count), noise)
        if so_far is not None and (not taken or so_far.pull_factor < taken[-1][1].pull_factor):
            taken.append((count, so_far))
    dfs = [precision.df for _, precision in taken]
    # The study spends alpha by the information that pull noise alone gives; what it sees is
    # limited by all the noise there is.
    shares = [whole.pull_factor / precision.pull_factor for _, precision in taken]
    found = student_levels(
        schedule.rule, shares, dfs, looks=len(after), alpha=alpha, least=LEAST_ALPHA, paths=PATHS
    )
    times = [(whole.standard_error / precision.standard_error) ** 2 for _, precision in taken]
    return ManyLooks(
        standard_error=whole.standard_error,
        pairs=tuple(count for count, _ in taken),
        dfs=tuple(dfs),
        levels=tuple(MEANS_SHARE * level for level in found),
        simulated=simulate_paths(np.maximum.accumulate(times).tolist(), dfs, paths=PATHS),
    )


def _first_pairs(orders: Orders, pairs: int) -> list[list[Letter]]:
    """Return the run orders up to the pull that completes so many pairs."""
    seen: list[list[Letter]] = []
    count: dict[Letter, int] = {"A": 0, "B": 0}
    for order in orders:
        run: list[Letter] = []
        for letter in order:
            if min(count.values()) < pairs:
                run.append(letter)
                count[letter] += 1
        if run:
            seen.append(run)
    return seen
