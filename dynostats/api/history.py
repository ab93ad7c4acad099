"""All past studies, gathered from the warehouse; a result that draws."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.conclude import as_percent
from dynostats.analysis.conditions import ATTRIBUTES, Conditions, read_facts
from dynostats.analysis.monitor import Break, mark_eras, warn_compared
from dynostats.analysis.question import Question
from dynostats.analysis.study import dyno_of, pulls_near
from dynostats.analysis.synthesis import (
    History,
    LeftOut,
    PastStudy,
    StudyEffect,
    Then,
    by_eye,
    estimate_past,
    pulls_known,
    tell_history,
    tell_then,
)
from dynostats.api.acceptance import doubtful_of, judge_stored
from dynostats.api.conditions import gather_conditions
from dynostats.api.monitor import find_breaks
from dynostats.api.results import as_html, fields_of
from dynostats.curves.correction import find_standard
from dynostats.errors import AnalysisError
from dynostats.warehouse import Store

if TYPE_CHECKING:
    import altair as alt

# What sheets call an engine that breathes the air of the room, and one that is blown.
_BREATHING = {"naturally aspirated", "natural", "na", "n/a", "none", "atmospheric"}
_BLOWN = {"turbo", "turbocharged", "supercharged", "mechanical", "compound", "boosted"}

# Corrections made within this time of storing belong to the study.
_SETTLED = timedelta(days=1)

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PastFindings(History):
    """Findings across all past studies, which can draw themselves."""

    @classmethod
    def of(cls, result: History) -> PastFindings:
        """Return a history with its chart and notebook view."""
        return cls(**fields_of(result))

    def chart(self) -> alt.LayerChart:
        """Return the forest of studies and kinds."""
        from dynostats.charts.history import forest_chart

        return forest_chart(self)

    def _repr_html_(self) -> str:
        return as_html(self.answer, self.chart())


def gather_history(
    store: Store,
    *,
    engine: str | None,
    kind: str | None,
    margin: float,
    correction: str | None,
    alpha: float,
    progress: Progress | None,
) -> History:
    """Judge every past study anew, and put them together.

    Args:
        store: The open warehouse.
        engine: Only this engine.
        kind: Only this kind of change.
        margin: Smallest change that matters, percent.
        correction: Ambient correction by name; None for what the sheets declare, else none.
        alpha: One less the level, and the rate of false findings.
        progress: Told after each study how many of how many are done.

    Raises:
        AnalysisError: No study is stored in that scope.
    """
    studies = _past_studies(store, engine=engine, kind=kind)
    wanted = None if correction is None else find_standard(correction)
    pulls = store.pulls()
    known = _Known(store)
    judged: list[StudyEffect] = []
    left_out: list[LeftOut] = []
    for at, study in enumerate(studies):
        question = Question(
            engine=study.engine,
            baseline=study.baseline,
            candidate=study.candidate,
            margin_pct=margin,
            alpha=alpha,
            correction=wanted,
        )
        try:
            judged.append(_judge(pulls, study, question, known))
        except AnalysisError as error:
            left_out.append(LeftOut(study=study, why=error.headline()))
        if progress is not None:
            progress(at + 1, len(studies))
    return tell_history(judged, left_out, alpha=alpha, margin_pct=margin)


def _past_studies(store: Store, *, engine: str | None, kind: str | None) -> list[PastStudy]:
    rows = store.query("past_studies", {"engine": engine, "kind": kind})
    if rows.is_empty():
        every = store.query("past_studies", {})
        scope = " of that engine or kind" if every.height else ""
        kinds = ", ".join(sorted(f"'{name}'" for name in set(every["kind"].drop_nulls())))
        raise AnalysisError(
            f"no past study{scope} is stored: no setup with accepted pulls says which other setup "
            "it was changed from",
            where="--engine, --kind" if every.height else str(store.path),
            mend=(f"Kinds: {kinds or 'none'}. " if every.height else "")
            + "Say it in the columns `relative_to` and `changed` of the sheet, or with `dynostats "
            'amend PULL relative_to=SETUP --why …` and changed="cooler: deeper core".',
        )
    names = ("engine", "baseline", "candidate", "kind", "changed", "claimed")
    return [
        PastStudy(started=row["first_started"], **{name: row[name] for name in names})
        for row in rows.iter_rows(named=True)
    ]


def _judge(pulls: pl.DataFrame, study: PastStudy, question: Question, known: _Known) -> StudyEffect:
    """Return what a study shows today, what speaks against it, and what it claimed when made."""
    dyno = dyno_of(pulls, question)
    marked = known.by_era(pulls, dyno)
    near = pulls_near(marked, (question,))
    found = _estimate(marked, study, question, known)
    doubts = (
        *_doubts(marked, near, found, question, known),
        *warn_compared(known.breaks(pulls, dyno), _roles(near, study)),
    )
    return replace(found, doubts=doubts, then=_replay(pulls, found, question, known))


def _estimate(
    marked: pl.DataFrame, study: PastStudy, question: Question, known: _Known
) -> StudyEffect:
    near = pulls_near(marked, (question,))
    curves = known.store.curves(near.filter(state="accepted")["pull"].to_list())
    conditions = gather_conditions(
        known.store, near, engines={study.engine}, setups={study.baseline, study.candidate}
    )
    return estimate_past(
        study,
        marked,
        curves,
        question=question,
        conditions=conditions,
        moderators=known.of(study, near, conditions),
    )


def _roles(near: pl.DataFrame, study: PastStudy) -> pl.DataFrame:
    """Return the pulls of a study's two setups with what they are in it."""
    own = pl.col("setup").is_in([study.baseline, study.candidate])
    role = pl.when(pl.col("setup") == study.baseline).then(pl.lit("baseline"))
    return near.filter(own, engine=study.engine).with_columns(
        role=role.otherwise(pl.lit("candidate"))
    )


