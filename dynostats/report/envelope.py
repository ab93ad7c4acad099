"""The page of an envelope check: dangers first, then the answer, the channels, the way up."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

from markupsafe import Markup

from dynostats.analysis.envelope import ChannelRange, Envelope, format_value
from dynostats.charts.envelope import envelope_chart
from dynostats.report.numbers import speeds
from dynostats.report.page import render_static, write_page
from dynostats.report.pictures import draw_static
from dynostats.report.view.method import Provenance, provenance_rows

_BADGES: Final = {
    "inside": ("=", "Inside the range of the pulls", "no_meaningful_change"),
    "outside": ("▲", "Outside the range of the pulls", "loss"),
    "not_enough_covered": ("?", "Not enough covered", "undecided"),
}
_STATUS: Final = {
    "inside": ("=", "inside", "no_meaningful_change"),
    "outside": ("▲", "outside", "loss"),
    "not_covered": ("?", "not covered", "undecided"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """One channel as the table prints it."""

    words: str
    status: str
    symbol: str
    tone: str
    compared: str
    outside: str
    worst: str
    pulls: int


@dataclass(frozen=True, slots=True, kw_only=True)
class _Picture:
    """One channel as a picture with its sentence."""

    svg: Markup
    text: str


def render_envelope(result: Envelope, *, provenance: Provenance | None = None) -> str:
    """Return the check as one HTML page that loads nothing from anywhere."""
    symbol, badge, tone = _BADGES[result.verdict]
    drawn = [one for one in result.channels if one.factor is not None]
    return render_static(
        "envelope.html.j2",
        result=result,
        symbol=symbol,
        badge=badge,
        tone=tone,
        rows=[_row(one) for one in result.channels],
        pictures=[
            _Picture(
                svg=draw_static(envelope_chart(result, one.channel), one.channel), text=one.text
            )
            for one in drawn
        ],
        provenance=provenance_rows(provenance),
    )


def write_envelope(result: Envelope, path: Path, *, provenance: Provenance | None = None) -> Path:
    """Write that page and return its path.

    Raises:
        InputError: When the file cannot be written.
    """
    return write_page(render_envelope(result, provenance=provenance), path)


def _row(one: ChannelRange) -> _Row:
    symbol, status, tone = _STATUS[one.status]
    worst = ""
    if one.status == "outside" and one.worst_rpm is not None:
        excess = format_value(one.worst_excess or 0.0, one.unit)
        worst = f"{excess} {one.side} at {one.worst_rpm:,.0f} rpm"
    return _Row(
        words=one.words,
        status=status,
        symbol="▼" if one.side == "below" and one.status == "outside" else symbol,
        tone=tone,
        compared="" if one.covered_rpm is None else speeds(*one.covered_rpm),
        outside="" if one.share_outside is None else f"{one.share_outside:.0%}",
        worst=worst,
        pulls=one.pulls,
    )
