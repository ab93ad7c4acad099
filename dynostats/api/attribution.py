"""Why it changed, as a result that can draw itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import polars as pl

from dynostats.analysis.attribution import CHANNELS, MIXTURES, UNSETTLED, Attribution
from dynostats.analysis.cooler import COOLER_CHANNELS
from dynostats.analysis.fuel import FUEL_CHANNELS
from dynostats.api.results import as_html, fields_of
from dynostats.warehouse import Store

if TYPE_CHECKING:
    import altair as alt


_BESIDE = tuple(
    name
    for name in dict.fromkeys((*COOLER_CHANNELS, *FUEL_CHANNELS, *MIXTURES))
    if name not in CHANNELS
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explanation(Attribution):
    """An attribution that can draw itself."""

    @classmethod
    def of(cls, result: Attribution) -> Explanation:
        """Return an attribution with its charts and notebook view."""
        return cls(**fields_of(result))

    def chart(self) -> alt.LayerChart:
        """Return the split as a bar from the baseline to the candidate."""
        from dynostats.charts.attribution import split_chart

        return split_chart(self)

    def _repr_html_(self) -> str:
        from dynostats.report.reasons import explain

        return as_html(explain(self), self.chart())


def channel_curves(store: Store, pulls: pl.DataFrame, *, engine: str) -> pl.DataFrame:
    """Return torque and the channels behind the causes, one row a pull and grid speed.

    Args:
        store: The open warehouse.
        pulls: The pulls wanted.
        engine: The engine asked about: of its pulls come all channels beside torque.
    """
    names = pulls.filter(state="accepted")["pull"].to_list()
    curves = store.curves(names, channels=("torque", *CHANNELS))
    curves = _mark_unsettled(curves, store.findings(names))
    mine = pulls.filter(engine=engine, state="accepted")["pull"].to_list()
    beside = store.curves(mine, channels=_BESIDE)
    logged = [one.name for one in beside if one.null_count() < beside.height]
    return curves.join(beside.select(logged), on=["pull", "rpm"], how="left", maintain_order="left")


def _mark_unsettled(curves: pl.DataFrame, found: pl.DataFrame) -> pl.DataFrame:
    """Mark the pulls whose manifold pressure was kept under another name, a column a name."""
    told = found.filter(check="pressure_reference")
    for name in UNSETTLED:
        kept = told.filter(pl.col("message").str.contains(f"kept as {name}", literal=True))["pull"]
        if len(kept):
            marked = pl.when(pl.col("pull").is_in(kept.implode())).then(1.0)
            curves = curves.with_columns(marked.alias(name))
    return curves
