"""A lake of many warehouses, reduced on this computer or on a Spark server."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

from dynostats.warehouse.lake import reduce_lake, reductions
from dynostats.warehouse.spark import reduce_on_spark, spark_session

if TYPE_CHECKING:
    import polars as pl

    from dynostats.api.noise import CellNoise


def open_lake(folder: str | os.PathLike[str], *, spark: str | None = None) -> Lake:
    """Return the lake that `export --layout lake` wrote.

    Args:
        folder: Its folder; with `spark`, as the server finds it (also "s3a://…").
        spark: Spark Connect server that reduces it, such as "sc://host:15002"; None for this
            computer. Needs the extra `lake`.

    Example:
        >>> import dynostats as ds
        >>> ds.open_lake("archive", spark="sc://cluster:15002").reductions
        ('channel_products', 'curve_products', 'setup_statistics')
    """
    return Lake(os.fspath(folder), spark=spark)


class Lake:
    """A lake. Made by `open_lake`."""

    def __init__(self, folder: str, *, spark: str | None) -> None:
        """Remember where the lake is, and what reduces it."""
        self.folder = folder
        self.spark = spark

    def __repr__(self) -> str:
        """Name the folder."""
        return f"Lake({self.folder!r})"

    @property
    def reductions(self) -> tuple[str, ...]:
        """The names of the reductions; queries/lake/ says what each gives."""
        return reductions()

    def reduce(self, name: str) -> pl.DataFrame:
        """Reduce the lake to statistics that can be merged with those of other lakes.

        Args:
            name: One of `reductions`.

        Raises:
            InputError: If there is no such reduction or no lake, or the extra is not installed.
            WarehouseError: If the files or the server cannot be read.
        """
        return self._reduced(name)[0]

    def repeatability(self, *, dyno: str | None = None, engine: str | None = None) -> CellNoise:
        """Measure the noise by engine speed, as `Warehouse.repeatability` does, from statistics.

        Copies, outlying pulls and pulls that ended early are not left out, since that needs single
        pulls: exclude such pulls before the export (`dynostats check` names them).

        Args:
            dyno: Only this dyno.
            engine: Only this engine.

        Raises:
            InputError: As in `reduce`.
            WarehouseError: As in `reduce`.
            AnalysisError: If nothing is in scope, or no setup was pulled twice in one session.
        """
        from dynostats.analysis.mergeable import repeatability_of_lake
        from dynostats.api.noise import CellNoise

        statistics, products = self._reduced("setup_statistics", "curve_products")
        found = repeatability_of_lake(statistics, products, dyno=dyno, engine=engine)
        return CellNoise.of(found)

    def _reduced(self, *names: str) -> list[pl.DataFrame]:
        if self.spark is None:
            return [reduce_lake(Path(self.folder), name) for name in names]
        with spark_session(self.spark) as session:
            return [reduce_on_spark(session, self.folder, name) for name in names]
