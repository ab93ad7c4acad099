"""Studies that are planned and declared before their pulls."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Unpack

from dynostats.api.opened import AnyPath, Opened, name_of
from dynostats.warehouse import (
    open_store,
)

if TYPE_CHECKING:
    from dynostats.analysis.planning.declaration import Declaration
    from dynostats.api.planning import StudyPlan, WishFields
    from dynostats.api.state import DeclaredStudy
    from dynostats.api.watching import Watch


class Declaring(Opened):
    """Plans, declared questions, and the watch over one."""

    def plan(
        self,
        *,
        effect: float,
        power: float = 0.8,
        sessions: int = 1,
        alpha: float = 0.05,
        looks: int | None = 1,
        rule: str | None = None,
        seed: int | None = None,
        **wish: Unpack[WishFields],
    ) -> StudyPlan:
        """Plan a study: how many pulls, in what order, to see an effect.

        A warehouse that is not there yet knows nothing: then the noise is a stated assumption.

        Args:
            effect: Smallest effect on the mean over the band that must be seen, percent.
            power: Chance of seeing it.
            sessions: Sessions the pulls are spread over.
            alpha: Chance of any false claim that is accepted, over all looks.
            looks: How often the study is looked at; None for after every pair of pulls.
            rule: How alpha is spread over the looks, see
                `dynostats.analysis.sequential.spending.RULES`; None for the usual one.
            seed: Seed of the run order; None for a new one.
            **wish: What the study is to be about (`dynostats.api.planning.Wish`): engine, dyno,
                baseline, candidate, session, band, quantity, margin_pct, correction.

        Raises:
            AnalysisError: If no number of pulls sees the effect, or a figure is out of range.
        """
        from dynostats.analysis.planning.plan import Aim
        from dynostats.api.planning import Wish, plan_study, schedule_of

        aim = Aim(
            effect_pct=effect,
            power=power,
            alpha=alpha,
            sessions=sessions,
            schedule=schedule_of(looks, rule),
        )
        return plan_study(self.path, aim, Wish(**wish), seed=seed)

    def declare(self, plan: StudyPlan, *, who: str | None = None) -> Declaration:
        """Store the question of a plan, and its run sheet, before the first pull.

        Nothing of it can be changed afterwards; a question declared again stands beside the first.
        The warehouse is made when there is none.

        Raises:
            InputError: If the plan names no setups, engine or session.
        """
        from dynostats.api.declared import read_declaration, store_declaration
        from dynostats.api.planning import declaration_of

        declared = declaration_of(plan, who=name_of(who))
        with open_store(self.path, write=True) as store:
            return read_declaration(store, store_declaration(store, declared))

    def run_sheet(self, plan: StudyPlan, path: AnyPath) -> Path:
        """Write the run sheet of a plan: .csv for `ingest --sheet`, anything else as HTML.

        Raises:
            InputError: If the plan names no setups or session, or the file cannot be written.
        """
        from dynostats.report.run_sheet import write_run_sheet

        return write_run_sheet(plan, plan.named(), plan.run_sheet(), Path(path))

    def study(self, number: int | None = None) -> DeclaredStudy:
        """Return where a declared study stands: pulls, looks, outlook; nothing is stored.

        Args:
            number: Number of the declared question; None for the last.

        Raises:
            InputError: If no such question was declared.
        """
        from dynostats.api.declared import read_declaration
        from dynostats.api.state import DeclaredStudy, read_state

        with self._reading() as store:
            return DeclaredStudy.of(read_state(store, read_declaration(store, number)))

    def watch(
        self,
        folder: AnyPath,
        *,
        number: int | None = None,
        settle_s: float = 3.0,
        channels: AnyPath | None = None,
    ) -> Watch:
        """Watch a folder for the pulls of a declared study; `step` it again and again.

        Args:
            folder: The folder that logs land in.
            number: Number of the declared question; None for the last.
            settle_s: How long a file must stand still before it is read, seconds.
            channels: A TOML file with the shop's own channel names.

        Raises:
            InputError: If there is no such folder, or no question was declared.
        """
        from dynostats.api.watching import Watch

        return Watch(
            self.path,
            Path(folder),
            number=number,
            settle_s=settle_s,
            channels=None if channels is None else Path(channels),
        )