def _doubts(
    marked: pl.DataFrame,
    near: pl.DataFrame,
    found: StudyEffect,
    question: Question,
    known: _Known,
) -> Iterator[str]:
    """Yield which pulls of a study `check` doubts, and what it would say without them."""
    used = {name for name, weight in found.weights.items() if weight}
    doubtful = doubtful_of(judge_stored(known.store, used, among=near), used)
    if not doubtful:
        return
    listed = "; ".join(
        f"{name}, {', '.join(dict.fromkeys(one.check for one in findings))}"
        for name, findings in doubtful.items()
    )
    left_out = pl.when(pl.col("pull").is_in(list(doubtful))).then(pl.lit("excluded"))
    kept = marked.with_columns(state=left_out.otherwise("state"))
    them = "it" if len(doubtful) == 1 else "them"
    try:
        again = _estimate(kept, found.study, question, known)
    except AnalysisError as error:
        without = f"without {them} there is no answer: {error.what}"
    else:
        word = again.verdict.replace("_", " ")
        course = "still" if again.verdict == found.verdict else "would be"
        without = f"without {them} {course} {word}, {as_percent(again.effect):+z.2f}%"
    many = "One pull is" if len(doubtful) == 1 else f"{len(doubtful)} pulls are"
    yield f"{many} doubtful ({listed}); {without}."


def _replay(
    pulls: pl.DataFrame, found: StudyEffect, question: Question, known: _Known
) -> Then | None:
    """Return what could be said of a study when it was made, None where that is not known."""
    study = found.study
    then = pulls_known(known.as_of(pulls, study), study)
    if then is None:
        return None
    own = then.filter(pl.col("setup").is_in([study.baseline, study.candidate]), engine=study.engine)
    seen = by_eye(then, known.store.curves(own["pull"].to_list()), study)
    if seen is None:
        return None
    judged: StudyEffect | None = None
    with contextlib.suppress(AnalysisError):
        judged = _estimate(known.by_era(then, dyno_of(then, question)), study, question, known)
    return tell_then(then, pulls, study, by_eye_pct=seen, judged=judged)


class _Known:
    """What sheets say of the engines, and what changed in the cells, read once."""

    def __init__(self, store: Store) -> None:
        self.store = store
        said = store.query("attributes", {"names": [*ATTRIBUTES, "induction"]})
        self._facts = read_facts(said)
        sheet = said.filter(name="induction").drop_nulls("value").sort("origin")
        self._induction = dict(sheet.select("pull", "value").rows())
        self._breaks: dict[str, tuple[Break, ...]] = {}
        self._last_correction: datetime | None = store.amendments()["amended_at"].max()  # pyright: ignore[reportAttributeAccessIssue]

    def breaks(self, pulls: pl.DataFrame, dyno: str) -> tuple[Break, ...]:
        """Return the changes of a dyno that part its pulls, as they are known today."""
        if dyno not in self._breaks:
            self._breaks[dyno] = find_breaks(self.store, pulls, dyno)
        return self._breaks[dyno]

    def by_era(self, pulls: pl.DataFrame, dyno: str) -> pl.DataFrame:
        """Return the pulls with the changes of a dyno that part them."""
        return mark_eras(pulls, self.breaks(pulls, dyno))

    def as_of(self, pulls: pl.DataFrame, study: PastStudy) -> pl.DataFrame:
        """Return the pulls as they were labelled a day after the study's last was stored.

        What was corrected within a day of storing belongs to the study, not to hindsight.
        """
        own = pulls.filter(
            pl.col("setup").is_in([study.baseline, study.candidate]), engine=study.engine
        )
        stored: datetime = own["stored_at"].max()  # pyright: ignore[reportAssignmentType]
        at = stored + _SETTLED
        if self._last_correction is None or self._last_correction <= at:
            return pulls
        return self.store.pulls(as_of=at.replace(tzinfo=UTC))

    def of(
        self, study: PastStudy, pulls: pl.DataFrame, conditions: Conditions
    ) -> Mapping[str, float]:
        """Return what is known of a study's engine, by the name of the moderator."""
        own = pulls.filter(engine=study.engine, setup=study.baseline, state="accepted")
        names = own["pull"].to_list()
        sizes = [self._facts[n].displacement_l for n in names if n in self._facts]
        blown = [_is_blown(self._induction[n]) for n in names if n in self._induction]
        pressure = conditions.channels.filter(pl.col("pull").is_in(names))
        found = {
            "displacement_l": _mean(sizes),
            "boosted": _mean(blown),
            "manifold_pressure_kpa": _mean(
                pressure["manifold_pressure"].to_list()
                if "manifold_pressure" in pressure.columns
                else ()
            ),
        }
        return {name: value for name, value in found.items() if value is not None}


def _is_blown(said: str) -> float | None:
    word = said.strip().lower()
    if word in _BREATHING:
        return 0.0
    return 1.0 if word in _BLOWN else None


def _mean(values: Sequence[float | None]) -> float | None:
    known = [value for value in values if value is not None]
    return sum(known) / len(known) if known else None
