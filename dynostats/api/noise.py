"""The noise of a cell as a result that can draw itself."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from dynostats.analysis.repeatability import Repeatability
from dynostats.api.results import as_html, fields_of

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CellNoise(Repeatability):
    """How far pulls repeat and how far days differ, with its chart."""

    @classmethod
    def of(cls, result: Repeatability) -> CellNoise:
        """Return a noise with its chart and notebook view."""
        return cls(**fields_of(result))

    def chart(self) -> alt.LayerChart:
        """Return SDs and limits over engine speed."""
        from dynostats.charts.repeatability import repeatability_chart

        return repeatability_chart(self)

    def _repr_html_(self) -> str:
        session = self.overall.session_sd_pct
        between = "unknown" if session is None else f"{session:.2f}%"
        return as_html(
            f"Noise from {self.pulls} accepted pulls: {self.overall.pull_sd_pct:.2f}% from pull to "
            f"pull, {between} from session to session (standard deviations).",
            self.chart(),
        )
