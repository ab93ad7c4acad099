"""Gains and losses that single studies claim: which stand among all, and why the others do not."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import polars as pl

from dynostats.analysis.synthesis.result import Because, Claim, ClaimSource

_CLAIMS = ("gain", "loss")
# Claims of the past before today's: what is said again later is said once.
_SOURCES: tuple[ClaimSource, ...] = ("by_eye", "look", "then", "compare")
# A standard error that grew by more than this factor is noise learned since.
_MORE_NOISE = 1.1

Reason = tuple[Because, str]


def find_claims(table: pl.DataFrame, *, alpha: float, margin_pct: float) -> tuple[Claim, ...]:
    """Return the claims, those that do not stand first.

    Args:
        table: One row a study, as in `History.studies`.
        alpha: Level of the intervals, and share of false findings accepted.
        margin_pct: Difference of means that is called a change by eye, percent.
    """
    found = [
        one
        for row in table.iter_rows(named=True)
        for one in _claims_of(row, alpha=alpha, margin_pct=margin_pct)
    ]
    return tuple(sorted(found, key=lambda one: (one.stands, _SOURCES.index(one.source))))


def _claims_of(row: Mapping[str, Any], *, alpha: float, margin_pct: float) -> Iterator[Claim]:
    said: set[str] = set()
    for source in _SOURCES:
        claimed = _claimed(row, source, margin_pct=margin_pct)
        if claimed not in _CLAIMS or claimed in said:
            continue
        if source != "by_eye":
            said.add(claimed)
        against = list(_reasons_against(row, claimed, source, alpha))
        yield Claim(
            engine=row["engine"],
            baseline=row["baseline"],
            candidate=row["candidate"],
            claimed=claimed,
            source=source,
            stands=not against,
            text=_say(row, claimed, source, [text for _, text in against]),
            because=tuple(dict.fromkeys(code for code, _ in against)),
        )


def _claimed(row: Mapping[str, Any], source: ClaimSource, *, margin_pct: float) -> str | None:
    if source == "by_eye":
        seen = row["by_eye_pct"]
        if seen is None or abs(seen) < margin_pct:
            return None
        return "gain" if seen > 0.0 else "loss"
    return row[{"look": "claimed", "then": "then_verdict", "compare": "verdict"}[source]]


def _reasons_against(
    row: Mapping[str, Any], claimed: str, source: ClaimSource, alpha: float
) -> Iterator[Reason]:
    if row["lacking"]:
        yield "no_interval", f"today there is no interval, because {row['lacking']}"
        return
    if row["verdict"] != claimed:
        yield from _reasons_changed(row, source)
    if (row["effect_pct"] > 0.0) != (claimed == "gain"):
        yield "sign", f"its mean over the band is {row['effect_pct']:+z.2f}%"
    if not row["found"]:
        yield (
            "multiplicity",
            (
                f"among all studies its mean over the band does not stand out (adjusted p "
                f"{row['p_adjusted']:.2g}, at most {alpha:g} would)"
            ),
        )
    low, high = row["shrunken_low_pct"], row["shrunken_high_pct"]
    if low is not None and low <= 0.0 <= high:
        yield (
            "multiplicity",
            (
                f"beside its fellows {row['shrunken_pct']:+z.2f}% is left of it ({low:+z.2f} to "
                f"{high:+z.2f}%)"
            ),
        )


def _reasons_changed(row: Mapping[str, Any], source: ClaimSource) -> Iterator[Reason]:
    """Yield why the comparison says something else today than was claimed."""
    verdict = row["verdict"].replace("_", " ")
    bounds = f"{row['effect_pct']:+z.2f}% ({row['low_pct']:+z.2f} to {row['high_pct']:+z.2f}%)"
    if source == "by_eye":
        yield "noise", f"allowing for the noise of the cell it is {verdict}, {bounds}"
    else:
        yield (
            "noise" if not row["since"] else "pulls",
            f"with today's pulls and noise the same comparison says {verdict}, {bounds}",
        )
    clauses = row["since"] or []
    for at, clause in enumerate(clauses, start=1):
        yield "pulls" if row["added"] and at == len(clauses) else "paperwork", clause
    then, today = row["then_error_pct"], row["error_pct"]
    if source == "then" and then and today and today > _MORE_NOISE * then:
        yield (
            "noise",
            (
                f"the noise learned since: its standard error was {then:.2f}% then and is "
                f"{today:.2f}% today"
            ),
        )


def _say(row: Mapping[str, Any], claimed: str, source: ClaimSource, against: list[str]) -> str:
    name = f"{row['candidate']} against {row['baseline']} on {row['engine']}"
    own = f"{name}: {_say_claimed(row, claimed, source)}"
    if against:
        return f"{own}; does not stand today: {'; '.join(against)}."
    if row["shrunken_pct"] is None:
        return f"{own}; stands (adjusted p {row['p_adjusted']:.2g})."
    return (
        f"{own}; stands, {row['shrunken_pct']:+z.2f}% ({row['shrunken_low_pct']:+z.2f} to "
        f"{row['shrunken_high_pct']:+z.2f}%) beside its fellows."
    )


def _say_claimed(row: Mapping[str, Any], claimed: str, source: ClaimSource) -> str:
    made = " when it was made" if row["made_at"] is None else f" on {row['made_at']:%Y-%m-%d}"
    match source:
        case "by_eye":
            return f"{claimed} by eye{made}, {row['by_eye_pct']:+z.2f}%"
        case "then":
            return f"{claimed} from what was known{made}, {row['then_effect_pct']:+z.2f}%"
        case "look":
            return f"{claimed} at the last look at its declared question"
        case "compare":
            return f"{claimed}, {row['effect_pct']:+z.2f}% by itself"
