"""Where a declared study stands, read from the warehouse; the look that is due, taken."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.acceptance import Acceptance
from dynostats.analysis.compare import compare_candidates
from dynostats.analysis.comparison import Comparison, Verdict
from dynostats.analysis.conditions import Conditions
from dynostats.analysis.monitor import mark_eras
from dynostats.analysis.planning.day import CHANNELS, Change, changes_since_start
from dynostats.analysis.planning.declaration import Declaration, Look
from dynostats.analysis.planning.departures import find_departures, say_corrections
from dynostats.analysis.planning.progress import (
    Progress,
    coming_looks,
    due_look,
    follow,
    of_study,
    set_apart,
)
from dynostats.analysis.planning.scope import Scope, latest
from dynostats.analysis.planning.state import Outlook, StudyState
from dynostats.analysis.planning.wording import say_declared
from dynostats.analysis.question import Question
from dynostats.analysis.sequential.foresight import foresee, outline_of
from dynostats.analysis.sequential.looking import (
    decide_look,
    degrees_of_freedom,
    information_share,
    levels_of,
)
from dynostats.analysis.study import dyno_of, pulls_near
from dynostats.api.acceptance import judge_stored
from dynostats.api.conditions import gather_conditions
from dynostats.api.declared import read_looks, store_look
from dynostats.api.monitor import find_breaks
from dynostats.api.results import as_html, fields_of
from dynostats.errors import AnalysisError
from dynostats.warehouse import Store
from dynostats.warehouse.schema import utc_now

if TYPE_CHECKING:
    import altair as alt

# Degrees of freedom that one more pair brings: two contrasts of its own.
DF_A_PAIR = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class DeclaredStudy(StudyState):
    """Where a declared study stands, with a picture of its looks."""

    @classmethod
    def of(cls, state: StudyState) -> DeclaredStudy:
        """Return a state with its chart and notebook view."""
        return cls(**fields_of(state))

    def chart(self) -> alt.LayerChart:
        """Return the effect at each look with its bounds."""
        from dynostats.charts.planning import looks_chart

        return looks_chart(self.declared, self.looks)

    def _repr_html_(self) -> str:
        return as_html(f"{say_declared(self.declared)} {self.advice()}", self.chart())


def bring_up_to_date(store: Store, declared: Declaration) -> StudyState:
    """Take the look that is due, if one is, and return where the study stands.

    Args:
        store: The warehouse, open for writing.
        declared: The question.
    """
    state = _without_outlook(store, declared)
    due = _due(state)
    look = None if due is None else _take_look(store, state, due)
    if look is not None:
        store_look(store, declared.number, look)
        state = replace(state, looks=(*state.looks, look))
    return replace(state, outlook=_look_ahead(store, state))


def read_state(store: Store, declared: Declaration) -> StudyState:
    """Return where a declared study stands; nothing is stored."""
    state = _without_outlook(store, declared)
    return replace(state, outlook=_look_ahead(store, state))


def _without_outlook(store: Store, declared: Declaration) -> StudyState:
    pulls = store.pulls()
    progress = follow(pulls, declared)
    looks = read_looks(store, declared.number)
    judged = _judge(store, pulls, declared)
    finding, lacking = _compare_so_far(store, declared)
    return StudyState(
        declared=declared,
        progress=progress,
        finding=finding,
        lacking=lacking,
        looks=looks,
        outlook=None,
        judged=() if judged is None else judged.findings,
        changes=_changes(store, progress),
        departures=_departures(
            finding, progress, declared, pulls, amendments=store.amendments(), looks=looks
        ),
    )


def _due(state: StudyState) -> int | None:
    if state.stopped or state.finding is None or state.lacking:
        return None
    last = state.looks[-1].pairs if state.looks else 0
    return due_look(state.progress.pairs, last, state.declared)


def _take_look(store: Store, state: StudyState, pairs: int) -> Look | None:
    """Return the look that is due; None where it would add no information to the last."""
    declared, so_far = state.declared, state.finding
    if so_far is None:
        return None
    last = pairs >= declared.pulls_per_setup
    information = 1.0 if last else information_share(so_far, declared)
    if state.looks and information <= state.looks[-1].information:
        return None
    df = degrees_of_freedom(so_far)
    (level,) = levels_of(declared, state.looks, [(information, df)])
    at_level = ask(store, declared, alpha=level)[0] if level > 0.0 else None
    verdict: Verdict = "undecided" if at_level is None else at_level.verdict
    overall = so_far.overall if at_level is None else at_level.overall
    return Look(
        number=len(state.looks) + 1,
        pairs=state.progress.pairs,
        information=information,
        df=df,
        level=level,
        verdict=verdict,
        decision=decide_look(verdict, last=last),
        effect_pct=overall.effect_pct,
        low_pct=None if at_level is None else overall.low_pct,
        high_pct=None if at_level is None else overall.high_pct,
        taken_at=utc_now(),
    )


def _look_ahead(store: Store, state: StudyState) -> Outlook | None:
    """Return what the next look that can claim anything would say."""
    declared, so_far = state.declared, state.finding
    if state.stopped or so_far is None or state.lacking:
        return None
    df, here = degrees_of_freedom(so_far), information_share(so_far, declared)
    last = max((look.information for look in state.looks), default=0.0)
    coming = [
        (pairs, share)
        for pairs in coming_looks(state.progress.pairs, declared)
        if (share := min(pairs / declared.pulls_per_setup, 1.0)) > max(here, last)
    ]
    more = [DF_A_PAIR * (pairs - state.progress.pairs) for pairs, _ in coming]
    found = levels_of(
        declared,
        state.looks,
        [(share, df + extra) for (_, share), extra in zip(coming, more, strict=True)],
    )
    for (pairs, share), level in zip(coming, found, strict=True):
        if level > 0.0:
            at_level, _ = ask(store, declared, alpha=level)
            outline = None if at_level is None else outline_of(at_level)
            if outline is None:
                return None
            verdicts = foresee(outline, df=df, growth=share / here)
            decides = 1.0 - verdicts.get("undecided", 0.0)
            return Outlook(pairs=pairs, decides=decides, verdicts=verdicts)
    return None


def _compare_so_far(store: Store, declared: Declaration) -> tuple[Comparison | None, str]:
    found, lacking = ask(store, declared, alpha=declared.alpha)
    if found is None:
        return None, lacking
    if found.overall.low_pct is None:
        return found, found.why
    return found, ""


def ask(store: Store, declared: Declaration, *, alpha: float) -> tuple[Comparison | None, str]:
    """Return the declared comparison of the study's own pulls, or why there is none yet.

    Where the pulls do not cover the declared band, what they all cover is compared: a departure.

    Args:
        store: The open warehouse.
        declared: The question.
        alpha: Level to ask it at.
    """
    pulls = set_apart(store.pulls(), declared)
    question = Question(
        engine=declared.engine,
        baseline=declared.baseline,
        candidate=declared.candidate,
        quantity=declared.quantity,
        margin_pct=declared.margin_pct,
        alpha=alpha,
        band=declared.band,
        correction=declared.correction,
    )
    try:
        dyno = dyno_of(pulls, question)
        pulls = mark_eras(pulls, find_breaks(store, pulls, dyno))
        near = pulls_near(pulls, (question,))
        curves = store.curves(near.filter(state="accepted")["pull"].to_list())
        conditions = gather_conditions(
            store,
            pulls,
            engines={declared.engine},
            setups={declared.baseline, declared.candidate},
        )
        return _asked(pulls, curves, question, conditions), ""
    except AnalysisError as error:
        return None, error.what


def _asked(
    pulls: pl.DataFrame, curves: pl.DataFrame, question: Question, conditions: Conditions
) -> Comparison:
    try:
        return compare_candidates(
            pulls, curves, (question,), conditions=conditions, with_others=False
        )[0]
    except AnalysisError as error:
        if error.where != "--band":
            raise
    wider = replace(question, band=None)
    return compare_candidates(pulls, curves, (wider,), conditions=conditions, with_others=False)[0]


def _judge(store: Store, pulls: pl.DataFrame, declared: Declaration) -> Acceptance | None:
    names = of_study(pulls, declared)["pull"].to_list()
    if not names:
        return None
    on_dyno = pulls.filter(pl.col("dyno").fill_null("") == (declared.dyno or ""))
    scope = Scope(engine=declared.engine, dyno=declared.dyno, notes=())
    return judge_stored(store, names, among=latest(on_dyno, scope))


def _changes(store: Store, progress: Progress) -> tuple[Change, ...]:
    accepted = progress.pulls.filter(pl.col("order").is_not_null(), state="accepted")
    if accepted.is_empty():
        return ()
    session = accepted.filter(session=accepted["session"][-1])
    curves = store.curves(session["pull"].to_list(), channels=("torque", *CHANNELS))
    return changes_since_start(session, curves)


def _departures(
    finding: Comparison | None,
    progress: Progress,
    declared: Declaration,
    pulls: pl.DataFrame,
    *,
    amendments: pl.DataFrame,
    looks: Sequence[Look],
) -> tuple[str, ...]:
    """Return the departures so far: pulls and sessions still to come are none."""
    if finding is None:
        return ()
    found = find_departures(
        finding,
        declared,
        pulls.select("pull", "stored_at"),
        running=progress.pairs < declared.pulls_per_setup,
    )
    return (*found, *say_corrections(amendments, progress.pulls["pull"].to_list(), looks))
