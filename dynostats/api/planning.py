"""Plans from a warehouse: the cell's own noise where there is one, and a chart of the plan."""

from __future__ import annotations

import secrets
from dataclasses import asdict, dataclass, fields, replace
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.curve_set import curve_set
from dynostats.analysis.planning.cell import CellNoise, assume_noise, learn_cell_noise
from dynostats.analysis.planning.plan import Aim, Plan, make_plan
from dynostats.analysis.planning.run_sheet import Names, PlannedPull, lay_run_sheet
from dynostats.analysis.planning.scope import Scope, choose_scope, cut_to_plan
from dynostats.api.results import as_html
from dynostats.errors import InputError
from dynostats.warehouse import open_store

if TYPE_CHECKING:
    import altair as alt

MOST_SEED = 1_000_000


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
    """

    engine: str | None = None
    dyno: str | None = None
    baseline: str | None = None
    candidate: str | None = None
    session: str | None = None
    band: tuple[float, float] | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyPlan(Plan):
    """A plan that can draw itself and lay out its run sheet.

    Args:
        names: What the study's pulls are called; None while setups or session have no name.
    """

    names: Names | None = None

    @classmethod
    def of(cls, plan: Plan, names: Names | None) -> StudyPlan:
        """Return a plan with its chart and notebook view."""
        return cls(**{field.name: getattr(plan, field.name) for field in fields(plan)}, names=names)

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
    """

    scope: Scope
    noise: CellNoise
    band: tuple[float, float] | None


def plan_study(
    warehouse: Path,
    wish: Wish,
    *,
    effect_pct: float,
    power: float,
    sessions: int,
    alpha: float,
    seed: int | None,
) -> StudyPlan:
    """Plan a study on what a warehouse knows; a file that is not there knows nothing."""
    aim = Aim(effect_pct=effect_pct, power=power, alpha=alpha, sessions=sessions)
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
    told = replace(made, warnings=(*scope.notes, *made.warnings))
    return StudyPlan.of(told, _names(wish, scope))


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
        pulls = store.pulls().filter(state="accepted")
        curves = store.curves()
    scope = choose_scope(pulls, engine=wish.engine, dyno=wish.dyno, baseline=wish.baseline)
    on_dyno = pulls.filter(pl.col("dyno").fill_null("") == (scope.dyno or ""))
    known = on_dyno.filter(pl.col("pull").is_in(curves["pull"].unique().implode()))
    if known.is_empty():
        return Ground(scope=scope, noise=assume_noise(), band=wish.band)
    everything = cut_to_plan(curve_set(known, curves), scope.engine, wish.band)
    return Ground(
        scope=scope,
        noise=learn_cell_noise(everything, scope.engine),
        band=(float(everything.rpm[0]), float(everything.rpm[-1])),
    )
