"""How far a declared study is: which pulls count, and what is to be run next."""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from dynostats.analysis.planning.declaration import Declaration
from dynostats.analysis.planning.departures import run_letters
from dynostats.analysis.planning.run_sheet import PlannedPull
from dynostats.analysis.planning.schedule import Schedule

# What is put behind the name of a setup in pulls of other sessions, so that they teach the noise
# without counting as pulls of the study.
ELSEWHERE = "{setup} (not of this study)"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Progress:
    """How far a declared study is.

    Args:
        pulls: One row a stored pull of the study's sessions, in the order run, warm-ups too.
        baseline: Accepted pulls of the baseline.
        candidate: Accepted pulls of the candidate.
        next: The row of the run sheet to be run next; None when all are in.
    """

    pulls: pl.DataFrame
    baseline: int
    candidate: int
    next: PlannedPull | None

    @property
    def pairs(self) -> int:
        """Return how many pairs are in."""
        return min(self.baseline, self.candidate)


def follow(pulls: pl.DataFrame, declared: Declaration) -> Progress:
    """Return how far a declared study is.

    Args:
        pulls: One row a stored pull: pull, engine, dyno, session, setup, order, started, state.
        declared: The question.
    """
    own = of_study(pulls, declared)
    accepted = own.filter(state="accepted")
    counts = {name: accepted.filter(setup=name).height for name in _setups(declared)}
    return Progress(
        pulls=own.sort("order", "started", nulls_last=True, maintain_order=True),
        baseline=counts[declared.baseline],
        candidate=counts[declared.candidate],
        next=_next_row(accepted, declared),
    )


def of_study(pulls: pl.DataFrame, declared: Declaration) -> pl.DataFrame:
    """Return the stored pulls of a study's sessions."""
    return pulls.filter(
        pl.col("session").is_in(declared.sessions()),
        pl.col("dyno").fill_null("") == (declared.dyno or ""),
        engine=declared.engine,
    )


def set_apart(pulls: pl.DataFrame, declared: Declaration) -> pl.DataFrame:
    """Return all pulls, those of other sessions under a candidate's name of their own.

    They still tell how far pulls repeat, and no longer count as pulls of the study.
    """
    study = (
        pl.col("session").is_in(declared.sessions())
        & (pl.col("dyno").fill_null("") == (declared.dyno or ""))
        & (pl.col("engine") == declared.engine)
    )
    stranger = (
        ~study & (pl.col("engine") == declared.engine) & (pl.col("setup") == declared.candidate)
    )
    other = ELSEWHERE.format(setup=declared.candidate)
    return pulls.with_columns(
        setup=pl.when(stranger).then(pl.lit(other)).otherwise(pl.col("setup"))
    )


def due_look(pairs: int, last: int, declared: Declaration) -> int | None:
    """Return after how many pairs the look is that is due; None when none is.

    Args:
        pairs: Pairs that are in.
        last: Pairs that were in at the last look; 0 before the first.
        declared: The question.
    """
    due = [after for after in scheduled(declared) if last < after <= pairs]
    return due[-1] if due else None


def coming_looks(pairs: int, declared: Declaration) -> tuple[int, ...]:
    """Return after how many pairs the looks to come are."""
    return tuple(after for after in scheduled(declared) if after > pairs)


def scheduled(declared: Declaration) -> tuple[int, ...]:
    """Return after how many pairs the looks are."""
    return Schedule(looks=declared.looks).after(declared.pulls_per_setup)


def _setups(declared: Declaration) -> tuple[str, str]:
    return declared.baseline, declared.candidate


def _next_row(accepted: pl.DataFrame, declared: Declaration) -> PlannedPull | None:
    """Return the first row whose setup is still owed, session by session.

    As long as the order was followed that is the next row; after a departure it is the first of
    the setup that is missing.
    """
    for session in declared.sessions():
        planned = [row for row in declared.compared() if row.session == session]
        run = run_letters(accepted.filter(session=session), declared)
        owed = planned[len(run) :]
        if owed and run == "".join(row.role for row in planned[: len(run)]):
            return owed[0]
        for letter in ("A", "B"):
            of_letter = [row for row in planned if row.role == letter]
            missing = of_letter[run.count(letter) :]
            if missing:
                return missing[0]
    return None
