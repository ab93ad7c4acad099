"""Pictures of the demo's report: first screen, telephone, dark, and the first page of the PDF.

Run, with demo.html and demo.pdf in the folder: .venv/bin/python tests/browser/pictures.py reports
"""

from __future__ import annotations

import io
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import typst
from conftest import CHROMIUM_FLAGS, find_chromium
from PIL import Image
from playwright.sync_api import sync_playwright

SCREENS = {
    "demo": {"viewport": {"width": 1100, "height": 780}},
    "demo-phone": {"viewport": {"width": 390, "height": 844}, "device_scale_factor": 1.5},
    "demo-dark": {"viewport": {"width": 1100, "height": 780}, "color_scheme": "dark"},
}


def draw_screens(folder: Path) -> None:
    """Write the first screen of demo.html as each reader sees it."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=find_chromium(), args=list(CHROMIUM_FLAGS)
        )
        for name, options in SCREENS.items():
            page = browser.new_context(**options).new_page()
            page.goto((folder / "demo.html").resolve().as_uri())
            page.wait_for_selector("html[data-ready=yes]", state="attached")
            write_small(page.screenshot(), folder / f"{name}.png")
        browser.close()


def draw_paper(folder: Path) -> None:
    """Write the first page of demo.pdf."""
    with TemporaryDirectory() as place:
        root = Path(place)
        (root / "demo.pdf").write_bytes((folder / "demo.pdf").read_bytes())
        source = '#set page(width: 210mm, height: 297mm, margin: 0pt)\n#image("demo.pdf", page: 1)'
        (root / "main.typ").write_text(source)
        drawn = typst.compile(root / "main.typ", root=root, format="png", ppi=90)
    write_small(drawn, folder / "demo-print.png")


def write_small(data: bytes, path: Path) -> None:
    """Write a picture of few colours as a small file."""
    with Image.open(io.BytesIO(data)) as picture:
        small = picture.convert("RGB").quantize(128, dither=Image.Dither.NONE)
        small.save(path, "PNG", optimize=True)


if __name__ == "__main__":
    draw_screens(Path(sys.argv[1]))
    draw_paper(Path(sys.argv[1]))
