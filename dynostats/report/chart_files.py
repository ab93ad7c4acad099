"""Every chart of a report as files: SVG and PNG, each carrying its finding in words."""

from __future__ import annotations

import io
from collections.abc import Mapping
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

import vl_convert
from PIL import Image, PngImagePlugin

from dynostats.charts.theme import PALETTE
from dynostats.errors import InputError
from dynostats.report.pictures import Spec, still
from dynostats.report.view.captions import Captions

# What a chart is called outside the page, where its neighbours do not explain it.
_FILE_NAMES: Final = {
    "effect": "difference",
    "pulls": "every_pull",
    "regions": "rev_range",
    "power": "power",
    "torque": "torque",
    "order": "run_order",
    "noise": "noise",
    "influence": "without_each_pull",
    "split": "parts",
    "split_speed": "parts_by_speed",
    "partial_boost": "torque_and_boost",
    "partial_charge_temperature": "torque_and_charge_temperature",
    "partial_mixture": "torque_and_mixture",
    "loss": "pressure_loss",
}
_SVG: Final = "http://www.w3.org/2000/svg"
_PNG_SCALE: Final = 2.0


def file_name(chart: str, suffix: str) -> str:
    """Return the name of a chart's file.

    Args:
        chart: Name of the chart on the page.
        suffix: ".svg" or ".png".
    """
    return _FILE_NAMES[chart] + suffix


def write_charts(
    specs: Mapping[str, Spec],
    captions: Mapping[str, Captions],
    folder: Path,
    *,
    suffixes: tuple[str, ...] = (".svg", ".png"),
) -> list[Path]:
    """Write every chart into a folder, which is made if missing, and return the files.

    Args:
        specs: Specification of each chart by its name.
        captions: The finding that each shows, in words; it goes into the file.
        folder: Where they go; files of the same name are replaced.
        suffixes: Of ".svg" and ".png", what is written.

    Raises:
        InputError: When a file cannot be written.
    """
    written: list[Path] = []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, spec in specs.items():
            for suffix in suffixes:
                path = folder / file_name(name, suffix)
                path.write_bytes(_WRITERS[suffix](spec, captions[name].finding))
                written.append(path)
    except OSError as error:
        msg = f"the charts cannot be written ({error.strerror})"
        raise InputError(
            msg, where=str(folder), mend="Choose a folder you may write to, with --charts."
        ) from error
    return written


def chart_svg(spec: Spec, finding: str) -> bytes:
    """Return a chart as an SVG file that says what it shows."""
    svg = vl_convert.vegalite_to_svg(still(spec, background=PALETTE["paper"]))
    ET.register_namespace("", _SVG)
    # The text comes from the renderer on this machine, not from a stranger.
    root = ET.fromstring(svg)  # noqa: S314
    root.set("role", "img")
    title = ET.Element(f"{{{_SVG}}}title")
    title.text = finding
    root.insert(0, title)
    return ET.tostring(root, encoding="utf-8", xml_declaration=True)


def chart_png(spec: Spec, finding: str) -> bytes:
    """Return a chart as a PNG file whose description says what it shows."""
    drawn = vl_convert.vegalite_to_png(still(spec, background=PALETTE["paper"]), scale=_PNG_SCALE)
    said = PngImagePlugin.PngInfo()
    said.add_itxt("Description", finding)
    file = io.BytesIO()
    with Image.open(io.BytesIO(drawn)) as picture:
        picture.convert("RGB").quantize(256, dither=Image.Dither.NONE).save(
            file, "PNG", pnginfo=said, optimize=True
        )
    return file.getvalue()


_WRITERS: Final = {".svg": chart_svg, ".png": chart_png}
