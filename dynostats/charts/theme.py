"""The one look of every chart: colours, type, sizes, and how layers become a picture.

The colours are tokens. A report page replaces each hex value by a CSS variable of the same name,
so that dark mode and print change colours without drawing anything again; every hex value below
must therefore occur once only.
"""

from __future__ import annotations

from typing import Final

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
    "baseline": "#a8650f",
    "candidate": "#103a68",
    "band": "#7fa6d1",
    "gain": "#0b4a5a",
    "on-gain": "#fefefe",
    "loss": "#c2502e",
    "on-loss": "#fffffe",
    "same": "#cfd6dd",
    "on-same": "#1c2734",
    "unknown": "#f4ecd6",
    "on-unknown": "#4d3a05",
}

DARK_PALETTE: Final[dict[str, str]] = {
    "ink": "#e6eaee",
    "muted": "#a9b4bf",
    "axis": "#7b8793",
    "grid": "#2b353f",
    "paper": "#1a222a",
    "baseline": "#f5bd72",
    "candidate": "#72a9ea",
    "band": "#4f7fb5",
    "gain": "#7cc7d8",
    "on-gain": "#08222a",
    "loss": "#f0906c",
    "on-loss": "#2b0d04",
    "same": "#4a5662",
    "on-same": "#f2f4f6",
    "unknown": "#453a1e",
    "on-unknown": "#f7e9c4",
}
"""The same tokens on a dark ground; a page chooses, a chart file always has the light ones."""

MINUS: Final = "\N{MINUS SIGN}"

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


def layered(layers: list[alt.Chart], *, width: int = WIDTH, height: int = HEIGHT) -> alt.LayerChart:
    """Return one picture of several layers, the first undermost, in the common look.

    Args:
        layers: At least one chart without size or look of its own.
        width: Width of the plot in pixels; a page may fit it to the screen.
        height: Height of the plot in pixels.
    """
    chart = alt.LayerChart(layer=layers, width=width, height=height)
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
