"""What the stored pulls say."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.api.keeping import Keeping
from dynostats.api.names import choose_engine, require_distinct, require_name
from dynostats.api.opened import AnyPath
from dynostats.api.results import Family, Finding

if TYPE_CHECKING:
    from dynostats.analysis.acceptance import Acceptance
    from dynostats.api.attribution import Explanation
    from dynostats.api.envelope import EnvelopeFinding
    from dynostats.api.monitor import CellMonitoring
    from dynostats.api.noise import CellNoise


class Judging(Keeping):
    """The analyses of stored pulls."""

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
