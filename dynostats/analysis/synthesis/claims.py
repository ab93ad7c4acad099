"""Gains and losses that single studies claim: which stand among all, and why the others do not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

from dynostats.analysis.synthesis.result import Claim

_CLAIMS = ("gain", "loss")


def find_claims(table: pl.DataFrame, *, alpha: float) -> tuple[Claim, ...]:
    """Return the claims, those that do not stand first.

    Args:
        table: One row a study, as in `History.studies`.
        alpha: Level of the intervals, and share of false findings accepted.
    """
    found = [one for row in table.iter_rows(named=True) for one in _claims_of(row, alpha)]
    return tuple(sorted(found, key=lambda one: one.stands))


def _claims_of(row: Mapping[str, Any], alpha: float) -> Iterator[Claim]:
    for source in ("look", "compare"):
        claimed = row["claimed"] if source == "look" else row["verdict"]
        if claimed not in _CLAIMS:
            continue
        against = _reasons_against(row, claimed, alpha)
        yield Claim(
            engine=row["engine"],
            baseline=row["baseline"],
            candidate=row["candidate"],
            claimed=claimed,
            source="look" if source == "look" else "compare",
            stands=not against,
            text=_say(row, claimed, against),
        )
        if source == "look" and row["verdict"] == claimed:
            return  # said once already


def _reasons_against(row: Mapping[str, Any], claimed: str, alpha: float) -> list[str]:
    reasons: list[str] = []
    if row["lacking"]:
        return [f"today there is no interval, because {row['lacking']}"]
    if row["verdict"] != claimed:
        reasons.append(
            "with today's pulls and noise the same comparison says "
            f"{row['verdict'].replace('_', ' ')}"
        )
    if (row["effect_pct"] > 0.0) != (claimed == "gain"):
        reasons.append(f"its mean over the band is {row['effect_pct']:+.2f}%")
    if not row["found"]:
        reasons.append(
            f"among all studies its mean over the band does not stand out (adjusted p "
            f"{row['p_adjusted']:.2g}, at most {alpha:g} would)"
        )
    low, high = row["shrunken_low_pct"], row["shrunken_high_pct"]
    if low is not None and low <= 0.0 <= high:
        reasons.append(
            f"beside its fellows {row['shrunken_pct']:+.2f}% is left of it ({low:+.2f} to "
            f"{high:+.2f}%)"
        )
    return reasons


def _say(row: Mapping[str, Any], claimed: str, against: list[str]) -> str:
    name = f"{row['candidate']} against {row['baseline']} on {row['engine']}"
    own = f"{name}: {claimed}, {row['effect_pct']:+.2f}% by itself"
    if against:
        return f"{own}; does not stand today: {'; '.join(against)}."
    if row["shrunken_pct"] is None:
        return f"{own}; stands (adjusted p {row['p_adjusted']:.2g})."
    return (
        f"{own}; stands, {row['shrunken_pct']:+.2f}% ({row['shrunken_low_pct']:+.2f} to "
        f"{row['shrunken_high_pct']:+.2f}%) beside its fellows."
    )
