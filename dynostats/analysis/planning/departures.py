"""Where a comparison departs from the question that was declared for it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.analysis.planning.declaration import Declaration, Look

# A band is the declared one when its ends lie within two grid steps of it: the last pull may stop
# a little short.
BAND_SLACK_RPM = 100.0
# Fields whose correction changes what a look saw.
SEEN_FIELDS = ("state", "engine", "dyno", "session", "setup", "order")


def find_departures(
    found: Comparison,
    declared: Declaration,
    stored: pl.DataFrame,
    *,
    declared_again: int = 0,
    running: bool = False,
) -> tuple[str, ...]:
    """Return every departure of a comparison from what was declared, in sentences.

    Args:
        found: The comparison.
        declared: The question.
        stored: One row a stored pull: pull, stored_at (UTC).
        declared_again: How many other declarations of the same comparison there are.
        running: Whether the study goes on: what is still to come is no departure.
    """
    used = found.pull_table.filter(pl.col("role").is_in(["baseline", "candidate"]))
    accepted = used.filter(state="accepted")
    return (
        *_settings(found, declared),
        *_counts(found, declared, running=running),
        *_sessions(accepted, declared, running=running),
        *_orders(accepted, declared),
        *_too_late(used, declared, stored),
        *_declared_again(declared_again),
    )


def say_corrections(
    amendments: pl.DataFrame, pulls: Sequence[str], looks: Sequence[Look]
) -> tuple[str, ...]:
    """Return which pulls were corrected or left out after a look had seen them, in sentences.

    Args:
        amendments: One row a correction: pull, field, amended_at (UTC).
        pulls: The study's pulls.
        looks: The looks, oldest first.
    """
    taken = [look.taken_at for look in looks if look.taken_at is not None]
    if not taken:
        return ()
    late = amendments.filter(
        pl.col("pull").is_in(list(pulls)),
        pl.col("field").is_in(SEEN_FIELDS),
        pl.col("amended_at") > pl.lit(taken[0]),
    )
    return tuple(
        f"{row['pull']} was corrected ({row['field']}: {row['why']}) after look "
        f"{sum(at < row['amended_at'] for at in taken)}."
        for row in late.iter_rows(named=True)
        if not str(row["why"]).startswith("void")
    )


def _settings(found: Comparison, declared: Declaration) -> Iterator[str]:
    if found.quantity != declared.quantity:
        yield f"Asked about {found.quantity}; declared was {declared.quantity}."
    if found.margin_pct != declared.margin_pct:
        yield f"The margin is {found.margin_pct:g}%; declared was {declared.margin_pct:g}%."
    if found.alpha != declared.alpha:
        yield f"Alpha is {found.alpha:g}; declared was {declared.alpha:g}."
    if declared.correction is not None and found.correction != declared.correction:
        yield f"The correction is {found.correction}; declared was {declared.correction}."
    if declared.band is not None:
        ends = zip(found.band, declared.band, strict=True)
        if any(abs(end - wanted) > BAND_SLACK_RPM for end, wanted in ends):
            yield (
                f"The band is {found.band[0]:g} to {found.band[1]:g} rpm; declared was "
                f"{declared.band[0]:g} to {declared.band[1]:g}."
            )


def _counts(found: Comparison, declared: Declaration, *, running: bool) -> Iterator[str]:
    wanted = declared.pulls_per_setup
    counts = (
        (found.pulls.baseline, declared.baseline),
        (found.pulls.candidate, declared.candidate),
    )
    for count, setup in counts:
        if count > wanted or (count < wanted and not running):
            word = "more" if count > wanted else "fewer"
            yield f"{count} pulls of {setup}, {word} than the {wanted} declared."


def _sessions(accepted: pl.DataFrame, declared: Declaration, *, running: bool) -> Iterator[str]:
    run = dict.fromkeys(accepted["session"].to_list())
    for name in run:
        if name not in declared.sessions():
            yield f"Session {name} is in the answer; it was not declared."
    for name in declared.sessions():
        if name not in run and not running:
            yield f"Session {name} was declared; it is not in the answer."


def _orders(accepted: pl.DataFrame, declared: Declaration) -> Iterator[str]:
    for session in declared.sessions():
        was = run_letters(accepted.filter(session=session), declared)
        planned = "".join(row.role for row in declared.compared() if row.session == session)
        if was != planned[: len(was)] and len(was) <= len(planned):
            yield (
                f"Session {session} was run {' '.join(was)}; declared was "
                f"{' '.join(planned[: len(was)])}."
            )
        elif was[: len(planned)] != planned and len(was) > len(planned):
            yield f"Session {session} was run {' '.join(was)}; declared was {' '.join(planned)}."


def run_letters(pulls: pl.DataFrame, declared: Declaration) -> str:
    """Return the setups of a session's pulls in the order they were run, as A and B.

    Args:
        pulls: One row a pull of either setup: pull, setup, order, started.
        declared: The question.
    """
    letters = {declared.baseline: "A", declared.candidate: "B"}
    numbered = pulls.with_columns(
        number=pl.col("pull").str.extract(r"(\d+)$").cast(pl.Int64, strict=False)
    )
    run = numbered.sort("order", "started", "number", nulls_last=True)
    return "".join(letters[setup] for setup in run["setup"].to_list() if setup in letters)


def _too_late(used: pl.DataFrame, declared: Declaration, stored: pl.DataFrame) -> Iterator[str]:
    names = used["pull"].to_list()
    early = stored.filter(
        pl.col("pull").is_in(names), pl.col("stored_at") < pl.lit(declared.declared_at)
    )
    if early.height:
        yield (
            f"{_listed(early['pull'].to_list())} {'was' if early.height == 1 else 'were'} stored "
            "before the question was declared: it may have been chosen with the pulls in sight."
        )


def _declared_again(others: int) -> Iterator[str]:
    if others:
        times = "once more" if others == 1 else f"{others} times more"
        yield (
            f"The same comparison was declared {times} (`dynostats query declared`): a question "
            "chosen among several is no longer declared beforehand."
        )


def _listed(names: Sequence[str]) -> str:
    most = 4
    if len(names) <= most:
        return ", ".join(names)
    return f"{', '.join(names[:most])} and {len(names) - most} more"
