"""Which stored pulls a comparison rests on, and which ones it learns its noise from."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import polars as pl

from dynostats.analysis.question import Question
from dynostats.errors import AnalysisError
from dynostats.words import did_you_mean

# The noise of a comparison is learned from about so many pulls, those of the engine first, then the
# nearest in time: hundreds of repeats know the cell's noise, and years away it was another cell.
MOST_SCOPE = 600


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Study:
    """The pulls of a comparison.

    Args:
        pulls: Accepted pulls of the engine in the study's sessions, third setups included.
        excluded: Excluded pulls of the two setups in those sessions.
        scope: Accepted pulls on the same dyno, at most about `MOST_SCOPE`: the noise is learned
            from them.
        further: How many more accepted pulls on that dyno were left out as further away.
        members: Names of `pulls`.
        dyno: The dyno; "" when none is named.
        sessions: Sessions of the study.
        unused: Accepted pulls of the two setups outside those sessions.
        parted: Whether changes of the cell lie between all pulls of one setup and all of the other.
    """

    pulls: pl.DataFrame
    excluded: pl.DataFrame
    scope: pl.DataFrame
    further: int
    members: list[str]
    dyno: str
    sessions: list[str]
    unused: pl.DataFrame
    parted: bool


def find_study(pulls: pl.DataFrame, engine: str, baseline: str, candidate: str) -> Study:
    """Pick the pulls of a comparison.

    Sessions in which both setups were pulled carry it alone where there are any: inside them the
    differences between days cancel. Else all sessions with either setup; where the cell changed
    between them, those of one era.

    Args:
        pulls: One row a pull, excluded ones too, with its era where changes of the cell are known
            (`dynostats.analysis.monitor.mark_eras`).
        engine: The engine.
        baseline: Baseline setup.
        candidate: Candidate setup.

    Raises:
        AnalysisError: The engine or a setup is unknown, a setup has no accepted pull, or the two
            were pulled on different dynos.
    """
    pulls = _number_order(pulls.with_columns(pl.col("dyno").fill_null("")))
    mine = pulls.filter(engine=engine)
    if mine.is_empty():
        raise AnalysisError(
            f"no pull of engine '{engine}' is stored",
            where="--engine",
            mend=f"{did_you_mean(engine, pulls['engine'])}Stored engines: "
            f"{', '.join(sorted(set(pulls['engine'])))}.",
        )
    for name in (baseline, candidate):
        _require(mine, engine, name)
    accepted = mine.filter(state="accepted")
    compared = accepted.filter(pl.col("setup").is_in([baseline, candidate]))
    dyno = _common_dyno(compared, baseline, candidate)
    compared = compared.filter(dyno=dyno)
    met = (
        compared.group_by("session")
        .agg(pl.col("setup").n_unique())
        .filter(pl.col("setup") == 2)["session"]
        .to_list()
    )
    apart = compared if met else _in_one_era(compared)
    sessions = sorted(met or apart["session"].unique().to_list())
    inside = (pl.col("dyno") == dyno) & pl.col("session").is_in(sessions)
    own = accepted.filter(inside)
    on_dyno = pulls.filter(state="accepted", dyno=dyno)
    scope = _nearby(on_dyno, own, engine)
    return Study(
        pulls=own,
        excluded=mine.filter(
            inside & (pl.col("state") != "accepted") & pl.col("setup").is_in([baseline, candidate])
        ),
        scope=scope,
        further=on_dyno.height - scope.height,
        members=own["pull"].to_list(),
        dyno=dyno,
        sessions=sessions,
        unused=accepted.filter(pl.col("setup").is_in([baseline, candidate]) & ~inside),
        parted=not met and _parted(apart),
    )


def _in_one_era(compared: pl.DataFrame) -> pl.DataFrame:
    """Return the pulls of the era with most of them that has both setups; all where none has."""
    if "era" not in compared.columns:
        return compared
    shared = (
        compared.group_by("era")
        .agg(pl.col("setup").n_unique(), pl.len(), pl.col("started").max())
        .filter(pl.col("setup") == 2)
        .sort("len", "started", descending=True)
    )
    return compared if shared.is_empty() else compared.filter(era=shared["era"][0])


def _parted(compared: pl.DataFrame) -> bool:
    """Tell whether no era has both setups. A pull without a date may be of any era."""
    if "era" not in compared.columns or compared["started"].null_count():
        return False
    return compared.group_by("era").agg(pl.col("setup").n_unique())["setup"].max() == 1


def dyno_of(pulls: pl.DataFrame, question: Question) -> str:
    """Return the dyno a question is about; "" when none is named.

    Raises:
        AnalysisError: As in `find_study`.
    """
    return find_study(pulls, question.engine, question.baseline, question.candidate).dyno


def pulls_near(pulls: pl.DataFrame, questions: Sequence[Question]) -> pl.DataFrame:
    """Return the pulls that the answers to some questions may look at, excluded ones too.

    Args:
        pulls: One row a pull of everything in the warehouse.
        questions: The questions.

    Raises:
        AnalysisError: As in `find_study`.
    """
    scopes = [
        find_study(pulls, one.engine, one.baseline, one.candidate).scope.select("engine", "session")
        for one in questions
    ]
    return pulls.join(
        pl.concat(scopes), on=["engine", "session"], how="semi", maintain_order="left"
    )


def _nearby(on_dyno: pl.DataFrame, own: pl.DataFrame, engine: str) -> pl.DataFrame:
    """Return whole sessions: the study's, the engine's others, then others', the nearest first.

    Near is near in time where every pull's start is known, else in the order of storing.
    """
    if on_dyno.height <= MOST_SCOPE:
        return on_dyno
    dated = on_dyno["started"].null_count() == 0
    when = pl.col("started").dt.epoch("s") if dated else pl.int_range(pl.len())
    placed = on_dyno.with_columns(when=when.cast(pl.Float64))
    here = pl.col("pull").is_in(own["pull"].to_list())
    middle = placed.filter(here)["when"].mean()
    key = ["engine", "session"]
    chosen = (
        placed.group_by(key, maintain_order=True)
        .agg(
            rank=pl.when(here.any())
            .then(0)
            .when(pl.col("engine").first() == engine)
            .then(1)
            .otherwise(2),
            away=(pl.col("when").mean() - pl.lit(middle)).abs(),
            pulls=pl.len(),
        )
        .sort("rank", "away", maintain_order=True)
        .filter((pl.col("pulls").cum_sum() <= MOST_SCOPE) | (pl.col("rank") == 0))
    )
    return on_dyno.join(chosen.select(key), on=key, how="semi", maintain_order="left")


def _require(mine: pl.DataFrame, engine: str, setup: str) -> None:
    of_setup = mine.filter(setup=setup)
    if of_setup.is_empty():
        known = ", ".join(f"'{name}'" for name in sorted(mine["setup"].unique().to_list()))
        raise AnalysisError(
            f"setup '{setup}' was never pulled on engine '{engine}'",
            mend=f"{did_you_mean(setup, mine['setup'])}Setups of this engine: {known}.",
        )
    if of_setup.filter(state="accepted").is_empty():
        first = of_setup.row(0, named=True)
        why = first.get("why") or "no reason was given"
        raise AnalysisError(
            f"every pull of setup '{setup}' on engine '{engine}' is excluded",
            where=", ".join(of_setup["pull"]),
            mend=f"{first['pull']} is excluded because: {why}. "
            "`pulls` lists the reasons; `include` one if it was excluded by mistake, or pull "
            "the setup again.",
        )


def _common_dyno(compared: pl.DataFrame, baseline: str, candidate: str) -> str:
    """Return the dyno that both setups were pulled on; if several, where they met most often."""
    by_setup = {
        name: compared.filter(setup=name)["dyno"].unique().to_list()
        for name in (baseline, candidate)
    }
    common = sorted(set(by_setup[baseline]) & set(by_setup[candidate]))
    if not common:
        raise AnalysisError(
            f"'{baseline}' was pulled on dyno {_list(by_setup[baseline])} and '{candidate}' on "
            f"{_list(by_setup[candidate])}: dynos differ by more than most changes do",
            mend="Pull both setups on one dyno, or `amend` the dyno if the sheet is wrong.",
        )
    return max(common, key=lambda name: _meetings(compared.filter(dyno=name)))


def _meetings(compared: pl.DataFrame) -> tuple[int, int]:
    """Return how many pulls stand in sessions of both setups, and how many there are at all."""
    both = compared.filter(pl.col("setup").n_unique().over("session") == 2)
    return both.height, compared.height


def _list(names: list[str]) -> str:
    return ", ".join(f"'{name}'" for name in sorted(names))


def _number_order(pulls: pl.DataFrame) -> pl.DataFrame:
    """Fill the run order from the start times where the sheet gave none for a whole session."""
    key = ["engine", "dyno", "session"]
    by_time = (
        pl.when(pl.col("started").is_null().any().over(key))
        .then(None)
        .otherwise(pl.col("started").rank("ordinal").over(key))
    )
    filled = (
        pl.when(pl.col("order").is_null().all().over(key))
        .then(by_time)
        .otherwise(pl.col("order").cast(pl.Float64))
    )
    return pulls.with_columns(order=filled.cast(pl.Float64))
