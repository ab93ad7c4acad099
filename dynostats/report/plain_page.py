"""Pages without charts: the run sheet for the cell, the page of a running watch."""

from __future__ import annotations

import jinja2

PAGES = jinja2.Environment(
    loader=jinja2.PackageLoader("dynostats.report"),
    autoescape=True,
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)
