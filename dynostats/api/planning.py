"""Plans from a warehouse: the cell's own noise where there is one, and a chart of the plan."""

from __future__ import annotations

import secrets
from dataclasses import asdict, dataclass, field, replace
from pathlib import Path
from typing import TYPE_CHECKING, TypedDict

import polars as pl

from dynostats.analysis.curve_set import curve_set
from dynostats.analysis.planning.cell import CellNoise, assume_noise, learn_cell_noise
from dynostats.analysis.planning.declaration import Declaration
from dynostats.analysis.planning.plan import Aim, Plan, make_plan
from dynostats.analysis.planning.run_sheet import Names, PlannedPull, lay_run_sheet
from dynostats.analysis.planning.schedule import Schedule
from dynostats.analysis.planning.scope import Scope, choose_scope, cut_to_plan, latest
from dynostats.analysis.question import Question
from dynostats.analysis.sequential.spending import RULES, Rule
from dynostats.api.monitor import mark_breaks
from dynostats.api.results import as_html, fields_of
from dynostats.errors import AnalysisError, InputError
from dynostats.warehouse import open_store
from dynostats.warehouse.schema import utc_now

if TYPE_CHECKING:
    import altair as alt

MOST_SEED = 1_000_000


class WishFields(TypedDict, total=False):
    """The fields of a `Wish`, by name."""

    engine: str | None
    dyno: str | None
    baseline: str | None
    candidate: str | None
    session: str | None
    band: tuple[float, float] | None
    quantity: str
    margin_pct: float
    correction: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What a study is to be about, as far as it was said.

    Args:
        engine: The engine.
        dyno: The dyno.
        baseline: Setup before the change.
        candidate: Setup with the change.
        session: Name of the session(s) to come.
        band: First and last engine speed, rpm.
        quantity: "power" or "torque".
        margin_pct: Smallest change that matters, percent.
        correction: Ambient correction by name; None for what the sheets declare.
    """

    engine: str | None = None
    dyno: str | None = None
    baseline: str | None = None
    candidate: str | None = None
    session: str | None = None
    band: tuple[float, float] | None = None
    quantity: str = "power"
    margin_pct: float = 0.5
    correction: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyPlan(Plan):
    """A plan that can draw itself and lay out its run sheet.

    Args:
        names: What the study's pulls are called; None while setups or session have no name.
        wish: What the study is to be about.
    """

    names: Names | None = None
    wish: Wish = field(default_factory=Wish)

    @classmethod
    def of(cls, plan: Plan, *, names: Names | None, wish: Wish) -> StudyPlan:
        """Return a plan with its chart and notebook view."""
        return cls(**fields_of(plan), names=names, wish=wish)

    def to_dict(self) -> dict[str, object]:
        """Return the plan under the names of the JSON contract, with its run sheet if named."""
        rows = [] if self.names is None else [asdict(row) for row in self.run_sheet()]
        return Plan.to_dict(self) | {"run_sheet": rows}

    def named(self) -> Names:
        """Return what the pulls are called.

        Raises:
            InputError: If setups, engine or session have no name.
        """
        if self.names is None:
            raise InputError(
                "the run sheet needs the names of engine, baseline, candidate and session",
                where="--sheet",
                mend="Give --engine, --baseline, --candidate and --session.",
            )
        return self.names

    def run_sheet(self) -> tuple[PlannedPull, ...]:
        """Return every pull in order, warm-up and cool-down included.

        Raises:
            InputError: As `named`.
        """
        return lay_run_sheet(self.orders, self.named())

    def chart(self) -> alt.LayerChart:
        """Return the smallest visible effect by number of pulls."""
        from dynostats.charts.planning import plan_chart

        return plan_chart(self)

    def _repr_html_(self) -> str:
        return as_html(
            f"{self.pulls_per_setup} pulls of each setup see {self.aim.effect_pct:g}% with a "
            f"chance of {self.power:.0%}.",
            self.chart(),
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Ground:
    """What a warehouse gives a plan to stand on.

    Args:
        scope: Engine and dyno.
        noise: The cell's noise.
        band: Engine speeds the noise is the mean over, rpm; None where it is assumed.
        breaks: Sentences on changes of the cell that the noise was learned across.
    """

    scope: Scope
    noise: CellNoise
    band: tuple[float, float] | None
    breaks: tuple[str, ...] = ()


def plan_study(warehouse: Path, aim: Aim, wish: Wish, *, seed: int | None) -> StudyPlan:
    """Plan a study on what a warehouse knows; a file that is not there knows nothing."""
    ground = survey(warehouse, wish)
    scope = ground.scope
    made = make_plan(
        aim,
        ground.noise,
        seed=secrets.randbelow(MOST_SEED) if seed is None else seed,
        facts={
            "engine": scope.engine,
            "dyno": scope.dyno or None,
            "band_rpm": None if ground.band is None else list(ground.band),
        },
    )
    told = replace(made, warnings=(*scope.notes, *made.warnings, *ground.breaks))
    return StudyPlan.of(told, names=_names(wish, scope), wish=replace(wish, band=ground.band))


def schedule_of(looks: int | None, rule: str | None) -> Schedule:
    """Return when a study is looked at.

    Raises:
        AnalysisError: If there is no such rule, or the number of looks is out of range.
    """
    if rule is None:
        return Schedule(looks=looks)
    known: dict[str, Rule] = {str(name): name for name in RULES}
    if rule not in known:
        raise AnalysisError(
            f"there is no boundary '{rule}'", where="--boundary", mend=f"Known: {', '.join(RULES)}."
        )
    return Schedule(looks=looks, rule=known[rule])


def declaration_of(plan: StudyPlan, *, who: str) -> Declaration:
    """Return the question that a plan declares, not stored yet.

    Raises:
        InputError: If setups, engine or session have no name.
        AnalysisError: If a setting of the question lies outside its range.
    """
    names, wish, aim = plan.named(), plan.wish, plan.aim
    question = Question(
        engine=names.engine,
        baseline=names.baseline,
        candidate=names.candidate,
        quantity=wish.quantity,
        margin_pct=wish.margin_pct,
        alpha=aim.alpha,
        band=wish.band,
        correction=wish.correction,
    )
    return Declaration(
        number=0,
        engine=question.engine,
        dyno=names.dyno or None,
        baseline=question.baseline,
        candidate=question.candidate,
        quantity=question.quantity,
        band=question.band,
        correction=question.correction,
        margin_pct=question.margin_pct,
        alpha=question.alpha,
        effect_pct=aim.effect_pct,
        power=aim.power,
        pulls_per_setup=plan.pulls_per_setup,
        looks=len(aim.schedule.after(plan.pulls_per_setup)),
        rule=aim.schedule.rule,
        seed=plan.seed,
        who=who,
        declared_at=utc_now(),
        rows=plan.run_sheet(),
    )


def _names(wish: Wish, scope: Scope) -> Names | None:
    if not (scope.engine and wish.baseline and wish.candidate and wish.session):
        return None
    return Names(
        engine=scope.engine,
        dyno=scope.dyno or "",
        baseline=wish.baseline,
        candidate=wish.candidate,
        session=wish.session,
    )


def survey(warehouse: Path, wish: Wish) -> Ground:
    """Return what a warehouse knows for a plan."""
    if not warehouse.exists():
        nothing = Scope(engine=wish.engine, dyno=wish.dyno, notes=())
        return Ground(scope=nothing, noise=assume_noise(), band=wish.band)
    with open_store(warehouse) as store:
        every = store.pulls()
        pulls = every.filter(state="accepted")
        scope = choose_scope(pulls, engine=wish.engine, dyno=wish.dyno, baseline=wish.baseline)
        on_dyno = latest(pulls.filter(pl.col("dyno").fill_null("") == (scope.dyno or "")), scope)
        curves = store.curves(on_dyno["pull"].to_list())
        on_dyno, breaks = mark_breaks(store, every, on_dyno)
    known = on_dyno.filter(pl.col("pull").is_in(curves["pull"].unique().implode()))
    if known.is_empty():
        return Ground(scope=scope, noise=assume_noise(), band=wish.band)
    everything = cut_to_plan(curve_set(known, curves), scope.engine, wish.band)
    return Ground(
        scope=scope,
        noise=learn_cell_noise(everything, scope.engine),
        band=(float(everything.rpm[0]), float(everything.rpm[-1])),
        breaks=breaks,
    )
