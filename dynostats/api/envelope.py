"""New logs against the accepted pulls of a setup: gathering both; a result that draws itself."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.envelope import CHANNELS, LOAD_CHANNELS, Envelope, NewLog, Reference
from dynostats.analysis.monitor import Break
from dynostats.api.monitor import find_breaks
from dynostats.api.names import require_name
from dynostats.api.results import as_html, fields_of
from dynostats.curves import Aligned, align_channels, find_sweeps
from dynostats.errors import AnalysisError, InputError
from dynostats.ingest import Ambient, ChannelTable, read_log
from dynostats.warehouse import Store

if TYPE_CHECKING:
    import altair as alt

# So many pulls of the dyno are learned from, the engine's own and the latest first.
MOST_HISTORY = 400
# So many reference logs tell how much a single sample scatters.
MOST_SAMPLED = 4
# What its reader doubts of a log is told where it names one of these.
_MATTER = ("engine_speed", "clock", *LOAD_CHANNELS, *CHANNELS)
# Barometers of places where engines run; common practice, no published source.
_AMBIENT_KPA = (50.0, 110.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EnvelopeFinding(Envelope):
    """An envelope check that can draw itself."""

    @classmethod
    def of(cls, result: Envelope) -> EnvelopeFinding:
        """Return an envelope check with its chart and notebook view."""
        return cls(**fields_of(result))

    def chart(self, channel: str | None = None) -> alt.LayerChart:
        """Return a channel of the logs over its band; the one that matters most when None."""
        from dynostats.charts.envelope import envelope_chart

        return envelope_chart(self, channel)

    def _repr_html_(self) -> str:
        return as_html(" ".join((*self.dangers, self.answer)), self.chart())


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadFile:
    """A log file as read, not stored.

    Args:
        log: The log.
        sha256: SHA-256 of its bytes.
    """

    log: NewLog
    sha256: str


def read_files(
    paths: Sequence[Path], table: ChannelTable, *, ambient_pressure_kpa: float | None
) -> tuple[ReadFile, ...]:
    """Read log files as `ingest` would, and store nothing.

    Raises:
        InputError: A file is missing, named twice, or no log, or the barometer is none.
    """
    if ambient_pressure_kpa is not None and not (
        _AMBIENT_KPA[0] <= ambient_pressure_kpa <= _AMBIENT_KPA[1]
    ):
        raise InputError(
            f"the ambient pressure is {ambient_pressure_kpa:g} kPa; barometers read "
            f"{_AMBIENT_KPA[0]:g} to {_AMBIENT_KPA[1]:g} kPa",
            where="--ambient-pressure",
            mend="Give it in kPa absolute, for example 98.6.",
        )
    names = _distinct_names(paths)
    ambient = Ambient(pressure_kpa=ambient_pressure_kpa)
    return tuple(
        _read_file(path, name, table, ambient) for path, name in zip(paths, names, strict=True)
    )


def _distinct_names(paths: Sequence[Path]) -> list[str]:
    """Return what to call each file: its name, or its path where two share the name."""
    if not paths:
        raise InputError("no log to check was named", mend="Name one or more log files.")
    if len({path.resolve() for path in paths}) < len(paths):
        raise InputError("the same file is named twice", mend="Name each log once.")
    names = [path.name for path in paths]
    return [
        name if names.count(name) == 1 else str(path)
        for name, path in zip(names, paths, strict=True)
    ]


def _read_file(path: Path, name: str, table: ChannelTable, ambient: Ambient) -> ReadFile:
    if not path.is_file():
        raise InputError("there is no such file", where=str(path), mend="Check the path.")
    data = path.read_bytes()
    log = read_log(data, name=name, table=table, ambient=ambient)
    aligned = _align(log.samples, table)
    doubts = (one.message for one in log.findings if one.severity == "doubtful")
    remarks = tuple(text for text in doubts if any(name in text for name in _MATTER))
    return ReadFile(
        log=NewLog(name=name, samples=aligned.samples, remarks=(*remarks, *aligned.findings)),
        sha256=hashlib.sha256(data).hexdigest(),
    )


def _align(samples: pl.DataFrame, table: ChannelTable) -> Aligned:
    """Align late channels as the channel file says, as `ingest` does."""
    try:
        pulls = find_sweeps(samples).pulls
    except InputError:  # no full-load rise: a lag that is stated can be aligned all the same
        pulls = ()
    return align_channels(samples, table.lags, pulls)


def gather_reference(
    store: Store, setup: str, *, engine: str | None, besides: Sequence[str]
) -> tuple[Reference, tuple[str, ...]]:
    """Gather the reference pulls and the history around them.

    Args:
        store: The open warehouse.
        setup: The reference setup.
        engine: Its engine; None when only one has it.
        besides: SHA-256 of files whose pulls are left out: a log is not its own reference.

    Returns:
        The reference, and what its reader must know of the choice.

    Raises:
        WarehouseError: The setup or the engine is not stored.
        AnalysisError: Several engines have the setup, or fewer than two pulls of it are accepted.
    """
    every = store.pulls().with_columns(pl.col("dyno").fill_null(""))
    require_name(setup, every["setup"].unique().to_list(), kind="setup")
    engine = _choose_engine(every, setup, engine)
    accepted = every.filter(state="accepted")
    mine = accepted.filter(engine=engine, setup=setup)
    same = mine.filter(pl.col("sha256").is_in(list(besides)))
    mine = mine.filter(~pl.col("pull").is_in(same["pull"].to_list()))
    dyno = _usual_dyno(mine)
    pulls = _history(
        accepted.filter(~pl.col("pull").is_in(same["pull"].to_list()), dyno=dyno), engine, setup
    )
    members = pulls.filter(engine=engine, setup=setup)["pull"].to_list()
    reference = Reference(
        engine=engine,
        setup=setup,
        dyno=dyno,
        pulls=pulls.select("pull", "engine", "session", "setup", "order"),
        curves=store.curves(pulls["pull"].to_list(), channels=(*LOAD_CHANNELS, *_others())),
        samples=[store.samples(name) for name in members[-MOST_SAMPLED:]],
    )
    remarks = _remarks(mine, same, dyno, len(members))
    own = mine.filter(pl.col("pull").is_in(members))
    return reference, (*remarks, *_warn_old(find_breaks(store, every, dyno), own))


def _others() -> tuple[str, ...]:
    return tuple(name for name in CHANNELS if name not in LOAD_CHANNELS)


def _choose_engine(every: pl.DataFrame, setup: str, engine: str | None) -> str:
    having = sorted(every.filter(setup=setup)["engine"].unique().to_list())
    if engine is not None:
        require_name(engine, every["engine"].unique().to_list(), kind="engine")
        if engine not in having:
            raise AnalysisError(
                f"setup '{setup}' was never pulled on engine '{engine}'",
                where="--engine",
                mend=f"Engines with that setup: {', '.join(having)}.",
            )
        return engine
    if len(having) > 1:
        raise AnalysisError(
            f"{len(having)} engines have setup '{setup}'",
            where="--engine",
            mend=f"Say which with --engine: {', '.join(having)}.",
        )
    return having[0]


def _usual_dyno(mine: pl.DataFrame) -> str:
    """Return the dyno with the most reference pulls; "" where there is no pull."""
    counts = mine.group_by("dyno").len().sort("len", "dyno", descending=[True, False])
    return "" if counts.is_empty() else str(counts["dyno"][0])


def _history(pulls: pl.DataFrame, engine: str, setup: str) -> pl.DataFrame:
    """Return the reference pulls, then the engine's others, then other engines', latest first."""
    rank = (
        pl.when((pl.col("engine") == engine) & (pl.col("setup") == setup))
        .then(0)
        .when(pl.col("engine") == engine)
        .then(1)
        .otherwise(2)
    )
    ranked = pulls.with_row_index("place").with_columns(rank=rank)
    kept = ranked.sort("rank", "place", descending=[False, True]).head(MOST_HISTORY)
    return kept.sort("place").drop("place", "rank")


def _remarks(mine: pl.DataFrame, same: pl.DataFrame, dyno: str, used: int) -> list[str]:
    found: list[str] = []
    if same.height:
        names = ", ".join(same["pull"].to_list())
        found.append(
            f"{names}: this very log is stored as a pull of the reference; it was left out of its "
            "own range."
        )
    if mine.height > used:
        found.append(
            f"Only the {used} pulls on dyno '{dyno}' are the reference; {mine.height - used} on "
            "other dynos or further back are left out."
        )
    return found


def _warn_old(breaks: Sequence[Break], own: pl.DataFrame) -> list[str]:
    """Say how many reference pulls are older than the last break of their cell."""
    older = [(one, one.split(own)[0].height) for one in breaks]
    if not older or not older[-1][1]:
        return []
    last, count = older[-1]
    text = (
        f"{count} of the {own.height} reference pulls are older than {last.words}: what was "
        "calibrated or moved then may read otherwise since."
    )
    return [text]


def with_remarks(found: Envelope, remarks: Sequence[str]) -> EnvelopeFinding:
    """Return an envelope check with what must be known of the choice of its pulls."""
    return EnvelopeFinding.of(replace(found, warnings=(*remarks, *found.warnings)))
