"""Charts for the page: one static picture each, and one compact payload for the live charts.

The charts' rows are stored once, by column; several charts that show the same frame share it.
Colours become CSS variables, so that dark mode and print need no second drawing.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any, Final
from xml.etree import ElementTree as ET

import altair as alt
import vl_convert
from markupsafe import Markup

from dynostats.analysis.attribution import Attribution
from dynostats.analysis.comparison import Comparison
from dynostats.charts import (
    effect_chart,
    influence_chart,
    noise_chart,
    power_chart,
    pull_difference_chart,
    region_chart,
    run_order_chart,
    torque_chart,
)
from dynostats.charts.attribution import split_charts
from dynostats.charts.axis import HOVER
from dynostats.charts.theme import PALETTE

_CHARTS: Final = {
    "effect": effect_chart,
    "pulls": pull_difference_chart,
    "regions": region_chart,
    "power": power_chart,
    "torque": torque_chart,
    "order": run_order_chart,
    "noise": noise_chart,
    "influence": influence_chart,
}

_STATIC_POINTS: Final = 120
_SVG: Final = "{http://www.w3.org/2000/svg}"
_VARIABLES: Final = {color: f"var(--c-{name})" for name, color in PALETTE.items()}
_LONG_NUMBER: Final = re.compile(r"-?\d+\.\d{2,}")
_DROPPED_ATTRIBUTES: Final = ("class", "pointer-events", "width", "height", "font-family")

Spec = dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class Pictures:
    """The pictures of a page.

    Args:
        svg: Static picture of each chart, by name, as markup that is safe in HTML.
        payload: Specifications and columnar data of the live charts, JSON.
    """

    svg: Mapping[str, str]
    payload: str


def draw(result: Comparison, split: Attribution | None = None) -> Pictures:
    """Draw every chart of a comparison, and of why it came out so."""
    specs = chart_specs(result, split)
    return Pictures(
        svg={name: _static(spec, name) for name, spec in specs.items()},
        payload=json_for_html(_payload(specs, result.curve.to_dicts())),
    )


def chart_specs(result: Comparison, split: Attribution | None = None) -> dict[str, Spec]:
    """Return the specification of every chart of the report by its name, in order of the page."""
    charts = {name: chart(result) for name, chart in _CHARTS.items()}
    if split is not None:
        charts |= split_charts(split)
    # Holding a chart against Vega-Lite's schema takes as long as making it; the tests do that.
    return {name: chart.to_dict(validate=False) for name, chart in charts.items()}


def still(spec: Spec, *, font: str | None = None, background: str | None = None) -> Spec:
    """Return a chart's specification without what only a pointer would reach.

    Args:
        spec: A layered chart.
        font: Font of all text; None for the theme's.
        background: A colour behind it; None for the theme's, which is transparent.
    """
    layers = [layer for layer in spec["layer"] if not _is_hover(layer)]
    thinned = {key: _thin(rows) for key, rows in spec["datasets"].items()}
    look = {key: value for key, value in (("font", font), ("background", background)) if value}
    return spec | {"layer": layers, "datasets": thinned, "config": spec["config"] | look}


def draw_static(chart: alt.LayerChart, name: str) -> Markup:
    """Return one chart as a static picture, safe in HTML; what stands around it says what it shows.

    Args:
        chart: The chart.
        name: A word that keeps its ids apart from those of other pictures on the page.
    """
    svg = _static(chart.to_dict(), name).replace("<svg ", '<svg aria-hidden="true" ', 1)
    return Markup(svg)  # noqa: S704 - user text in it is escaped by the renderer


@cache
def runtime() -> str:
    """Return the one script that draws the live charts, wrapped so that it leaks no names."""
    bundle = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;")
    return "(function () {" + bundle + "})();"


def json_for_html(document: object) -> str:
    """Return JSON that cannot end the script element it stands in."""
    text = json.dumps(document, allow_nan=False, ensure_ascii=True, separators=(",", ":"))
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def _static(spec: Spec, name: str) -> str:
    """Return a chart as SVG markup: short numbers, colours as variables, ids of its own."""
    svg = vl_convert.vegalite_to_svg(still(spec))
    # The text comes from the renderer on this machine, not from a stranger.
    root = ET.fromstring(svg)  # noqa: S314
    for element in root.iter():
        element.tag = element.tag.removeprefix(_SVG)
        _shorten(element, name)
    root.set("focusable", "false")
    return ET.tostring(root, encoding="unicode")


def _thin(rows: list[Spec]) -> list[Spec]:
    """Return a curve's rows no denser than a printed picture can show, first and last kept."""
    step = len(rows) // _STATIC_POINTS
    if step < 2 or "rpm" not in rows[0]:
        return rows
    return [*rows[:-1:step], rows[-1]]


def _is_hover(layer: Spec) -> bool:
    mark = layer["mark"]
    return isinstance(mark, dict) and mark.get("style") == HOVER


def _shorten(element: ET.Element, name: str) -> None:
    for key in _DROPPED_ATTRIBUTES:
        element.attrib.pop(key, None)
    for key, value in element.attrib.items():
        if key in ("d", "transform"):
            element.set(key, _LONG_NUMBER.sub(_rounded, value))
        elif key == "id":
            element.set(key, f"{name}-{value}")
        else:
            element.set(key, _VARIABLES.get(value, value).replace("url(#", f"url(#{name}-"))


def _rounded(match: re.Match[str]) -> str:
    return f"{float(match.group()):.1f}".removesuffix(".0")


def _payload(specs: Mapping[str, Spec], curve: list[Spec]) -> Spec:
    """Return specifications and data; the curve is only named, the result on the page holds it."""
    datasets = {
        key: "curve" if rows == curve else _columns(rows)
        for spec in specs.values()
        for key, rows in spec["datasets"].items()
    }
    charts = {
        name: _with_variables({key: part for key, part in spec.items() if key != "datasets"})
        for name, spec in specs.items()
    }
    return {"datasets": datasets, "charts": charts}


def _columns(rows: list[Spec]) -> dict[str, list[object]]:
    return {key: [_short(row[key]) for row in rows] for key in rows[0]}


def _short(value: object) -> object:
    """Return a number as precise as a screen can show: five digits."""
    return float(f"{value:.5g}") if isinstance(value, float) else value


def _with_variables(part: Any) -> Any:  # noqa: ANN401 - a piece of JSON
    """Return a specification with the theme's colours as CSS variables."""
    match part:
        case dict():
            return {key: _with_variables(item) for key, item in part.items()}
        case list():
            return [_with_variables(item) for item in part]
        case str():
            return _VARIABLES.get(part, part)
        case _:
            return part
