"""The warehouse as a Python object.

What only one function needs is imported by it: scipy and altair cost most of a second, and a list
of pulls needs neither.
"""

from __future__ import annotations

import getpass
import os
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from functools import partial
from hashlib import sha256
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Literal, Self, Unpack

import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.api.names import choose_engine, require_distinct, require_name
from dynostats.api.results import Amended, Family, Finding, PullList, QueryAnswer
from dynostats.errors import AnalysisError, InputError
from dynostats.warehouse import (
    ArrowRows,
    Store,
    Verification,
    backup,
    export,
    export_lake,
    open_store,
    restore,
    rows_asked,
    scan,
    verify,
)
from dynostats.warehouse.named import Value
from dynostats.warehouse.schema import program

if TYPE_CHECKING:
    from dynostats.analysis.acceptance import Acceptance
    from dynostats.analysis.envelope import Envelope
    from dynostats.analysis.monitor import Monitoring
    from dynostats.analysis.planning.declaration import Declaration
    from dynostats.analysis.regression.result import Errors, Regression
    from dynostats.analysis.study_list import StudyList
    from dynostats.analysis.synthesis import History
    from dynostats.api.attribution import Explanation
    from dynostats.api.envelope import EnvelopeFinding
    from dynostats.api.history import PastFindings
    from dynostats.api.monitor import CellMonitoring, EventList
    from dynostats.api.noise import CellNoise
    from dynostats.api.planning import StudyPlan, WishFields
    from dynostats.api.similar import LikePulls
    from dynostats.api.state import DeclaredStudy
    from dynostats.api.watching import Watch
    from dynostats.intake import IngestReport, Progress
    from dynostats.report import Provenance, Shop
    from dynostats.report.reproduction import Reproduction
    from dynostats.units import System

AnyPath = str | os.PathLike[str]


def open_warehouse(path: AnyPath) -> Warehouse:
    """Return the warehouse at a path; `ingest` makes the file when there is none.

    Example:
        >>> import dynostats as ds
        >>> with ds.open_warehouse("shop.duckdb") as wh:
        ...     wh.path.name
        'shop.duckdb'
    """
    return Warehouse(Path(path))


