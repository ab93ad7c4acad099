"""The page of a monitoring: the answer, the charts, the log of the cell."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from markupsafe import Markup

from dynostats.analysis.monitor import Chart, Monitoring
from dynostats.charts.monitor import ewma_chart, individuals_chart, range_chart, within_chart
from dynostats.report.page import render_static, write_page
from dynostats.report.pictures import draw_static
from dynostats.report.view.method import Provenance, provenance_rows

_BADGES: Final = {
    "changed": ("▲", "Changed", "loss"),
    "signals": ("?", "Sessions stand out", "undecided"),
    "no_change_shown": ("=", "No change shown", "no_meaningful_change"),
    "too_few_sessions": ("?", "Too few sessions", "undecided"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Picture:
    """One chart with its heading and sentence."""

    svg: Markup
    text: str


def render_monitoring(result: Monitoring, *, provenance: Provenance | None = None) -> str:
    """Return the monitoring as one HTML page that loads nothing from anywhere."""
    symbol, badge, tone = _BADGES[result.verdict]
    return render_static(
        "monitor.html.j2",
        result=result,
        symbol=symbol,
        badge=badge,
        tone=tone,
        torque=result.charts[0],
        pictures=[picture for chart in result.charts for picture in _pictures(result, chart)],
        provenance=provenance_rows(provenance),
    )


def write_monitoring(
    result: Monitoring, path: Path, *, provenance: Provenance | None = None
) -> Path:
    """Write that page and return its path.

    Raises:
        InputError: When the file cannot be written.
    """
    return write_page(render_monitoring(result, provenance=provenance), path)


def _pictures(result: Monitoring, chart: Chart) -> list[_Picture]:
    """Return the individuals chart of a channel; of torque the others too."""
    name = chart.channel
    words = f"{chart.words[0].upper()}{chart.words[1:]}"
    drawn = [
        _Picture(
            svg=draw_static(individuals_chart(result, name), f"{name}-single"),
            text=f"{words}: session means with their centre (solid) and limits (dashed); diamonds "
            "lie beyond. Upright lines are changes, dotted ones what was logged.",
        )
    ]
    if name != "torque":
        return drawn
    drawn.append(
        _Picture(
            svg=draw_static(ewma_chart(result, name), f"{name}-ewma"),
            text=f"{words}: running mean of the sessions, which shows a creeping level.",
        )
    )
    if chart.points["moving_range"].count():
        drawn.append(
            _Picture(
                svg=draw_static(range_chart(result, name), f"{name}-range"),
                text=f"{words}: difference from the session before, with its upper limit.",
            )
        )
    if chart.points["within_sd"].count():
        drawn.append(
            _Picture(
                svg=draw_static(within_chart(result, name), f"{name}-within"),
                text=f"{words}: scatter between the pulls of a session, with its upper limit.",
            )
        )
    return drawn
