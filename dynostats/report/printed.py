"""The report as a PDF: the same view, set by Typst with its own fonts, nothing loaded."""

from __future__ import annotations

import json
from collections.abc import Mapping
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import typst
import vl_convert

from dynostats.charts.theme import PALETTE
from dynostats.report.pictures import Spec, still
from dynostats.report.shop import Image
from dynostats.report.view import View
from dynostats.report.view.plain import to_plain

FONT: Final = "Libertinus Serif"
# Drawn narrower than for a screen, so that letters are as large as the text around them.
_WIDTH: Final = 560


def render_pdf(view: View, specs: Mapping[str, Spec], attached: Mapping[str, object]) -> bytes:
    """Return the report as a tagged PDF (PDF/UA-1).

    Whatever a user wrote reaches the document as data, never as markup.

    Args:
        view: Everything the document prints.
        specs: Specification of each chart by its name.
        attached: Documents to attach as JSON files, by file name.
    """
    pictures = {f"{name}.svg": _svg(spec) for name, spec in specs.items()}
    data = {
        "view": to_plain(view),
        "palette": PALETTE,
        "pictures": list(pictures),
        "attached": list(attached),
        **_shop_pictures(view),
    }
    sources = {
        "main.typ": files("dynostats.report").joinpath("templates/report.typ").read_bytes(),
        "data.json": json.dumps(data, allow_nan=False).encode(),
        **pictures,
        **{name: json.dumps(one, allow_nan=False).encode() for name, one in attached.items()},
        **{name: image.data for name, image in _images(view).items()},
    }
    return _compile(sources)


def _compile(sources: Mapping[str, bytes]) -> bytes:
    """Return the PDF of a main.typ that finds its files beside it, in a folder of their own."""
    with TemporaryDirectory(prefix="dynostats-") as folder:
        for name, data in sources.items():
            (Path(folder) / name).write_bytes(data)
        return typst.compile(
            Path(folder) / "main.typ",
            root=Path(folder),
            ignore_system_fonts=True,
            pdf_standards="ua-1",
        )


def _svg(spec: Spec) -> bytes:
    return vl_convert.vegalite_to_svg(still(spec, font=FONT) | {"width": _WIDTH}).encode()


def _images(view: View) -> dict[str, Image]:
    """Return the shop's pictures by the name of their file in the document."""
    if view.shop is None:
        return {}
    logo = {} if view.shop.logo is None else {f"logo{view.shop.logo.suffix}": view.shop.logo}
    return logo | {
        f"photograph_{at}{image.suffix}": image
        for at, image in enumerate(view.shop.photographs, start=1)
    }


def _shop_pictures(view: View) -> dict[str, object]:
    names = list(_images(view))
    has_logo = view.shop is not None and view.shop.logo is not None
    return {"logo": names[0] if has_logo else None, "photographs": names[has_logo:]}
