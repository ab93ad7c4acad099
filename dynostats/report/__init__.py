"""A comparison as a page that a shop can sign and a customer can read."""

from __future__ import annotations

from dynostats.report.page import (
    form_of,
    render_markdown,
    render_report,
    write_chart_files,
    write_report,
)
from dynostats.report.photographs import Image
from dynostats.report.shop import Shop, load_shop
from dynostats.report.view import Provenance
from dynostats.report.window import WindowEffect, window_effect

__all__ = [
    "Image",
    "Provenance",
    "Shop",
    "WindowEffect",
    "form_of",
    "load_shop",
    "render_markdown",
    "render_report",
    "window_effect",
    "write_chart_files",
    "write_report",
]
