"""The page put together: view, pictures, style and scripts into one HTML file."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path

import jinja2
from markupsafe import Markup

from dynostats.analysis.attribution import Attribution
from dynostats.analysis.comparison import Comparison
from dynostats.charts.theme import DARK_PALETTE, PALETTE
from dynostats.errors import InputError
from dynostats.report.numbers import UNITS, other_units
from dynostats.report.pictures import draw, json_for_html, runtime
from dynostats.report.shop import Shop
from dynostats.report.view import Provenance, build_view
from dynostats.units import System


def _is_html(template: str | None) -> bool:
    """Say whether a template's values are escaped for HTML: all but the Markdown one."""
    return template is None or not template.endswith(".md.j2")


def _escape_markdown(text: object) -> str:
    """Return text with every character that Markdown or HTML could read as markup escaped."""
    flat = " ".join(str(text).split())
    return "".join("\\" + char if char in "\\`*_{}[]<>()#+!|~&" else char for char in flat)


_TEMPLATES = jinja2.Environment(
    loader=jinja2.PackageLoader("dynostats.report"),
    autoescape=_is_html,  # noqa: S701 - everything but the Markdown template
    undefined=jinja2.StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)

_TEMPLATES.filters["md"] = _escape_markdown


def render_report(
    result: Comparison,
    *,
    split: Attribution | None = None,
    refused: str = "",
    shop: Shop | None = None,
    provenance: Provenance | None = None,
    units: System = "si",
) -> str:
    """Return the report as one HTML page that loads nothing from anywhere.

    Args:
        result: The comparison.
        split: Why it changed; None leaves that section out.
        refused: Why there is no split, in a sentence, to be told in its place.
        shop: What the shop adds; None for a page without a shop.
        provenance: Where it comes from; None leaves that section out.
        units: Units that its switch stands at when it is opened.
    """
    view = build_view(result, split=split, refused=refused, shop=shop, provenance=provenance)
    pictures = draw(result, split)
    scripts = (runtime(), _source("report.js"))
    return _TEMPLATES.get_template("report.html.j2").render(
        view=view,
        # What is marked safe here is made by this package: the charts' markup (user text in it
        # is escaped by the renderer), JSON without angle brackets, our own style and scripts.
        svg={name: Markup(svg) for name, svg in pictures.svg.items()},  # noqa: S704
        charts_json=Markup(pictures.payload),  # noqa: S704
        result_json=Markup(json_for_html(result.to_dict())),  # noqa: S704
        provenance_json=Markup(json_for_html(None if provenance is None else asdict(provenance))),  # noqa: S704
        units_json=Markup(json_for_html(_units(units))),  # noqa: S704
        style=Markup(_style()),  # noqa: S704
        scripts=[Markup(script) for script in scripts],  # noqa: S704
        policy=_policy(scripts),
    )


def write_report(
    result: Comparison,
    path: Path,
    *,
    split: Attribution | None = None,
    refused: str = "",
    shop: Shop | None = None,
    provenance: Provenance | None = None,
    units: System = "si",
) -> Path:
    """Write the report and return its path.

    Raises:
        InputError: When the file cannot be written.
    """
    page = render_report(
        result, split=split, refused=refused, shop=shop, provenance=provenance, units=units
    )
    return write_page(page, path)


def render_static(template: str, **parts: object) -> str:
    """Return a page without scripts, in the style of the report.

    Args:
        template: File name of the template; it prints `style` and `policy`.
        **parts: What else it prints, escaped unless marked safe.
    """
    policy = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; base-uri 'none'"
    return _TEMPLATES.get_template(template).render(
        style=Markup(_style()),  # noqa: S704 - our own style sheet
        policy=policy,
        **parts,
    )


def write_page(page: str, path: Path) -> Path:
    """Write a page and return its path.

    Raises:
        InputError: When the file cannot be written.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(page, encoding="utf-8")
    except OSError as error:
        msg = f"the report cannot be written ({error.strerror})"
        mend = "Choose a folder you may write to, with --report."
        raise InputError(msg, where=str(path), mend=mend) from error
    return path


def render_markdown(
    result: Comparison,
    *,
    split: Attribution | None = None,
    refused: str = "",
    shop: Shop | None = None,
    provenance: Provenance | None = None,
) -> str:
    """Return the same content as Markdown, without pictures."""
    view = build_view(result, split=split, refused=refused, shop=shop, provenance=provenance)
    return _TEMPLATES.get_template("report.md.j2").render(view=view)


def _units(system: System) -> dict[str, object]:
    """Return the names and factors of the page's unit switch, and where it stands at first."""
    opened = "other" if system == "us" else "stored"
    return {"stored": UNITS, "other": other_units(), "opened": opened}


def _style() -> str:
    """Return the style sheet, headed by the charts' colours as variables."""
    dark = f"@media screen and (prefers-color-scheme: dark) {{{_variables(DARK_PALETTE)}}}"
    return f"{_variables(PALETTE)}\n{dark}\n{_source('report.css')}"


def _variables(palette: Mapping[str, str]) -> str:
    values = "".join(f"--c-{name}:{color};" for name, color in palette.items())
    return f":root{{{values}}}"


def _source(name: str) -> str:
    text, _, _ = _TEMPLATES.loader.get_source(_TEMPLATES, name)  # pyright: ignore[reportOptionalMemberAccess]
    return text


def _policy(scripts: tuple[str, ...]) -> str:
    """Return a content security policy under which only our own scripts run and nothing loads.

    The chart runtime compiles its expressions with the Function constructor, hence unsafe-eval;
    the scripts themselves are allowed by their hash, so no script smuggled in as text would run.
    """
    hashes = " ".join(f"'sha256-{_digest(script)}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {hashes} 'unsafe-eval'; style-src 'unsafe-inline'; "
        "img-src data:; base-uri 'none'; form-action 'none'"
    )


def _digest(script: str) -> str:
    return base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