class Warehouse:
    """A warehouse file. Made by `open_warehouse`.

    Each call opens the file for itself and lets go of it at its end, so that a notebook left open
    does not keep the cell's computer from storing the next pull.
    """

    def __init__(self, path: Path) -> None:
        """Remember where the file is."""
        self.path = path

    def __enter__(self) -> Self:
        """Return the warehouse."""
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        """Leave; nothing is held open between calls."""

    def __repr__(self) -> str:
        """Name the file."""
        return f"Warehouse({str(self.path)!r})"

    def ingest(
        self,
        *paths: AnyPath,
        sheet: AnyPath | None = None,
        channels: AnyPath | None = None,
        progress: Callable[[Progress], None] | None = None,
    ) -> IngestReport:
        """Store files and folders; what is stored already is skipped.

        Args:
            *paths: Log files, or folders with them.
            sheet: The sheet with one row a pull; None to use the one beside the files.
            channels: A TOML file with the shop's own channel names.
            progress: Told after each batch how far it is.

        Raises:
            DynostatsError: If the sheet or the warehouse cannot be used. A file that cannot be
                taken raises nothing: it stands in the report as refused.
        """
        from dynostats.api.cut_short import exclude_cut_short
        from dynostats.intake import ingest

        return ingest(
            [Path(path) for path in paths],
            warehouse=self.path,
            sheet=None if sheet is None else Path(sheet),
            channels=None if channels is None else Path(channels),
            progress=progress,
            judge=partial(exclude_cut_short, who=program()),
        )

    def reingest(
        self,
        *pulls: str,
        channels: AnyPath | None = None,
        who: str | None = None,
        progress: Callable[[Progress], None] | None = None,
    ) -> IngestReport:
        """Read the stored bytes of pulls again; names, labels, state and history stay.

        Args:
            *pulls: Names of the pulls; none for all.
            channels: A TOML file with the shop's own channel names.
            who: Who asks for it, for the history.
            progress: Told after every file.

        Raises:
            WarehouseError: If there is no such pull.
        """
        from dynostats.intake import reingest

        return reingest(
            pulls or None,
            warehouse=self.path,
            who=_name(who),
            channels=None if channels is None else Path(channels),
            progress=progress,
        )

    def pulls(
        self,
        *,
        engine: str | None = None,
        dyno: str | None = None,
        session: str | None = None,
        setup: str | None = None,
        as_of: datetime | None = None,
    ) -> PullList:
        """List what is stored, or was at a past time.

        Args:
            engine: Only this engine.
            dyno: Only this dyno.
            session: Only this session.
            setup: Only this setup.
            as_of: A past time; None for now.

        Returns:
            One row a pull: its labels, state (accepted or excluded, and why), and the engine
            speeds it covers, 1/min. A name that is not stored gives no rows.

        Raises:
            WarehouseError: There is no warehouse, or another program holds it.
        """
        with self._reading() as store:
            frame = store.pulls(engine=engine, dyno=dyno, session=session, setup=setup, as_of=as_of)
        return PullList(frame=frame)

    def exclude(self, pull: str, *, why: str, who: str | None = None) -> Amended:
        """Leave a pull out of the analyses; it stays stored, with the reason.

        Args:
            pull: The pull, e.g. "P2".
            why: The reason; it stays in the history.
            who: Who says so; None for the name of the computer's user.

        Raises:
            WarehouseError: If there is no such pull, or no reason.
        """
        with self._writing() as store:
            return Amended(pull=pull, correction=store.exclude(pull, why=why, who=_name(who)))

    def include(self, pull: str, *, why: str, who: str | None = None) -> Amended:
        """Take an excluded pull back.

        Args:
            pull: The pull, e.g. "P2".
            why: The reason; it stays in the history.
            who: Who says so; None for the name of the computer's user.

        Raises:
            WarehouseError: If there is no such pull, no reason, or it is not excluded.
        """
        with self._writing() as store:
            return Amended(pull=pull, correction=store.include(pull, why=why, who=_name(who)))

    def amend(
        self, pull: str, field: str, value: str, *, why: str, who: str | None = None
    ) -> Amended:
        """Correct what the paperwork said of a pull; what it said before stays in the history.

        Args:
            pull: The pull, e.g. "P2".
            field: What is corrected: a column of the sheet, e.g. "session".
            value: What it should say, as a sheet would write it.
            why: The reason; it stays in the history.
            who: Who says so; None for the name of the computer's user.

        Raises:
            WarehouseError: If there is no such pull, the value does not fit, or is there already.
        """
        with self._writing() as store:
            correction = store.amend(pull, field, value, why=why, who=_name(who))
        return Amended(pull=pull, correction=correction)

    def compare(
        self,
        *,
        baseline: str,
        candidate: str,
        engine: str | None = None,
        quantity: str = "power",
        margin: float = 0.5,
        band: tuple[float, float] | None = None,
        correction: str | None = None,
        alpha: float = 0.05,
        as_of: datetime | None = None,
    ) -> Finding:
        """Compare two setups: did the change help, where, by how much, how sure.

        Args:
            baseline: Setup before the change.
            candidate: Setup with the change.
            engine: The engine; None when only one has both setups.
            quantity: "power" or "torque"; in percent they are the same at a given speed.
            margin: Smallest change that matters, percent.
            band: First and last engine speed, rpm; None for all that every pull covers.
            correction: Ambient correction by name (`dynostats.curves.correction.STANDARDS`),
                "none" for none; None for what the sheets declare, else none.
            alpha: Chance of any false claim that is accepted.
            as_of: What the warehouse answered at that past time (without zone: local time), as far
                as paperwork goes; a pull that was read again since is taken as read now.

        Raises:
            WarehouseError: If a setup is not stored.
            AnalysisError: If the pulls cannot answer the question as it was put.
        """
        return self.compare_candidates(
            baseline=baseline,
            candidates=(candidate,),
            engine=engine,
            quantity=quantity,
            margin=margin,
            band=band,
            correction=correction,
            alpha=alpha,
            as_of=as_of,
        ).findings[0]

    def compare_candidates(
        self,
        *,
        baseline: str,
        candidates: Sequence[str],
        engine: str | None = None,
        quantity: str = "power",
        margin: float = 0.5,
        band: tuple[float, float] | None = None,
        correction: str | None = None,
        alpha: float = 0.05,
        as_of: datetime | None = None,
    ) -> Family:
        """Compare several candidates with one baseline, as one family of claims.

        Args:
            baseline: Setup before any change.
            candidates: Setups with a change each; the bounds hold for all of them together.
            engine: As in `compare`.
            quantity: As in `compare`.
            margin: As in `compare`.
            band: As in `compare`.
            correction: As in `compare`.
            alpha: Chance of any false gain or loss, of any candidate, that is accepted.
            as_of: As in `compare`.

        Raises:
            WarehouseError: If a setup is not stored.
            AnalysisError: As in `compare`; or a candidate is named twice.
        """
        from dynostats.analysis.compare import compare_candidates
        from dynostats.analysis.monitor import mark_eras
        from dynostats.analysis.question import Question
        from dynostats.analysis.study import dyno_of, pulls_near
        from dynostats.api.acceptance import add_doubts, judge_stored, used_pulls
        from dynostats.api.conditions import gather_conditions
        from dynostats.api.declared import hold_against_declared
        from dynostats.api.monitor import find_breaks, warn_of_breaks
        from dynostats.curves.correction import find_standard

        require_distinct(candidates)
        wanted = None if correction is None else find_standard(correction)
        with self._reading(as_of) as store:
            pulls = store.pulls()
            questions = tuple(
                Question(
                    engine=choose_engine(
                        pulls, baseline=baseline, candidate=candidate, engine=engine
                    ),
                    baseline=baseline,
                    candidate=candidate,
                    quantity=quantity,
                    margin_pct=margin,
                    alpha=alpha,
                    band=band,
                    correction=wanted,
                )
                for candidate in candidates
            )
            breaks = find_breaks(store, pulls, dyno_of(pulls, questions[0]))
            pulls = mark_eras(pulls, breaks)
            near = pulls_near(pulls, questions)
            curves = store.curves(near.filter(state="accepted")["pull"].to_list())
            conditions = gather_conditions(
                store,
                pulls,
                engines={one.engine for one in questions},
                setups={baseline, *candidates},
            )
        found = compare_candidates(pulls, curves, questions, conditions=conditions)
        with self._reading(as_of) as store:
            judged = judge_stored(store, used_pulls(found), among=near)

        def ask_without(doubtful: Collection[str]) -> tuple[Comparison, ...]:
            left_out = pl.when(pl.col("pull").is_in(doubtful)).then(pl.lit("excluded"))
            kept = pulls.with_columns(state=left_out.otherwise("state"))
            return compare_candidates(
                kept, curves, questions, conditions=conditions, with_others=False
            )

        told = add_doubts(found, judged, ask_without=ask_without)
        told = warn_of_breaks(told, breaks, near)
        with self._reading(as_of) as store:
            told = tuple(hold_against_declared(store, one) for one in told)
        return Family(findings=tuple(Finding.of(one) for one in told))

    def attribute(
        self,
        *,
        baseline: str,
        candidate: str,
        engine: str | None = None,
        band: tuple[float, float] | None = None,
        alpha: float = 0.05,
        as_of: datetime | None = None,
    ) -> Explanation:
        """Split a difference: how much boost, charge temperature and mixture explain of it.

        Args:
            baseline: Setup before the change.
            candidate: Setup with the change.
            engine: The engine; None when only one has both setups.
            band: First and last engine speed, rpm; None for all that every pull covers.
            alpha: One less the level of the intervals.
            as_of: As in `compare`.

        Raises:
            WarehouseError: If a setup is not stored.
            AnalysisError: If the pulls cannot answer the question as it was put.
        """
        from dynostats.analysis.attribution import attribute
        from dynostats.analysis.monitor import mark_eras
        from dynostats.analysis.question import Question
        from dynostats.analysis.study import dyno_of, pulls_near
        from dynostats.api.attribution import Explanation, channel_curves
        from dynostats.api.conditions import gather_conditions
        from dynostats.api.monitor import find_breaks

        with self._reading(as_of) as store:
            pulls = store.pulls()
            name = choose_engine(pulls, baseline=baseline, candidate=candidate, engine=engine)
            question = Question(
                engine=name, baseline=baseline, candidate=candidate, band=band, alpha=alpha
            )
            pulls = mark_eras(pulls, find_breaks(store, pulls, dyno_of(pulls, question)))
            near = pulls_near(pulls, (question,))
            curves = channel_curves(store, near, engine=name)
            conditions = gather_conditions(
                store, near, engines={name}, setups={baseline, candidate}
            )
        return Explanation.of(attribute(near, curves, question, conditions=conditions))

    def regress(
        self,
        formula: str,
        *,
        data: pl.DataFrame | None = None,
        errors: Errors = "cr2",
        by: str | None = None,
        engine: str | None = None,
        setups: Sequence[str] | None = None,
        band: tuple[float, float] | None = None,
        alpha: float = 0.05,
    ) -> Regression:
        """Regress by a formula on the accepted pulls, or on a frame, with errors that hold.

        The warehouse's rows are one a pull and engine speed: pull, engine, dyno, session, setup,
        order, rpm, every channel, ambient readings, and log_rpm, log_torque, log_manifold_pressure,
        log_charge_temperature and log_lambda. `query("regression_rows")` shows them.

        Args:
            formula: Response ~ terms, as formulaic reads them, for example
                "log_torque ~ log_manifold_pressure + bs(rpm, df=6) + setup". Labels become a column
                for each value but the first; a power is written I(rpm**2); `lambda` stands in
                backticks.
            data: A frame to regress on; None for the warehouse's rows.
            errors: "cr2" for least squares with cluster-robust errors (CR2, Satterthwaite's degrees
                of freedom); "wild" for p values of the wild cluster bootstrap, with Webb's weights
                below seven clusters; "mixed" for random levels of pulls and sessions (REML);
                "independent" for rows that share nothing.
            by: Column whose rows share an error; None for the warehouse's own structure: pulls are
                the clusters, and each session above them has a level of its own.
            engine: Only this engine.
            setups: Only these setups.
            band: First and last engine speed, rpm.
            alpha: One less the level of the intervals.

        Raises:
            InputError: The formula or an option cannot be read, or names an unknown column.
            WarehouseError: The engine or a setup is not stored.
            AnalysisError: The rows do not allow the fit: too few clusters, a term that does not
                vary or follows from others, a setup that changed in one or two sessions only.
        """
        from dynostats.analysis.regression.regress import regress
        from dynostats.api.regression import regress_stored

        if data is not None:
            if (engine, setups, band) != (None, None, None):
                raise InputError(
                    "engine, setups and band choose rows of the warehouse, and data is given",
                    where="data",
                    mend="Filter the frame itself.",
                )
            return regress(formula, data, errors=errors, by=by, alpha=alpha)
        low, high = band or (None, None)
        scope = {"engine": engine, "setups": setups, "low": low, "high": high}
        with self._reading() as store:
            for kind, names in (("engine", [engine]), ("setup", setups or [])):
                for name in (name for name in names if name is not None):
                    require_name(name, store.pulls()[kind].unique(), kind=kind)
            return regress_stored(store, formula, errors=errors, by=by, alpha=alpha, scope=scope)

    def check(self, *pulls: str) -> Acceptance:
        """Judge stored pulls: fit to be compared, and labelled as their data look?

        What was noticed when a pull was read, and how it stands against the others of its session,
        setup and engine. Nothing stored is changed: exclude, include and amend are a person's.

        Args:
            *pulls: Names of the pulls; none for all.

        Raises:
            WarehouseError: If there is no such pull; names the nearest.
        """
        from dynostats.api.acceptance import judge_stored

        with self._reading() as store:
            stored = store.pulls()["pull"].to_list()
            for name in pulls:
                require_name(name, stored, kind="pull")
            return judge_stored(store, pulls or None)

    def repeatability(self, *, dyno: str | None = None, engine: str | None = None) -> CellNoise:
        """Measure the noise of the cell by engine speed, from accepted pulls in scope.

        Raises:
            WarehouseError: If the dyno or the engine is not stored.
            AnalysisError: If no setup was pulled twice in one session.
        """
        from dynostats.analysis.curve_set import curve_set
        from dynostats.analysis.repeatability import measure_repeatability
        from dynostats.api.monitor import mark_breaks
        from dynostats.api.noise import CellNoise

        with self._reading() as store:
            every = store.pulls()
            for kind, name in (("dyno", dyno), ("engine", engine)):
                if name is not None:
                    require_name(name, every[kind].drop_nulls().unique().to_list(), kind=kind)
            scope = {k: v for k, v in (("dyno", dyno), ("engine", engine)) if v is not None}
            pulls = every.filter(state="accepted", **scope)
            curves = store.curves(dyno=dyno, engine=engine, numbered=True)
            pulls, breaks = mark_breaks(store, every, pulls)
        found = measure_repeatability(curve_set(pulls, curves))
        return CellNoise.of(replace(found, warnings=(*found.warnings, *breaks)))

    def envelope(
        self,
        *files: AnyPath,
        reference: str,
        engine: str | None = None,
        channels: AnyPath | None = None,
        ambient_pressure: float | None = None,
    ) -> EnvelopeFinding:
        """Say whether new logs lie within the range of the accepted pulls of a setup.

        The logs are read as `ingest` reads them, and nothing is stored.

        Args:
            *files: Log files, of a vehicle or of the engine back on the dyno.
            reference: Setup whose accepted pulls form the range.
            engine: Its engine; None when only one has that setup.
            channels: A TOML file with the logger's own channel names.
            ambient_pressure: Barometer where the logs were made, kPa: makes gauge boost absolute
                where the log has none.

        Raises:
            InputError: A file is missing or no log.
            WarehouseError: The setup or the engine is not stored.
            AnalysisError: Fewer than two accepted pulls, or none of the channels watched.
        """
        from dynostats.analysis.envelope import check_envelope
        from dynostats.api.envelope import gather_reference, read_files, with_remarks
        from dynostats.ingest import load_channel_table

        table = load_channel_table(None if channels is None else Path(channels))
        read = read_files(
            [Path(file) for file in files], table, ambient_pressure_kpa=ambient_pressure
        )
        with self._reading() as store:
            pulls, remarks = gather_reference(
                store, reference, engine=engine, besides=[one.sha256 for one in read]
            )
        return with_remarks(check_envelope(pulls, [one.log for one in read]), remarks)

    def monitor(
        self,
        *,
        dyno: str | None = None,
        engine: str | None = None,
        setup: str | None = None,
        channels: Sequence[str] | None = None,
        correction: str | None = None,
    ) -> CellMonitoring:
        """Say whether the cell is still the cell it was, from a reference setup.

        Args:
            dyno: Only this dyno.
            engine: Only this engine.
            setup: The reference setup; None for the one pulled in most sessions.
            channels: Channels charted beside torque; None for boost, mixture, fuel and oil
                pressure, as far as the pulls have them.
            correction: Ambient correction of torque by name, as in `compare`.

        Raises:
            WarehouseError: A name is not stored.
            AnalysisError: No pull is accepted in that scope, none has a channel named, or one
                cannot be brought to the correction.
        """
        from dynostats.analysis.monitor import monitor_cell
        from dynostats.api.monitor import CellMonitoring, gather_scope

        with self._reading() as store:
            scope = gather_scope(
                store,
                dyno=dyno,
                engine=engine,
                setup=setup,
                channels=channels,
                correction=correction,
            )
        return CellMonitoring.of(monitor_cell(scope, channels))

    def history(
        self,
        *,
        engine: str | None = None,
        kind: str | None = None,
        margin: float = 0.5,
        correction: str | None = None,
        alpha: float = 0.05,
        progress: Callable[[int, int], None] | None = None,
    ) -> PastFindings:
        """Put all past studies together: kinds of change, the best of them, what fell.

        A study is a setup that says which other one it was changed from, or a declared question.

        Args:
            engine: Only this engine.
            kind: Only this kind of change.
            margin: Smallest change that matters, percent.
            correction: As in `compare`.
            alpha: One less the level of the intervals, and the share of false ones accepted among
                the changes that are found.
            progress: Told after each study how many of how many are done.

        Raises:
            WarehouseError: The engine is not stored.
            AnalysisError: No study is stored in that scope.
        """
        from dynostats.api.history import PastFindings, gather_history

        with self._reading() as store:
            if engine is not None:
                require_name(engine, store.pulls()["engine"].unique().to_list(), kind="engine")
            found = gather_history(
                store,
                engine=engine,
                kind=kind,
                margin=margin,
                correction=correction,
                alpha=alpha,
                progress=progress,
            )
        return PastFindings.of(found)

    def similar(
        self,
        pull: str,
        *,
        by: str = "shape",
        channels: Sequence[str] | None = None,
        band: tuple[float, float] | None = None,
        least_overlap: float = 0.8,
        engine: str | None = None,
        dyno: str | None = None,
        most: int = 10,
    ) -> LikePulls:
        """Find the accepted pulls most like one, and say whether they are as like as repeats.

        Args:
            pull: The pull that others are held against.
            by: "shape" (torque, its level taken out), "level" (shape and level together),
                "channels" (in pull-to-pull SDs), or "conditions" (air and start temperatures, in
                SDs of all accepted pulls).
            channels: Channels compared; None for none, or, by channels, for the usual ones.
            band: First and last engine speed, rpm; None for what the pull covers.
            least_overlap: Share of those speeds that another pull must cover, above 0 to 1.
            engine: Only pulls of this engine.
            dyno: Only pulls on this dyno.
            most: How many are listed.

        Raises:
            WarehouseError: There is no such pull, engine, dyno or channel.
            InputError: An option is out of its range.
            AnalysisError: The pull has no torque, nothing overlaps it enough, or the noise of the
                channels is not known.
        """
        from dynostats.api.similar import LikePulls, gather_similar

        with self._reading() as store:
            found = gather_similar(
                store,
                pull,
                by=by,
                channels=channels,
                band=band,
                least_overlap=least_overlap,
                engine=engine,
                dyno=dyno,
                most=most,
            )
        return LikePulls.of(found)

    def event(
        self,
        kind: str,
        what: str,
        *,
        at: datetime | None = None,
        dyno: str | None = None,
        who: str | None = None,
    ) -> str:
        """Log something done to a cell; it is never overwritten.

        Args:
            kind: "calibration", "service", "repair" or "other".
            what: What was done.
            at: When, local time of the shop; None for now.
            dyno: The dyno; None when there is only one.
            who: Who says so; None for the login name.

        Returns:
            The name of the entry, such as E1.

        Raises:
            WarehouseError: The kind or the dyno is not known, or it does not say what was done.
            AnalysisError: Several dynos are stored and none is named.
        """
        from dynostats.api.monitor import dyno_of_event, local_now
        from dynostats.warehouse import NewEvent

        with self._writing() as store:
            return store.log_event(
                NewEvent(
                    dyno=dyno_of_event(store, dyno),
                    kind=kind,
                    happened_at=at or local_now(),
                    what=what,
                    who=_name(who),
                )
            )

    def withdraw_event(self, event: str, *, why: str, who: str | None = None) -> str:
        """Take a wrong entry back; both stay in the log.

        Raises:
            WarehouseError: There is no such event, it is taken back already, or no reason.
        """
        with self._writing() as store:
            return store.withdraw_event(event, why=why, who=_name(who))

    def events(self, *, dyno: str | None = None) -> EventList:
        """List what was done to the cells, by date."""
        from dynostats.api.monitor import EventList

        with self._reading() as store:
            return EventList(frame=store.events(dyno))

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

        declared = declaration_of(plan, who=_name(who))
        with open_store(self.path, write=True) as store:
            return read_declaration(store, store_declaration(store, declared))

    def run_sheet(self, plan: StudyPlan, path: AnyPath) -> Path:
        """Write the run sheet of a plan: .csv for `ingest --sheet`, anything else as HTML.

        Raises:
            InputError: If the plan names no setups or session, or the file cannot be written.
        """
        from dynostats.report.run_sheet import write_run_sheet

        return write_run_sheet(plan, plan.named(), plan.run_sheet(), Path(path))

    def studies(
        self,
        *,
        engine: str | None = None,
        margin: float = 0.5,
        correction: str | None = None,
        alpha: float = 0.05,
        progress: Callable[[int, int], None] | None = None,
    ) -> StudyList:
        """Judge every study of the warehouse by itself, as `compare` does; the latest first.

        A study is a declared question (asked as it was declared), a setup that says which other
        one it was changed from, or any two setups of an engine that met in a session.

        Args:
            engine: Only this engine.
            margin: Smallest change that matters, percent.
            correction: As in `compare`.
            alpha: As in `compare`.
            progress: Told after each study how many of how many are done.

        Raises:
            WarehouseError: The engine is not stored.
            AnalysisError: No study is stored in that scope.
        """
        from dynostats.api.studies import gather_studies

        def ask(question: Mapping[str, object]) -> Comparison:
            return self.compare(**question)  # pyright: ignore[reportArgumentType]

        with self._reading() as store:
            if engine is not None:
                require_name(engine, store.pulls()["engine"].unique().to_list(), kind="engine")
            return gather_studies(
                store,
                ask,
                engine=engine,
                settings={"margin": margin, "correction": correction, "alpha": alpha},
                progress=progress,
            )

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

    def report(
        self,
        finding: Comparison,
        path: AnyPath,
        *others: AnyPath,
        shop: Shop | None = None,
        command: str = "",
        as_of: datetime | None = None,
        units: System = "si",
    ) -> Path:
        """Write a comparison as a self-contained HTML page, as a PDF, or as Markdown.

        Args:
            finding: The comparison.
            path: The file; it ends in .html, .pdf or .md.
            *others: The same in other forms.
            shop: The shop's own name, logo and remarks.
            command: The command line that makes the page again.
            as_of: The past time that the comparison was asked at; None for now.
            units: Units the page opens in, "si" or "us"; it can switch by itself.

        Raises:
            InputError: If a file's name ends otherwise, or it cannot be written.
        """
        from dynostats import __version__
        from dynostats.report import Provenance, form_of, write_report

        paths = [Path(one) for one in (path, *others)]
        for one in paths:
            form_of(one)

        with self._reading() as store:
            pulls = store.pulls()
        hashes = pulls.select("file", "sha256").unique().sort("sha256")
        in_study = pulls.filter(pl.col("pull").is_in(finding.pull_table["pull"].to_list()))
        provenance = Provenance(
            version=__version__,
            command=command,
            warehouse=self.path.name,
            warehouse_hash=sha256("\n".join(hashes["sha256"]).encode()).hexdigest(),
            created=datetime.now(UTC).isoformat(timespec="milliseconds"),
            as_of="" if as_of is None else as_of.astimezone(UTC).isoformat(),
            sources=tuple(in_study.select("file", "sha256").unique().sort("file").rows()),
        )
        split, refused = self._split_of(finding, as_of)
        for one in paths:
            write_report(
                finding,
                one,
                split=split,
                refused=refused,
                shop=shop,
                provenance=provenance,
                units=units,
            )
        return paths[0]

    def charts(
        self, finding: Comparison, folder: AnyPath, *, as_of: datetime | None = None
    ) -> list[Path]:
        """Write every chart of a comparison's report as SVG and PNG, and return the files.

        Args:
            finding: The comparison.
            folder: Where they go; made if missing.
            as_of: The past time that the comparison was asked at; None for now.

        Raises:
            InputError: If a file cannot be written.
        """
        from dynostats.report import write_chart_files

        split, _ = self._split_of(finding, as_of)
        return write_chart_files(finding, Path(folder), split=split)

    def _split_of(
        self, finding: Comparison, as_of: datetime | None
    ) -> tuple[Explanation | None, str]:
        """Return why a comparison came out as it did, or why that cannot be told."""
        try:
            split = self.attribute(
                baseline=finding.baseline,
                candidate=finding.candidate,
                engine=finding.engine,
                band=finding.band,
                alpha=finding.alpha,
                as_of=as_of,
            )
        except AnalysisError as error:
            return None, f"The difference cannot be split by cause: {error.what}. {error.mend}"
        return split, ""

    def reproduce(self, report: AnyPath) -> Reproduction:
        """Ask the question of a report again, of the warehouse as it stood when it was made.

        Args:
            report: An HTML file that `report` wrote.

        Raises:
            InputError: If the file is no such report.
            WarehouseError: If the warehouse does not hold its setups.
            AnalysisError: If the pulls no longer answer its question.
        """
        from dynostats.api.reproducing import reproduce

        return reproduce(self, Path(report))

    def report_envelope(self, finding: Envelope, path: AnyPath, *, command: str = "") -> Path:
        """Write an envelope check as a self-contained HTML page.

        Raises:
            InputError: If the file cannot be written.
        """
        from dynostats.report.envelope import write_envelope

        return write_envelope(finding, Path(path), provenance=self._provenance(command))

    def report_monitoring(self, finding: Monitoring, path: AnyPath, *, command: str = "") -> Path:
        """Write a monitoring of the cell as a self-contained HTML page.

        Raises:
            InputError: If the file cannot be written.
        """
        from dynostats.report.monitor import write_monitoring

        return write_monitoring(finding, Path(path), provenance=self._provenance(command))

    def report_history(self, finding: History, path: AnyPath, *, command: str = "") -> Path:
        """Write all past studies as a self-contained HTML page.

        Raises:
            InputError: If the file cannot be written.
        """
        from dynostats.report.history import write_history

        return write_history(finding, Path(path), provenance=self._provenance(command))

    def report_studies(
        self,
        found: StudyList,
        path: AnyPath,
        *,
        each: AnyPath | None = None,
        shop: Shop | None = None,
        command: str = "",
    ) -> Path:
        """Write all studies as one page with a search, linked to the reports there are.

        Args:
            found: The studies.
            path: The HTML file.
            each: A folder for a report of each study, written now; None to link those that lie
                beside the page already.
            shop: What the shop adds.
            command: The command line that makes the page again.

        Raises:
            InputError: If a file cannot be written.
        """
        from dynostats.api.studies import command_of, report_name
        from dynostats.report.studies import find_reports, write_studies

        if each is not None:
            for number, one in enumerate(found.studies, start=1):
                if one.finding is not None:
                    file = Path(each) / report_name(one, number)
                    self.report(one.finding, file, shop=shop, command=command_of(one.finding))
        folder = Path(path).parent if each is None else Path(each)
        return write_studies(
            found,
            Path(path),
            reports=find_reports(folder),
            shop=shop,
            provenance=self._provenance(command),
        )

    def _provenance(self, command: str) -> Provenance:
        """Return where a page comes from: this program, this warehouse as it stands."""
        from dynostats import __version__
        from dynostats.report import Provenance

        with self._reading() as store:
            hashes = sorted(set(store.pulls()["sha256"].to_list()))
        return Provenance(
            version=__version__,
            command=command,
            warehouse=self.path.name,
            warehouse_hash=sha256("\n".join(hashes).encode()).hexdigest(),
            created=datetime.now(UTC).isoformat(timespec="seconds"),
        )

    def query(self, text: str, **values: Value) -> QueryAnswer:
        """Answer a named query, or the user's own SQL, which can only read.

        Args:
            text: Name of a query (one word), or one select statement.
            **values: Its parameters, written $name in the SQL.

        Raises:
            InputError: If there is no such query, or it would do anything but read.
        """
        with self._reading() as store:
            return QueryAnswer(frame=store.query(text, values))

    def query_to(self, out: AnyPath, text: str, values: Mapping[str, Value]) -> Path:
        """Answer likewise into a file, however large the result.

        Args:
            out: The file; it ends in .parquet, .csv or .ndjson.
            text: As in `query`.
            values: The parameters by name.

        Raises:
            InputError: As in `query`, or the file's name ends otherwise.
        """
        with self._reading() as store:
            store.query_to(Path(out), text, values)
        return Path(out)

    def scan(self, name: str, **values: Value) -> pl.LazyFrame:
        """Return a table or a named query as a lazy polars frame.

        Columns and filters of its plan are pushed into the warehouse: what is not asked for is not
        read. The file is opened when the frame is collected, and only for that long. Needs pyarrow
        (`pip install 'dynostats[arrow]'`).

        Args:
            name: "pulls", "curves" or "samples" (each with the labels of its pulls), or a query.
            **values: The query's parameters.

        Raises:
            InputError: There is nothing of that name, or pyarrow is not installed.
            WarehouseError: There is no warehouse, or another program holds it.

        Example:
            wh.scan("curves").filter(pl.col("setup") == "standard").select("rpm", "torque")
        """
        return scan(self.path, rows_asked(name, values))

    def arrow(
        self, name: str, *, columns: Sequence[str] | None = None, **values: Value
    ) -> ArrowRows:
        """Return a table or a named query for anything that reads Arrow streams.

        Args:
            name: As in `scan`.
            columns: Columns wanted; None for all.
            **values: The query's parameters.

        Raises:
            InputError: There is nothing of that name.
        """
        wanted = None if columns is None else tuple(columns)
        return ArrowRows(path=self.path, asked=rows_asked(name, values), columns=wanted)

    def verify(self) -> Verification:
        """Check that everything stored is whole, and say what is not.

        Raises:
            WarehouseError: If there is no warehouse, or another program holds it.
        """
        return verify(self.path)

    def backup(self, file: AnyPath) -> Path:
        """Copy the warehouse to a new file, consistently.

        Raises:
            InputError: If a file of that name exists.
            WarehouseError: If the copy cannot be written.
        """
        backup(self.path, Path(file))
        return Path(file)

    def export(self, folder: AnyPath, *, layout: Literal["tables", "lake"] = "tables") -> Path:
        """Write everything as open files into a new or empty folder.

        Args:
            folder: The folder.
            layout: "tables" for one file a table, and the original files; "lake" for pulls and
                curves as partitioned Parquet, into a folder that may hold those of other
                warehouses already (`dynostats.open_lake` reads it).

        Raises:
            InputError: If the folder holds anything else, or this warehouse already.
            WarehouseError: If the files cannot be written.
        """
        write = {"tables": export, "lake": export_lake}.get(layout)
        if write is None:
            raise InputError(f"the layout is '{layout}'; it must be tables or lake", where="layout")
        write(self.path, Path(folder))
        return Path(folder)

    def restore(self, folder: AnyPath) -> Path:
        """Make the warehouse, which must not exist, of an export.

        Raises:
            InputError: If the file exists, or the folder is not a whole export.
        """
        restore(Path(folder), self.path)
        return self.path

    def _reading(self, as_of: datetime | None = None) -> Store:
        return open_store(self.path, as_of=as_of)

    def _writing(self) -> Store:
        return open_store(self.path, write=True, create=False)


def _name(who: str | None) -> str:
    """Return who is at the keyboard, as the computer knows them."""
    if who is not None:
        return who
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # a container without a user table
        return f"user {os.getuid()}"
