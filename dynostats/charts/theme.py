"""The one look of every chart: colours, type, sizes, and how a finished chart is dressed.

The colours are tokens. A report page replaces each hex value by a CSS variable of the same name,
so that dark mode and print change colours without drawing anything again; every hex value below
must therefore occur once only.
"""

from __future__ import annotations

from typing import Final, TypeVar

import altair as alt

from dynostats.analysis.comparison import Comparison

WIDTH: Final = 720
HEIGHT: Final = 330

# Baseline and candidate differ in hue (ochre, blue), in lightness (so that grey print keeps them
# apart) and in dash; gain and loss differ in hue, in lightness and in symbol.
PALETTE: Final[dict[str, str]] = {
    "ink": "#1c2733",
    "muted": "#566270",
    "axis": "#8b95a1",
    "grid": "#e4e8ec",
    "paper": "#ffffff",
    "baseline": "#b8721a",
    "candidate": "#14467c",
    "band": "#7fa6d1",
    "gain": "#0e5a6d",
    "on-gain": "#fefefe",
    "loss": "#c2502e",
    "on-loss": "#fffffe",
    "same": "#cfd6dd",
    "on-same": "#1c2734",
    "unknown": "#f4ecd6",
    "on-unknown": "#4d3a05",
}

FONT: Final = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Liberation Sans', sans-serif"

# A baseline pull is dashed and a candidate pull solid wherever both are drawn.
DASH: Final = {"baseline": [5, 3], "candidate": [1, 0]}

VERDICT_WORDS: Final = {
    "gain": "gain",
    "loss": "loss",
    "no_meaningful_change": "no change that matters",
    "mixed": "mixed",
    "undecided": "undecided",
}
VERDICT_SYMBOLS: Final = {
    "gain": "▲",
    "loss": "▼",
    "no_meaningful_change": "=",
    "mixed": "±",
    "undecided": "?",
}


def level_text(result: Comparison) -> str:
    """Return the level of the intervals as text, e.g. "95%"."""
    return f"{100 * (1 - result.alpha):.3g}%"


_AnyChart = TypeVar("_AnyChart", alt.Chart, alt.LayerChart)


def dress(chart: _AnyChart) -> _AnyChart:
    """Return the chart with the common look; the last step of every chart function."""
    return chart.configure(
        background="transparent",
        font=FONT,
        padding={"left": 4, "right": 8, "top": 4, "bottom": 4},
        # The page labels each picture as a whole, with the finding; a screen reader should not
        # have to step through ninety points.
        aria=False,
        view={"stroke": None},
        text={"color": PALETTE["ink"], "fontSize": 12},
        axis={
            "labelColor": PALETTE["muted"],
            "titleColor": PALETTE["muted"],
            "labelFontSize": 12,
            "titleFontSize": 12,
            "titleFontWeight": "normal",
            "titlePadding": 10,
            "gridColor": PALETTE["grid"],
            "domainColor": PALETTE["axis"],
            "tickColor": PALETTE["axis"],
            "tickSize": 4,
            "labelPadding": 5,
        },
        axisX={"grid": False},
        # The title lies above the axis, where it is read without turning the head.
        axisY={
            "titleAngle": 0,
            "titleAlign": "left",
            "titleAnchor": "end",
            "titleBaseline": "bottom",
            "titleX": -38,
            "titleY": -12,
            "domain": False,
            "ticks": False,
        },
    )
