"""How many pulls, in what order, to see an effect of a given size."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict, dataclass, field

import numpy as np
import polars as pl

from dynostats.analysis.effect import MEANS_SHARE
from dynostats.analysis.planning.cell import CellNoise
from dynostats.analysis.planning.design import Orders
from dynostats.analysis.planning.orders import (
    Letter,
    draw_orders,
    on_different_days,
    one_after_the_other,
)
from dynostats.analysis.planning.schedule import ManyLooks, Schedule, Sight, look_at
from dynostats.analysis.repeatability import sd_range
from dynostats.errors import AnalysisError

# Pulls of each setup, over all sessions, that are tried before a plan gives up.
MOST_PULLS = 128
# Beyond this many pulls a side, less noise is better advice than more pulls.
MOST_ADVISED = 12
# The table of what is visible goes to two pulls beyond the plan, and at least and at most so far.
SHOWN_PULLS, MOST_SHOWN = 8, 12
# The seed of orders that are only weighed, never run: all of a size see the same.
_ANY_SEED = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Aim:
    """What a plan is for.

    Args:
        effect_pct: Smallest effect on the mean over the band that must be seen, percent, above 0.
        power: Chance of seeing it, between alpha and 1.
        alpha: Chance of any false claim that is accepted.
        sessions: Number of sessions the pulls are spread over.
        schedule: When the study is looked at.

    Raises:
        AnalysisError: A figure lies outside its range.
    """

    effect_pct: float
    power: float = 0.8
    alpha: float = 0.05
    sessions: int = 1
    schedule: Schedule = field(default_factory=Schedule)

    def __post_init__(self) -> None:
        """Refuse aims that no plan could meet."""
        if not 0.0 < self.effect_pct < 100.0:
            raise AnalysisError(
                f"effect is {self.effect_pct:g}%; it must be above 0 and below 100",
                where="--effect",
                mend="Give the smallest effect that you must not miss, for example 1.5.",
            )
        if not 0.0 < self.alpha < 0.5:
            raise AnalysisError(
                f"alpha is {self.alpha:g}; it must be above 0 and below 0.5", where="--alpha"
            )
        if not max(self.alpha, 0.1) <= self.power <= 0.999:
            raise AnalysisError(
                f"power is {self.power:g}; it must lie between 0.1 (and alpha) and 0.999",
                where="--power",
                mend="Give the chance of seeing the effect, for example 0.8.",
            )
        if not 1 <= self.sessions <= 50:
            raise AnalysisError(
                f"sessions is {self.sessions}; it must lie between 1 and 50", where="--sessions"
            )


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortcut:
    """What another way of running the same pulls would cost.

    Args:
        name: "one_after_the_other" or "different_days".
        detectable_pct: Smallest effect seen with as many pulls; None where none can be.
        pulls_per_setup: Pulls a setup that see the effect planned for; None where no number does.
        text: The same in a sentence.
    """

    name: str
    detectable_pct: float | None
    pulls_per_setup: int | None
    text: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plan:
    """How many pulls, in what order.

    Args:
        aim: What it is for.
        noise: What the cell adds.
        pulls_per_setup: Pulls of each setup over all sessions.
        orders: Setups in run order, one order a session.
        sight: What the order sees.
        detectable: One row a number of pulls a setup: n, pct (null where a comparison would give
            no interval), df.
        shortcuts: What never alternating would cost.
        seed: What the order was drawn with.
        warnings: Sentences the reader must see.
        facts: What else was reckoned with, by name: engine, dyno, band.
    """

    aim: Aim
    noise: CellNoise
    pulls_per_setup: int
    orders: tuple[tuple[Letter, ...], ...]
    sight: Sight
    detectable: pl.DataFrame
    shortcuts: tuple[Shortcut, ...]
    seed: int
    warnings: tuple[str, ...]
    facts: dict[str, object] = field(default_factory=dict[str, object])

    @property
    def power(self) -> float:
        """Return the chance of seeing the effect with this plan."""
        return self.sight.power(self.aim.effect_pct)

    @property
    def expected_pairs(self) -> float | None:
        """Return after how many pairs a study of the effect ends on average; None at one look."""
        sight = self.sight
        return sight.expected_pairs(self.aim.effect_pct) if isinstance(sight, ManyLooks) else None

    def looks(self) -> list[dict[str, float]]:
        """Return the looks with their levels and the chance to be through by then."""
        sight = self.sight
        if not isinstance(sight, ManyLooks):
            return []
        seen = np.cumsum(sight.chances(self.aim.effect_pct)).tolist()
        return [
            {"after_pairs": pairs, "level": level / MEANS_SHARE, "found_by_then": chance}
            for pairs, level, chance in zip(sight.pairs, sight.levels, seen, strict=True)
        ]

    def to_dict(self) -> dict[str, object]:
        """Return the plan under the names of the JSON contract."""
        return {
            "pulls_per_setup": self.pulls_per_setup,
            "sessions": self.aim.sessions,
            "order": [letter for order in self.orders for letter in order],
            "orders": [list(order) for order in self.orders],
            "detectable_pct_by_n": self.detectable.to_dicts(),
            "power": self.power,
            "looks": self.looks(),
            "expected_pairs": self.expected_pairs,
            "never_alternating": [asdict(one) for one in self.shortcuts],
            "assumptions": self._assumptions(),
            "warnings": list(self.warnings),
        }

    def _assumptions(self) -> dict[str, object]:
        return (
            self.facts
            | self.noise.to_dict()
            | {
                "effect_pct": self.aim.effect_pct,
                "power_wanted": self.aim.power,
                "alpha": self.aim.alpha,
                "band_mean_alpha": MEANS_SHARE * self.aim.alpha,
                "test": "two-sided t test of the mean over the band at band_mean_alpha, the "
                "share of alpha that `compare` gives to it; power from the noncentral t "
                "distribution with moderated degrees of freedom",
                "seed": self.seed,
            }
        )


def make_plan(
    aim: Aim, noise: CellNoise, *, seed: int, facts: dict[str, object] | None = None
) -> Plan:
    """Find the fewest pulls that see an effect, and draw their order.

    Args:
        aim: Effect, power, alpha and sessions.
        noise: What the cell adds.
        seed: Seed of the run order.
        facts: What else was reckoned with, for the reader.

    Raises:
        AnalysisError: No number of pulls in so many sessions sees the effect.
    """
    pulls = _fewest(aim, lambda n: _any_orders(n, aim.sessions), noise)
    if pulls is None:
        raise AnalysisError(
            f"no number of pulls in {_count(aim.sessions, 'session')} sees {aim.effect_pct:g}% "
            f"with a chance of {aim.power:.0%} here",
            where="--effect",
            mend="Ask for a larger effect, or more --sessions; or lower the noise first (warm-up, "
            "pauses, fuel and charge temperature).",
        )
    orders = draw_orders(pulls, aim.sessions, np.random.default_rng(seed))
    sight = look_at(orders, noise, aim.schedule, alpha=aim.alpha)
    if sight is None:
        msg = "an order of a size that sees the effect sees nothing"
        raise ValueError(msg)
    total = pulls * aim.sessions
    return Plan(
        aim=aim,
        noise=noise,
        pulls_per_setup=total,
        orders=orders,
        sight=sight,
        detectable=_detectable(aim, noise, planned=pulls),
        shortcuts=_shortcuts(aim, noise, pulls),
        seed=seed,
        warnings=_warnings(noise, total),
        facts=facts or {},
    )


def _any_orders(pulls: int, sessions: int) -> Orders:
    return draw_orders(pulls, sessions, np.random.default_rng(_ANY_SEED))


def _seen(orders: Orders, noise: CellNoise, aim: Aim) -> float | None:
    """Return the smallest effect an order sees, percent; None where there is no interval."""
    sight = look_at(orders, noise, aim.schedule, alpha=aim.alpha)
    return None if sight is None else sight.detectable_pct(aim.power)


def _fewest(aim: Aim, order: Callable[[int], Orders], noise: CellNoise) -> int | None:
    """Return the fewest pulls a setup and session that see the effect; None where none do."""

    def sees(pulls: int) -> bool:
        sight = look_at(order(pulls), noise, aim.schedule, alpha=aim.alpha)
        return sight is not None and sight.power(aim.effect_pct) >= aim.power

    # What is visible shrinks with the pulls: double until it is small enough, then halve the gap.
    high = 1
    while not sees(high):
        high *= 2
        if high * aim.sessions > MOST_PULLS:
            return None
    low = high // 2
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if sees(middle) else (middle, high)
    return high


def _detectable(aim: Aim, noise: CellNoise, *, planned: int) -> pl.DataFrame:
    """Return what is visible by pulls of each setup, around what is planned."""
    last = max(planned + 2, min(SHOWN_PULLS, max(MOST_PULLS // aim.sessions, 1)))
    rows: list[dict[str, object]] = []
    for pulls in range(max(1, last - MOST_SHOWN + 1), last + 1):
        sight = look_at(_any_orders(pulls, aim.sessions), noise, aim.schedule, alpha=aim.alpha)
        rows.append(
            {
                "n": pulls * aim.sessions,
                "pct": None if sight is None else sight.detectable_pct(aim.power),
                "df": None if sight is None else sight.df,
            }
        )
    return pl.DataFrame(rows, schema={"n": pl.Int64, "pct": pl.Float64, "df": pl.Float64})


def _shortcuts(aim: Aim, noise: CellNoise, pulls: int) -> tuple[Shortcut, ...]:
    ways: dict[str, Callable[[int], Orders]] = {
        "one_after_the_other": lambda n: one_after_the_other(n, aim.sessions),
        "different_days": lambda n: on_different_days(n, aim.sessions),
    }
    found: list[Shortcut] = []
    for name, order in ways.items():
        seen = _seen(order(pulls), noise, aim)
        needed = _fewest(aim, order, noise)
        total = None if needed is None else needed * aim.sessions
        found.append(
            Shortcut(
                name=name,
                detectable_pct=seen,
                pulls_per_setup=total,
                text=_say_shortcut(name, seen, total, aim, pulls * aim.sessions),
            )
        )
    return tuple(found)


_WAYS = {
    "one_after_the_other": "All of one setup, then all of the other",
    "different_days": "Each setup on days of its own",
}


def _say_shortcut(name: str, seen: float | None, needed: int | None, aim: Aim, pulls: int) -> str:
    if seen is None:
        return (
            f"{_WAYS[name]}: undecided whatever comes out, because nothing in the warehouse tells "
            f"{'how far days differ' if name == 'different_days' else 'how far pulls repeat'}."
        )
    if needed == pulls and name == "one_after_the_other":
        return (
            f"{_WAYS[name]}: as good here as far as past sessions tell (no drift stands out in "
            "them); alternating guards against a day that is not like them."
        )
    same = f"{_WAYS[name]}: the same {pulls} pulls a setup see no less than {seen:.2f}%"
    if needed is None:
        return f"{same}, and no number of pulls sees {aim.effect_pct:g}%."
    return f"{same}; {needed} a setup would see {aim.effect_pct:g}%."


def _warnings(noise: CellNoise, pulls: int) -> tuple[str, ...]:
    found: list[str] = []
    if not noise.learned:
        found.append(f"The noise is {noise.source}.")
    elif noise.pull_df < 8:
        low, high = sd_range(noise.pull_df)
        found.append(
            f"Only {noise.pull_df} degrees of freedom stand behind the noise: its SD may be "
            f"{low:.1f} to {high:.1f} times as large, and the pulls needed change with its square. "
            "Plan again when more pulls are stored."
        )
    if pulls > MOST_ADVISED:
        found.append(
            f"{pulls} pulls of each setup are many. Lowering the noise first (warm-up, the same "
            "pause and temperatures before each pull, fuel temperature) may be cheaper."
        )
    return tuple(found)


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
