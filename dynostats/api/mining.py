"""What years of stored pulls say."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.comparison import Comparison
from dynostats.api.judging import Judging
from dynostats.api.names import require_name
from dynostats.errors import InputError

if TYPE_CHECKING:
    from dynostats.analysis.regression.result import Errors, Regression
    from dynostats.analysis.study_list import StudyList
    from dynostats.api.history import PastFindings
    from dynostats.api.similar import LikePulls


class Mining(Judging):
    """The analyses of many studies and pulls."""

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
