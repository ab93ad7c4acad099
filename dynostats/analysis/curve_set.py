"""The pulls of an analysis as one array: a row a pull, a column a grid speed."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from dynostats.arrays import Flags, Floats, Ints
from dynostats.errors import AnalysisError

_PLACES = {"pull": pl.String, "row": pl.Int64}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurveSet:
    """Log-torque curves with their labels.

    Args:
        rpm: Grid speeds, shape (speeds,).
        log_torque: Natural log of torque in N.m, shape (pulls, speeds); NaN where not covered.
        pull: Pull names, shape (pulls,).
        engine: Engine of each pull, shape (pulls,), text.
        session: Session of each pull. A session is one engine's: the same name on another engine
            is another session, because the engine was mounted anew.
        setup: Setup of each pull.
        order: Place of each pull in the run order of its session, from 1; NaN where unknown.
        known_errors: Shape (pulls, units, speeds): what one SD of each unit of error whose size is
            known (a reading of the air that went into a correction) adds to each curve; None where
            there is none.
        era: Between which changes of the cell each pull was made (`dynostats.analysis.monitor`);
            None where no change is known. Days of two eras tell nothing of how far days differ.
    """

    rpm: Floats
    log_torque: Floats
    pull: list[str]
    engine: list[str]
    session: list[str]
    setup: list[str]
    order: Floats
    known_errors: Floats | None = None
    era: list[str] | None = None

    def __len__(self) -> int:
        """Return the number of pulls."""
        return len(self.pull)

    def take(self, rows: Flags | Ints) -> CurveSet:
        """Return only the given pulls."""
        at = np.flatnonzero(rows) if rows.dtype == np.bool_ else rows
        return replace(
            self,
            log_torque=self.log_torque[at],
            pull=[self.pull[i] for i in at],
            engine=[self.engine[i] for i in at],
            session=[self.session[i] for i in at],
            setup=[self.setup[i] for i in at],
            order=self.order[at],
            known_errors=None if self.known_errors is None else self.known_errors[at],
            era=None if self.era is None else [self.era[i] for i in at],
        )

    def within(self, columns: Flags) -> CurveSet:
        """Return the curves on the given grid speeds only."""
        known = self.known_errors
        return replace(
            self,
            rpm=self.rpm[columns],
            log_torque=self.log_torque[:, columns],
            known_errors=None if known is None else known[:, :, columns],
        )


def curve_set(pulls: pl.DataFrame, curves: pl.DataFrame) -> CurveSet:
    """Lay long curves out as an array.

    Args:
        pulls: One row a pull: pull, engine, dyno, session, setup, order, and era where changes of
            the cell are known. An engine on another dyno counts as another engine, for it was
            mounted and measured anew.
        curves: One row a pull and grid speed: pull (or pull_no, the number in its name), rpm,
            torque (N.m); others are left out.

    Returns:
        The pulls in the order of `pulls`, on the union of their grid speeds. Torque at or below
        zero has no logarithm and counts as not covered.

    Raises:
        AnalysisError: There is no curve at all.
    """
    rows = _rows_of(pulls, curves)
    torque = curves["torque"].cast(pl.Float64).fill_null(0.0).to_numpy()
    known = (torque > 0) & (rows >= 0)
    if not known.any():
        raise AnalysisError(
            "no accepted pull with a torque curve is in scope",
            mend="Ingest pulls, or include one that was excluded.",
        )
    speed = curves["rpm"].to_numpy()
    if not known.all():
        rows, speed, torque = rows[known], speed[known], torque[known]
    rpm = _distinct(speed)
    log_torque = np.full((pulls.height, len(rpm)), np.nan)
    log_torque[rows, np.searchsorted(rpm, speed)] = np.log(torque)
    return CurveSet(
        rpm=rpm,
        log_torque=log_torque,
        pull=pulls["pull"].to_list(),
        engine=_mounted(pulls),
        session=pulls["session"].to_list(),
        setup=pulls["setup"].to_list(),
        order=pulls["order"].cast(pl.Float64).fill_null(float("nan")).to_numpy(),
        era=pulls["era"].to_list() if "era" in pulls.columns else None,
    )


def _rows_of(pulls: pl.DataFrame, curves: pl.DataFrame) -> Ints:
    """Return each curve row's place among the pulls, -1 where it is of none of them."""
    if pulls.is_empty():
        return np.full(curves.height, -1, dtype=np.intp)
    places = np.arange(pulls.height)
    if "pull_no" in curves.columns:
        numbers = pulls["pull"].str.slice(1).cast(pl.Int64).to_numpy()
        wanted = curves["pull_no"].to_numpy()
        place_of = np.full(int(max(numbers.max(), wanted.max(initial=0))) + 1, -1, dtype=np.intp)
        place_of[numbers] = places
        return place_of[wanted]
    named = pl.DataFrame({"pull": pulls["pull"], "row": places}, schema_overrides=_PLACES)
    found = curves.select("pull").join(named, on="pull", how="left", maintain_order="left")
    return found["row"].fill_null(-1).to_numpy().astype(np.intp)


def _distinct(speed: Floats) -> Floats:
    """Return the distinct speeds, rising."""
    return pl.Series(speed).unique().sort().to_numpy()


def _mounted(pulls: pl.DataFrame) -> list[str]:
    if pulls["dyno"].n_unique() <= 1:
        return pulls["engine"].to_list()
    dyno = pl.col("dyno").fill_null("unnamed dyno")
    return pulls.select(pl.format("{} on {}", "engine", dyno)).to_series().to_list()
