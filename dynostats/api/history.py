"""All past studies, gathered from the warehouse; a result that draws."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.conditions import ATTRIBUTES, Conditions, read_facts
from dynostats.analysis.monitor import mark_eras
from dynostats.analysis.question import Question
from dynostats.analysis.study import dyno_of, pulls_near
from dynostats.analysis.synthesis import (
    History,
    LeftOut,
    PastStudy,
    StudyEffect,
    estimate_past,
    tell_history,
)
from dynostats.api.conditions import gather_conditions
from dynostats.api.monitor import find_breaks
from dynostats.api.results import as_html
from dynostats.curves.correction import find_standard
from dynostats.errors import AnalysisError
from dynostats.warehouse import Store

if TYPE_CHECKING:
    import altair as alt

# What sheets call an engine that breathes the air of the room, and one that is blown.
_BREATHING = {"naturally aspirated", "natural", "na", "n/a", "none", "atmospheric"}
_BLOWN = {"turbo", "turbocharged", "supercharged", "mechanical", "compound", "boosted"}

Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PastFindings(History):
    """Findings across all past studies, which can draw themselves."""

    @classmethod
    def of(cls, result: History) -> PastFindings:
        """Return a history with its chart and notebook view."""
        return cls(**{field.name: getattr(result, field.name) for field in fields(result)})

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
            marked = known.by_era(pulls, dyno_of(pulls, question))
            judged.append(_judge(store, marked, study, question, known))
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


def _judge(
    store: Store, pulls: pl.DataFrame, study: PastStudy, question: Question, known: _Known
) -> StudyEffect:
    near = pulls_near(pulls, (question,))
    curves = store.curves(near.filter(state="accepted")["pull"].to_list())
    conditions = gather_conditions(
        store, near, engines={study.engine}, setups={study.baseline, study.candidate}
    )
    return estimate_past(
        study,
        pulls,
        curves,
        question=question,
        conditions=conditions,
        moderators=known.of(study, near, conditions),
    )


class _Known:
    """What sheets say of the engines, and what changed in the cells, read once."""

    def __init__(self, store: Store) -> None:
        said = store.query("attributes", {"names": [*ATTRIBUTES, "induction"]})
        self._facts = read_facts(said)
        sheet = said.filter(name="induction").drop_nulls("value").sort("origin")
        self._induction = dict(sheet.select("pull", "value").rows())
        self._store = store
        self._marked: dict[str, pl.DataFrame] = {}

    def by_era(self, pulls: pl.DataFrame, dyno: str) -> pl.DataFrame:
        """Return the pulls with the changes of a dyno that part them."""
        if dyno not in self._marked:
            self._marked[dyno] = mark_eras(pulls, find_breaks(self._store, pulls, dyno))
        return self._marked[dyno]

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
