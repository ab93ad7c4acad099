"""What a user meant: the engine that has both setups, the name nearest to a mistyped one."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import polars as pl

from dynostats.errors import AnalysisError, WarehouseError
from dynostats.words import did_you_mean


def choose_engine(pulls: pl.DataFrame, *, baseline: str, candidate: str, engine: str | None) -> str:
    """Return the engine a comparison is about.

    Args:
        pulls: One row a stored pull, with engine and setup.
        baseline: Name of the baseline setup.
        candidate: Name of the candidate setup.
        engine: The engine asked for; None to find the only one that has both setups.

    Raises:
        AnalysisError: If several engines have both setups, or none has.
        WarehouseError: If a setup is not stored.
    """
    if engine is not None:
        return engine
    for setup in (baseline, candidate):
        require_name(setup, pulls["setup"].unique(), kind="setup")
    return _only_engine(_engines_with(pulls, baseline, candidate), baseline, candidate, pulls)


def require_name(name: str, stored: Collection[str], *, kind: str) -> None:
    """Do nothing if a name is stored.

    Raises:
        WarehouseError: If it is not; names the nearest that is.
    """
    if name in stored:
        return
    known = sorted(stored)
    raise WarehouseError(
        f"there is no {kind} '{name}' in the warehouse",
        where=f"{kind} {name}",
        mend=f"{did_you_mean(name, known)}Stored {kind}s: {_listed(known)}.",
    )


def require_distinct(candidates: Sequence[str]) -> None:
    """Do nothing if there are candidates and none is named twice.

    Raises:
        AnalysisError: If not.
    """
    if not candidates or len(set(candidates)) < len(candidates):
        raise AnalysisError(
            f"the candidates are {_listed(candidates)}; each must be named once",
            where="--candidate",
            mend="Name one or more different setups.",
        )


def _engines_with(pulls: pl.DataFrame, *setups: str) -> list[str]:
    sides = (set(pulls.filter(pl.col("setup") == setup)["engine"]) for setup in setups)
    return sorted(set[str].intersection(*sides))


def _only_engine(engines: list[str], baseline: str, candidate: str, pulls: pl.DataFrame) -> str:
    if len(engines) == 1:
        return engines[0]
    if engines:
        raise AnalysisError(
            f"{len(engines)} engines have both '{baseline}' and '{candidate}'",
            where="--engine",
            mend=f"Say which with --engine: {_listed(engines)}.",
        )
    has = {
        setup: _listed(sorted(pulls.filter(pl.col("setup") == setup)["engine"].unique()))
        for setup in (baseline, candidate)
    }
    raise AnalysisError(
        f"no engine has both setups: '{baseline}' was pulled on {has[baseline]}, "
        f"'{candidate}' on {has[candidate]}",
        where="--baseline, --candidate",
        mend="Compare two setups of one engine, or `dynostats amend` a wrong engine name.",
    )


def _listed(names: Collection[str], at_most: int = 12) -> str:
    shown = [f"'{name}'" for name in names][:at_most]
    more = len(names) - len(shown)
    return ", ".join(shown) + (f" and {more} more" if more else "") if shown else "none"
