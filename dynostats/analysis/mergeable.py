"""Statistics of partitions, merged to those of the whole; and the noise of the cell from them.

A reduction of queries/lake/ gives, a row a group, `n`, `mean_x` of each variable x, `m2_x`, the sum
of squared deviations from it, and `cross_x_y`, the sum of products of deviations. Groups of several
partitions merge exactly.

Source: Chan, Golub & LeVeque (1983), The American Statistician 37:242, equations 2.1: of two parts
M2 = M2_1 + M2_2 + (mean_2 - mean_1)^2 n_1 n_2 / n; of many parts, as here, the last term is the sum
of n_i (mean_i - mean)^2.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import polars as pl

from dynostats.analysis.cell_sums import CellSums
from dynostats.analysis.groups import number
from dynostats.analysis.layers import NO_SPREAD
from dynostats.analysis.over_speed import SpeedSums, sum_contrasts
from dynostats.analysis.repeatability import Repeatability, conclude_repeatability
from dynostats.arrays import Floats, Ints
from dynostats.errors import AnalysisError

SESSION = ("shop", "dyno", "engine", "session")
CELL = (*SESSION, "setup")
# Columns of a reduction that are counted; they add up.
_COUNTS = ("n", "n_placed", "pulls", "df", "cross_product")


def merge_statistics(parts: Sequence[pl.DataFrame], by: Sequence[str]) -> pl.DataFrame:
    """Merge the statistics of partitions.

    Args:
        parts: Results of one reduction over partitions that share no pull: the columns of `by`,
            and `n` with `mean_…`, `m2_…` and `cross_…`, or sums alone.
        by: The columns that name a group; null is a name like others.

    Returns:
        The statistics of the whole, a row a group, in the order of first appearance.
    """
    rows = pl.concat(parts)
    variables = [c.removeprefix("mean_") for c in rows.columns if c.startswith("mean_")]
    means = [
        (pl.col(f"mean_{x}") * pl.col("n")).sum().over(by) / pl.col("n").sum().over(by)
        for x in variables
    ]
    away = rows.with_columns(
        whole.alias(f"whole_{x}") for x, whole in zip(variables, means, strict=True)
    ).with_columns(
        (pl.col(f"mean_{x}") - pl.col(f"whole_{x}")).alias(f"away_{x}") for x in variables
    )
    merged = away.group_by(by, maintain_order=True).agg(
        *(pl.col(c).sum() for c in _COUNTS if c in rows.columns),
        *(pl.col(f"whole_{x}").first().alias(f"mean_{x}") for x in variables),
        *(
            (pl.col(name) + pl.col("n") * pl.col(f"away_{x}") * pl.col(f"away_{y}")).sum()
            for name, x, y in _moments(rows.columns, variables)
        ),
    )
    return merged.select(rows.columns)


def repeatability_of_lake(
    statistics: pl.DataFrame,
    products: pl.DataFrame,
    *,
    dyno: str | None = None,
    engine: str | None = None,
) -> Repeatability:
    """Conclude repeatability and reproducibility from merged statistics.

    The conclusion is that of `dynostats.analysis.repeatability` for pulls on one computer. What
    needs single pulls cannot be done here: copies, outlying pulls and pulls that ended early are
    not left out, and changes of the cell are not looked for.

    Args:
        statistics: Merged result of the reduction setup_statistics, one row a cell and speed.
        products: Likewise of curve_products, one row an engine and pair of speeds.
        dyno: Only this dyno; None for all.
        engine: Only this engine.

    Returns:
        The noise. An engine on another dyno or of another shop counts as another engine.

    Raises:
        AnalysisError: Nothing is in scope, or no setup was pulled twice in one session.
    """
    wanted = {k: v for k, v in (("dyno", dyno), ("engine", engine)) if v is not None}
    statistics, products = statistics.filter(**wanted), products.filter(**wanted)
    if statistics.is_empty():
        raise AnalysisError(
            "no accepted pull with a torque curve is in scope",
            mend="Leave out or correct dyno and engine.",
        )
    cells = cells_of_statistics(statistics, products)
    return conclude_repeatability(
        cells,
        pulls=int(cells.pulls.sum()),
        sessions=len(np.unique(cells.session)),
        mend="Pull any setup at least twice in a session.",
    )


def cells_of_statistics(statistics: pl.DataFrame, products: pl.DataFrame) -> CellSums:
    """Lay merged statistics out as the sums that the noise rests on.

    Args:
        statistics: As in `repeatability_of_lake`.
        products: Likewise.
    """
    rows = statistics.with_columns(_mounted(statistics).alias("mounted")).sort(
        "mounted", "session", "setup", "rpm"
    )
    rpm = np.unique(rows["rpm"].to_numpy())
    engine = number(rows["mounted"].to_list())
    session = number(engine, rows["session"].to_list())
    cell = number(session, rows["setup"].to_list())
    first = np.unique(cell, return_index=True)[1]
    column = np.searchsorted(rpm, rows["rpm"].to_numpy())
    n = _laid_out(rows["n"], cell, column)
    most = np.nanmax(n, axis=1)
    # As with single pulls, a speed that a pull of the cell does not reach is not covered.
    reached = n == most[:, None]
    mean = np.where(reached, _laid_out(rows["mean_log_torque"], cell, column), np.nan)
    engines = list(dict.fromkeys(rows["mounted"].to_list()))
    setup = number(engine, rows["setup"].to_list())[first]
    return CellSums(
        rpm=rpm,
        engines=engines,
        pulls=np.bincount(engine[first], most).astype(np.intp),
        engine=engine[first],
        session=session[first],
        setup=setup,
        setup_in_era=setup,
        n=most.astype(np.intp),
        mean=mean,
        within=_within(products, engines, rpm),
        slope=_slopes(rows, session, column, len(rpm)),
    )


def _moments(columns: Sequence[str], variables: Sequence[str]) -> list[tuple[str, str, str]]:
    """Return the columns of second moments with their two variables."""
    pairs = [(f"m2_{x}", x, x) for x in variables]
    pairs += [(f"cross_{x}_{y}", x, y) for x in variables for y in variables]
    return [pair for pair in pairs if pair[0] in columns]


def _mounted(rows: pl.DataFrame) -> pl.Series:
    """Name each engine, with what tells it from others of its name."""
    dyno = pl.col("dyno").fill_null("unnamed dyno")
    parts = [pl.col("engine")]
    if rows["dyno"].n_unique() > 1:
        parts = [pl.format("{} on {}", "engine", dyno)]
    if rows["shop"].n_unique() > 1:
        parts = [pl.format("{} of {}", parts[0], "shop")]
    return rows.select(parts[0]).to_series()


def _laid_out(values: pl.Series, row: Ints, column: Ints) -> Floats:
    table = np.full((int(row.max()) + 1, int(column.max()) + 1), np.nan)
    table[row, column] = values.to_numpy()
    return table


def _within(products: pl.DataFrame, engines: list[str], rpm: Floats) -> list[SpeedSums]:
    rows = products.with_columns(_mounted(products).alias("mounted"))
    code = pl.DataFrame({"mounted": engines, "code": np.arange(len(engines))})
    rows = rows.join(code, on="mounted", how="left")
    speeds = len(rpm)
    at = rows["code"].to_numpy().astype(np.intp)
    one = np.searchsorted(rpm, rows["rpm"].to_numpy())
    other = np.searchsorted(rpm, rows["other_rpm"].to_numpy())
    sums = np.zeros((len(engines), speeds, speeds))
    counts = np.zeros_like(sums)
    for table, name in ((sums, "cross_product"), (counts, "df")):
        table[at, one, other] = rows[name].to_numpy()
        table[at, other, one] = rows[name].to_numpy()
    return [
        SpeedSums(products=own, counts=counted, contrasts=int(counted.max()))
        for own, counted in zip(sums, counts, strict=True)
    ]


def _slopes(rows: pl.DataFrame, session: Ints, column: Ints, speeds: int) -> SpeedSums:
    """Sum what lies along the run order, a contrast a session; none where a place is unknown."""
    shape = (int(session.max()) + 1, speeds)
    tables = [np.zeros(shape) for _ in range(3)]
    missing = (rows["n"] - rows["n_placed"]).to_numpy()
    for table, values in zip(
        tables,
        (rows["m2_order"].to_numpy(), rows["cross_order_log_torque"].to_numpy(), missing),
        strict=True,
    ):
        np.add.at(table, (session, column), values)
    spread, along, unplaced = tables
    told = (unplaced == 0) & (spread > NO_SPREAD)
    curves = np.where(told, along / np.sqrt(np.where(told, spread, 1.0)), np.nan)
    return sum_contrasts(curves[told.any(axis=1)])
