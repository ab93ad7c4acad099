"""The past replayed: what was known when a study was made, and what it would have claimed."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

import numpy as np
import polars as pl

from dynostats.analysis.curve_set import curve_set
from dynostats.analysis.synthesis.past import PastStudy, StudyEffect, Then
from dynostats.arrays import Flags
from dynostats.words import count

_LABELS = {"setup": "setup", "session": "session", "engine": "engine", "dyno": "dyno"}


def pulls_known(then: pl.DataFrame, study: PastStudy) -> pl.DataFrame | None:
    """Return the pulls that were known when a study was made: up to its first day.

    A study was made when both setups had been pulled: at the end of the first session that both
    were pulled in, else at the end of the session that brought the second of them.

    Args:
        then: One row a pull, with labels and states as they were then.
        study: The study.

    Returns:
        The pulls started up to that moment; all, where a start of the study's is not known; None
        where one of the setups had no accepted pull.
    """
    own = _pulls_of(study, then)
    if own["setup"].n_unique() < 2:
        return None
    if own["started"].null_count():
        return then
    at = _made_at(own)
    return then.filter(pl.col("started") <= at)


def _pulls_of(study: PastStudy, pulls: pl.DataFrame) -> pl.DataFrame:
    """Return the accepted pulls of a study's two setups."""
    return pulls.filter(
        pl.col("setup").is_in([study.baseline, study.candidate]),
        engine=study.engine,
        state="accepted",
    )


def _made_at(own: pl.DataFrame) -> datetime:
    sessions = own.group_by("session").agg(
        setups=pl.col("setup").n_unique(), last=pl.col("started").max()
    )
    shared = sessions.filter(pl.col("setups") == 2)
    if shared.height:
        return shared["last"].min()  # pyright: ignore[reportReturnType]
    second = own.group_by("setup").agg(pl.col("started").min())["started"].max()
    (session,) = own.filter(started=second)["session"].unique().head(1)
    return own.filter(session=session)["started"].max()  # pyright: ignore[reportReturnType]


def by_eye(known: pl.DataFrame, curves: pl.DataFrame, study: PastStudy) -> float | None:
    """Return what is seen when curves are laid over one another: the difference of means, percent.

    Args:
        known: The pulls known then.
        curves: Torque curves: pull, rpm, torque (N.m).
        study: The study.

    Returns:
        Mean over the speeds that every pull covers; None where there is none.
    """
    own = _pulls_of(study, known)
    laid = curve_set(own, curves.join(own.select("pull"), on="pull", how="semi"))
    covered: Flags = np.all(np.isfinite(laid.log_torque), axis=0, keepdims=True)[0]
    laid = laid.within(covered)
    if not len(laid.rpm):
        return None
    torque = np.exp(laid.log_torque)
    changed = np.array([setup == study.candidate for setup in laid.setup])
    ratio = torque[changed].mean(axis=0) / torque[~changed].mean(axis=0)
    return float(100.0 * (ratio.mean() - 1.0))


def tell_then(
    known: pl.DataFrame,
    now: pl.DataFrame,
    study: PastStudy,
    *,
    by_eye_pct: float,
    judged: StudyEffect | None,
) -> Then:
    """Return what could be said of a study when it was made.

    Args:
        known: The pulls known then, as they were labelled then.
        now: All pulls as they are labelled today.
        study: The study.
        by_eye_pct: What was seen, percent.
        judged: What `compare` would have said then; None where it could not.
    """
    own = _pulls_of(study, known)
    added = _pulls_of(study, now).join(own, on="pull", how="anti").height
    more = f"{count(added, 'more pull')} of the two setups"
    return Then(
        at=None if own["started"].null_count() else own["started"].max(),  # pyright: ignore[reportArgumentType]
        by_eye_pct=by_eye_pct,
        baseline_pulls=own.filter(setup=study.baseline).height,
        candidate_pulls=own.filter(setup=study.candidate).height,
        verdict=None if judged is None else judged.verdict,
        effect_pct=None if judged is None else float(100.0 * np.expm1(judged.effect)),
        error=None if judged is None else judged.error,
        since=(*_known_otherwise(own, now), *([more] if added else [])),
        added=added,
    )


def _known_otherwise(then: pl.DataFrame, now: pl.DataFrame) -> Iterator[str]:
    """Yield what the paperwork says otherwise today of the pulls behind a study."""
    both = then.join(now, on="pull", how="inner", suffix="_now")
    out = both.filter(pl.col("state_now") != "accepted")
    for row in out.iter_rows(named=True):
        why = row["why_now"] or "no reason was given"
        yield f"{row['pull']} was left out since ({why})"
    for name, words in _LABELS.items():
        moved = both.filter(pl.col(name).ne_missing(pl.col(f"{name}_now")))
        for row in moved.iter_rows(named=True):
            yield f"{row['pull']}'s {words} was amended since to '{row[f'{name}_now']}'"
